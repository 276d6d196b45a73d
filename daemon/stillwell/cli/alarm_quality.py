"""The report on the alarms themselves, for people and for programs: `stillwell alarms --report`."""

from __future__ import annotations

import time
from pathlib import Path
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from stillwell.alarm.annunciate.drill import DRILL
from stillwell.alarm.quality_report import FIGURES, Report, report
from stillwell.cli.alarm_line import rfc3339
from stillwell.cli.console import print_json, say, stdout
from stillwell.cli.written import seconds_in_words
from stillwell.notice import Transition

if TYPE_CHECKING:
    from stillwell.cli.printed import AlarmReport
    from stillwell.store import StoreReader

DAY_MS = 86_400_000


def report_on(path: Path, days: int, zone: ZoneInfo) -> Report:
    """Returns the report on the last `days` of a store: until now while a daemon writes it, else
    until its last reading, so that a simulated or replayed store can be judged long afterwards.

    Raises what `StoreReader` raises.
    """
    from stillwell.store import StoreReader, is_held

    now_ms = time.time_ns() // 1_000_000
    with StoreReader.open(path) as reader:
        log = [t for t in reader.transitions() if t.alarm != DRILL]
        end_ms = now_ms if is_held(path) else _end_of(reader, log, now_ms)
        start_ms = max(end_ms - days * DAY_MS, _start_of(reader, log, end_ms))
    before = {t.alarm: t for t in log if t.moment.utc_ms < start_ms}
    inside = [t for t in log if start_ms <= t.moment.utc_ms < end_ms]
    return report(inside, start_ms, end_ms, zone, before.values())


def _end_of(reader: StoreReader, log: list[Transition], now_ms: int) -> int:
    span = reader.span()
    ends = [t.moment.utc_ms + 1 for t in log[-1:]] + ([span[1] + 1] if span else [])
    return max(ends, default=now_ms)


def _start_of(reader: StoreReader, log: list[Transition], end_ms: int) -> int:
    """Returns when the store begins: a week that was not watched must not make a good average."""
    span = reader.span()
    starts = [t.moment.utc_ms for t in log[:1]] + ([span[0]] if span else [])
    return min([*starts, end_ms - 1])


def print_report(found: Report, zone: ZoneInfo, *, as_json: bool) -> None:
    """Prints the report as a table with the target of each figure, or as one JSON object."""
    if as_json:
        print_json(_as_dict(found))
    else:
        _print(found, zone)


def _rows(found: Report) -> list[tuple[str, str, str]]:
    """Returns (key of its figures, name, value) for each figure that is known."""
    share = {p: n / found.raised for p, n in found.by_priority.items()} if found.raised else {}
    shares = ", ".join(
        f"{n} {p.value}" + (f" ({share[p]:.0%})" if found.enough else "")
        for p, n in found.by_priority.items()
        if n
    )
    busiest = max(found.days, key=lambda day: day.raised, default=None)
    most = f"; most on {busiest.day:%d %b}: {busiest.raised}" if busiest and busiest.raised else ""
    stale_day = max((day.stale for day in found.days), default=0)
    stale = f"{', '.join(found.stale)}; {stale_day} at most on a day" if found.stale else ""
    unanswered = ", ".join(dict.fromkeys(spell.alarm for spell in found.unanswered))
    answered = found.answer_median_ms
    rows = [
        ("unanswered", "high, unanswered", f"{len(found.unanswered)}: {unanswered}"),
        ("per day", "raised", f"{found.raised}, {found.per_day:.2g} a day{most}"),
        ("priorities", "by priority", shares),
        ("most frequent", "most frequent", ", ".join(f"{a} {n}" for a, n in found.most_frequent)),
        ("flood", "in a flood", f"{found.flood_share:.2%} of the time"),
        ("chattering", "chattering", ", ".join(found.chattering)),
        ("fleeting", "over within a minute", ", ".join(found.fleeting)),
        ("stale", "on for over 24 h", stale),
        ("", "usual answer", f"after {seconds_in_words((answered or 0) / 1000)} (median)"),
    ]
    said = {
        "high, unanswered": bool(found.unanswered),
        "in a flood": bool(found.flood_share),
        "usual answer": answered is not None,
    }
    return [row for row in rows if said.get(row[1], bool(row[2]))]


def _print(found: Report, zone: ZoneInfo) -> None:
    from datetime import datetime

    from rich.table import Table

    start, end = (
        f"{datetime.fromtimestamp(ms / 1000, zone):%a %d %b %Y %H:%M}"
        for ms in (found.start_ms, found.end_ms)
    )
    many = f"{found.raised} alarm{'' if found.raised == 1 else 's'}" if found.raised else "No alarm"
    now = f"Standing now: {', '.join(found.standing)}." if found.standing else "None stands now."
    say(f"{many} from {start} to {end}. {now}")
    if not found.raised:
        return
    table = Table()
    for name in ("", "found", "good is"):
        table.add_column(name)
    for key, name, value in _rows(found):
        table.add_row(name, value, FIGURES.get(key, ""))
    stdout().print(table)
    if not found.enough:
        say("Fewer than 20 alarms: shares by priority and by alarm mean nothing yet.")


def _as_dict(found: Report) -> AlarmReport:
    return {
        "start": rfc3339(found.start_ms),
        "end": rfc3339(found.end_ms),
        "raised": found.raised,
        "per_day": round(found.per_day, 3),
        "by_priority": {p.value: n for p, n in found.by_priority.items()},
        "most_frequent": [{"alarm": alarm, "raised": n} for alarm, n in found.most_frequent],
        "flood_share": found.flood_share,
        "chattering": list(found.chattering),
        "fleeting": list(found.fleeting),
        "stale": list(found.stale),
        "standing": list(found.standing),
        "unanswered": [
            {"alarm": spell.alarm, "raised": rfc3339(spell.raised_ms)} for spell in found.unanswered
        ],
        "answer_median_s": None
        if found.answer_median_ms is None
        else found.answer_median_ms / 1000,
        "days": [
            {"day": day.day.isoformat(), "raised": day.raised, "high": day.high, "stale": day.stale}
            for day in found.days
        ],
        "figures": dict(FIGURES),
    }
