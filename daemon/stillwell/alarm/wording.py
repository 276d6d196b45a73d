"""What alarms say. Written for somebody woken at three: first the figure and the limit, then since
when and where it leads, then the likeliest cause, what to do, and the caution that goes with the
deed.

The first sentence stands alone: it is what a phone shows.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

from stillwell.alarm.rules.agreement import Agreement
from stillwell.alarm.rules.band import Band
from stillwell.alarm.rules.discrepancy import Discrepancy
from stillwell.alarm.rules.forecast import Forecast, reaches
from stillwell.alarm.rules.missing import ChannelWatch, Kind
from stillwell.alarm.rules.neighbours import Company
from stillwell.alarm.rules.rate import Slope
from stillwell.notice import Message
from stillwell.reading import Moment, Quantity
from stillwell.units import Dimension, System, differ, show

UNPLUG = (
    "Unplug heater and pump before you reach in; touch plugs with dry hands only. If a plug or "
    "socket is wet or the RCD (GFCI) has tripped, switch the circuit off first and do not touch it."
)
HOT_HEATER = "A heater that is on is hot: leave it under water for 15 min after unplugging it."
"""The minutes are common practice."""
FAN = "Keep fan and cords clear of the water, with a drip loop below each socket."
PROBE = (
    "Probe leads carry low voltage only. Before a hand goes into the water, unplug heater and "
    "pump, with dry hands."
)
PUMP_FIRST = (
    "First see whether the pump runs. If it stands, get it going and take no water out: what has "
    "run back belongs to the tank."
)
FLOW_FIRST = (
    "First see that the pump runs, that water comes back from the tank, and that the floor is dry; "
    "mend what is not so before you pour."
)

_BELIEVABLE_MS = 1_704_067_200_000
"""1 January 2024: a clock that shows less has not been set, and its time of day is not worth
saying."""

_DIMENSION = {
    Quantity.TEMPERATURE: Dimension.TEMPERATURE,
    Quantity.LEVEL: Dimension.LENGTH,
    Quantity.HUMIDITY: Dimension.HUMIDITY,
    Quantity.CONDUCTIVITY: Dimension.CONDUCTIVITY,
}


@dataclass(frozen=True, slots=True)
class Sightings:
    """What the watch knows about a band when it speaks."""

    value: float | None
    slope: Slope | None
    lowest: float | None = None
    highest: float | None = None


class Wording:
    """The texts of one tank: its zone and its units."""

    def __init__(self, zone: str, units: System | str) -> None:
        self._zone = ZoneInfo(zone)
        self._units = System(units)

    # -- figures -------------------------------------------------------------------------------

    def value(self, value: float, quantity: Quantity, digits: int | None = None) -> str:
        """Returns a value with its unit, as ``25.3 °C``."""
        if quantity is Quantity.PH:
            return f"pH {value:.{2 if digits is None else digits}f}"
        dimension = _DIMENSION.get(quantity, Dimension.PLAIN)
        return show(value, dimension, self._units, digits)

    def pair(self, value: float, limit: float, quantity: Quantity) -> tuple[str, str]:
        """Returns a value and a limit with as many digits as it takes to tell them apart."""
        short = (self.value(value, quantity), self.value(limit, quantity))
        if differ(*short):
            return short
        return self.value(value, quantity, 2), self.value(limit, quantity, 2)

    def difference(self, value: float, quantity: Quantity, digits: int | None = None) -> str:
        """Returns a difference with its unit: of temperatures in degrees, as people say it."""
        if quantity is Quantity.TEMPERATURE:
            return show(value, Dimension.DIFFERENCE, self._units, digits).replace(" K", " °C")
        return self.value(value, quantity, digits).removeprefix("pH ")

    def duration(self, ms: float) -> str:
        return show(ms / 1000, Dimension.DURATION, self._units)

    def time(self, moment: Moment, now: Moment) -> str:
        """Returns local time of day, with the day where that is not plain; empty while the clock is
        not to be believed."""
        if moment.utc_ms < _BELIEVABLE_MS:
            return ""
        local = self._local(moment.utc_ms)
        days = abs((self._local(now.utc_ms).date() - local.date()).days)
        if days == 0 or abs(now.utc_ms - moment.utc_ms) < 12 * 3_600_000:
            return f"{local:%H:%M}"
        return f"{local:%a %H:%M}" if days < 7 else f"{local.day} {local:%b %H:%M}"

    def since(self, moment: Moment | None, now: Moment) -> str:
        """Returns ``since 02:10``, or ``for 20 min`` while the clock is not to be believed."""
        moment = moment or now
        at = self.time(moment, now)
        return f"since {at}" if at else f"for {self.duration(now.mono_ms - moment.mono_ms)}"

    def _local(self, utc_ms: int) -> datetime:
        return datetime.fromtimestamp(utc_ms / 1000, UTC).astimezone(self._zone)

    def _ahead(self, seconds: float, now: Moment) -> str:
        """Returns when something in the future is: a time of day, to the minute or five, or how
        long from now while the clock is not to be believed."""
        if now.utc_ms < _BELIEVABLE_MS:
            return self.duration(seconds * 1000)
        grain_ms = 60_000 if seconds < 1800 else 300_000
        at_ms = now.utc_ms + round(seconds * 1000)
        return f"{self._local((at_ms + grain_ms // 2) // grain_ms * grain_ms):%H:%M}"

    # -- bands ---------------------------------------------------------------------------------

    def trend(self, slope: Slope | None, quantity: Quantity, now: Moment) -> str:
        """Returns ``Falling 0.6 °C an hour since 02:10``; empty where no rate can be told."""
        if slope is None or slope.certain_per_h == 0 or slope.low <= 0 <= slope.high:
            return ""
        way = "Rising" if slope.per_h > 0 else "Falling"
        rate = self.difference(abs(slope.per_h), quantity)
        if not any(digit in rate for digit in "123456789"):
            return ""
        return f"{way} {rate} an hour {self._span_of(slope, now)}"

    def _span_of(self, slope: Slope, now: Moment) -> str:
        """Returns ``since 02:10`` where the value turned then, else ``over the last hour``."""
        if slope.turned_ms is None:
            span = self.duration(now.mono_ms - slope.first_ms)
            return f"over the last {'hour' if span == '1 h' else span}"
        turned = Moment(slope.turned_ms, now.utc_ms - now.mono_ms + slope.turned_ms, now.epoch)
        return self.since(turned, now)

    def forecast(self, forecast: Forecast, quantity: Quantity, now: Moment) -> str:
        """Returns ``at this rate 23.8 °C about 03:40 (03:20 to 04:30)``."""
        return (
            f"at this rate {self.value(forecast.target, quantity)} {self._arrival(forecast, now)}"
        )

    def _arrival(self, forecast: Forecast, now: Moment) -> str:
        """Returns ``about 03:40 (03:20 to 04:30)``, or ``in about 2 h (1 h 40 min to 2 h 50 min)``
        while the clock is not to be believed."""
        clock = now.utc_ms >= _BELIEVABLE_MS
        about = self._ahead(forecast.seconds, now)
        soonest = self._ahead(forecast.soonest_s, now)
        told = f"about {about}" if clock else f"in about {about}"
        if forecast.latest_s is None:
            return f"{told} (not before {soonest})" if clock else f"{told} ({soonest} at least)"
        latest = self._ahead(forecast.latest_s, now)
        return told if soonest == latest else f"{told} ({soonest} to {latest})"

    def outside(
        self,
        band: Band,
        quantity: Quantity,
        low: bool,
        sees: Sightings,
        since: Moment | None,
        now: Moment,
    ) -> Message:
        """A band's value is too low or too high."""
        limit = band.low if low else band.high
        value = limit if sees.value is None else sees.value
        shown, shown_limit = self.pair(value, limit, quantity)
        trend = self.trend(sees.slope, quantity, now)
        worsens = bool(trend) and sees.slope is not None and (sees.slope.per_h < 0) == low
        mends = bool(trend) and not worsens
        motion = "" if not trend else " and " + trend.split()[0].lower()
        side = "below" if low else "above"
        first = f"{band.called} {shown}{motion}, {side} {shown_limit} {self.since(since, now)}."
        width = band.high - band.low
        target = limit if mends else (limit - width if low else limit + width)
        ahead = reaches(sees.slope, value, target) if trend else None
        rest = ""
        if trend:
            rest = f" {trend}" + (f"; {self.forecast(ahead, quantity, now)}." if ahead else ".")
        likely, do, caution = _advice(band, quantity, low, worsens)
        return Message(first + rest, likely, do, caution)

    def inside(
        self,
        band: Band,
        quantity: Quantity,
        low: bool,
        sees: Sightings,
        since: Moment | None,
        now: Moment,
    ) -> Message:
        """A band's value is back."""
        limit = band.low if low else band.high
        value = band.target if sees.value is None else sees.value
        what = f"{band.called} {self.value(value, quantity)}, back in its band."
        worst = sees.lowest if low else sees.highest
        side, extreme = ("below", "lowest") if low else ("above", "highest")
        if since is not None:
            what += (
                f" It was {side} {self.value(limit, quantity)} from "
                f"{self.time(since, now) or 'the start'} on, "
                f"{self.duration(now.mono_ms - since.mono_ms)} in all"
            )
            what += f", {extreme} {self.value(worst, quantity)}." if worst is not None else "."
        return Message(
            what, do="Nothing to do at once. If nobody put it right, look for the cause today."
        )

    def racing(self, band: Band, quantity: Quantity, sees: Sightings, now: Moment) -> Message:
        """A band's value changes too fast."""
        slope, value = sees.slope, sees.value
        limit = self.difference(band.rate_per_h or 0.0, quantity)
        if slope is None:
            return Message(f"{band.called} changes by more than {limit} an hour.")
        falling = slope.per_h < 0
        shown = f" {self.value(value, quantity)}" if value is not None else ""
        rate = self.difference(abs(slope.per_h), quantity)
        what = (
            f"{band.called}{shown}, {'falling' if falling else 'rising'} {rate} an hour, "
            f"more than {limit}."
        )
        what += f" So {self._span_of(slope, now)}"
        edge = band.low if falling else band.high
        inside = value is not None and band.low <= value <= band.high
        ahead = reaches(slope, value, edge) if value is not None and inside else None
        if ahead is None:
            what += "."
        else:
            what += (
                f"; at this rate it leaves its band, {self.value(edge, quantity)}, in "
                f"{self.duration(ahead.seconds * 1000)}"
            )
            # A text may be read long after it was sent: the time of day stays true.
            what += f": {self._arrival(ahead, now)}." if now.utc_ms >= _BELIEVABLE_MS else "."
        if quantity is not Quantity.TEMPERATURE or not band.of_water:
            return Message(what, do="Look what has changed.")
        likely = (
            "Most likely the heater is off, cold water was added, a window is open, or a probe "
            "hangs out of the water."
            if falling
            else "Most likely the heater does not switch off, warm water was added, or sun or lamp "
            "heat it."
        )
        return Message(
            what,
            likely,
            "Look at the tank: heater, probe, lid and room, before it leaves its band.",
            UNPLUG,
        )

    def steady(
        self, band: Band, quantity: Quantity, sees: Sightings, since: Moment | None, now: Moment
    ) -> Message:
        """A band's value no longer changes too fast."""
        shown = f" {self.value(sees.value, quantity)}" if sees.value is not None else ""
        limit = self.difference(band.rate_per_h or 0.0, quantity)
        return Message(f"{band.called}{shown}, steady again: changes by less than {limit} an hour.")

    def unseen(
        self,
        band: Band,
        quantity: Quantity,
        troubles: Mapping[str, str],
        since: Moment | None,
        now: Moment,
    ) -> Message:
        """No healthy channel is left. `troubles`: what is wrong, by what people call the
        channel."""
        why = "; ".join(f"{called}: {trouble}" for called, trouble in troubles.items())
        subject = "the water" if band.of_water else band.called.lower()
        return Message(
            what=f"Can't see {subject}: no usable {quantity} {self.since(since, now)}.",
            likely=f"{why}." if why else "",
            do="Read it with another thermometer now and every hour until this is mended; then "
            "look at the probes' plugs and leads."
            if band.of_water
            else "Look at the sensor's plug and lead.",
            caution=PROBE if band.of_water else "",
        )

    def seen_again(
        self, band: Band, quantity: Quantity, value: float | None, since: Moment | None, now: Moment
    ) -> Message:
        shown = f" {self.value(value, quantity)}" if value is not None else ""
        blind = f" It could not be seen for {self._span(since, now)}." if since else ""
        return Message(f"{band.called}{shown}, seen again.{blind}")

    # -- sensors -------------------------------------------------------------------------------

    def called(self, channel: ChannelWatch) -> str:
        label = channel.label or channel.name
        return label[0].upper() + label[1:]

    def trouble(
        self,
        channel: ChannelWatch,
        kind: Kind,
        tests: str,
        since: Moment | None,
        others: bool,
        now: Moment,
    ) -> Message:
        """A channel is silent or at fault. `others`: whether its bands are still seen by another
        one."""
        called = self.called(channel)
        if kind is Kind.SILENT:
            what = f"{called}: no reading {self.since(since, now)}."
            likely = "Most likely its plug or lead has come loose, or it is broken."
        else:
            named = f" ({tests.replace(',', ', ')})" if tests else ""
            what = f"{called}: answers, but with nothing usable {self.since(since, now)}{named}."
            likely = "Most likely a poor contact, a long or wet lead, or a sensor that is dying."
        rest = (
            " Another channel still shows the water; the watch goes on with it." if others else ""
        )
        return Message(
            what + rest, likely, "Check the plug, the lead and the sensor, in this order.", PROBE
        )

    def mended(self, channel: ChannelWatch, since: Moment | None, now: Moment) -> Message:
        lost = f" Nothing usable came for {self._span(since, now)}." if since else ""
        return Message(f"{self.called(channel)} reads again.{lost}")

    def stuck(
        self, channel: ChannelWatch, value: float | None, since: Moment | None, now: Moment
    ) -> Message:
        at = f" at {self.value(value, channel.quantity, 2)}" if value is not None else ""
        return Message(
            f"{self.called(channel)}: stuck{at}, for longer than anything keeps so still.",
            "Most likely the sensor repeats an old value.",
            "Unplug the sensor for ten seconds and plug it in again; if it sticks again, replace "
            "it.",
            PROBE,
        )

    def moving(self, channel: ChannelWatch) -> Message:
        return Message(f"{self.called(channel)} moves again.")

    def apart(
        self,
        agreement: Agreement,
        values: Mapping[str, float],
        channels: Mapping[str, ChannelWatch],
        since: Moment | None,
        now: Moment,
        company: Company | None = None,
    ) -> Message:
        """Channels that should agree do not; `company` may say which one is likelier wrong."""
        quantity = channels[agreement.channels[0]].quantity
        shown = " and ".join(
            f"{channels[name].label or name} {self.value(value, quantity)}"
            for name, value in values.items()
        )
        apart = (
            self.difference(max(values.values()) - min(values.values()), quantity)
            if values
            else "?"
        )
        within = self.difference(agreement.within, quantity)
        odd = company.odd if company is not None and company.odd in values else ""
        because = company.because if company is not None else ""
        return Message(
            f"{agreement.name.capitalize()}: sensors are {apart} apart {self.since(since, now)}, "
            f"more than {within}. They read {shown}.",
            f"Most likely {channels[odd].label or odd} is wrong, because it {because}."
            if odd
            else "One of them is wrong or is not where it should be; nobody can say which.",
            "Hold a thermometer that you trust beside them and see which one is off."
            if quantity is Quantity.TEMPERATURE
            else "Measure by other means and see which one is off.",
            PROBE,
        )

    def together(self, agreement: Agreement) -> Message:
        return Message(f"{agreement.name.capitalize()}: the sensors agree again.")

    # -- floats and switches -------------------------------------------------------------------

    def wrong_state(
        self, discrepancy: Discrepancy, channel: ChannelWatch, since: Moment | None, now: Moment
    ) -> Message:
        called = channel.label or channel.name
        if channel.quantity is Quantity.FLOAT:
            state = "at or above" if discrepancy.wrong_above else "below"
            what = f"{_name(discrepancy)}: water {state} {called} {self.since(since, now)}."
            likely, do = _in_chamber(discrepancy)
            return Message(what, likely, do, UNPLUG)
        state = "on" if discrepancy.wrong_above else "off"
        what = f"{_name(discrepancy)}: {called} is {state} {self.since(since, now)}."
        return Message(what, do=discrepancy.says, caution=UNPLUG)

    def right_state(
        self, discrepancy: Discrepancy, channel: ChannelWatch, since: Moment | None, now: Moment
    ) -> Message:
        called = channel.label or channel.name
        if channel.quantity is Quantity.FLOAT:
            state = "below" if discrepancy.wrong_above else "at or above"
            what = f"{_name(discrepancy)}: water {state} {called} again."
        else:
            state = "off" if discrepancy.wrong_above else "on"
            what = f"{_name(discrepancy)}: {called} is {state} again."
        lasted = f" It was not for {self._span(since, now)}." if since else ""
        return Message(what + lasted)

    def gone(self, alarm: str) -> Message:
        return Message(f"{alarm} is no longer configured, and was closed.")

    def _span(self, since: Moment, now: Moment) -> str:
        return self.duration(now.mono_ms - since.mono_ms)


def _in_chamber(discrepancy: Discrepancy) -> tuple[str, str]:
    """Likeliest cause, and what to do: the keeper's own words hold for one cause, and would harm
    under the other."""
    says = discrepancy.says
    if not discrepancy.in_chamber:
        return "", says
    if discrepancy.wrong_above:
        likely = "Either too much was poured, or the pump stands and its water has run back."
        return likely, f"{PUMP_FIRST}{f' If it runs: {says}' if says else ''}"
    likely = "Most likely a top-up was missed, if the water has not gone somewhere else."
    return likely, f"{FLOW_FIRST}{f' Then: {says}' if says else ''}"


def _name(discrepancy: Discrepancy) -> str:
    return discrepancy.name.replace("-", " ").capitalize()


def _advice(band: Band, quantity: Quantity, low: bool, worsens: bool) -> tuple[str, str, str]:
    """Likeliest cause, what to do, caution."""
    if quantity is not Quantity.TEMPERATURE or not band.of_water:
        return "", "Look at it, and at what has changed since.", ""
    if low:
        likely = (
            "Most likely the heater is not heating: unplugged, switched off, or broken."
            if worsens
            else "Most likely the heater is set too low or cannot keep up with a cold room."
        )
        return (
            likely,
            "Look at the heater: its plug, its light, and that it is under water. If it is dead, "
            "cover the tank and warm the room, or put in a spare; bring the water back slowly.",
            f"{UNPLUG} {HOT_HEATER}",
        )
    likely = (
        "Most likely the heater does not switch off, or the room or the lamp is heating the tank."
        if worsens
        else "Most likely the room is too warm or the lamp too close."
    )
    return (
        likely,
        "Unplug the heater and switch the lamp off; open the lid and let a fan blow across the "
        "water. If the heater was still on at this temperature, replace it; if not, plug it in "
        "again as soon as the water is back in its band.",
        f"{UNPLUG} {FAN}",
    )
