"""Reads a trace: what a daemon has read and what was noted meanwhile, as files.

The readings are a CSV file, UTF-8, with the header ``time,channel,value``: RFC 3339 times, rows in
time order, an empty value for a missed reading. A fourth column ``looks`` may say how many looks
the share of a float rests on. Values are as a daemon has judged them, and include the channels'
offsets: a replay adds none. The journal has ``time,kind,value,unit`` and may have further columns,
of which ``text``, ``by`` and ``reference`` (of a specific gravity) are read. `read_trace` and
`read_journal` read them for replay: a damaged row is reported and left out, and never stops the
rest, because the file in a bug report is often one that a failing card has written. A file whose
rows are not in time order is refused. A spreadsheet's semicolons in place of commas are accepted,
and with them (or between quotes) decimal commas.
"""

from __future__ import annotations

import csv
import math
import shlex
from collections.abc import Callable, Iterator
from datetime import datetime
from functools import lru_cache
from pathlib import Path
from typing import NamedTuple

from stillwell.ports import DriverError
from stillwell.reading import Failure, Sample
from stillwell.units import UnitError, with_point

_READINGS = ("time", "channel", "value")
_COUNTED = ("looks",)
"""Optional columns beside a share: the number of looks that it rests on."""
_JOURNAL = ("time", "kind", "value", "unit")
_GRAVITY = ("sg", "specific gravity")
_LONGEST_ROW = 4096
_SHOWN = 60
_LEAP_MS = 3_600_000
"""A row further ahead than this, in ms, counts only once the next rows continue from there."""
_FEW, _FEW_IN = 20, 10
"""With more rows out of order than the first number, and more than one in as many as the second,
the file is in another order and not merely damaged (our own choice)."""


class Damage(NamedTuple):
    """One row that was left out, and why."""

    path: Path
    line: int
    """The line number, counted from 1; the header is line 1."""
    why: str

    def __str__(self) -> str:
        return f"{self.path}, line {self.line}: {self.why}"


class TraceError(DriverError):
    """A file that is no trace at all, or cannot be read; `what` names file and line."""


class JournalRow(NamedTuple):
    """One line of a journal file."""

    utc_ms: int
    kind: str
    value: float | None
    unit: str
    text: str = ""
    by: str = ""


Report = Callable[[Damage], None]


class _RowError(Exception):
    """Why one row cannot be used."""


def _ignore(damage: Damage) -> None:
    pass


def _milliseconds(text: str) -> int:
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        raise _RowError(
            f'"{text[:_SHOWN]}" is no RFC 3339 time such as 2026-01-05T22:00:00Z'
        ) from None
    if moment.tzinfo is None:
        raise _RowError(f'the time "{text[:_SHOWN]}" has no zone; UTC is written with a Z')
    try:
        return round(moment.timestamp() * 1000)
    except (OverflowError, ValueError):
        raise _RowError(f'the time "{text[:_SHOWN]}" is out of range') from None


def _number(text: str) -> float | None:
    text = text.strip()
    if not text:
        return None
    try:
        # float() accepts more than a trace may hold: 1_000, nan, digits of other scripts.
        text = with_point(text)
        value = float(text) if text.isascii() and "_" not in text else math.nan
    except UnitError as error:
        raise _RowError(str(error)) from None
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise _RowError(f'"{text[:_SHOWN]}" is no number')
    return value


@lru_cache(maxsize=8192)
def _sample(name: str, value: str, looks: str = "") -> Sample:
    """Returns the sample of one row. Sensors move in steps and repeat their values, and a look into
    the cache takes a tenth of the time of reading a number."""
    number = _number(value)
    channel = name.strip()
    if not channel:
        raise _RowError("the channel has no name")
    if number is None:
        return Sample(channel, None, Failure.SILENT, "trace: empty")
    counted = looks.strip()
    if counted and not (counted.isascii() and counted.isdigit() and int(counted) > 0):
        raise _RowError(f'"{counted[:_SHOWN]}" is no number of looks')
    return Sample(channel, number, looks=int(counted) if counted else None)


def _fields(row: bytes, count: int, comma: str) -> list[str]:
    """Splits one row; a row never spans lines, so a stray quote damages only one row."""
    try:
        text = row.decode("utf-8").rstrip("\r\n")
    except UnicodeDecodeError:
        raise _RowError("the row is no UTF-8") from None
    if "\0" in text:
        raise _RowError("the row holds zero bytes")
    if '"' in text:
        try:
            fields = next(csv.reader([text], delimiter=comma, strict=True))
        except (csv.Error, StopIteration):
            raise _RowError("the quotes do not match") from None
    else:
        fields = text.split(comma)
    if len(fields) != count:
        raise _RowError(f"the row has {len(fields)} fields, not {count}")
    return fields


def _rows(
    path: Path, header: tuple[str, ...], report: Report, more: tuple[str, ...] | None = None
) -> Iterator[tuple[int, list[str]]]:
    """Yields line number and fields of each row that can be split; first the header's own names.
    `more`: the columns that may follow those of `header`; None: any."""
    try:
        file = path.open("rb")
    except OSError as error:
        raise TraceError(
            f"{path} cannot be read: {error.strerror}.", "Check the path and who may read it."
        ) from None
    with file:
        number, lost = 0, False
        names: list[str] = []
        comma = ","
        while True:
            try:
                row = file.readline(_LONGEST_ROW)
            except OSError as error:
                raise TraceError(
                    f"{path}, after line {number}: reading failed: {error.strerror}.",
                    "Copy the file to another disk and try again.",
                ) from None
            if not row:
                break
            if lost:
                # The rest of a row that was too long is skipped.
                lost = not row.endswith(b"\n")
                continue
            number += 1
            if number == 1:
                line = row.removeprefix(b"\xef\xbb\xbf").decode("utf-8", "replace").strip()
                comma = ";" if ";" in line and "," not in line else ","
                names = [name.strip(' "') for name in line.split(comma)]
                further = names[len(header) :]
                strange = more is not None and tuple(further) not in ((), more)
                if tuple(names[: len(header)]) != header or strange:
                    raise TraceError(
                        f'{path}, line 1: the header is "{line[:_SHOWN]}", '
                        f'and "{",".join(header)}" is needed.',
                        "Is this the right file?",
                    )
                yield number, names
                continue
            if not row.strip():
                continue
            if len(row) == _LONGEST_ROW and not row.endswith(b"\n"):
                lost = True
                report(Damage(path, number, f"the row is longer than {_LONGEST_ROW} bytes"))
                continue
            try:
                yield number, _fields(row, len(names), comma)
            except _RowError as damage:
                report(Damage(path, number, str(damage)))
        if number == 0:
            raise TraceError(
                f"{path}, line 1: the file is empty.",
                f'A trace begins with the header "{",".join(header)}".',
            )


class _OutOfOrder:
    """Distinguishes damaged rows from a file in another order."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._first = 0
        self._rows = 0

    def count(self, line: int, rows: int, taken: int) -> None:
        """Counts more rows out of order, seen on this line. Raises TraceError once there are too
        many for the number of rows taken."""
        self._first = self._first or line
        self._rows += rows
        if self._rows > _FEW and self._rows * _FEW_IN > taken:
            file = shlex.quote(str(self._path))
            raise TraceError(
                f"{self._path}, line {self._first}: the rows are not in time order; up to line "
                f"{line}, {self._rows} of them go back.",
                "Sort them by time: "
                f"(head -n 1 {file}; tail -n +2 {file} | LC_ALL=C sort) > sorted.csv",
            )


def read_trace(
    path: Path | str, report: Report = _ignore
) -> Iterator[tuple[int, tuple[Sample, ...]]]:
    """Streams the readings of a trace, grouped by equal time, in bounded memory.

    Args:
        path: the CSV file.
        report: called for each row that is left out: one that cannot be understood, that goes back
            in time or leaps ahead alone, or that names a channel a second time in one instant. Give
            the ``append`` of a list to collect them.

    Yields UTC milliseconds and one sample per channel; an empty value is a sample with the failure
    SILENT. Raises TraceError for a file that is no trace, on the first ``next``, or as soon as it
    is clear that the rows are not in time order.
    """
    path = Path(path)
    taken, out_of_order = 0, _OutOfOrder(path)
    given_ms: int | None = None
    now: int | None = None
    known_time, known_ms = "", 0
    group: dict[str, Sample] = {}
    lines: list[int] = []
    rows = _rows(path, _READINGS, report, _COUNTED)
    next(rows)
    for line, (time, name, value, *looks) in rows:
        try:
            if time == known_time:
                at = known_ms
            else:
                known_ms = at = _milliseconds(time.strip())
                known_time = time
            sample = _sample(name, value, *looks)
            channel = sample.channel
            if now is not None and at < now:
                before = given_ms is not None and at < given_ms
                if before or now - at <= _LEAP_MS:
                    out_of_order.count(line, 1, taken)
                    raise _RowError(f"the time {time.strip()} is before that of an earlier row")
                # The trace continues where it was before the leap: the row that leapt was damaged.
                out_of_order.count(line, len(lines), taken)
                for lost in lines:
                    report(Damage(path, lost, "its time leaps ahead of the rows after it"))
                now = None
            if at == now and channel in group:
                raise _RowError(f'the channel "{channel[:_SHOWN]}" stands twice at {time.strip()}')
        except _RowError as damage:
            report(Damage(path, line, str(damage)))
            continue
        if at != now:
            if now is not None:
                yield now, tuple(group.values())
                given_ms = now
            now, group, lines = at, {}, []
        group[channel] = sample
        taken += 1
        lines.append(line)
    if now is not None:
        yield now, tuple(group.values())


def journal_lines(path: Path | str, report: Report = _ignore) -> Iterator[tuple[int, JournalRow]]:
    """Yields line number and row of a journal, in the order of the file.

    Damaged rows go to `report`. Raises TraceError for a file that is no journal, on the first
    ``next``.
    """
    path = Path(path)
    rows = _rows(path, _JOURNAL, report)
    _, names = next(rows)
    further = names[len(_JOURNAL) :]
    for line, (time, kind, value, unit, *rest) in rows:
        beside = dict(zip(further, rest, strict=True))
        try:
            if not kind.strip():
                raise _RowError("the kind is empty")
            at = _milliseconds(time.strip())
            gravity = unit.strip().casefold() in _GRAVITY
            whole = f"{unit} {beside.get('reference', '')}" if gravity else unit
            number = _number(value)
        except _RowError as damage:
            report(Damage(path, line, str(damage)))
            continue
        text, by = (beside.get(name, "").strip() for name in ("text", "by"))
        yield line, JournalRow(at, kind.strip(), number, " ".join(whole.split()), text, by)
