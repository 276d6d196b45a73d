"""What the level alarms say. The first sentence stands alone: it is what a phone shows."""

from __future__ import annotations

from stillwell.alarm.wording import FLOW_FIRST, PROBE, PUMP_FIRST, UNPLUG, Wording
from stillwell.estimate.answer import Estimate
from stillwell.notice import Message
from stillwell.observe.chamber.plan import FloatChannel, LevelPlan
from stillwell.observe.chamber.rules import Constant, RateNow, Usual
from stillwell.reading import Moment, Quantity
from stillwell.units import Dimension, show

FLOAT = "Before a hand goes into the water, unplug heater and pump, with dry hands."


class LevelWords:
    """The texts of one tank."""

    def __init__(self, plan: LevelPlan) -> None:
        self._plan = plan
        self._wording = Wording(plan.zone, plan.units)

    def flow(self, ml_per_h: float) -> str:
        return show(ml_per_h, Dimension.FLOW, self._plan.units)

    def volume(self, ml: float) -> str:
        return show(ml, Dimension.VOLUME, self._plan.units)

    def level(self, mm: float) -> str:
        return self._wording.value(mm, Quantity.LEVEL)

    def hours(self, hours: float) -> str:
        if hours >= 60 * 24:
            return "more than 60 days"
        return show(round(hours * 4) * 900.0, Dimension.DURATION, self._plan.units)

    # -- the loss ------------------------------------------------------------------------------

    def leak(self, now: RateNow, bound: Usual, since: Moment, at: Moment) -> Message:
        rests = (
            f"this tank's own last {bound.windows / 4:.0f} days"
            if bound.windows >= 8
            else "physics"
            if bound.from_physics
            else "common practice"
        )
        follows = (
            " Humidity and temperatures are counted in."
            if bound.from_physics
            else " No sensor says how dry the air is: dry air would explain a part."
        )
        return Message(
            f"The water loses {self.flow(now.ml_per_h)} {self._wording.since(since, at)}, more "
            f"than the {self.flow(bound.allowed)} that evaporation may take; usual now is "
            f"{self.flow(bound.middle)} by {rests}.{follows}",
            "Most likely a leak: a joint, a hose, salt creep over the rim, or a siphon.",
            "Look under and behind the tank for wet spots and salt crusts; feel along hoses and "
            "joints. If you find nothing, mark the level with tape and look again in an hour.",
            UNPLUG,
        )

    def seep(self, part: Constant) -> Message:
        return Message(
            f"About {self.flow(part.ml_per_h)} of the loss does not follow the dryness of the air, "
            f"by {part.windows / 4:.0f} days of it.",
            "Most likely a slow leak: evaporation rises and falls with the air, a leak does not.",
            "Look for salt crusts at joints, hoses and rims, and for damp under the tank. The "
            "salinity falls when a leak is topped up with fresh water: measure it.",
            UNPLUG,
        )

    def no_leak(self, now: RateNow | None) -> Message:
        rate = f": {self.flow(now.ml_per_h)}" if now is not None else ""
        return Message(f"The water's loss is as usual{rate}.")

    def standstill(self, now: RateNow, bound: Usual, since: Moment, at: Moment) -> Message:
        return Message(
            f"Next to nothing evaporates {self._wording.since(since, at)}: "
            f"{self.flow(max(0.0, now.ml_per_h))} where {self.flow(bound.middle)} are usual.",
            "Most likely a lid lies on the tank, a float or the gauge is stuck, or water runs in "
            "from somewhere.",
            "Look at the lid and move float and gauge by hand; look for water running in.",
            FLOAT,
        )

    def evaporates(self) -> Message:
        return Message("Evaporation goes on as usual.")

    # -- the level -----------------------------------------------------------------------------

    def top_up(
        self,
        level: Estimate | None,
        missing: Estimate | None,
        reserve: Estimate | None,
        reckoned_h: float | None,
    ) -> Message:
        lowest = self._plan.geometry.lowest_safe_mm
        if level is None:
            at = (
                f"may have reached the lowest safe {self.level(lowest)}"
                if reckoned_h is None or reckoned_h <= 0.0
                else f"may reach the lowest safe {self.level(lowest)} in {self.hours(reckoned_h)}"
            )
            return Message(
                f"By what usually evaporates the water {at}: it is below the lowest float, where "
                "nothing sees it.",
                "Most likely a top-up was missed.",
                f"{FLOW_FIRST} Then see how high it stands, pour fresh water, slowly, to the "
                "fill mark, and note it: `stillwell note pour`. Below the lowest safe level the "
                "pump draws air and the heater may stand dry.",
                UNPLUG,
            )
        at = f"Water {self.level(level.value)} from the fill mark"
        if level.value <= lowest:
            first = f"{at}, at or below the lowest safe {self.level(lowest)}."
        elif reserve is not None:
            first = (
                f"{at}: {self.hours(reserve.value)} until the lowest safe {self.level(lowest)}"
                f" ({self.hours(reserve.low)} to {self.hours(reserve.high)})."
            )
        else:
            first = f"{at}."
        litres = f" {self.volume(missing.value)} of" if missing is not None else ""
        return Message(
            first,
            "Most likely a top-up was missed.",
            f"{FLOW_FIRST} Then pour{litres} fresh water, slowly, to the fill mark, and note it: "
            "`stillwell note pour`. Below the lowest safe level the pump draws air and the heater "
            "may stand dry.",
            UNPLUG,
        )

    def topped_up(self, level: Estimate | None) -> Message:
        at = f" at {self.level(level.value)} from the fill mark" if level is not None else ""
        return Message(f"The water stands high enough again{at}.")

    def too_high(self, level: Estimate | None, missing: Estimate | None) -> Message:
        highest = self._plan.geometry.highest_safe_mm
        if level is None:
            return Message("The water stands too high in the chamber.")
        over = f"{self.volume(-missing.value)} of " if missing and missing.value < 0 else ""
        return Message(
            f"Water {self.level(level.value)} above the fill mark, more than the highest safe "
            f"{self.level(highest)}.",
            "Either too much was poured, or the pump stands and its water has run back.",
            f"{PUMP_FIRST} If it runs, take {over}water out: with the pump off this chamber may "
            "run over.",
            UNPLUG,
        )

    def not_too_high(self) -> Message:
        return Message("The water no longer stands too high.")

    # -- the sensors ---------------------------------------------------------------------------

    def disagree(self, names: tuple[str, ...], inverted: tuple[str, ...]) -> Message:
        odd = " and ".join(self._called(name) for name in names)
        if set(names) & set(inverted):
            return Message(
                f"{odd} opens when water is poured in.",
                "Most likely the float is mounted upside down, or its wiring is for an opening "
                "contact.",
                "Take the float off its stem, turn it over and put it back. Until then it is left "
                "out.",
                FLOAT,
            )
        return Message(
            f"Float and gauge disagree about the level: {odd} does not fit the rest.",
            "Most likely one of them is stuck, was moved, or is fouled.",
            "Measure with a ruler from the fill mark and see which one is wrong. Until then "
            f"{odd} is left out.",
            FLOAT,
        )

    def agree(self) -> Message:
        return Message("Float and gauge agree.")

    def float_fault(self, kind: str, channel: FloatChannel) -> Message:
        called = channel.label or channel.spec.name
        if kind == "chattering":
            return Message(
                f"{called} opens and closes all the time, away from its height.",
                "Most likely a loose plug, water in the lead, or a pump's stream on the float.",
                "Press its plug home, look along the lead for a break, and shield the float from "
                "the stream.",
                PROBE,
            )
        up = kind == "stuck-up"
        return Message(
            f"{called} says that the water is {'above' if up else 'below'} it, and it isn't.",
            f"Most likely the float is jammed in its {'upper' if up else 'lower'} place by salt, "
            "algae or a snail"
            + (", or its contact has welded." if up else ", or its lead is broken."),
            "Move the float up and down by hand and rinse it in warm fresh water; watch the "
            "reading turn over.",
            FLOAT,
        )

    def float_never_opens(self, channel: FloatChannel) -> Message:
        """Of a float that nothing else could contradict."""
        called = channel.label or channel.spec.name
        return Message(
            f"{called} has said for longer than the water can have lasted that it stands above it.",
            "Most likely the float is jammed in its upper place by salt, algae or a snail, or its "
            "contact has welded; or water was poured in and not noted.",
            "See how high the water stands: without this float nobody asks for a top-up. Move it "
            "up and down by hand and watch the reading turn over; note what was poured.",
            FLOAT,
        )

    def float_well(self, channel: FloatChannel) -> Message:
        return Message(f"{channel.label or channel.spec.name} fits the level again.")

    def _called(self, name: str) -> str:
        if name == "gauge" and self._plan.gauge is not None:
            return self._plan.gauge.label or self._plan.gauge.name
        for channel in self._plan.floats:
            if channel.spec.name == name:
                return channel.label or name
        return name
