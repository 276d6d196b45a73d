"""``stillwell shelve``, ``unshelve``, ``out-of-service``, ``in-service``: quiet on purpose, and
for how long."""

from __future__ import annotations

from typing import Annotated

import typer

from stillwell.cli.asking import AlarmArgument, ByOption, ask_and_tell, who
from stillwell.cli.options import ConfigOption, JsonOption, StoreOption
from stillwell.cli.written import seconds
from stillwell.ports import Command, Request


def add_to(app: typer.Typer) -> None:
    app.command("shelve")(shelve)
    app.command("unshelve")(unshelve)
    app.command("out-of-service")(out_of_service)
    app.command("in-service")(in_service)


def shelve(
    alarm: AlarmArgument,
    lasts: Annotated[str, typer.Option("--for", help="For how long: 30 min, 2 h.")],
    by: ByOption = "",
    config: ConfigOption = None,
    store: StoreOption = None,
    as_json: JsonOption = False,
) -> None:
    """Keep an alarm quiet for a while, as during work at the tank. It comes back by itself.

    With --json: done, text, alarms. Ends with 1 when it was refused.

    Example: stillwell shelve top-up --for "2 h"
    """
    request = Request(Command.SHELVE, alarm, who(by), seconds(lasts))
    ask_and_tell(request, config, store, as_json=as_json)


def unshelve(
    alarm: AlarmArgument,
    by: ByOption = "",
    config: ConfigOption = None,
    store: StoreOption = None,
    as_json: JsonOption = False,
) -> None:
    """Take an alarm off the shelf before its time.

    With --json: done, text, alarms. Ends with 1 when it was refused.

    Example: stillwell unshelve top-up
    """
    request = Request(Command.UNSHELVE, alarm, who(by))
    ask_and_tell(request, config, store, as_json=as_json)


def out_of_service(
    alarm: AlarmArgument,
    by: ByOption = "",
    config: ConfigOption = None,
    store: StoreOption = None,
    as_json: JsonOption = False,
) -> None:
    """Take an alarm out of service until you put it back: its sensor is being repaired.

    With --json: done, text, alarms. Ends with 1 when it was refused.

    Example: stillwell out-of-service water-b.silent
    """
    request = Request(Command.OUT_OF_SERVICE, alarm, who(by))
    ask_and_tell(request, config, store, as_json=as_json)


def in_service(
    alarm: AlarmArgument,
    by: ByOption = "",
    config: ConfigOption = None,
    store: StoreOption = None,
    as_json: JsonOption = False,
) -> None:
    """Put an alarm back into service.

    With --json: done, text, alarms. Ends with 1 when it was refused.

    Example: stillwell in-service water-b.silent
    """
    request = Request(Command.RETURN_TO_SERVICE, alarm, who(by))
    ask_and_tell(request, config, store, as_json=as_json)
