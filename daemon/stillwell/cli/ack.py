"""``stillwell ack`` and ``stillwell reset``: answers to an alarm that somebody has seen."""

from __future__ import annotations

from typing import Annotated

import typer

from stillwell.cli.asking import AlarmArgument, ByOption, ask_and_tell, who
from stillwell.cli.options import ConfigOption, JsonOption, StoreOption, fail
from stillwell.request import Command, Request

Every = Annotated[bool, typer.Option("--all", "-a", help="Every alarm that it fits.")]


def ack(
    alarm: AlarmArgument = "",
    every: Every = False,
    by: ByOption = "",
    config: ConfigOption = None,
    store: StoreOption = None,
    as_json: JsonOption = False,
) -> None:
    """Acknowledge an alarm: you have seen it and will see to it. It stands until it is over.

    With --json: done, text, alarms. Ends with 1 when it was refused.

    Example: stillwell ack water.low
    """
    _ask(Command.ACKNOWLEDGE, alarm, every, by, config, store, as_json)


def reset(
    alarm: AlarmArgument = "",
    every: Every = False,
    by: ByOption = "",
    config: ConfigOption = None,
    store: StoreOption = None,
    as_json: JsonOption = False,
) -> None:
    """Reset a latching alarm whose cause is gone.

    With --json: done, text, alarms. Ends with 1 when it was refused.

    Example: stillwell reset water.low
    """
    _ask(Command.RESET, alarm, every, by, config, store, as_json)


def _ask(
    command: Command,
    alarm: str,
    every: bool,
    by: str,
    config: ConfigOption,
    store: StoreOption,
    as_json: bool,
) -> None:
    if bool(alarm) == every:
        fail("Name one alarm, or give --all.", "What stands: stillwell alarms")
    request = Request(command, alarm, who(by))
    ask_and_tell(request, config, store, as_json=as_json)
