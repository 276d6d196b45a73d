"""``stillwell shelve``, ``unshelve``, ``out-of-service``, ``in-service``: quiet on purpose, and
for how long."""

from __future__ import annotations

from typing import Annotated

import typer

from stillwell.alarm.annunciate.maintenance import MAINTENANCE, USUAL_S
from stillwell.cli.asking import AlarmArgument, ByOption, ask_and_tell, who
from stillwell.cli.options import ConfigOption, JsonOption, StoreOption, fail
from stillwell.cli.written import seconds
from stillwell.request import Command, Request


def shelve(
    alarm: AlarmArgument = "",
    every: Annotated[
        bool,
        typer.Option("--all", "-a", help="Work at the tank: whatever a hand causes keeps quiet."),
    ] = False,
    lasts: Annotated[
        str,
        typer.Option(
            "--for",
            help="For how long: 30 min, 2 h. With --all at most 4 h.",
            show_default="--all: 1 h",
        ),
    ] = "",
    by: ByOption = "",
    config: ConfigOption = None,
    store: StoreOption = None,
    as_json: JsonOption = False,
) -> None:
    """Keep an alarm quiet for a while, or with --all, while you work at the tank, whatever a hand
    causes. It comes back by itself.

    A leak, a heater that does not switch off and water that is too warm ring all the same.
    Readings are kept as ever. The end of the work is told, with what stands then.

    With --json: done, text, alarms. Ends with 1 when it was refused.

    Example: stillwell shelve --all --for "45 min"
    """
    subject = _one_or_work(alarm, every)
    if not lasts and not every:
        fail("Say for how long.", f'stillwell shelve {alarm} --for "2 h"')
    request = Request(Command.SHELVE, subject, who(by), seconds(lasts) if lasts else USUAL_S)
    ask_and_tell(request, config, store, as_json=as_json)


def unshelve(
    alarm: AlarmArgument = "",
    every: Annotated[
        bool, typer.Option("--all", "-a", help="The work at the tank is over.")
    ] = False,
    by: ByOption = "",
    config: ConfigOption = None,
    store: StoreOption = None,
    as_json: JsonOption = False,
) -> None:
    """Take an alarm off the shelf before its time, or with --all end the work at the tank.

    With --json: done, text, alarms. Ends with 1 when it was refused.

    Example: stillwell unshelve top-up
    """
    request = Request(Command.UNSHELVE, _one_or_work(alarm, every), who(by))
    ask_and_tell(request, config, store, as_json=as_json)


def _one_or_work(alarm: str, every: bool) -> str:
    if bool(alarm) == every:
        fail("Name one alarm, or give --all.", "What stands: stillwell alarms")
    return alarm or MAINTENANCE


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
