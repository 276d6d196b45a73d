"""``stillwell alarms``: which alarms stand, and which stood before."""

from __future__ import annotations

from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Annotated
from zoneinfo import ZoneInfo

import typer

from stillwell.cli.alarm_line import alarm_as_dict, alarm_as_text
from stillwell.cli.console import (
    PRIORITY_STYLE,
    STATE_STYLE,
    print_json,
    say,
)
from stillwell.cli.options import (
    ConfigOption,
    JsonOption,
    StoreOption,
    reporting_store_errors,
    store_and_plan,
)
from stillwell.cli.place import store_place
from stillwell.cli.watch_line import NOTHING_THEN, kept_plan, watched_screen
from stillwell.notice import Priority, State, Transition

if TYPE_CHECKING:
    from stillwell.review_plan import ReviewPlan
    from stillwell.words import Reader


def alarms(
    every: Annotated[
        bool, typer.Option("--all", "-a", help="Also those that are normal again.")
    ] = False,
    log: Annotated[int, typer.Option("--log", "-l", help="The last N changes instead.", min=0)] = 0,
    report: Annotated[
        bool, typer.Option("--report", help="How good the alarms themselves are, instead.")
    ] = False,
    days: Annotated[int, typer.Option(help="With --report: how many days back.", min=1)] = 30,
    config: ConfigOption = None,
    store: StoreOption = None,
    as_json: JsonOption = False,
) -> None:
    """What stands: each alarm's state, since when, and what to do.

    With --json one object a line: time, alarm, state, event, active, priority, since, text, by.
    With --report and --json one object: start, end, raised, per_day, by_priority, most_frequent,
    flood_share, chattering, fleeting, stale, standing, unanswered, answer_median_s, days, figures.

    Example: stillwell alarms --log 20
    """
    from stillwell.words import Reader

    path, plan = _store_and_plan(config, store)
    reader, zone = Reader(plan.zone, plan.units), ZoneInfo(plan.zone)
    with watched_screen(path, as_json=as_json) as watching:
        if report:
            from stillwell.cli.alarm_quality import print_report, report_on

            with reporting_store_errors():
                found = report_on(path, days, zone)
            print_report(found, zone, as_json=as_json)
        else:
            _print(path, reader, every, log, as_json=as_json, then=watching.nobody)


def _store_and_plan(config: Path | None, store: Path | None) -> tuple[Path, ReviewPlan]:
    """Returns the store and the tank as the daemon has kept it, for who looks in the night; where
    nothing is kept yet, as the configuration has it, whose models take half a second to build."""
    from stillwell.store import StoreError, StoreReader

    path = store_place(config, store)
    with suppress(StoreError), StoreReader.open(path) as reader:
        kept = kept_plan(reader)
        if kept is not None:
            return path, kept
    return store_and_plan(config, store)


def _print(path: Path, words: Reader, every: bool, log: int, *, as_json: bool, then: bool) -> None:
    from rich.text import Text

    from stillwell.store import StoreReader

    with reporting_store_errors():
        reader = StoreReader.open(path)
        try:
            shown = (
                reader.transitions()[-log:]
                if log
                else [t for t in reader.alarms() if every or worth_showing(t)]
            )
        finally:
            reader.close()
    if as_json:
        for transition in shown:
            print_json(alarm_as_dict(transition, words))
    elif log:
        for transition in shown:
            say(alarm_as_text(transition, words))
    elif not shown:
        nothing = NOTHING_THEN if then else "Nothing stands."
        say(Text(nothing, style="" if then else "green"))
    else:
        _print_each(shown, words)


def worth_showing(transition: Transition) -> bool:
    """Returns whether somebody who asks which alarms stand wants to see this one."""
    return transition.active or transition.after is not State.NORMAL


def _print_each(shown: list[Transition], words: Reader) -> None:
    from datetime import datetime

    from rich.text import Text

    order = list(Priority)
    for transition in sorted(shown, key=lambda t: (order.index(t.priority), t.alarm)):
        since = datetime.fromtimestamp(transition.since.utc_ms / 1000, ZoneInfo(words.zone))
        said = words.alarm(transition)
        say(
            Text.assemble(
                (transition.alarm, PRIORITY_STYLE[transition.priority]),
                f"  {transition.priority.value} priority  ",
                (transition.after.value, STATE_STYLE[transition.after]),
                f"  since {since:%a %d %b %H:%M}",
            ),
            hanging=2,
        )
        for part in (said.title, *said.parts):
            say(part, indent=4)
