"""Readings and estimates as SenML (RFC 8428): pure, values in, records out.

Every pack is already *resolved* (RFC 8428, 4.6): no base fields, absolute times, so that a consumer
needs no more than a JSON parser. Units are those of the IANA SenML registry; what the store keeps
in another unit is converted (mm → m, mS/cm → S/m, mL → m3, …). Numbers are in SI, never in the
keeper's units.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Sequence

from stillwell.ports import Published
from stillwell.reading import UNIT, Flag, Quantity, Reading

MEDIA_TYPE = "application/senml+json"

Record = dict[str, str | float | int]

_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9\-:./_]*")
"""RFC 8428, 4.5.1: these characters, starting with a letter or a digit."""

_RELATIVE_BELOW_S = 2**28
"""RFC 8428, 4.5.3: a time below this is relative to now, so an absolute one must not be."""

_TO_REGISTRY: dict[str, tuple[str, float]] = {
    # unit of the store -> (IANA SenML unit, what one registry unit is in the store's)
    **{
        unit: (unit, 1.0)
        for unit in ["Cel", "K", "%RH", "pH", "W", "s", "m", "m3", "S/m", "kg", "/"]
    },
    # "/" is the registry's unit of a ratio and of a switch; "1" is not registered.
    "1": ("/", 1.0),
    "": ("/", 1.0),
    "%": ("/", 100.0),
    "g/kg": ("/", 1000.0),
    "mm": ("m", 1000.0),
    "mm/h": ("m/s", 3.6e6),
    "mS/cm": ("S/m", 10.0),
    "min": ("s", 1 / 60),
    "h": ("s", 1 / 3600),
    "d": ("s", 1 / 86400),
    # The registry has "l" but tells producers not to use it.
    "mL": ("m3", 1e6),
    "L": ("m3", 1e3),
    "mL/h": ("m3/s", 3.6e9),
    "L/d": ("m3/s", 8.64e7),
    "g": ("kg", 1000.0),
}


def registered(value: float, unit: str) -> tuple[float, str | None]:
    """Returns `value` in the IANA SenML unit for `unit`, and that unit; (value, None) where the
    registry has none."""
    if unit not in _TO_REGISTRY:
        return value, None
    symbol, per = _TO_REGISTRY[unit]
    return value / per, symbol


def record(name: str, unit: str | None, value: float | str, time_ms: int | None = None) -> Record:
    """Returns one resolved SenML record.

    Args:
        name: the full name.
        unit: an IANA SenML unit, or None for none.
        value: a finite number, or a string.
        time_ms: UTC milliseconds. None, and any time before mid-1978 (a clock that was never set),
            leaves the time out, which SenML reads as "about now": it would read a small number as
            *relative*.

    Raises:
        ValueError: the name has characters that SenML does not allow, or the number is not finite.
    """
    if not _NAME.fullmatch(name):
        raise ValueError(f"{name!r} is no SenML name: letters, digits and - : . / _ only")
    entry: Record = {"n": name}
    if unit is not None:
        entry["u"] = unit
    if time_ms is not None and time_ms >= _RELATIVE_BELOW_S * 1000:
        entry["t"] = time_ms / 1000
    if isinstance(value, str):
        entry["vs"] = value
        return entry
    if not math.isfinite(value):
        raise ValueError(f"{name} has no finite value: JSON has no way to write {value}")
    entry["v"] = value
    return entry


def _measured(name: str, unit: str | None, value: float | None, time_ms: int) -> list[Record]:
    if value is None or not math.isfinite(value):
        return []
    if unit is None:
        return [record(name, None, value, time_ms)]
    converted, symbol = registered(value, unit)
    records = [record(name, symbol, converted, time_ms)]
    if symbol is None:
        records.append(record(f"{name}/unit", None, unit, time_ms))
    return records


def reading(tank: str, quantity: Quantity | None, kept: Reading) -> list[Record]:
    """Returns the pack for one reading.

    The value has the name ``<tank>/<channel>`` only when it may be believed (pass, not evaluated,
    suspect). A value that failed its tests has the name ``…/rejected``, so that a consumer that
    knows nothing of flags cannot take an 85 °C power-on value for water. A missing one has no value
    record at all. ``…/flag`` (QARTOD 1, 2, 3, 4, 9) is always there, and ``…/tests`` when a test
    objected.

    `quantity` None means that the unit is not known: the value then has none.
    """
    name = f"{tank}/{kept.channel}"
    at = kept.moment.utc_ms
    where = f"{name}/rejected" if kept.flag in (Flag.FAIL, Flag.MISSING) else name
    records = _measured(where, UNIT[quantity] if quantity else None, kept.value, at)
    records.append(record(f"{name}/flag", None, int(kept.flag), at))
    if kept.tests:
        records.append(record(f"{name}/tests", None, kept.tests, at))
    return records


def estimate(tank: str, published: Published) -> list[Record]:
    """Returns the pack for one estimate: the value, ``…/low`` and ``…/high`` of its 95 %
    interval where it has one, and ``…/basis``, the evidence in words. An estimate without a
    number has only its basis."""
    name = f"{tank}/{published.name}"
    records: list[Record] = []
    for suffix, value in (
        ("", published.value),
        ("/low", published.low),
        ("/high", published.high),
    ):
        records += _measured(name + suffix, published.unit, value, published.time_ms)
    records.append(record(f"{name}/basis", None, published.basis, published.time_ms))
    return records


def dumps(pack: Sequence[Record]) -> bytes:
    """Returns the pack as compact JSON in UTF-8."""
    text = json.dumps(pack, ensure_ascii=False, separators=(",", ":"), allow_nan=False)
    return text.encode("utf-8", errors="replace")
