"""How figures and times are written for one reader."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

from stillwell.alarm.rules.forecast import Forecast
from stillwell.reading import Moment, Quantity
from stillwell.units import Dimension, System, show

BELIEVABLE_MS = 1_704_067_200_000
"""1 January 2024: a clock that shows an earlier time has not been set, and its time of day is
not worth telling."""
_HALF_A_DAY_MS = 12 * 3_600_000
_TOMORROW = "tomorrow "

_DIMENSION = {
    Quantity.TEMPERATURE: Dimension.TEMPERATURE,
    Quantity.LEVEL: Dimension.LENGTH,
    Quantity.HUMIDITY: Dimension.HUMIDITY,
    Quantity.CONDUCTIVITY: Dimension.CONDUCTIVITY,
}


@dataclass(frozen=True, slots=True)
class Figures:
    """Writes figures and times for the words about one alarm."""

    zone: str
    units: System
    alarm: str
    active: bool
    since: Moment
    """When the condition began."""
    now: Moment
    """The time for which the words hold."""

    # -- figures -------------------------------------------------------------------------------

    def value(self, value: float, quantity: Quantity, digits: int | None = None) -> str:
        """Returns a value with its unit, such as ``25.3 °C``."""
        if quantity is Quantity.PH:
            return f"pH {value:.{2 if digits is None else digits}f}"
        return self.show(value, _DIMENSION.get(quantity, Dimension.PLAIN), digits)

    def temperature(self, celsius: float, digits: int | None = None) -> str:
        return self.show(celsius, Dimension.TEMPERATURE, digits)

    def show(self, value: float, dimension: Dimension, digits: int | None = None) -> str:
        return show(value, dimension, self.units, digits)

    def pair(self, value: float, limit: float, quantity: Quantity) -> tuple[str, str]:
        """Returns a value and a limit with as many digits as are needed to tell them apart."""
        one, other = self.value(value, quantity), self.value(limit, quantity)
        if one != other:
            return one, other
        return self.value(value, quantity, 2), self.value(limit, quantity, 2)

    def difference(
        self, value: float, quantity: Quantity = Quantity.TEMPERATURE, digits: int | None = None
    ) -> str:
        """Returns a difference with its unit and without a sign; differences of temperatures are
        in degrees, as people say it."""
        value = abs(value)
        if quantity is Quantity.TEMPERATURE:
            return self.show(value, Dimension.DIFFERENCE, digits).replace(" K", " °C")
        return self.value(value, quantity, digits).removeprefix("pH ")

    def duration(self, seconds: float) -> str:
        return self.show(seconds, Dimension.DURATION)

    def motion(self, per_h: float, quantity: Quantity = Quantity.TEMPERATURE) -> str:
        """Returns ``falling 0.6 °C an hour``, or ``steady``."""
        rate = self.difference(per_h, quantity)
        if not any(digit in rate for digit in "123456789"):
            return "steady"
        return f"{'falling' if per_h < 0 else 'rising'} {rate} an hour"

    # -- times ---------------------------------------------------------------------------------

    def time(self, utc_ms: int) -> str:
        """Returns the local time of day, with the day where that is not obvious; empty while the
        clock can't be believed."""
        if utc_ms < BELIEVABLE_MS:
            return ""
        local, here = self._local(utc_ms), self._local(self.now.utc_ms)
        days = abs((here.date() - local.date()).days)
        if days == 0 or abs(self.now.utc_ms - utc_ms) < _HALF_A_DAY_MS:
            return f"{local:%H:%M}"
        return f"{local:%a %H:%M}" if days < 7 else f"{local.day} {local:%b %H:%M}"

    def from_then(self, utc_ms: int | None = None) -> str:
        """Returns ``since 02:10``, or ``for 20 min`` while the clock can't be believed; without
        a time, since the condition began."""
        at_ms = self.since.utc_ms if utc_ms is None else utc_ms
        if at := self.time(at_ms):
            return f"since {at}"
        gone_ms = self.now.utc_ms - at_ms
        return f"for {self.duration((self.lasted_ms if utc_ms is None else gone_ms) / 1000)}"

    @property
    def lasted_ms(self) -> int:
        """How long the condition has stood, or stood, ms."""
        return self.now.mono_ms - self.since.mono_ms

    def ahead(self, seconds: float, found_ms: int) -> str:
        """Returns the time of something that was `seconds` ahead when it was found: ``03:40``,
        ``tomorrow 03:40``; or ``in 2 h`` while the clock can't be believed."""
        if found_ms < BELIEVABLE_MS:
            return f"in {self.duration(seconds)}"
        grain_ms = 60_000 if seconds < 1800 else 300_000
        at_ms = found_ms + round(seconds * 1000)
        local = self._local((at_ms + grain_ms // 2) // grain_ms * grain_ms)
        days = (local.date() - self._local(self.now.utc_ms).date()).days
        return f"{_TOMORROW if days == 1 else ''}{local:%H:%M}"

    def arrival(self, forecast: Forecast, found_ms: int) -> str:
        """Returns for example ``23.0 °C about 03:40 (03:20 to 04:30)``."""
        about = self.ahead(forecast.seconds, found_ms)
        soonest = self.ahead(forecast.soonest_s, found_ms)
        latest = "" if forecast.latest_s is None else self.ahead(forecast.latest_s, found_ms)
        if soonest.startswith(_TOMORROW):
            soonest, latest = soonest.removeprefix(_TOMORROW), latest.removeprefix(_TOMORROW)
        if not latest:
            return f"about {about} (not before {soonest})"
        return f"about {about}" if soonest == latest else f"about {about} ({soonest} to {latest})"

    def local_date(self, utc_ms: int) -> datetime:
        return self._local(utc_ms)

    def _local(self, utc_ms: int) -> datetime:
        return datetime.fromtimestamp(utc_ms / 1000, UTC).astimezone(ZoneInfo(self.zone))


def capital(text: str) -> str:
    """Returns the text with a capital letter, for the beginning of a sentence."""
    return text[:1].upper() + text[1:]
