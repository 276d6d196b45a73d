"""Runs the observers beside the watch: they see every reading and journal entry, have findings,
publish numbers, and survive a restart.

What an observer knows is kept in the store together with the number of the last reading that it
has seen. After a restart it is given that state and then the readings kept since, so that a run
in two parts knows the same as one without a break.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol, runtime_checkable

from stillwell.alarm.catalogue import priority_of
from stillwell.entry import Entry
from stillwell.finding import Finding, Over
from stillwell.form import Form
from stillwell.observe.facts import ObserverFailed
from stillwell.observe.known import Hears, Known, Tells, in_order
from stillwell.ports import Published, Stream
from stillwell.quality.offset import moved_by
from stillwell.reading import Moment, Reading
from stillwell.store import Store

log = logging.getLogger(__name__)

_PAGE = 5_000


class Observer(Protocol):
    """An estimator with its rules. Deterministic: no clock, no I/O."""

    name: str
    """The name under which its state is kept."""

    def see(self, reading: Reading) -> Iterable[Finding]:
        """Takes one judged reading."""
        ...

    def note(self, entry: Entry, struck: Entry | None) -> Iterable[Finding]:
        """Takes a journal entry; `struck` is the earlier one that it strikes out."""
        ...

    def tick(self, now: Moment) -> Iterable[Finding]:
        """Called about once a second. The first call after a start returns how each of its
        alarms stands, so that none is left over from the last run."""
        ...

    def estimates(self, now: Moment) -> Iterable[Published]:
        """Returns what is worth publishing now; called after each `tick`, mostly returns
        nothing."""
        ...

    def state(self) -> str:
        """Returns all that it knows, as text."""
        ...

    def restore(self, state: str) -> None:
        """The inverse of `state`. Raises ValueError for a state that it can't use; it then
        starts anew."""
        ...


@runtime_checkable
class TakesOffsets(Protocol):
    """The ability of an observer to follow a change of a channel's zero."""

    def moved(self, by: Mapping[str, float]) -> None:
        """Takes by how much each channel's values differ from those when its state was kept,
        because its offset has changed. Called after `restore`, before anything else."""
        ...


@runtime_checkable
class LearnsFromKept(Protocol):
    """The ability of an observer without a state to learn from readings that are kept: after a
    change of its form, or of the settings, a tank is not to be unwatched until it has learned."""

    learns_from: int
    """The most readings, of all channels together."""


@dataclass(frozen=True, slots=True)
class _Saved:
    """One observer, as the last run left it."""

    reading: int
    """The number of the newest reading that is included, and that of the newest entry."""
    entry: int
    state: str
    offsets: Mapping[str, float]


_FORM = Form(_Saved, 2, packs=False)


class Observing:
    """The observers of one pipeline, and how far each has come in the store.

    Args:
        offsets: by channel, where it has one.
    """

    def __init__(
        self,
        observers: Sequence[Observer],
        store: Store,
        offsets: Mapping[str, float] | None = None,
    ) -> None:
        self._observers = in_order(observers)
        self._known = Known()
        self._hear = {o: o.hear for o in self._observers if isinstance(o, Hears)}
        self._tell = {o: o.tell for o in self._observers if isinstance(o, Tells)}
        self._failed: list[Observer] = []
        """The observers that are set aside."""
        self._store = store
        self._offsets = dict(offsets or {})
        self._entry = 0
        self._told = False
        """Whether each has been reported to work."""

    def resume(self) -> None:
        """Gives each observer its state of the last run and then the readings kept since, in turn
        as in the last run, and saves what they know then, so that the next run continues from there
        however this one ends."""
        after: dict[Observer, int] = {}
        self._each(lambda observer: self._resumed(observer, after))
        self._catch_up(after)

    def _each(self, turn: Callable[[Observer], Iterable[Finding]]) -> list[Finding]:
        """Lets each observer take its turn, with what those before it know. Returns their
        findings; an observer that fails is set aside."""
        found: list[Finding] = []
        for observer in self._observers:
            try:
                if observer in self._hear:
                    self._hear[observer](self._known)
                found.extend(turn(observer))
                if observer in self._tell:
                    self._known = self._tell[observer](self._known)
            except Exception:
                found.append(self._set_aside(observer))
        return found

    def _resumed(self, observer: Observer, after: dict[Observer, int]) -> Iterable[Finding]:
        after[observer], entry = self._restored(observer)
        self._entry = max(self._entry, entry)
        return ()

    def _restored(self, observer: Observer) -> tuple[int, int]:
        kept = self._store.kept.described(key_of(observer))
        newest = self._store.tail.newest(Stream.READINGS)
        if isinstance(observer, LearnsFromKept):
            newest = max(0, newest - observer.learns_from)
        if kept is None:
            return newest, 0
        try:
            saved = _FORM.read(kept)
            observer.restore(saved.state)
            by = moved_by(saved.offsets, self._offsets)
            if by and isinstance(observer, TakesOffsets):
                observer.moved(by)
            return saved.reading, saved.entry
        except ValueError as error:
            log.warning("%s starts anew: its state can't be used (%s)", observer.name, error)
            return newest, 0

    def _catch_up(self, after: Mapping[Observer, int]) -> None:
        """Gives the observers the readings kept since their states. Drops the findings, which are
        about the past; the next tick returns how things stand."""
        seen = min(after.values(), default=0)
        while after and (rows := self._store.tail.rows(Stream.READINGS, seen, _PAGE)):
            for row in rows:
                assert isinstance(row.body, Reading)
                offset = self._offsets.get(row.body.channel, 0.0)
                reading, seq = row.body.on(offset), row.seq
                self._each(lambda o, r=reading, n=seq: o.see(r) if n > after[o] else ())  # type: ignore[misc]
            seen = rows[-1].seq

    def see(self, readings: Sequence[Reading]) -> list[Finding]:
        """Returns what the observers find in new readings."""
        return self._each(lambda observer: (f for r in readings for f in observer.see(r)))

    def tick(self, now: Moment) -> list[Finding]:
        """Returns what they find in the journal and in the passing of time; publishes their
        estimates."""
        if not self._observers and not self._failed:
            return []
        found = [finding for entry in self._new_entries() for finding in self._note(entry)]
        published: list[Published] = []

        def tick(observer: Observer) -> Iterator[Finding]:
            yield from observer.tick(now)
            published.extend(observer.estimates(now))

        found += self._each(tick)
        if published:
            self._store.put_estimates(published)
        if not self._told:
            self._told = True
            found.extend(_failing(observer.name, False) for observer in self._observers)
        found.extend(_failing(observer.name, True) for observer in self._failed)
        return found

    def _new_entries(self) -> list[Entry]:
        entries = self._store.kept.journal_after(self._entry)
        if entries:
            self._entry = entries[-1].id
        return entries

    def _note(self, entry: Entry) -> list[Finding]:
        struck = self._store.kept.entry(entry.strikes) if entry.strikes is not None else None
        return self._each(lambda observer: observer.note(entry, struck))

    def _set_aside(self, observer: Observer) -> Finding:
        """Leaves an observer that fails out until the next start, so that it can't stop the
        watch. Its state before the fault stays in the store. The alarms that it has raised
        stand, because nobody can say that they are over."""
        log.exception("%s is set aside until the next start", observer.name)
        self._observers = tuple(o for o in self._observers if o is not observer)
        self._failed.append(observer)
        return _failing(observer.name, True)

    def save(self) -> None:
        """Keeps the state of every observer with the open batch."""
        newest = self._store.tail.newest(Stream.READINGS, committed_only=False)
        for observer in self._observers:
            try:
                state = observer.state()
            except Exception:
                self._set_aside(observer)
                continue
            saved = _Saved(newest, self._entry, state, self._offsets)
            self._store.describe(key_of(observer), _FORM.text(saved))


def _failing(name: str, active: bool) -> Finding:
    """Returns the finding about an observer that is set aside or works again."""
    facts = ObserverFailed(name) if active else Over()
    return Finding(f"{name}.failing", active, priority_of("{observer}.failing"), facts)


def key_of(observer: Observer) -> str:
    """Returns the key under which the store keeps its state: see `Store.describe`."""
    return f"observer {observer.name}"
