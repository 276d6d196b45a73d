"""What the estimator remembers: evidence condensed into slices of a few minutes, pours and pauses.

Everything that the estimator says is a function of this ledger, so that a pour entered hours late
gives the same numbers as one entered at once, and a restart changes nothing."""

from __future__ import annotations

from dataclasses import dataclass, replace

from stillwell.estimate.level.evidence import Pour
from stillwell.estimate.level.gauge import Located, locate
from stillwell.estimate.level.geometry import GaugeSpec
from stillwell.estimate.level.ripple import Told

_EXTREME = 0.02
"""A last share this close to 0 or 1 shows in which state the next slice begins."""
_MOST_READINGS = 2000
"""The most gauge readings that are kept of one slice while it is open; a faster gauge is
thinned."""


@dataclass(frozen=True, slots=True)
class FloatTold:
    """One float in one slice."""

    name: str
    told: Told
    intervals: int
    partly: int
    """Those intervals in which it was not in one state throughout, or not in the same as before."""


@dataclass(frozen=True, slots=True)
class Slice:
    """A closed slice: `index` times the slice's length is its start."""

    index: int
    floats: tuple[FloatTold, ...] = ()
    gauge: Located | None = None
    expect_ml_per_h: float | None = None
    expect_rel_sd: float = 0.0

    def share_of(self, name: str) -> float | None:
        """Returns the share of its looks in which a float was closed; None where it was not
        heard."""
        return next((told.told.share for told in self.floats if told.name == name), None)


@dataclass(frozen=True, slots=True)
class OpenFloat:
    """The running sums of one float in the open slice."""

    name: str
    closed: float
    looks: float
    seconds: float
    before: int | None
    intervals: int
    partly: int
    split: int
    """The intervals in which it was neither closed nor open throughout."""

    @property
    def splits(self) -> bool | None:
        """Returns whether changes within an interval are seen; None when the slice doesn't say."""
        if self.split:
            return True
        return False if 0.0 < self.closed < self.looks else None

    def told(self, splits: bool) -> FloatTold:
        """Returns the float's slice. `splits`: whether this float has been seen to change within
        an interval. One that never has may report a bare 0 or 1 now and then, however many looks
        are said to be behind it."""
        looks = self.looks if self.split or splits else min(self.looks, float(self.intervals))
        if self.splits is False:
            looks = min(looks, float(self.intervals))
        return FloatTold(
            self.name,
            Told(self.closed / self.looks, looks, self.seconds, self.before),
            self.intervals,
            self.partly,
        )


@dataclass(frozen=True, slots=True)
class OpenSlice:
    """The slice that readings go into now."""

    index: int
    floats: tuple[OpenFloat, ...] = ()
    gauge: tuple[tuple[int, float], ...] = ()
    expect_sum: float = 0.0
    expect_count: int = 0
    expect_rel_sd: float = 0.0

    def empty(self) -> bool:
        return not self.floats and not self.gauge and not self.expect_count

    def with_share(
        self, name: str, share: float, looks: int, seconds: float, before: int | None
    ) -> OpenSlice:
        split = 1 if 0.0 < share < 1.0 else 0
        out: list[OpenFloat] = []
        found = False
        for f in self.floats:
            if f.name == name:
                found = True
                partly = 1 if split or share * f.looks != f.closed else 0
                f = OpenFloat(  # noqa: PLW2901
                    name,
                    f.closed + share * looks,
                    f.looks + looks,
                    f.seconds + seconds,
                    f.before,
                    f.intervals + 1,
                    f.partly + partly,
                    f.split + split,
                )
            out.append(f)
        if not found:
            partly = 1 if split or (before is not None and share != before) else 0
            out.append(OpenFloat(name, share * looks, looks, seconds, before, 1, partly, split))
        return self._with(tuple(out), self.gauge)

    def still_splitting(self, splitting: tuple[str, ...]) -> tuple[str, ...]:
        """Returns `splitting` as it is after this slice, sorted."""
        names = set(splitting)
        names |= {f.name for f in self.floats if f.splits is True}
        names -= {f.name for f in self.floats if f.splits is False}
        return tuple(sorted(names))

    def with_gauge(self, t_ms: int, mm: float) -> OpenSlice:
        if len(self.gauge) >= _MOST_READINGS:
            return self._with(self.floats, (*self.gauge[::2], (t_ms, mm)))
        return self._with(self.floats, (*self.gauge, (t_ms, mm)))

    def _with(
        self, floats: tuple[OpenFloat, ...], gauge: tuple[tuple[int, float], ...]
    ) -> OpenSlice:
        return OpenSlice(
            self.index, floats, gauge, self.expect_sum, self.expect_count, self.expect_rel_sd
        )

    def with_expect(self, ml_per_h: float, rel_sd: float) -> OpenSlice:
        return replace(
            self,
            expect_sum=self.expect_sum + ml_per_h,
            expect_count=self.expect_count + 1,
            expect_rel_sd=rel_sd,
        )

    def closed(self, gauge: GaugeSpec | None, slice_ms: int, splitting: tuple[str, ...]) -> Slice:
        """Returns the closed slice. `splitting`: floats that have been seen to change within an
        interval."""
        located = None
        if self.gauge and gauge is not None:
            located = locate(self.gauge, gauge, slice_ms / 1000.0)
        return Slice(
            self.index,
            tuple(f.told(f.name in splitting) for f in self.floats),
            located,
            self.expect_sum / self.expect_count if self.expect_count else None,
            self.expect_rel_sd,
        )


def state_before(last: tuple[float, int] | None, t0_ms: int) -> int | None:
    """Returns the state in which a float began an interval, from its last share and when that
    ended."""
    if last is None or t0_ms - last[1] > 120_000:
        return None
    if last[0] >= 1.0 - _EXTREME:
        return 1
    if last[0] <= _EXTREME:
        return 0
    return None


@dataclass(frozen=True, slots=True)
class Pause:
    """A time without level evidence; `resets` when the level afterwards has nothing to do with
    that before."""

    t0_ms: int
    t1_ms: int | None
    resets: bool


def placed(
    pours: tuple[Pour, ...],
    slices: dict[int, Slice],
    slice_ms: int,
    mm_per_ml: float,
    reach: int,
) -> list[Pour]:
    """Returns noted pours, moved to where the level shows that they happened.

    A keeper writes down a pour minutes before or after it. The largest rise that fits within
    `reach` slices of the noted time decides; pours whose rise is not seen stay where they were
    noted."""
    out: list[Pour] = []
    for pour in pours:
        home = pour.t_ms // slice_ms
        expected = sum(
            (p.ml or 0.0) * mm_per_ml for p in pours if abs(p.t_ms - pour.t_ms) <= slice_ms
        )
        best, where = 0.0, home
        at_home = _rise(slices, home, expected)
        for i in sorted(range(home - reach, home + reach + 1), key=lambda k: abs(k - home)):
            rise = _rise(slices, i, expected)
            if rise > best + 0.05 * max(expected, 1.0):
                best, where = rise, i
        enough = max(2.0, 0.4 * expected)
        if where != home and best >= enough and at_home < 0.8 * best:
            out.append(replace(pour, t_ms=where * slice_ms + slice_ms // 2))
        else:
            out.append(pour)
    return sorted(out, key=lambda p: p.t_ms)


def _rise(slices: dict[int, Slice], i: int, expected: float) -> float:
    """Returns the rise over slice `i` in mm by the gauge, or `expected` where a float turned
    from open to closed."""
    before, after = slices.get(i - 1), slices.get(i + 1)
    if before is None or after is None:
        return 0.0
    if before.gauge is not None and after.gauge is not None:
        return after.gauge.mm - before.gauge.mm
    was = {f.name: f.told.share for f in before.floats}
    for f in after.floats:
        if f.told.share > 0.95 and was.get(f.name, 1.0) < 0.05:
            return max(expected, 2.0)
    return 0.0


_TURNED = 2
"""A float that opened at this many pours more than it closed is taken to be upside down."""


def turned(
    pours: tuple[Pour, ...], slices: dict[int, Slice], slice_ms: int, before: tuple[str, ...]
) -> tuple[str, ...]:
    """Returns the names of floats that open when water is poured in, sorted.

    Water poured in can only close a float. One that opens within a slice or two of it, `_TURNED`
    times more often than it closes, is mounted upside down. `before` are those known so far;
    they stay until a pour shows otherwise."""
    votes: dict[str, int] = {}
    for pour in pours:
        home = pour.t_ms // slice_ms
        for i in range(home - 3, home + 2):
            first, last = slices.get(i), slices.get(i + 2)
            if first is None or last is None:
                continue
            was = {f.name: f.told.share for f in first.floats}
            change = {f.name: f.told.share - was[f.name] for f in last.floats if f.name in was}
            sharp = {name: value for name, value in change.items() if abs(value) > 0.95}
            for name, value in sharp.items():
                votes[name] = votes.get(name, 0) + (1 if value < 0 else -1)
            if sharp:
                break
    out = {name for name in before if votes.get(name, 0) >= 0}
    out |= {name for name, count in votes.items() if count >= _TURNED}
    return tuple(sorted(out))
