"""What the heater's alarms say: figure and limit, since when, where it leads; the likeliest cause
with the evidence for it and the other that is left; what to do; the caution."""

from __future__ import annotations

from collections.abc import Sequence
from enum import StrEnum

from stillwell.alarm.wording import FAN, HOT_HEATER, UNPLUG, Wording
from stillwell.estimate.heat.inference import Inference, Sight
from stillwell.estimate.heat.plan import HeaterPlan
from stillwell.estimate.heat.power import NEARLY_ALL
from stillwell.estimate.heat.pump import Pump
from stillwell.estimate.heat.standing import Condition
from stillwell.notice import Message
from stillwell.reading import Moment, Quantity

_T = Quantity.TEMPERATURE


class Kind(StrEnum):
    """How a condition is told."""

    PLAIN = "plain"
    HOLDS = "holds"
    """The heater is at its limit, and the water holds still."""
    SUPPOSED = "supposed"
    """The dial has been turned, by one switching point alone."""


class HeaterTexts:
    """The texts of one tank."""

    def __init__(self, plan: HeaterPlan) -> None:
        self._plan = plan
        self._words = Wording(plan.zone, plan.units)

    # -- figures ---------------------------------------------------------------------------------

    def _c(self, value: float, digits: int | None = None) -> str:
        return self._words.value(value, _T, digits)

    def _k(self, value: float) -> str:
        return self._words.difference(abs(value), _T)

    def _motion(self, sight: Sight) -> str:
        rate = self._k(sight.slope * 3600)
        if not any(digit in rate for digit in "123456789"):
            return "and steady"
        return f"and {'falling' if sight.slope < 0 else 'rising'} {rate} an hour"

    def _ahead(self, mind: Inference, falling: bool, now: Moment) -> str:
        """Where it leads: when the bands are left, and when animals suffer."""
        sight = mind.sight
        if sight is None:
            return ""
        said = []
        for band in self._plan.bands:
            edge = band.low if falling else band.high
            if (sight.value > edge) == falling:
                reached = mind.forecast(edge)
                if reached is not None:
                    said.append(
                        f"it leaves its band ({band.name}): "
                        f"{self._words.forecast(reached, _T, now)}"
                    )
        reached = mind.forecast(self._plan.cold_c if falling else self._plan.hot_c)
        if reached is not None:
            said.append(self._words.forecast(reached, _T, now))
        text = "; ".join(said)
        return f" {text[0].upper()}{text[1:]}." if text else ""

    # -- conditions ------------------------------------------------------------------------------

    def stands(
        self, condition: Condition, kind: Kind, mind: Inference, since: Moment, now: Moment
    ) -> Message:
        """The message of a condition that stands."""
        if kind is Kind.HOLDS:
            return self._holds(mind, since, now)
        if kind is Kind.SUPPOSED:
            return self._supposed(mind, since, now)
        match condition:
            case Condition.NOT_HEATING:
                return self._not_heating(mind, since, now)
            case Condition.STUCK_ON:
                return self._stuck_on(mind, since, now)
            case Condition.TOO_WEAK:
                return self._short(mind, since, now)
            case Condition.SETTING_MOVED:
                return self._moved(mind, since, now)
            case Condition.TOO_WARM:
                return self._too_warm(mind, since, now)

    def _water(self, mind: Inference, digits: int | None = None) -> str:
        sight = mind.sight
        return f"Water {self._c(sight.value, digits)} {self._motion(sight)}" if sight else "Water"

    def _digits(self, mind: Inference, limit: float) -> int | None:
        """How many digits show on which side of `limit` the water is; None for the usual ones."""
        sight = mind.sight
        return 2 if sight is not None and self._c(sight.value) == self._c(limit) else None

    def _not_heating(self, mind: Inference, since: Moment, now: Moment) -> Message:
        learned = mind.thermostat
        digits = self._digits(mind, learned.trough.level)
        low = self._c(learned.trough.level, digits)
        return Message(
            f"{self._water(mind, digits)}, below {low} where the heater switches on, "
            f"{self._words.since(since, now)}.{self._ahead(mind, True, now)}",
            "Most likely the heater is not heating, because the water goes on as it does with the "
            f"heater off, and has turned at {low} {int(learned.trough.count)} times before; or its "
            "dial has been turned down, if it comes on further below; or the pump stands, if "
            "nothing flows.",
            "Look at the heater: its plug, its light, and that it is under water. If it is dead, "
            "cover the tank and warm the room, or put in a spare; bring the water back slowly.",
            f"{UNPLUG} {HOT_HEATER}",
        )

    def _stuck_on(self, mind: Inference, since: Moment, now: Moment) -> Message:
        learned = mind.thermostat
        digits = self._digits(mind, learned.peak.level)
        high = self._c(learned.peak.level, digits)
        return Message(
            f"{self._water(mind, digits)}, above {high} where the heater switches off, "
            f"{self._words.since(since, now)}.{self._ahead(mind, False, now)}",
            "Most likely the heater does not switch off, because the water goes on rising as it "
            f"does with the heater on, and has turned at {high} {int(learned.peak.count)} times "
            "before; or its dial has been turned up, if it stops further above.",
            "Unplug the heater now and read the water with another thermometer. If the water is as "
            "always, the probe is wrong: plug the heater in again. If it is too warm and nobody "
            "has turned the dial, do not plug it in again: replace it.",
            f"{UNPLUG} {HOT_HEATER}",
        )

    def _short(self, mind: Inference, since: Moment, now: Moment) -> Message:
        share = mind.power.share
        weak = share is not None and share.below(NEARLY_ALL) and share.value > 0
        if share is not None and weak:
            gives = (
                f"Most likely the heater has lost a part of its power, because only about "
                f"{_percent(share.value)} of its usual heat comes ("
                f"{_percent(share.value - share.spread)} to "
                f"{_percent(share.value + share.spread)}); or the water loses more than "
                "usual, if a window, a fan or a lid is open."
            )
        else:
            gives = (
                "Most likely the heater is too weak for the room, because the water falls more "
                "slowly than without it and does not rise; or it has lost a part of its power, if "
                "the room is no colder than usual."
            )
        return Message(
            f"{self._water(mind)}, with the heater on without a pause "
            f"{self._words.since(since, now)}.{self._ahead(mind, True, now)}",
            f"{gives}{self._bears(mind)}",
            "Close the lid and the window, warm the room; feel whether the heater's outflow is "
            "warm. If the room is as always, replace the heater.",
            f"{UNPLUG} {HOT_HEATER}",
        )

    def _holds(self, mind: Inference, since: Moment, now: Moment) -> Message:
        """The heater is at its limit, and the water still holds."""
        on, over_s = mind.power.lately
        at = f", at {self._c(mind.sight.value)}," if mind.sight else ""
        return Message(
            f"The heater was on for {_percent(on)} of the last {over_s / 3600:.0f} hours and has "
            f"hardly any heat to spare, {self._words.since(since, now)}. The water{at} still "
            "holds.",
            "Most likely the room is nearly too cold for this heater, because it comes on almost "
            "without a pause and heats as it always did; or it has lost a part of its power, if "
            f"the room is as always.{self._bears(mind)}",
            "Close the lid and the window, and keep the room from growing colder. If it must, put "
            "in a second heater.",
            f"{UNPLUG} {HOT_HEATER}",
        )

    def _bears(self, mind: Inference) -> str:
        """How cold a room the heater can bear, as far as that is known."""
        room = mind.room_c
        now = None if room is None else mind.power.bears(mind.thermostat, room)
        holds = now or mind.thermostat.holds_down_to()
        if holds is None or holds[2] - holds[1] > 8.0:
            return ""
        at = "" if room is None else f"; the room is at {self._c(room)}"
        by = (
            "As it heats now it holds the water"
            if now
            else "By what it has done it holds its setting"
        )
        return (
            f" {by} down to a room of {self._c(holds[0])} ({self._c(holds[1])} to "
            f"{self._c(holds[2])}){at}."
        )

    def _moved(self, mind: Inference, since: Moment, now: Moment) -> Message:
        learned, by = mind.thermostat, mind.moved_k
        return Message(
            f"The heater now switches at {self._c(learned.trough.level)} and "
            f"{self._c(learned.peak.level)}, {self._k(by)} {'higher' if by > 0 else 'lower'} than "
            f"before, {self._words.since(since, now)}.",
            "Most likely its dial has been turned or bumped, because both switching points have "
            "moved together and the heater works; or this probe has been moved or changed, if "
            "nobody touched the dial.",
            "If you did it, there is nothing to do: in a day it is taken as the setting. If not, "
            "turn the dial back a little, look again after an hour.",
            UNPLUG,
        )

    def _supposed(self, mind: Inference, since: Moment, now: Moment) -> Message:
        """It went on past where it always switched off, and has switched off after all."""
        by_k = mind.dial.supposed_k
        return Message(
            f"The heater has switched off at {self._c(mind.thermostat.peak.level + by_k)}, "
            f"{self._k(by_k)} higher than before, {self._words.since(since, now)}. "
            f"{self._water(mind)}.",
            "Most likely its dial has been turned up or bumped, if nobody has unplugged it, "
            "because it heats no more; or its contacts stick, if it comes on again where it always "
            "did: that will be told.",
            "If you did it, there is nothing to do. If not, turn the dial back a little and look "
            "again after an hour. If nobody can have touched it, do not trust it: replace it.",
            f"{UNPLUG} {HOT_HEATER}",
        )

    def _too_warm(self, mind: Inference, since: Moment, now: Moment) -> Message:
        return Message(
            f"{self._water(mind)}, well above {self._c(mind.thermostat.peak.level)} where the "
            f"heater switches off, {self._words.since(since, now)}; the heater is off."
            f"{self._ahead(mind, False, now)}",
            "Most likely the room is too warm, because the water rises far more slowly than the "
            "heater would raise it; or lamp or sun warm it, if the room is cool.",
            "Open the lid, air or cool the room, let a fan blow across the water, light the lamp "
            "for fewer hours. The heater is not the cause.",
            FAN,
        )

    def mains(self, mind: Inference, since: Moment, now: Moment) -> Message:
        """Pump and heater have stopped together."""
        return Message(
            f"{self._water(mind)}; the return chamber has risen and no heat comes, "
            f"{self._words.since(since, now)}.{self._ahead(mind, True, now)}",
            "Most likely the mains are lost at the tank, because pump and heater stopped together: "
            "the water that ran back stands in the chamber; or only the heater is dead, if the "
            "pump runs and somebody poured.",
            "Look at the fuse, the RCD (GFCI) and the power strip. Without current cover the tank "
            "against the cold and stir or air it by hand every half hour. Take no water out of the "
            "chamber: it belongs to the tank.",
            "If a plug, a socket or the floor is wet, switch the circuit off first and touch "
            "nothing. An RCD that trips again means a fault: unplug the tank's devices one by one, "
            "with dry hands, before you reset it.",
        )

    def pump(self, pump: Pump, probes: Sequence[str], since: Moment, now: Moment) -> Message:
        """The pump stands."""
        parted = self._k((pump.now or 0.0) - (pump.gap or 0.0))
        return Message(
            f"The return chamber has risen and its water parts from the tank's "
            f"{self._words.since(since, now)}: {probes[0]} and {probes[1]} have moved apart by "
            f"{parted}.",
            "Most likely the pump stands, because water ran back into the chamber and is no longer "
            "mixed; or the mains are lost, if lamp and heater are dark too; or somebody poured "
            "much cold or warm water, if the pump runs.",
            "See that the pump runs and draws no air. While it stands the tank gets neither heat "
            "nor oxygen from the chamber: stir or air it by hand, and take no water out: what has "
            "run back belongs to the tank.",
            UNPLUG,
        )

    def over(self, condition: Condition, told: Kind, mind: Inference) -> Message:
        """The message of a condition that has ended; `told` is how it was told."""
        text = {
            Condition.NOT_HEATING: "The heater heats again, or the water no longer needs it.",
            Condition.STUCK_ON: "The heater has switched off.",
            Condition.TOO_WEAK: "The heater reaches its setting again.",
            Condition.SETTING_MOVED: "The heater's switching points are taken as they are now.",
            Condition.TOO_WARM: "The water is back where the heater holds it.",
        }[condition]
        if told is Kind.HOLDS:
            text = "The heater has heat to spare again."
        elif told is Kind.SUPPOSED:
            text = (
                "The heater comes on where it always did: its dial has not been turned, its "
                "contacts have stuck, and may stick for good next time. Replace it."
            )
        by_k = mind.thermostat.dial_k
        if by_k and condition is Condition.NOT_HEATING:
            text = (
                f"The heater has come on {self._k(by_k)} further down than before: if nobody has "
                "mended it or plugged it in, its dial has been turned down."
            )
        elif by_k and condition is Condition.STUCK_ON:
            text = (
                f"The heater has switched off {self._k(by_k)} further up than before: its dial has "
                "been turned up, or its thermostat sticks."
            )
        return Message(f"{self._water(mind)}. {text}")


def _percent(share: float) -> str:
    return f"{max(0.0, min(1.0, share)):.0%}"
