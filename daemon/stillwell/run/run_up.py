"""What judges and watch are counting when a run ends goes on in the next.

Their state is kept in the store with every change of an alarm, and now and then; a run that begins
takes it up and sees the readings kept since, silently. A crash costs no more than the readings that
were still in memory. Times of earlier runs are laid onto the monotonic line of this one: within a
boot by the monotonic clock, over a boot by UTC where both clocks can be believed. Where they can't,
nothing is counted of the time between, and what was counted before it stays.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from stillwell.alarm.watch import Watch
from stillwell.form import Form
from stillwell.notice import Transition
from stillwell.ports import Stream
from stillwell.quality.judge import Judge
from stillwell.quality.offset import moved_by, offsets_of
from stillwell.reading import Moment, Reading
from stillwell.store import Store

log = logging.getLogger(__name__)

KEY = "watch"
"""Under which the store keeps it: see `Store.describe`."""

MOST_ROWS = 20_000
"""So many readings at most are seen once more: forty minutes of eight channels at 1 Hz, and a
second or two of a start."""

_PAGE = 5_000


@dataclass(frozen=True, slots=True)
class _Kept:
    """What an earlier run has kept."""

    at: Moment
    reading: int
    """The number of the newest reading that is in it."""
    watch: str
    judges: Mapping[str, list[float | None]]
    offsets: Mapping[str, float]
    """Of the channels that had one."""


_FORM = Form(_Kept, 2)


class RunUp:
    """Of the judges and the watch of one pipeline."""

    def __init__(self, store: Store, watch: Watch, judges: Mapping[str, Judge]) -> None:
        self._store = store
        self._watch = watch
        self._judges = judges

    def save(self, now: Moment) -> None:
        """Keeps all that they know, with the open batch. Where nothing is measured (a command that
        asks something of the alarms) what the daemon has kept stays as it is."""
        if not self._judges:
            return
        kept = _Kept(
            now,
            self._store.tail.newest(Stream.READINGS, committed_only=False),
            self._watch.state(),
            {name: judge.kept() for name, judge in self._judges.items()},
            offsets_of(self._judges),
        )
        self._store.describe(KEY, _FORM.text(kept))

    def resume(self, now: Moment) -> list[Transition]:
        """Takes up what the last run knew, after the alarms. Returns what has moved by it. A fault
        in it is no reason not to watch."""
        if not self._judges:
            return []
        try:
            self._resume(now)
        except Exception:
            log.exception("what was being counted is lost: counting begins anew")
        return self._watch.look_up(now)

    def _resume(self, now: Moment) -> None:
        kept = _FORM.known(self._store.kept.described(KEY))
        newest = self._store.tail.newest(Stream.READINGS)
        after = max(newest - MOST_ROWS, 0 if kept is None else kept.reading)
        readings = self._readings(after)
        moments = [reading.moment for reading in readings]
        if kept is not None:
            moments.insert(0, kept.at)
        shifts = laid_out(moments, now, self._store.passed_ms)
        if kept is not None:
            self._revive(kept, shifts[kept.at.epoch])
        self._watch.look_back()
        last = moments[0] if moments else now
        at = _here(last, shifts, now)
        for reading in readings:
            moment, before = _here(reading.moment, shifts, now), at
            at = moment if moment.mono_ms > at.mono_ms else at
            if reading.moment.epoch != last.epoch:
                self._watch.deaf(before.mono_ms, at.mono_ms)
            last = reading.moment
            self._watch.tick(at)
            judge = self._judges.get(reading.channel)
            if judge is not None:
                judge.again(reading._replace(moment=moment))
                reading = reading.on(judge.offset)  # noqa: PLW2901
            self._watch.see(reading, at)
        self._watch.deaf(at.mono_ms, now.mono_ms)

    def _revive(self, kept: _Kept, shift_ms: int) -> None:
        try:
            moved = moved_by(kept.offsets, offsets_of(self._judges))
            self._watch.revive(kept.watch, shift_ms, moved)
            for name in self._judges.keys() & kept.judges.keys():
                self._judges[name].revive(kept.judges[name], shift_ms)
        except (ValueError, TypeError) as error:
            log.warning("what was being counted can't be used: %r", error)

    def _readings(self, after: int) -> list[Reading]:
        found: list[Reading] = []
        while rows := self._store.tail.rows(Stream.READINGS, after, _PAGE):
            found += [row.body for row in rows if isinstance(row.body, Reading)]
            after = rows[-1].seq
        return found


def laid_out(
    moments: Sequence[Moment], now: Moment, passed_ms: Callable[[Moment, Moment], int | None]
) -> dict[int, int]:
    """Returns for each epoch what its monotonic times lack on the line of `now`.

    An epoch never ends after what followed it. Where nobody knows how long ago it was, it ends when
    the next one begins.

    Args:
        moments: of earlier runs, in their order.
        passed_ms: how long it is from one moment to another; None where that is not known.
    """
    shifts = {now.epoch: 0}
    begins_ms = now.mono_ms
    for moment in reversed(moments):
        if moment.epoch not in shifts:
            passed = passed_ms(moment, now)
            at_ms = begins_ms if passed is None else min(begins_ms, now.mono_ms - passed)
            shifts[moment.epoch] = at_ms - moment.mono_ms
        begins_ms = min(begins_ms, moment.mono_ms + shifts[moment.epoch])
    return shifts


def _here(moment: Moment, shifts: Mapping[int, int], now: Moment) -> Moment:
    mono_ms = min(now.mono_ms, moment.mono_ms + shifts[moment.epoch])
    return Moment(mono_ms, moment.utc_ms, moment.epoch)
