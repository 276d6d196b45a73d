"""Words an entry of ``stillwell note`` in another way: a salinity in ppt, a thermometer beside the
probes."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

from stillwell.cli.options import reporting_store_errors

if TYPE_CHECKING:
    from stillwell.entry import Entry
    from stillwell.keeper.held_beside import Proposal
    from stillwell.settings import Settings
    from stillwell.units import System

NEAR_MS = 5 * 60_000
"""Readings of a thermometer and a probe within this time belong together (our own choice)."""


def beside(entry: Entry, path: Path, settings: Settings, within_k: float | None) -> list[str]:
    """Returns lines about the entry; none if there is nothing to say.

    Args:
        within_k: the largest error of the thermometer, K; None: unknown.
    """
    from stillwell.journal import Kind, salinity_of

    if entry.kind == Kind.SALINITY and entry.unit != "ppt":
        try:
            return [f"That is {salinity_of(entry):.1f} ppt."]
        except ValueError as error:
            return [str(error)]
    if entry.kind == Kind.TEMPERATURE:
        return list(_probes(entry, path, settings, within_k))
    return []


def _probes(entry: Entry, path: Path, settings: Settings, within_k: float | None) -> Iterator[str]:
    """Yields how the probes stood within some minutes of the thermometer, and the offsets
    to write."""
    from stillwell.keeper.held_beside import PROBE_K, STIRRED_K, THERMOMETER_K, proposed
    from stillwell.review import HEALTHY
    from stillwell.store import StoreReader
    from stillwell.units import Dimension, show
    from stillwell.wiring.plans.book import book_plan

    assert entry.value is not None
    units = settings.tank.units
    limit_k = THERMOMETER_K if within_k is None else within_k
    found: list[Proposal] = []
    with reporting_store_errors(), StoreReader.open(path) as reader:
        for name in book_plan(settings).water:
            said = [
                r.value if r.measured is None else r.measured
                for r in reader.readings(name, entry.at_ms - NEAR_MS, entry.at_ms + NEAR_MS)
                if r.value is not None and r.flag in HEALTHY
            ]
            if said:
                now_k = settings.channel[name].offset or 0.0
                found.append(proposed(name, entry.value, said, now_k, limit_k))
    if not found:
        return
    for one in found:
        by = f"{_kelvin(abs(one.reads_k), units)} {'more' if one.reads_k > 0 else 'less'}"
        yield f"{one.channel} reads {by} than the thermometer."
    unchecked = (
        " Nobody has said how good the thermometer is. In crushed ice of pure water, drained and "
        f"without gaps, it shows {show(0.0, Dimension.TEMPERATURE, units)} if it is right (ASTM "
        f'E563); then note it again with --within "{_kelvin(0.1, units, typed=True)}".'
    )
    yield (
        f"This rests on the thermometer to ±{_kelvin(limit_k, units)}, on both hanging in the same "
        f"stream to ±{_kelvin(STIRRED_K, units)}, and on how still the water was. A DS18B20 may "
        f"be off by {_kelvin(PROBE_K, units)} by its data sheet."
        + (unchecked if within_k is None else "")
    )
    for one in found:
        span = f"{_kelvin(one.low_k, units)} to {_kelvin(one.high_k, units)}"
        yield (
            f"{one.channel} needs an offset (19 times in 20 from {span}): give its table this "
            "line, and restart stillwell."
            if one.sure
            else f"{one.channel} may be right as it is (its offset is 19 times in 20 from {span}). "
            "If you know the thermometer to be better, give its table this line, and restart "
            "stillwell."
        )
        yield f"[channel.{one.channel}]"
        yield f'offset = "{_kelvin(one.offset_k, units, typed=True)}"'


def _kelvin(k: float, units: System, *, typed: bool = False) -> str:
    """Returns a difference as it is read, or as it is typed into the configuration."""
    from stillwell.units import Dimension, System, show

    if typed:
        return f"{k * 1.8:.2f} degF" if units == System.US else f"{k:.2f} K"
    return show(k, Dimension.DIFFERENCE, units, 2)
