"""``stillwell sinks``: how much of what the store holds each broker, server and recipient has been
given."""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from stillwell.cli.alarm_line import rfc3339
from stillwell.cli.console import print_json, say, stderr, stdout
from stillwell.cli.options import (
    ConfigOption,
    JsonOption,
    StoreOption,
    fail,
    reporting_store_errors,
    store_and_settings,
)
from stillwell.cli.watch_line import start_command, watched_screen
from stillwell.cli.written import seconds_in_words

if TYPE_CHECKING:
    from stillwell.cli.printed import Sink
    from stillwell.store import Cursor, DeadLetter, StoreReader
    from stillwell.supervise.verdict import Verdict

SHOWN_LETTERS = 5
LOOK_S = 0.5


@dataclass(frozen=True, slots=True)
class Standing:
    """One sink as the store knows it."""

    name: str
    configured: bool
    cursors: tuple[Cursor, ...]
    verdict: Verdict | None
    letters: tuple[DeadLetter, ...]

    @property
    def behind(self) -> int:
        return sum(cursor.behind for cursor in self.cursors)


def sinks(
    sink: Annotated[
        str, typer.Argument(help="Only this sink.", metavar="SINK", show_default=False)
    ] = "",
    replay: Annotated[
        bool, typer.Option("--replay", help="Send the dead letters once more.")
    ] = False,
    follow: Annotated[
        bool, typer.Option("--follow", "-f", help="Show the catching up until it is done.")
    ] = False,
    config: ConfigOption = None,
    store: StoreOption = None,
    as_json: JsonOption = False,
) -> None:
    """How each sink is doing: how far it has come, how far it is behind, its last verdict, and what
    it refused for good (dead letters).

    The daemon writes the numbers down with its readings, every 30 s unless configured otherwise.
    With --json one object a sink: sink, configured, away, verdict, since, behind, streams (each
    with stream, sent, behind, waiting_since), dead_letters (each with id, stream, seq, time,
    reason, again).

    Example: stillwell sinks history --follow
    """
    path, settings = store_and_settings(config, store)
    known = None if settings is None else tuple(settings.sink)
    if sink and known is not None and sink not in known:
        fail(f"No sink is called {sink}.", f"Configured are: {', '.join(known) or 'none'}.")
    with watched_screen(path, as_json=as_json):
        if replay:
            _replay(path, sink)
        found = _look(path, known, sink)
        if as_json:
            for standing in found:
                print_json(as_dict(standing))
            return
        if follow:
            found = _follow(path, known, sink, found)
        _print(found)


def _look(path: Path, known: Sequence[str] | None, only: str) -> list[Standing]:
    from stillwell.store import StoreReader

    with reporting_store_errors(), StoreReader.open(path) as reader:
        found = standings(reader, known)
    return [standing for standing in found if not only or standing.name == only]


def standings(reader: StoreReader, known: Sequence[str] | None) -> list[Standing]:
    from stillwell.supervise.verdict import VERDICT, verdict_key

    # A cursor with a dot in its name is a sink's second cursor, for what goes ahead of the rest.
    cursors = [cursor for cursor in reader.cursors() if "." not in cursor.sink]
    letters = reader.dead_letters()
    names = [*(known or ()), *(c.sink for c in cursors), *(letter.sink for letter in letters)]
    found = []
    for name in dict.fromkeys(names):
        verdict = VERDICT.known(reader.described(verdict_key(name)))
        sent = {} if verdict is None else verdict.sent
        found.append(
            Standing(
                name,
                known is None or name in known,
                tuple(_as_sent(c, sent.get(c.stream, 0)) for c in cursors if c.sink == name),
                verdict,
                tuple(letter for letter in letters if letter.sink == name),
            )
        )
    return found


def _as_sent(cursor: Cursor, sent: int) -> Cursor:
    """Returns the cursor moved to what has been sent, if the sink was sent more than it is trusted
    to keep."""
    if sent <= cursor.seq:
        return cursor
    behind = max(0, cursor.seq + cursor.behind - sent)
    return replace(
        cursor,
        seq=sent,
        behind=behind,
        waiting_since_ms=cursor.waiting_since_ms if behind else None,
    )


def _replay(path: Path, only: str) -> None:
    from stillwell.store import StoreReader, is_held, revive

    with reporting_store_errors():
        with StoreReader.open(path) as reader:
            letters = [x.id for x in reader.dead_letters() if not only or x.sink == only]
        revived = revive(path, letters)
        runs = is_held(path)
    if not revived:
        say("There are no dead letters.", to=stderr())
        return
    what = "1 dead letter goes" if revived == 1 else f"{revived} dead letters go"
    when = "out once more within some seconds" if runs else "out once more when the daemon runs"
    say(f"{what} {when}. What is refused again comes back here.", to=stderr())


def as_dict(standing: Standing) -> Sink:
    verdict = standing.verdict
    return {
        "sink": standing.name,
        "configured": standing.configured,
        "away": None if verdict is None else verdict.away,
        "verdict": "" if verdict is None else verdict.words,
        "since": None if verdict is None else rfc3339(verdict.since_ms),
        "behind": standing.behind,
        "streams": [
            {
                "stream": str(cursor.stream),
                "sent": cursor.seq,
                "behind": cursor.behind,
                "waiting_since": None
                if cursor.waiting_since_ms is None
                else rfc3339(cursor.waiting_since_ms),
            }
            for cursor in standing.cursors
        ],
        "dead_letters": [
            {
                "id": letter.id,
                "stream": str(letter.stream),
                "seq": letter.seq,
                "time": rfc3339(letter.at_ms),
                "reason": letter.reason,
                "again": letter.again,
            }
            for letter in standing.letters
        ],
    }


def _follow(
    path: Path, known: Sequence[str] | None, only: str, began: list[Standing]
) -> list[Standing]:
    """Shows bars until nothing waits any more; returns the state then. Ctrl-C ends it too."""
    from rich.progress import (
        BarColumn,
        MofNCompleteColumn,
        Progress,
        TextColumn,
        TimeRemainingColumn,
    )

    from stillwell.store import is_held

    if not is_held(path):
        fail("No daemon runs on this store, so nothing is sent.", start_command())
    columns = (
        TextColumn("{task.description}"),
        BarColumn(),
        MofNCompleteColumn(),
        TimeRemainingColumn(),
        TextColumn("{task.fields[verdict]}"),
    )
    start = {(s.name, c.stream): c.seq for s in began for c in s.cursors}
    goal = {(s.name, c.stream): c.seq + c.behind for s in began for c in s.cursors if c.behind}
    found = began
    with Progress(*columns, console=stderr()) as progress:
        bars = {
            place: progress.add_task(
                f"{place[0]} {place[1]}", total=goal[place] - start[place], verdict=""
            )
            for place in goal
        }
        try:
            while bars:
                found = _look(path, known, only)
                at = {(s.name, c.stream): c.seq for s in found for c in s.cursors}
                words = {s.name: s.verdict.words for s in found if s.verdict is not None}
                for place, bar in bars.items():
                    done = min(at.get(place, 0), goal[place]) - start[place]
                    progress.update(bar, completed=done, verdict=words.get(place[0], ""))
                if all(at.get(place, 0) >= goal[place] for place in bars):
                    break
                time.sleep(LOOK_S)
        except KeyboardInterrupt:
            pass
    return found


def _print(found: list[Standing]) -> None:
    from rich.table import Table
    from rich.text import Text

    if not found:
        say("No sink is configured, and none has ever been given anything.")
        return
    now_ms = time.time_ns() // 1_000_000
    table = Table()
    for name in ("sink", "rows", "sent up to", "behind", "waiting since"):
        table.add_column(name, justify="right" if name in ("sent up to", "behind") else "left")
    for standing in found:
        if not standing.cursors:
            table.add_row(standing.name, "–", "nothing yet", "", "")
        for number, cursor in enumerate(standing.cursors):
            since = cursor.waiting_since_ms
            table.add_row(
                standing.name if number == 0 else "",
                str(cursor.stream),
                f"{cursor.seq:,}",
                f"{cursor.behind:,}" if cursor.behind else "–",
                "" if since is None else f"{seconds_in_words((now_ms - since) / 1000)} ago",
            )
    stdout().print(table)
    for standing in found:
        say(Text.assemble((standing.name, "bold"), "  ", *_verdict(standing)), hanging=2)
        for letter in standing.letters[-SHOWN_LETTERS:]:
            again = " (goes out once more)" if letter.again else ""
            say(
                f"dead letter {letter.id}: {letter.stream} {letter.seq}: {letter.reason}{again}",
                indent=2,
            )
        more = len(standing.letters) - SHOWN_LETTERS
        if more > 0:
            say(f"and {more} dead letters before these; --json lists all.", indent=2)
    if any(standing.letters for standing in found):
        say("Send the dead letters once more, when their reason is gone: stillwell sinks --replay")


def _verdict(standing: Standing) -> tuple[tuple[str, str], ...]:
    verdict = standing.verdict
    if not standing.configured:
        return (("is configured no more; what it was sent is remembered.", "dim"),)
    if verdict is None:
        return (("has not been tried yet: the daemon has not run with it.", "dim"),)
    if verdict.away:
        return (("away  ", "bold red"), (verdict.words, ""))
    return (("well  ", "green"), (verdict.words, ""))
