"""One passage through the ledger: from a checkpoint forward in time, event by event.

The passage works out what the ledger does not say: pours that nobody noted, noted pours that the
level did not see, sensors at fault, a sudden change of the rate. A slice that a trusted sensor
makes surprising is weighed together with the next one under each explanation, and the most
probable explanation is taken. Until the next slice is there, the surprising one is left out."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import replace

from stillwell.estimate.level.bank import Bank
from stillwell.estimate.level.checkpoint import Checkpoint, Kept, KeptDoubt
from stillwell.estimate.level.evidence import Pour
from stillwell.estimate.level.explanation import Doubt, explanations, most_probable
from stillwell.estimate.level.ledger import FloatTold, Pause, Slice
from stillwell.estimate.level.physics import H, Physics
from stillwell.estimate.level.readout import moments
from stillwell.estimate.level.ripple import throughout
from stillwell.estimate.level.seen import Oddity, Seen

_CLEAR = 3.0
"""ln of the odds at which a doubt about a noted pour is settled."""
_MOST_DOUBTS = 3
_WELL_SEEN_MM = 2.0
_STALE_SHAPE_H = 6.0
"""How long an expected rate holds after it came."""


class Passage:
    """Runs a bank through events; `window` asks for the loss within it."""

    def __init__(
        self,
        physics: Physics,
        start: Checkpoint,
        slices: Sequence[Slice],
        pours: Sequence[Pour],
        pauses: Sequence[Pause],
        window: tuple[int, int] | None = None,
    ) -> None:
        self.physics = physics
        self._slice_ms = physics.habits.slice_min * 60_000
        self._slices = slices
        self._pours = pours
        self._pauses = pauses
        self._window = window
        # the slices beside it too: a pour is noted some minutes off, and a slice partly before and
        # partly after it looks like a level in between
        self._poured = {p.t_ms // self._slice_ms + k for p in pours for k in (-1, 0, 1)}
        self.t_ms = start.t_ms
        self.bank = start.bank.revived(physics)
        self.doubts = [
            Doubt(d.log_odds, d.pour_ms, d.pour_ml, d.bank.revived(physics)) for d in start.doubts
        ]
        self.shape = start.shape
        self.shape_ms = start.shape_ms
        self.physics_told = start.physics_told
        self.deaf: Bank | None = None
        self._within = False
        self.seen = Seen()
        self.oddities: list[Oddity] = []

    # --- running -----------------------------------------------------------------------------

    def run(self, until_ms: int) -> None:
        """Processes every event before `until_ms`, then moves on to it."""
        for at, kind, subject in self._events(until_ms):
            self._move(at)
            if kind == 0:
                self._open_window()
            elif kind == 1:
                self._close_window()
            elif kind == 2:
                self._lose_level()
            elif kind == 3 and isinstance(subject, Pour):
                self._pour(subject)
            elif kind == 4 and isinstance(subject, int):
                self._shape_of(self._slices[subject])
            elif kind == 5 and isinstance(subject, int):
                self._slice(subject)
        self._move(until_ms)

    def _events(self, until_ms: int) -> Iterator[tuple[int, int, object]]:
        events: list[tuple[int, int, int, object]] = []
        start = self.t_ms
        half = self._slice_ms // 2
        for i, piece in enumerate(self._slices):
            begin = piece.index * self._slice_ms
            if piece.expect_ml_per_h is not None:
                events.append((begin, 4, i, i))
            events.append((begin + half, 5, i, i))
        for i, pour in enumerate(self._pours):
            events.append((pour.t_ms, 3, i, pour))
        for i, pause in enumerate(self._pauses):
            if pause.resets:
                end = pause.t1_ms if pause.t1_ms is not None else pause.t0_ms
                events.append((end, 2, i, None))
        if self._window is not None:
            events.append((self._window[0], 0, 0, None))
            events.append((self._window[1], 1, 0, None))
        events.sort(key=lambda e: e[:3])
        for at, kind, _, subject in events:
            if start <= at < until_ms or (kind == 1 and start <= at <= until_ms):
                yield at, kind, subject

    def _move(self, to_ms: int) -> None:
        if self.shape_ms is not None:
            stale = self.shape_ms + round(_STALE_SHAPE_H * 3_600_000)
            if to_ms >= stale:
                self._predict(stale)
                self._use_shape(
                    self.physics.habits.typical_ml_per_h * self.physics.geometry.mm_per_ml
                )
                self.shape_ms = None
        self._predict(to_ms)

    def _predict(self, to_ms: int) -> None:
        dt = to_ms - self.t_ms
        if dt <= 0:
            return
        self.bank.predict(dt, self.shape)
        for doubt in self.doubts:
            doubt.bank.predict(dt, self.shape)
        if self.deaf is not None and self._within:
            self.deaf.predict(dt, self.shape)
        self.t_ms = to_ms

    def _all(self) -> Iterator[Bank]:
        yield self.bank
        for doubt in self.doubts:
            yield doubt.bank
        if self.deaf is not None and self._within:
            yield self.deaf

    # --- events ------------------------------------------------------------------------------

    def _is_dry(self) -> bool:
        """Whether the water stands so low that the pump may draw air: what goes then goes from the
        tank. A level that is well seen is taken as it is, another only where there is no doubt."""
        mm, variance = moments(self.bank, lambda g: (g.x[H], g.P[H][H]))
        doubt = 0.0 if variance < _WELL_SEEN_MM**2 else 2.0 * math.sqrt(variance)
        dry = mm + doubt < self.physics.geometry.lowest_safe_mm
        self.seen.dry |= dry and self._within
        return dry

    def _open_window(self) -> None:
        self._within = True
        self._is_dry()
        self.bank.start_counting()
        for doubt in self.doubts:
            doubt.bank.start_counting()
        self.deaf = self.bank.copy()

    def _close_window(self) -> None:
        self._is_dry()
        self._within = False
        self.bank.stop_counting()
        for doubt in self.doubts:
            doubt.bank.stop_counting()
        if self.deaf is not None:
            self.deaf.stop_counting()

    def _lose_level(self) -> None:
        for bank in self._all():
            bank.lose_level()
        self.doubts = []

    def _shape_of(self, piece: Slice) -> None:
        expect = piece.expect_ml_per_h
        if expect is None:
            return
        per = self.physics.geometry.mm_per_ml
        # in a dead calm at full humidity next to nothing is expected, and a ratio to nothing means
        # nothing
        shape = max(expect, 0.05 * self.physics.habits.typical_ml_per_h) * per
        if self.shape_ms is None:
            self._use_shape(shape)
            if not self.physics_told:
                self.physics_told = True
                for bank in self._all():
                    bank.expect_ratio(max(0.05, piece.expect_rel_sd))
        self.shape = shape
        self.shape_ms = piece.index * self._slice_ms + self._slice_ms
        if self._within:
            self.seen.expected += 1

    def _use_shape(self, shape: float) -> None:
        """Switches between the typical and the expected rate: the rate stays, so the ratio
        changes."""
        factor = min(5.0, max(0.2, self.shape / shape))
        for bank in self._all():
            bank.rescale_rate(factor)
        self.shape = shape

    def _pour(self, pour: Pour) -> None:
        if self._within:
            self.seen.pours += 1
        without = self.bank.copy() if not pour.to_mark else None
        dry = self._is_dry()  # a part of it goes on into the tank
        for bank in self._all():
            if pour.ml is None or dry:
                bank.step(+1)
            else:
                bank.pour(pour.ml, pour.sd_ml)
        if pour.to_mark:
            if self._within:
                self.seen.marks += 1
            for bank in self._all():
                if bank is not self.deaf:
                    bank.see_level(0.0, self.physics.habits.mark_sd_mm)
        elif without is not None and not dry and self._level_is_watched():
            odds = math.log(self.physics.habits.false_notes)
            self.doubts.append(Doubt(odds, pour.t_ms, pour.ml or 0.0, without))
            self.doubts.sort(key=lambda d: -d.log_odds)
            del self.doubts[_MOST_DOUBTS:]

    def _level_is_watched(self) -> bool:
        return bool(self.physics.floats) or self.physics.gauge is not None

    def _slice(self, i: int) -> None:
        piece = self._slices[i]
        if not piece.floats and piece.gauge is None:
            return
        if self._muted(piece):
            if self._within:
                self.seen.paused += 1
            return
        speaking = tuple(told for told in piece.floats if not self._may_pass(i, told))
        if not speaking and piece.gauge is None:
            self._count(piece)
            return
        if len(speaking) < len(piece.floats):
            piece = replace(piece, floats=speaking)
        trial = self.bank.copy()
        log_e, surprising = trial.absorb(piece, self.shape, self.t_ms)
        others = []
        for doubt in self.doubts:
            bank = doubt.bank.copy()
            log_d, _ = bank.absorb(piece, self.shape, self.t_ms)
            others.append((doubt, bank, log_d))
        if surprising:
            self._explain(i, self._slices[i])
            return
        self.bank = trial
        self._count(self._slices[i])
        kept = []
        for doubt, bank, log_d in others:
            doubt.log_odds += log_d - log_e
            doubt.bank = bank
            if doubt.log_odds > _CLEAR:
                self._believe(doubt)
                return
            if doubt.log_odds > -3.0 * _CLEAR:
                kept.append(doubt)
        self.doubts = kept

    def _may_pass(self, i: int, told: FloatTold) -> bool:
        """Whether what a float says in slice `i` is predicted by the main line and by every
        doubt."""
        place = self.physics.places.get(told.name)
        if place is None or throughout(told.told) is None:
            return False
        goes_on = self._goes_on(i, told)
        banks = (self.bank, *(doubt.bank for doubt in self.doubts))
        return all(bank.predicts(place, told, goes_on) for bank in banks)

    def _goes_on(self, i: int, told: FloatTold) -> bool:
        """Whether falling water makes slice `i` needless for a float that is all closed or all
        open: the two slices after it are closed as well, or the two before it were open."""
        way = 1 if (state := throughout(told.told)) else -1
        here = self._slices[i].index
        for at in (i + way, i + 2 * way):
            if not 0 <= at < len(self._slices):
                return False
            beside = self._slices[at]
            if beside.index - here != at - i or self._muted(beside):
                return False
            if state not in (throughout(f.told) for f in beside.floats if f.name == told.name):
                return False
        return True

    def _believe(self, doubt: Doubt) -> None:
        self.bank = doubt.bank
        self.doubts = []
        self.oddities.append(Oddity(doubt.pour_ms, "pour not seen", doubt.pour_ml))

    def _explain(self, i: int, piece: Slice) -> None:
        """Weighs the explanations of a surprising slice over it and the next one with evidence."""
        follow = self._next(i)
        if follow is None:
            # the next slice shows what it means; until then it is left out
            return
        middle = follow.index * self._slice_ms + self._slice_ms // 2
        ways = explanations(self.bank, self.physics, self.shape, self._heard(piece), self.doubts)
        best = most_probable(ways, self.bank, self.shape, (self.t_ms, piece), (middle, follow))
        score, what, after, believed, doubt = best
        before = self.bank
        if doubt is not None:
            doubt.bank = after
            self._believe(doubt)
            return
        self.bank = after
        # the same slice for what is still in doubt; a step makes the doubt moot
        kept = []
        for other in self.doubts:
            if not what and believed:
                log_d, _ = other.bank.absorb(piece, self.shape, self.t_ms)
                other.log_odds += log_d - score
            if not what:
                kept.append(other)
        self.doubts = kept
        if what:
            ml, sd = self._size(before, after, follow)
            self.oddities.append(Oddity(self.t_ms, what, ml, sd))
            if what == "unnoted pour" and self._within:
                self.seen.inferred += 1
        if believed:
            self._count(piece)

    def _size(self, before: Bank, after: Bank, follow: Slice) -> tuple[float, float]:
        """Returns the size of the level's step and its standard deviation, mL."""
        ahead = after.copy()
        middle = follow.index * self._slice_ms + self._slice_ms // 2
        ahead.predict(middle - self.t_ms, self.shape)
        ahead.absorb(follow, self.shape, middle)
        stay = before.copy()
        stay.predict(middle - self.t_ms, self.shape)
        per = self.physics.geometry.mm_per_ml
        h0, v0 = moments(stay, lambda g: (g.x[H], g.P[H][H]))
        h1, v1 = moments(ahead, lambda g: (g.x[H], g.P[H][H]))
        rise = h1 - h0
        sd = math.sqrt(v0 + v1 + (rise * self.physics.geometry.area_rel_sd) ** 2)
        return rise / per, sd / per

    def _heard(self, piece: Slice) -> list[int]:
        """Returns the sensors in a slice, by their place in the bank."""
        places = self.physics.places
        heard = [places[told.name] for told in piece.floats if told.name in places]
        return heard + ([len(self.physics.floats)] if piece.gauge is not None else [])

    def _next(self, i: int) -> Slice | None:
        """Returns the next slice with unmuted level evidence, within an hour."""
        here = self._slices[i].index
        for piece in self._slices[i + 1 : i + 8]:
            if (piece.index - here) * self._slice_ms > 3_600_000:
                return None
            if piece.index in self._poured:
                return None
            if (piece.floats or piece.gauge is not None) and not self._muted(piece):
                return piece
        return None

    def _muted(self, piece: Slice) -> bool:
        """Whether the level of this slice may be mixed: something was poured around that time,
        or it lies in a pause."""
        if piece.index in self._poured:
            return True
        begin = piece.index * self._slice_ms
        end = begin + self._slice_ms
        settle = round(self.physics.habits.settling_min * 60_000)
        return any(
            pause.t0_ms < end and (pause.t1_ms is None or begin < pause.t1_ms + settle)
            for pause in self._pauses
        )

    def _count(self, piece: Slice) -> None:
        places = self.physics.places
        for told in piece.floats:
            place = places.get(told.name)
            if place is None:
                continue
            if self.bank.odds[place] > 0:
                self.seen.distrusted.add(told.name)
            if self._within:
                self.seen.intervals[told.name] = (
                    self.seen.intervals.get(told.name, 0) + told.intervals
                )
                self.seen.partly[told.name] = self.seen.partly.get(told.name, 0) + told.partly
        if piece.gauge is not None:
            if self.bank.odds[-1] > 0:
                self.seen.distrusted.add("gauge")
            if self._within:
                self.seen.gauge += piece.gauge.count

    # --- keeping -----------------------------------------------------------------------------

    def checkpoint(self) -> Checkpoint:
        return Checkpoint(
            self.t_ms,
            Kept.of(self.bank),
            self.shape,
            self.shape_ms,
            self.physics_told,
            tuple(
                KeptDoubt(d.log_odds, d.pour_ms, d.pour_ml, Kept.of(d.bank)) for d in self.doubts
            ),
        )
