"""How commands ask something of the alarms: through the store from the running daemon, or, when
none runs, from the same pipeline in this process."""

from __future__ import annotations

import getpass
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer
from rich.text import Text

from stillwell.cli.console import print_json, say
from stillwell.cli.options import fail, reporting_store_errors, store_and_settings
from stillwell.request import Reply, Request

if TYPE_CHECKING:
    from stillwell.settings import Settings

ByOption = Annotated[
    str, typer.Option("--by", help="Who you are, for the log.", show_default="your login")
]


def known_alarms(ctx: typer.Context, incomplete: str) -> list[str]:
    """Returns alarm names for the shell's completion; no error is shown."""
    try:
        from stillwell.cli.options import store_path
        from stillwell.store import StoreReader

        reader = StoreReader.open(store_path(ctx.params.get("config"), ctx.params.get("store")))
        with reader:
            return [t.alarm for t in reader.alarms() if t.alarm.startswith(incomplete)]
    except (Exception, SystemExit, typer.Exit):
        return []


AlarmArgument = Annotated[
    str,
    typer.Argument(
        help="The alarm's name, as water.low.", metavar="ALARM", autocompletion=known_alarms
    ),
]


def who(by: str) -> str:
    """Returns the person to put in the log."""
    if by:
        return by
    try:
        return getpass.getuser()
    except (KeyError, OSError):
        return "somebody"


def ask_and_tell(
    request: Request, config: Path | None, store: Path | None, *, as_json: bool
) -> None:
    """Asks, prints the answer, and ends with 1 when the request was refused."""
    reply = _asked(request, *store_and_settings(config, store))
    if as_json:
        print_json({"done": reply.done, "text": reply.text, "alarms": list(reply.alarms)})
    else:
        told = Text(reply.text, style="green" if reply.done else "red")
        say(told)
    if not reply.done:
        raise typer.Exit(1)


def _asked(request: Request, store: Path, settings: Settings | None) -> Reply:
    from stillwell.store import StoreBusy, ask, await_reply, is_held

    with reporting_store_errors():
        if store.exists() and is_held(store):
            return await_reply(store, ask(store, request))
        try:
            return _here(store, settings, request)
        except StoreBusy:  # a daemon started at this moment
            return await_reply(store, ask(store, request))


def _here(store: Path, settings: Settings | None, request: Request) -> Reply:
    """Carries out the request in this process: with the same pipeline, restored from the store."""
    from stillwell.acquire.clock import SystemClock, boot_id
    from stillwell.alarm.plan import WatchPlan
    from stillwell.alarm.watch import Watch
    from stillwell.pipeline import Pipeline
    from stillwell.store import Store
    from stillwell.wiring.plans.watch import watch_plan

    if not store.exists():
        fail(f"There is no store at {store}.", "Name one with --store, or a configuration.")
    clock = SystemClock()
    opened = Store.open(store)
    try:
        plan = WatchPlan() if settings is None else watch_plan(settings)
        # Every alarm that the store knows counts as one of ours: only the daemon drops alarms.
        known = tuple(t.alarm for t in opened.latest_transitions())
        line = Pipeline(opened, Watch(replace(plan, elsewhere=(*plan.elsewhere, *known))), {})
        now_ms = clock.monotonic_ns() // 1_000_000
        line.begin(boot_id(), now_ms, clock.wall_ms(), clock.trusted())
        reply = line.request(request, now_ms)
        opened.commit()
        trouble = opened.trouble
    finally:
        opened.close()
    return reply if trouble is None else Reply(False, f"It could not be kept: {trouble}")
