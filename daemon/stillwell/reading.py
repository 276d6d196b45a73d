"""The nouns of measurement: what a driver returns, and what is kept of it.

Imports nothing of ours. ``Sample`` and ``Reading`` are named tuples rather than dataclasses because
one of each is made for every value ever measured: a frozen dataclass takes three times as long to
make, which matters on a Pi Zero.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from enum import IntEnum, StrEnum
from typing import NamedTuple


class Flag(IntEnum):
    """QARTOD primary flags (U.S. IOOS, Manual for Real-Time Oceanographic Data Quality Control
    Flags)."""

    PASS = 1
    NOT_EVALUATED = 2
    SUSPECT = 3
    FAIL = 4
    MISSING = 9


class Quantity(StrEnum):
    """What a channel measures. The unit in the store follows from it: see `UNIT`."""

    TEMPERATURE = "temperature"
    LEVEL = "level"
    FLOAT = "float"
    HUMIDITY = "humidity"
    SWITCH = "switch"
    CONDUCTIVITY = "conductivity"
    PH = "ph"

    @property
    def is_share(self) -> bool:
        """Whether its value is a share of looks, 0 … 1, and not a measurement."""
        return self in (Quantity.FLOAT, Quantity.SWITCH)


UNIT: dict[Quantity, str] = {
    Quantity.TEMPERATURE: "Cel",
    Quantity.LEVEL: "mm",
    Quantity.FLOAT: "1",
    Quantity.HUMIDITY: "%RH",
    Quantity.SWITCH: "1",
    Quantity.CONDUCTIVITY: "mS/cm",
    Quantity.PH: "pH",
}
"""The unit of every stored value, by quantity (level: mm relative to the fill mark; float and
switch: 0 … 1, the share of the interval during which it was closed or on). Symbols follow the
SenML registry (RFC 8428, IANA) where it has one; `deliver.senml` converts the rest."""


class Failure(StrEnum):
    """Why a sample holds no trustworthy value. The driver reports what it saw; quality
    judges it."""

    GONE = "gone"
    """The sensor does not answer: unplugged, no device, empty read."""
    CRC = "crc"
    """The check word does not match the bytes."""
    EMPTY_FRAME = "empty-frame"
    """All bytes are zero: that passes the CRC and means nothing."""
    POWER_ON = "power-on"
    """The value that the sensor holds after power-up, before a conversion (85 °C on a DS18B20)."""
    GARBAGE = "garbage"
    """Something was received that is not in the agreed form."""
    SILENT = "silent"
    """Nothing was received within the time in which something should have been."""
    DRIVER = "driver"
    """The driver itself failed; the sample's text says how."""


class Moment(NamedTuple):
    """One instant on both clocks. All durations are taken on `mono_ms`, which is never stepped."""

    mono_ms: int
    """Monotonic milliseconds of this boot."""
    utc_ms: int
    """UTC milliseconds since 1970, as far as the machine knows them."""
    epoch: int = 0
    """The clock epoch (boot, offset, trust) from which `utc_ms` was derived; 0 before one
    is known."""


class Sample(NamedTuple):
    """What a driver returns for one channel: a value, or a failure, and the evidence."""

    channel: str
    value: float | None
    """The value in the unit of the channel's quantity; None when there is none."""
    failure: Failure | None = None
    raw: str = ""
    """The bytes or the line as received, shortened by the driver to at most 80 characters; kept
    with every reading that does not pass."""
    stale: bool = False
    """The hardware may have returned an earlier conversion again."""
    looks: int | None = None
    """For a float or switch whose value is a share: the number of looks that it rests on. None: one
    look, or an unknown number."""


class Reading(NamedTuple):
    """A sample that has been stamped and judged: what the store keeps."""

    channel: str
    moment: Moment
    value: float | None
    flag: Flag
    tests: str = ""
    """The tests that gave a flag other than PASS, comma-separated: ``rate,spike``."""
    raw: str = ""
    looks: int | None = None
    """The `looks` of the sample."""
    measured: float | None = None
    """The sensor's own value, where the channel has an offset, which `value` includes; None where
    it has none."""

    def on(self, offset: float) -> Reading:
        """Returns the reading with another offset, in the quantity's unit. The results of its tests
        stay."""
        said = self.value if self.measured is None else self.measured
        if said is None or (self.measured is None and not offset):
            return self
        value = corrected(said, offset)
        return self._replace(value=value, measured=said if offset else None)


def corrected(said: float, offset: float) -> float:
    """Returns the sensor's value with the channel's offset added, rounded to what no sensor
    resolves."""
    return round(said + offset, 6) if offset else said


_BEGAN = datetime(1970, 1, 1, tzinfo=UTC)
_FIRST_MS, _LAST_MS = -62_135_596_800_000, 253_402_300_799_999
"""The first and the last instant of the calendar's years."""


def rfc3339(utc_ms: int, *, always_ms: bool = False) -> str:
    """Returns UTC milliseconds as programs read them: ``2026-01-31T08:00:00Z``, with milliseconds
    unless they are 0. Times outside the calendar's years (from a wrong clock) become its first or
    last instant."""
    at = _BEGAN + timedelta(milliseconds=min(max(utc_ms, _FIRST_MS), _LAST_MS))
    timespec = "milliseconds" if always_ms or utc_ms % 1000 else "seconds"
    return at.isoformat(timespec=timespec).removesuffix("+00:00") + "Z"


def number(value: float | None) -> str:
    """Returns the shortest text that reads back as the same number; whole numbers without a
    point. None is an empty text."""
    if value is None:
        return ""
    return str(int(value)) if abs(value) < 1e15 and value.is_integer() else repr(value)
