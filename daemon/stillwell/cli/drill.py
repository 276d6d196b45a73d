"""``stillwell drill``: tests whether an alarm reaches everybody, and whether an answer
comes back."""

from __future__ import annotations

import time
from collections.abc import Callable, Container
from contextlib import nullcontext
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from stillwell.cli.asking import ByOption, who
from stillwell.cli.console import print_json, say, stderr, stdout
from stillwell.cli.options import (
    ConfigOption,
    JsonOption,
    StoreOption,
    fail,
    load_settings,
    reporting_store_errors,
)
from stillwell.cli.watch_line import start_command
from stillwell.cli.written import seconds, seconds_in_words
from stillwell.ports import Stream
from stillwell.request import Command, Request

if TYPE_CHECKING:
    from rich.table import Table

    from stillwell.cli.printed_deeds import Drill
    from stillwell.notice import Transition
    from stillwell.settings import Settings
    from stillwell.store import StoreReader

LOOK_S = 0.1


@dataclass(slots=True)
class Way:
    """One sink on the way to a person."""

    name: str
    kind: str
    taken_s: float | None = None
    """Seconds from the alarm until the sink has taken it."""
    refused: str = ""
    verdict: str = ""
    """The daemon's last verdict on it."""


@dataclass(slots=True)
class Course:
    """The state of the drill."""

    ways: list[Way]
    patience_s: float
    answered_s: float | None = None
    by: str = ""
    over: bool = False
    began_s: float = field(default_factory=time.monotonic)

    @property
    def reached(self) -> bool:
        return all(way.taken_s is not None and not way.refused for way in self.ways)


def drill(
    lasts: Annotated[
        str, typer.Option("--for", help="How long to wait for the acknowledgement.")
    ] = "15 min",
    by: ByOption = "",
    config: ConfigOption = None,
    store: StoreOption = None,
    as_json: JsonOption = False,
) -> None:
    """Send a marked test alarm down every way to everybody, and wait until somebody acknowledges.

    Everybody is told, whatever their turn, priority and quiet hours. Acknowledge it as you would an
    alarm: from the phone, or with: stillwell ack drill. Do it once a month, and after every change
    of a phone, a password or a network. Ends with 0 when every way took it and somebody
    acknowledged, else with 1.

    With --json: sinks (each with sink, kind, taken_s, refused, verdict), answered_s, by.

    Example: stillwell drill --for "5 min"
    """
    patience_s = seconds(lasts)
    settings = load_settings(config)
    path = store or settings.store_path
    with reporting_store_errors():
        course = _run(settings, path, patience_s, who(by), quiet=as_json)
    if as_json:
        print_json(_as_dict(course))
    else:
        _conclude(course)
    if not course.reached or course.answered_s is None:
        raise typer.Exit(1)


def _run(settings: Settings, path: Path, patience_s: float, by: str, *, quiet: bool) -> Course:
    from stillwell.store import StoreReader, ask, await_reply, is_held

    if not path.exists() or not is_held(path):
        fail(
            "No daemon runs on this store, and the drill is about the one that runs.",
            f"Start it, and ask again: {start_command()}",
        )
    with StoreReader.open(path) as reader:
        placed = {cursor.sink for cursor in reader.cursors() if cursor.stream is Stream.NOTICES}
    course = Course(_ways(settings, placed), patience_s)
    if not course.ways:
        fail(
            "No sink takes notices: an alarm reaches nobody who is not looking.",
            "Add a [sink.NAME]; config/sample-mqtt.toml and sample-push.toml have some to copy.",
        )
    reply = await_reply(path, ask(path, Request(Command.DRILL, by=by, seconds=patience_s)))
    if not reply.done:
        fail(reply.text)
    course.began_s = time.monotonic()
    with StoreReader.open(path) as reader:
        wanted = reader.newest(Stream.NOTICES)
        _watch(course, reader, wanted, _screen(quiet))
    return course


def _ways(settings: Settings, placed: Container[str]) -> list[Way]:
    """Returns the sinks that take notices. A sink whose secrets this user may not read counts if
    the daemon has kept a cursor for it."""
    from stillwell.cli.checks.sinks import takes_notices

    return [
        Way(name, destination.kind)
        for name, destination in settings.sink.items()
        if (name in placed if destination.sealed else takes_notices(settings, destination))
    ]


def _screen(quiet: bool) -> Any:
    """Returns where the table is shown while it fills: a terminal, or nowhere."""
    if quiet or not stderr().is_terminal:
        return nullcontext()
    from rich.live import Live

    return Live(console=stderr(), refresh_per_second=4, transient=True)


def _watch(course: Course, reader: StoreReader, wanted: int, screen: Any) -> None:
    """Looks until everything is answered, or the drill is over. Ctrl-C ends the looking, not the
    drill."""
    deadline = course.began_s + course.patience_s + 5.0
    with screen as live:
        show: Callable[[Table], None] = live.update if live is not None else (lambda _: None)
        try:
            while not (course.reached and course.answered_s is not None) and not course.over:
                _look(course, reader, wanted)
                show(_table(course))
                if time.monotonic() > deadline:
                    break
                time.sleep(LOOK_S)
        except KeyboardInterrupt:
            pass


def _look(course: Course, reader: StoreReader, wanted: int) -> None:
    from stillwell.cli.checks.sinks import came_to, refused_by
    from stillwell.supervise.verdict import VERDICT, verdict_key

    gone_s = time.monotonic() - course.began_s
    came = came_to(reader, wanted, (way.name for way in course.ways))
    refused = refused_by(reader, wanted)
    for way in course.ways:
        if way.taken_s is None and way.name in came:
            way.taken_s = gone_s
        way.refused = refused.get(way.name, "")
        said = VERDICT.known(reader.described(verdict_key(way.name)))
        way.verdict = "" if said is None else said.words
    for change in _drill_log(reader, course.patience_s):
        if change.event == "acknowledge" and course.answered_s is None and not course.over:
            course.answered_s, course.by = gone_s, change.by
        elif change.event == "clear" and course.answered_s is None:
            course.over = True


def _drill_log(reader: StoreReader, patience_s: float) -> list[Transition]:
    """Returns the changes of this drill, the oldest first."""
    from stillwell.alarm.annunciate.drill import DRILL

    latest = next((t for t in reader.alarms() if t.alarm == DRILL), None)
    if latest is None:
        return []
    early_ms = latest.moment.utc_ms - round(patience_s * 1000) - 60_000
    log = [t for t in reader.transitions(early_ms) if t.alarm == DRILL]
    began = max((i for i, t in enumerate(log) if t.event == "raise"), default=len(log))
    return log[began:]


def _table(course: Course) -> Table:
    from rich.table import Table

    table = Table()
    for name in ("to", "kind", "handed over", ""):
        table.add_column(name)
    for way in course.ways:
        after = "not yet" if way.taken_s is None else f"after {way.taken_s:.1f} s"
        table.add_row(
            way.name, way.kind, "refused" if way.refused else after, way.refused or way.verdict
        )
    gone_s = time.monotonic() - course.began_s
    if course.answered_s is None:
        waits = "nobody yet" if not course.over else "nobody"
        table.add_row("answer", "", waits, f"{seconds_in_words(gone_s)}")
    else:
        table.add_row("answer", "", f"after {course.answered_s:.1f} s", f"by {course.by or '?'}")
    return table


def _conclude(course: Course) -> None:
    from rich.text import Text

    stdout().print(_table(course))
    for way in course.ways:
        if way.taken_s is None or way.refused:
            why = way.refused or way.verdict or "it says nothing; see journalctl -u stillwell"
            say(Text(f"{way.name} was not reached: {why}", style="bold red"))
    if course.answered_s is None:
        say(Text("Nobody acknowledged.", style="bold red"))
    elif course.reached:
        say(Text("It reached everybody, and an answer came back.", style="green"))
    say("Handed over is not read: ask each of them whether it made a sound.")


def _as_dict(course: Course) -> Drill:
    return {
        "sinks": [
            {
                "sink": way.name,
                "kind": way.kind,
                "taken_s": None if way.taken_s is None else round(way.taken_s, 1),
                "refused": way.refused,
                "verdict": way.verdict,
            }
            for way in course.ways
        ],
        "answered_s": None if course.answered_s is None else round(course.answered_s, 1),
        "by": course.by,
    }
