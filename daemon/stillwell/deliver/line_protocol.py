"""Points as InfluxDB's line protocol writes them. Pure: a row in, a line out.

Source: InfluxData, "Line protocol" (InfluxDB 2 reference): escapes, field types, one line a point.

| measurement | tags | fields |
|---|---|---|
| `reading` | tank, channel, quantity, unit | `value` (float; none for a missed reading), `flag` (integer, QARTOD) |
| `alarm` | tank, alarm | `active`, `unanswered`, `withheld` (integer 0 or 1), `urgency` (integer 1 low … 3 high) |
| `estimate` | tank, name, unit | `value`, `low`, `high` (float) |
| `ten_minutes` | tank, channel, quantity, unit | `mean`, `low`, `high` (float), `count` (integer): good readings |

All fields are numbers: servers that keep nothing else (VictoriaMetrics) then keep all of it. A
point is told from another by measurement, tags and time (ms): sent twice, it is kept once.
"""  # noqa: E501 - a table row is one line

from __future__ import annotations

import math
from collections.abc import Mapping
from functools import lru_cache

from stillwell.alarm.annunciate.state import WITHHELD
from stillwell.notice import Notice, Priority, State, Transition
from stillwell.ports import Published, Row
from stillwell.reading import UNIT, Quantity, Reading

_URGENCY = {Priority.LOW: 1, Priority.MEDIUM: 2, Priority.HIGH: 3}
_UNANSWERED = (State.UNACKNOWLEDGED, State.RETURNED, State.LATCHED)
_EARLIEST_MS = -(2**63) // 1_000_000
_LATEST_MS = 2**63 // 1_000_000


def line_of(row: Row, tank: str, channels: Mapping[str, Quantity]) -> str | None:
    """Returns the point of `row` as one line without its end, with its time in ms. Returns None for
    an estimate without a number (one for which there was not enough evidence), which has no point.

    Args:
        channels: what each configured channel measures; a channel that is no longer configured is
            sent without `quantity` and `unit`.

    Raises ValueError, with a reason in words, for a row that cannot be a point.
    """
    body = row.body
    match body:
        case Reading():
            return _reading(body, tank, channels.get(body.channel))
        case Transition():
            fields = {
                "active": _whole(body.active),
                "unanswered": _whole(body.after in _UNANSWERED),
                "withheld": _whole(body.after in WITHHELD),
                "urgency": _whole(_URGENCY[body.priority]),
            }
            return _point("alarm", {"tank": tank, "alarm": body.alarm}, fields, body.moment.utc_ms)
        case Published():
            parts = (("value", body.value), ("low", body.low), ("high", body.high))
            fields = {key: repr(float(v)) for key, v in parts if v is not None and math.isfinite(v)}
            if not fields:
                return None
            tags = {"tank": tank, "name": body.name, "unit": body.unit}
            return _point("estimate", tags, fields, body.time_ms)
        case Notice():
            raise ValueError("A notice is no point")


def line_of_ten_minutes(
    tank: str,
    channel: str,
    quantity: Quantity | None,
    start_ms: int,
    mean: float,
    low: float,
    high: float,
    count: int,
) -> str:
    """Returns the point of ten minutes of a channel whose single readings are no longer kept.

    Args:
        start_ms: UTC of their beginning, the time of the point.
        mean, low, high: over the good readings in the ten minutes, in the quantity's unit.
        count: the number of good readings.
    """
    fields = {key: repr(float(v)) for key, v in (("mean", mean), ("low", low), ("high", high))}
    fields["count"] = _whole(count)
    return _point("ten_minutes", _tags(tank, channel, quantity), fields, start_ms)


def _tags(tank: str, channel: str, quantity: Quantity | None) -> dict[str, str]:
    tags = {"tank": tank, "channel": channel}
    if quantity is not None:
        tags |= {"quantity": quantity.value, "unit": UNIT[quantity]}
    return tags


def _reading(reading: Reading, tank: str, quantity: Quantity | None) -> str:
    fields = {}
    if reading.value is not None and math.isfinite(reading.value):
        fields["value"] = repr(float(reading.value))
    fields["flag"] = _whole(reading.flag)
    return _point("reading", _tags(tank, reading.channel, quantity), fields, reading.moment.utc_ms)


def _point(measurement: str, tags: Mapping[str, str], fields: Mapping[str, str], ms: int) -> str:
    if not _EARLIEST_MS < ms < _LATEST_MS:
        # InfluxDB keeps nanoseconds in 64 bits.
        raise ValueError("The row's time is no time that a server can keep")
    written = ",".join([f"{key}={value}" for key, value in fields.items()])
    return f"{_series(measurement, tuple(tags.items()))} {written} {ms}"


@lru_cache(maxsize=1024)
def _series(measurement: str, tags: tuple[tuple[str, str], ...]) -> str:
    """Returns what comes before the fields: it is the same for all points of a channel, and half
    of the work."""
    # Sorted by key, as the reference advises for speed. An empty tag value is not allowed.
    return measurement + "".join(f",{key}={_tag(value)}" for key, value in sorted(tags) if value)


def _whole(number: int) -> str:
    return f"{int(number)}i"


def _tag(text: str) -> str:
    """Returns a tag's value with the reserved characters escaped. A line end, which a tag cannot
    hold, becomes a space; a backslash at the end, which would escape what follows, is dropped."""
    plain = text.encode("utf-8", "replace").decode()
    plain = " ".join(plain.splitlines()).rstrip("\\")
    return plain.replace(",", "\\,").replace("=", "\\=").replace(" ", "\\ ")
