"""``stillwell export --anonymous``: a tank's heat as a trace that a keeper may hand on.

It has temperatures, the lamp, and what the settings say of volume and devices. No names, no places,
no secrets.

Files and fields are those of recorded traces; see ``tests/support/tanks/recorded``."""

from __future__ import annotations

import csv
import datetime as dt
import json
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from stillwell.journal import Kind
from stillwell.reading import number

if TYPE_CHECKING:
    from stillwell.entry import Entry
    from stillwell.reading import Reading
    from stillwell.settings import Settings
    from stillwell.store import StoreReader

PROBES = ("probe-a", "probe-b", "probe-c", "probe-d")
ROOM, LAMP = "room", "lamp"
WATER = (Kind.POUR, Kind.SALT_POUR, Kind.WATER_CHANGE)
"""Entries that disturb the water's heat."""
DAY_MS = 86_400_000
NOTES = (
    "Write here what you know: which device was at fault, from when until when, or that nothing "
    "was. Days count from 0, times are those of your clock.\n"
)


@dataclass(frozen=True, slots=True)
class Written:
    """How much was written."""

    rows: int
    readings: int
    entries: int


def write_trace(
    reader: StoreReader, settings: Settings, folder: Path, start_ms: int, end_ms: int
) -> Written:
    """Writes ``trace.csv``, ``household.toml`` and ``notes.md`` into a folder that exists.

    Args:
        start_ms: UTC, as is `end_ms`.
    """
    from stillwell.store.reader import ALWAYS

    span = reader.span()
    first_ms = span[0] if start_ms == ALWAYS and span else start_ms
    columns = _columns(settings)
    midnight_ms = _midnight(first_ms, settings)
    every_s = _every_s(settings)
    readings = 0

    def counted() -> Iterator[Reading]:
        nonlocal readings
        for reading in reader.all_readings(start_ms, end_ms):
            if reading.channel in columns:
                readings += 1
                yield reading

    rows = 0
    with (folder / "trace.csv").open("w", encoding="utf-8", newline="") as out:
        write = csv.writer(out, lineterminator="\n").writerow
        write(("at_s", *columns.values()))
        for at_s, values in _rows(counted(), midnight_ms, every_s):
            write((at_s, *(_cell(values.get(name)) for name in columns)))
            rows += 1
    (folder / "household.toml").write_text(
        _household(settings, columns, every_s, midnight_ms), encoding="utf-8"
    )
    entries = reader.journal(start_ms, end_ms, WATER)
    (folder / "notes.md").write_text(_notes(entries, midnight_ms), encoding="utf-8")
    return Written(rows, readings, len(entries))


def _columns(settings: Settings) -> dict[str, str]:
    """Returns the columns by channel, the probe that the water's band names first."""
    water = set(settings.water)
    named = [name for band in settings.band.values() for name in band.of if name in water]
    probes = list(dict.fromkeys((*named, *settings.water)))
    columns = dict(zip(probes, PROBES, strict=False))
    if settings.room:
        columns[settings.room] = ROOM
    if settings.lamp_switch:
        columns[settings.lamp_switch] = LAMP
    return columns


def _midnight(at_ms: int, settings: Settings) -> int:
    """Returns the tank's local midnight before an instant, UTC ms."""
    local = dt.datetime.fromtimestamp(at_ms / 1000, settings.tank.time_zone)
    return round(local.replace(hour=0, minute=0, second=0, microsecond=0).timestamp() * 1000)


def _every_s(settings: Settings) -> int:
    return max(1, round(min(settings.source_of(name).every for name in settings.water)))


def _rows(
    readings: Iterable[Reading], midnight_ms: int, every_s: int
) -> Iterator[tuple[int, dict[str, float | None]]]:
    """Yields one row a time of reading: what came within each step of so many seconds."""
    step, row = -1, dict[str, float | None]()
    for reading in readings:
        at = (reading.moment.utc_ms - midnight_ms) // (every_s * 1000)
        if at < step:
            continue  # the clock was set back: a trace goes on in order
        if at > step and row:
            yield step * every_s, row
            row = {}
        step = at
        row[reading.channel] = reading.value
    if row:
        yield step * every_s, row


def _cell(value: float | None) -> str:
    return number(None if value is None else round(value, 4))


def _household(settings: Settings, columns: dict[str, str], every_s: int, midnight_ms: int) -> str:
    """Returns the settings of the tank's heat, in TOML. A key that is left out is not known."""
    tank = settings.tank
    heater, chiller = tank.heater, tank.chiller
    water = set(settings.water)
    band = next((b for b in settings.band.values() if set(b.of) <= water), None)
    setting_c = band.target if band is not None else 25.0
    within = band.tolerance if band is not None else 1.0
    kind = "none" if heater is None else str(heater.kind or "thermostat")
    lines = [f"volume_l = {tank.volume / 1000:g}"]
    if heater is not None and len(heater.power) > 1:
        kind = "several"
    if heater is not None and heater.schedule is not None:
        kind, night = "schedule", heater.schedule
        hours = f"{_hour(night.from_):g}, {_hour(night.to):g}"
        lines.append(f"night = [{hours}, {setting_c + night.by:g}]")
    lines += [
        f'heater = "{kind}"',
        f"powers_w = [{', '.join(f'{watts:g}' for watts in (heater.power if heater else ()))}]",
        f"setting_c = {setting_c:g}",
        f"band_c = [{setting_c - within:g}, {setting_c + within:g}]",
        f"every_s = {every_s}",
        f"probes = {json.dumps([c for c in columns.values() if c in PROBES])}",
        f"room_probe = {str(ROOM in columns.values()).lower()}",
        f"lamp_switch = {str(LAMP in columns.values()).lower()}",
        f"start = {dt.datetime.fromtimestamp(midnight_ms / 1000, tank.time_zone):%Y-%m-%d}",
    ]
    if chiller is not None:
        lines.append(f"chiller_w = {chiller.power or 0.0:g}")
        if chiller.setting is not None:
            lines.append(f"chiller_setting_c = {chiller.setting:g}")
    for name, hours_of in (("lamp_hours", tank.lamp), ("fan_hours", tank.fan)):
        if hours_of is not None:
            lines.append(f"{name} = [{_hour(hours_of.on):g}, {_hour(hours_of.off):g}]")
    return "\n".join(lines) + "\n"


def _hour(at: dt.time) -> float:
    return round(at.hour + at.minute / 60, 4)


def _notes(entries: Iterable[Entry], midnight_ms: int) -> str:
    lines = [NOTES]
    for entry in entries:
        day, left = divmod(entry.at_ms - midnight_ms, DAY_MS)
        hour, minute = divmod(left // 60_000, 60)
        amount = "" if entry.value is None else f", {entry.value:g} {entry.unit}"
        lines.append(f"- day {day}, {hour:02d}:{minute:02d}: {entry.kind}{amount}\n")
    return "\n".join((lines[0], "".join(lines[1:])))
