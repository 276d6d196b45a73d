"""``stillwell status``: whether anybody watches, and how everything stands, on one screen."""

from __future__ import annotations

import os
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

from stillwell import __version__
from stillwell.cli.alarm_line import rfc3339
from stillwell.cli.console import PRIORITY_STYLE, print_json, say, stdout
from stillwell.cli.options import ConfigOption, JsonOption, StoreOption, reporting_store_errors
from stillwell.cli.place import store_place
from stillwell.cli.watch_line import NOTHING_THEN, kept_plan, kept_run, watched_screen
from stillwell.cli.written import seconds_in_words
from stillwell.notice import Notice, Priority, State, Transition
from stillwell.ports import Stream
from stillwell.watching import AHEAD_MS

if TYPE_CHECKING:
    from rich.text import Text

    from stillwell.cli.printed import Status
    from stillwell.cli.sinks import Standing
    from stillwell.reading import Reading
    from stillwell.review_plan import ReviewPlan
    from stillwell.store import StoreReader
    from stillwell.watching import Recipient, Run, Watching
    from stillwell.words import Reader

CALLING = (State.UNACKNOWLEDGED, State.ACKNOWLEDGED, State.RETURNED, State.LATCHED)
QUIET = (State.SHELVED, State.OUT_OF_SERVICE)
LOOKED_AT = 100
"""How many notices are searched for one that a recipient took."""
TALL = 8
"""More channels than this are shown in two columns."""
SHOWN = 5
ROWS = {
    Stream.READINGS: "reading",
    Stream.ESTIMATES: "estimate",
    Stream.TRANSITIONS: "alarm change",
    Stream.NOTICES: "message",
}
NO_RECIPIENT = (
    "No recipient is configured: an alarm reaches nobody who is not looking. Add a [sink.NAME] to "
    'the configuration: the README says how, under "On your phone".'
)


@dataclass(frozen=True)
class _Status:
    """Everything that is shown, besides the line about the watch."""

    now_ms: int
    plan: ReviewPlan | None
    """The tank's name, zone and units; None if the store does not have them."""
    run: Run | None
    """The newest start of a daemon; None where there was none."""
    quantities: Mapping[str, str]
    """The quantity of each channel."""
    readings: Mapping[str, Reading | None]
    """The newest reading of each channel."""
    alarms: Sequence[Transition]
    notice: Notice | None
    """The last notice that a recipient took; `told` lists the recipients."""
    told: Sequence[str]
    reaches: bool
    """Whether there is a recipient who would get an alarm."""
    sinks: Sequence[Standing]
    size_bytes: int
    free_bytes: int
    clock_set: bool

    @property
    def words(self) -> Reader:
        from stillwell.words import Reader

        return Reader() if self.plan is None else Reader(self.plan.zone, self.plan.units)


def status(
    config: ConfigOption = None,
    store: StoreOption = None,
    as_json: JsonOption = False,
) -> None:
    """Whether anybody watches the tank, and since when; the last reading of each channel; what
    calls and what is kept quiet; the last message that got out; how far each recipient is; the
    store, the clock, the version. The first thing to look at.

    With --json one object: watch (state: watched, hangs, not watched, never watched or no tank;
    since, ahead_s), time, channels, calling, quiet, notice, recipients, store, clock, version.

    Example: stillwell status
    """
    path = store_place(config, store)
    with watched_screen(path, as_json=as_json) as watching:
        seen = _look(path, watching)
        if as_json:
            print_json(_as_dict(seen, watching, path))
        else:
            _show(seen, watching, path)


def _look(path: Path, watching: Watching) -> _Status:
    from stillwell.acquire.clock import SystemClock
    from stillwell.cli.sinks import standings
    from stillwell.store import StoreReader

    with reporting_store_errors(), StoreReader.open(path) as reader:
        run, plan = kept_run(reader), kept_plan(reader)
        newest = {reading.channel: reading for reading in reader.latest_readings()}
        now_ms = time.time_ns() // 1_000_000
        if watching.made_up:
            now_ms = max((r.moment.utc_ms for r in newest.values()), default=now_ms)
        quantities = {channel.name: channel.quantity for channel in reader.channels()}
        recipients = () if run is None else run.recipients
        reached = {c.sink: c.seq for c in reader.cursors() if c.stream is Stream.NOTICES}
        notice, told = _got_out(reader, recipients, reached)
        return _Status(
            now_ms=now_ms,
            plan=plan,
            run=run,
            quantities=quantities,
            readings={name: newest.get(name) for name in (run and run.channels) or sorted(newest)},
            alarms=[t for t in reader.alarms() if t.after in (*CALLING, *QUIET)],
            notice=notice,
            told=told,
            reaches=any(one.name in reached for one in recipients),
            sinks=standings(reader, None if run is None else [one.name for one in recipients]),
            size_bytes=sum(p.stat().st_size for p in (path, _log_of(path)) if p.exists()),
            free_bytes=_free(path),
            clock_set=SystemClock().trusted(),
        )


def _log_of(path: Path) -> Path:
    return path.with_name(f"{path.name}-wal")


def _free(path: Path) -> int:
    disk = os.statvfs(path.parent)
    return disk.f_bavail * disk.f_frsize


def _got_out(
    reader: StoreReader, recipients: Sequence[Recipient], reached: Mapping[str, int]
) -> tuple[Notice | None, list[str]]:
    """Returns the last notice that a recipient took, and which ones did."""
    from stillwell.alarm.annunciate.escalation import is_for

    refused = {(d.sink, d.seq) for d in reader.dead_letters() if d.stream is Stream.NOTICES}

    def took(one: Recipient, number: int, notice: Notice) -> bool:
        done = max(reached.get(one.name, 0), reached.get(f"{one.name}.ahead", 0))
        return (
            number <= done
            and is_for(notice, one.lowest, one.turn)
            and (one.name, number) not in refused
        )

    for number, notice in reader.latest_notices(LOOKED_AT):
        told = [one.name for one in recipients if took(one, number, notice)]
        if told:
            return notice, told
    return None, []


def _show(seen: _Status, watching: Watching, path: Path) -> None:
    from rich.text import Text

    zone = ZoneInfo(seen.plan.zone if seen.plan else "UTC")

    def at(utc_ms: int) -> str:
        return f"{datetime.fromtimestamp(utc_ms / 1000, zone):%a %d %b %H:%M}"

    called = seen.plan.tank if seen.plan else str(path)
    say(Text(f"{called}, {at(seen.now_ms)}", style="bold"))
    calling = [t for t in seen.alarms if t.after in CALLING]
    order = list(Priority)
    for t in sorted(calling, key=lambda t: order.index(t.priority))[:SHOWN]:
        said = f" ({t.priority.value}, {t.after.value}, since {at(t.since.utc_ms)})"
        say(Text.assemble((t.alarm, PRIORITY_STYLE[t.priority]), said), hanging=2)
    if len(calling) > SHOWN:
        say(f"and {len(calling) - SHOWN} alarms more: stillwell alarms")
    if not calling:
        say(NOTHING_THEN if watching.nobody else "No alarm calls.")
    quiet = [_quiet(t, at) for t in seen.alarms if t.after in QUIET]
    if quiet:
        say(f"Kept quiet: {'; '.join(quiet)}.", hanging=2)
    _show_channels(seen)
    if seen.run is not None and not seen.reaches:
        say(Text(NO_RECIPIENT, style="bold red"), hanging=2)
    elif seen.notice is None and seen.run is not None:
        say("No message has got out yet.")
    elif seen.notice is not None:
        title = f'"{seen.words.notice(seen.notice).title}", {at(seen.notice.moment.utc_ms)}'
        say(f"Last message out: {title}, to {', '.join(seen.told)}.", hanging=2)
    for one in seen.sinks:
        say(_recipient(one, at), hanging=2)
    _show_rest(seen, path)


def _quiet(t: Transition, at: Any) -> str:
    if t.after is State.OUT_OF_SERVICE:
        return f"{t.alarm} is out of service"
    return f"{t.alarm} until {at(t.moment.utc_ms + t.shelved_for_ms)}"


def _show_channels(seen: _Status) -> None:
    from rich.table import Table

    rows = [_channel(name, reading, seen) for name, reading in seen.readings.items()]
    table = Table.grid(padding=(0, 2))
    if len(rows) <= TALL:
        for row in rows:
            table.add_row("", *row)
    else:
        half = (len(rows) + 1) // 2
        right = [*rows[half:], ("", "", "")]
        for one, other in zip(rows[:half], right, strict=False):
            table.add_row("", *one, *other)
    stdout().print(table)


def _channel(name: str, reading: Reading | None, seen: _Status) -> tuple[str, str, str]:
    """Returns name, value and age."""
    from stillwell.cli.checks.readings import SAYS, value_shown
    from stillwell.reading import Flag, Quantity
    from stillwell.units import System

    if reading is None:
        return name, "never read", ""
    if seen.quantities.get(name):
        units = seen.plan.units if seen.plan else System.METRIC
        shown = value_shown(reading.value, Quantity(seen.quantities[name]), units).partition(":")[0]
    else:
        shown = "no value" if reading.value is None else f"{reading.value:g}"
    if reading.flag not in (Flag.PASS, Flag.NOT_EVALUATED):
        test = reading.tests.partition(",")[0]
        shown += f" ({SAYS.get(test, test)})"
    age_s = (seen.now_ms - reading.moment.utc_ms) / 1000
    if age_s < -AHEAD_MS / 1000:
        return name, shown, f"{seconds_in_words(-age_s)} ahead of the clock"
    return name, shown, f"{seconds_in_words(age_s)} ago"


def _recipient(one: Standing, at: Any) -> Text:
    from rich.text import Text

    behind = [
        f"{c.behind:,} {ROWS[c.stream]}{'s' if c.behind > 1 else ''}"
        for c in one.cursors
        if c.behind
    ]
    oldest = min((c.waiting_since_ms for c in one.cursors if c.waiting_since_ms), default=None)
    lag = f"behind by {', '.join(behind)}" if behind else "has everything"
    if behind and oldest is not None:
        lag += f" since {at(oldest)}"
    words = "" if one.verdict is None else one.verdict.words
    if one.letters:
        lag += f", refused {len(one.letters)}"
    if not one.configured:
        return Text(f"{one.name}: no longer configured.", style="dim")
    if one.verdict is None:
        return Text(f"{one.name}: not tried yet.")
    away = one.verdict.away
    return Text.assemble(
        f"{one.name}: ", ("away, " if away else "", "bold red"), f"{lag}. {words}".rstrip()
    )


def _show_rest(seen: _Status, path: Path) -> None:
    size, free = (f"{n / 1e6:,.0f} MB" for n in (seen.size_bytes, seen.free_bytes))
    say(f"Store {path}: {size}, sound; {free} free.", hanging=2)
    began = ""
    if seen.run is not None and seen.run.version != __version__:
        began = f" (the daemon: {seen.run.version}; restart it)"
    clock = "set from the network" if seen.clock_set else "not synchronised yet"
    say(f"Clock {clock}. stillwell {__version__}{began}.")


def _as_dict(seen: _Status, watching: Watching, path: Path) -> Status:
    from stillwell.cli.alarm_line import alarm_as_dict
    from stillwell.cli.sinks import as_dict
    from stillwell.reading import UNIT, Quantity

    since, notice, words = watching.since_ms, seen.notice, seen.words
    return {
        "watch": {
            "state": watching.watch,
            "since": None if since is None else rfc3339(since),
            "ahead_s": watching.ahead_ms / 1000,
        },
        "time": rfc3339(seen.now_ms),
        "channels": [
            {
                "channel": name,
                "time": None if r is None else rfc3339(r.moment.utc_ms),
                "age_s": None if r is None else (seen.now_ms - r.moment.utc_ms) / 1000,
                "value": None if r is None else r.value,
                "unit": UNIT[Quantity(seen.quantities[name])] if seen.quantities.get(name) else "",
                "flag": None if r is None else int(r.flag),
                "tests": "" if r is None else r.tests,
            }
            for name, r in seen.readings.items()
        ],
        "calling": [alarm_as_dict(t, words) for t in seen.alarms if t.after in CALLING],
        "quiet": [
            {**alarm_as_dict(t, words), "until": _until(t)} for t in seen.alarms if t.after in QUIET
        ],
        "notice": None
        if notice is None
        else {
            "time": rfc3339(notice.moment.utc_ms),
            "title": words.notice(notice).title,
            "priority": notice.priority,
            "to": list(seen.told),
        },
        "recipients": [as_dict(one) for one in seen.sinks],
        "store": {
            "path": str(path),
            "size_bytes": seen.size_bytes,
            "free_bytes": seen.free_bytes,
            "sound": True,
        },
        "clock": {"set": seen.clock_set},
        "version": __version__,
    }


def _until(t: Transition) -> str | None:
    shelved = t.after is State.SHELVED
    return rfc3339(t.moment.utc_ms + t.shelved_for_ms) if shelved else None
