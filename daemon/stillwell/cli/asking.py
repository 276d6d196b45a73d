"""How commands ask something of the alarms: of the running daemon through the store, or, when none
runs, of the same pipeline in this process."""

from __future__ import annotations

import getpass
import time
import uuid
from pathlib import Path
from typing import Annotated

import typer

from stillwell.cli.console import print_json, stdout
from stillwell.cli.options import fail, reporting_store_errors
from stillwell.ports import Reply, Request

ByOption = Annotated[
    str, typer.Option("--by", help="Who you are, for the log.", show_default="your login")
]


def known_alarms(ctx: typer.Context, incomplete: str) -> list[str]:
    """Alarm names for the shell's completion; silent about everything that goes wrong."""
    try:
        from stillwell.cli.options import store_path
        from stillwell.store import StoreReader

        reader = StoreReader.open(store_path(ctx.params.get("config"), ctx.params.get("store")))
        with reader:
            return [t.alarm for t in reader.alarms() if t.alarm.startswith(incomplete)]
    except (Exception, SystemExit, typer.Exit):
        return []


AlarmArgument = Annotated[
    str, typer.Argument(help="The alarm's name, as water.low.", autocompletion=known_alarms)
]


def who(by: str) -> str:
    """The person to put in the log."""
    if by:
        return by
    try:
        return getpass.getuser()
    except (KeyError, OSError):
        return "somebody"


def ask_and_tell(store: Path, request: Request, config: Path | None, *, as_json: bool) -> None:
    """Asks, prints the answer, and ends with 1 when it was refused."""
    reply = _asked(store, request, config)
    if as_json:
        print_json({"done": reply.done, "text": reply.text, "alarms": list(reply.alarms)})
    else:
        stdout().print(f"[{'green' if reply.done else 'red'}]{reply.text}[/]", highlight=False)
    if not reply.done:
        raise typer.Exit(1)


def _asked(store: Path, request: Request, config: Path | None) -> Reply:
    from stillwell.store import StoreBusy, ask, await_reply, is_held

    with reporting_store_errors():
        if store.exists() and is_held(store):
            return await_reply(store, ask(store, request))
        try:
            return _here(store, request, config)
        except StoreBusy:  # a daemon started in this moment
            return await_reply(store, ask(store, request))


def _here(store: Path, request: Request, config: Path | None) -> Reply:
    """Does it in this process: the same pipeline, restored from the store."""
    from stillwell.alarm.plan import WatchPlan
    from stillwell.alarm.watch import Watch
    from stillwell.pipeline import Pipeline
    from stillwell.store import Store

    if not store.exists():
        fail(f"There is no store at {store}.", "Name one with --store, or a configuration.")
    opened = Store.open(store)
    # Without the configuration every alarm that the store knows is one of ours.
    plan = WatchPlan(elsewhere=tuple(t.alarm for t in opened.latest_transitions()))
    line = Pipeline(opened, Watch(plan), {})
    now_ms = time.time_ns() // 1_000_000
    line.begin(f"asked-{uuid.uuid4()}", 0, now_ms, trusted=True)
    reply = line.request(request, 0)
    line.end()
    return reply
