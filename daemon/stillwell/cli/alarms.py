"""``stillwell alarms``: what stands, and what was."""

from __future__ import annotations

from typing import Annotated
from zoneinfo import ZoneInfo

import typer

from stillwell.cli.alarm_line import alarm_as_dict, alarm_as_text
from stillwell.cli.console import PRIORITY_STYLE, STATE_STYLE, print_json, stdout
from stillwell.cli.options import (
    ConfigOption,
    JsonOption,
    StoreOption,
    reporting_store_errors,
    store_and_plan,
)
from stillwell.notice import Priority, State, Transition


def add_to(app: typer.Typer) -> None:
    app.command("alarms")(alarms)


def alarms(
    every: Annotated[
        bool, typer.Option("--all", "-a", help="Also those that are normal again.")
    ] = False,
    log: Annotated[int, typer.Option("--log", "-l", help="The last N changes instead.", min=0)] = 0,
    config: ConfigOption = None,
    store: StoreOption = None,
    as_json: JsonOption = False,
) -> None:
    """What stands: each alarm's state, since when, and what to do.

    Example: stillwell alarms --log 20
    """
    from stillwell.store import StoreReader

    path, plan = store_and_plan(config, store)
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
            print_json(alarm_as_dict(transition))
    elif log:
        for transition in shown:
            stdout().print(alarm_as_text(transition, ZoneInfo(plan.zone)))
    elif not shown:
        stdout().print("[green]Nothing stands.[/]")
    else:
        _print_table(shown, ZoneInfo(plan.zone))


def worth_showing(transition: Transition) -> bool:
    """Whether somebody who asks what stands wants to see it."""
    return transition.active or transition.after is not State.NORMAL


def _print_table(shown: list[Transition], zone: ZoneInfo) -> None:
    from datetime import datetime

    from rich.table import Table
    from rich.text import Text

    order = list(Priority)
    table = Table("alarm", "priority", "state", "since", "what and what to do", show_lines=True)
    for transition in sorted(shown, key=lambda t: (order.index(t.priority), t.alarm)):
        since = datetime.fromtimestamp(transition.since.utc_ms / 1000, zone)
        table.add_row(
            transition.alarm,
            Text(transition.priority.value, style=PRIORITY_STYLE[transition.priority]),
            Text(transition.after.value, style=STATE_STYLE[transition.after]),
            f"{since:%a %d %b %H:%M}",
            str(transition.message),
        )
    stdout().print(table)
