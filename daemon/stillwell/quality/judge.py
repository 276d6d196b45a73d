"""The judge of one channel, which turns what the driver returned into a flagged reading."""

from __future__ import annotations

from collections.abc import Sequence
from math import inf

from stillwell.quality.flat_line import Run, flat_line, grown
from stillwell.quality.gap import gap
from stillwell.quality.gross_range import gross_range
from stillwell.quality.limits import Limits, default_limits
from stillwell.quality.power_on import NEAR_K, power_on
from stillwell.quality.presence import unusable
from stillwell.quality.rate_of_change import rate_of_change
from stillwell.quality.spike import spike
from stillwell.quality.stale_conversion import stale_conversion
from stillwell.reading import Flag, Moment, Quantity, Reading, Sample, corrected

__all__ = ["Judge", "Limits", "default_limits"]

_PASS = Flag.PASS  # a global is found faster than a member of the enumeration
_reading = tuple.__new__  # skips the named tuple's __new__ in Python, which halves the time


class Judge:
    """Judges the samples of one channel in the order in which they were taken.

    It remembers only what the tests need: the last value that passed, the two values before the
    newest, and the run of values that has not moved. No test remembers a value that failed. After a
    restart it continues from what was `kept`, and from the readings since then (`again`).

    The names in `Reading.tests`, in this order: the driver's failure (``crc``, ``gone``,
    ``empty-frame``, ``power-on``, ``garbage``, ``silent``, ``driver``), ``missing`` or
    ``not-a-number``; else ``power-on``, ``gross-range``, ``stale``, ``rate``, ``spike``,
    ``flat-line``.

    Args:
        limits: the thresholds to judge by.
        offset: what is added to every value of the sensor before it is judged, in the quantity's
            unit. Only the power-on test uses the sensor's own value, without the offset.
    """

    __slots__ = (
        "_calm",
        "_earlier",
        "_flat_ms",
        "_gap_ms",
        "_good",
        "_good_ms",
        "_high",
        "_low",
        "_recent",
        "_recent_ms",
        "_run",
        "_tolerance",
        "limits",
        "offset",
    )

    def __init__(self, limits: Limits, offset: float = 0.0) -> None:
        self.limits = limits
        self.offset = offset
        self._good: float | None = None  # the last value that passed
        self._good_ms = 0
        self._recent: float | None = None  # the last value that did not fail
        self._recent_ms = 0
        self._earlier: float | None = None  # the one before it, unless a gap lies between
        self._run = Run(-inf, inf, 0)
        # The short cut in `judge` compares with these:
        self._low, self._high = limits.suspect
        self._gap_ms = limits.gap_s * 1000
        self._flat_ms = inf if limits.flat_for_s is None else limits.flat_for_s * 1000
        self._tolerance = limits.flat_tolerance
        self._calm = _calm(limits)

    def judge(self, sample: Sample, moment: Moment) -> Reading:
        """Returns the sample as a reading.

        PASS: no test found anything. SUSPECT or FAIL: the tests named in `tests` did. MISSING:
        there is no value (none, or NaN). A failure with a value is FAIL. The value of a reading is
        never infinite or NaN; `raw` says what was received, and is kept for every reading that is
        not PASS.
        """
        if self.offset:
            return self.judge_in_full(sample, moment)
        # Nearly every value is an ordinary one: in range, close to the last, soon after it. It
        # passes here, on conditions that imply that every test passes; everything else is judged in
        # full.
        channel, value, failure, _, stale, looks = sample
        now_ms = moment[0]
        recent = self._recent
        if (
            recent is not None
            and recent == self._good
            and value is not None
            and failure is None
            and not stale
            and self._low <= value <= self._high
            and -self._calm <= value - recent <= self._calm
            and 0 <= now_ms - self._recent_ms <= self._gap_ms
        ):
            low, high, since_ms = self._run
            if not low <= value <= high:
                self._run = run = grown(self._run, value, now_ms, self._tolerance)
                since_ms = run[2]
            if now_ms - since_ms < self._flat_ms:
                self._earlier = recent
                self._recent = self._good = value
                self._recent_ms = self._good_ms = now_ms
                return _reading(Reading, (channel, moment, value, _PASS, "", "", looks, None))
        return self.judge_in_full(sample, moment)

    def kept(self) -> list[float | None]:
        """Returns all that it remembers, for `revive`: as values of the sensor without the offset,
        so that another offset changes none of them."""
        by = -self.offset
        good, recent = (
            (_moved(self._good, by), self._good_ms),
            (
                _moved(self._recent, by),
                self._recent_ms,
            ),
        )
        low, high, since_ms = self._run
        return [*good, *recent, _moved(self._earlier, by), low + by, high + by, since_ms]

    def revive(self, kept: Sequence[float | None], shift_ms: int) -> None:
        """Continues from what an earlier run has `kept`. Raises ValueError or TypeError for values
        that it can't use.

        Args:
            shift_ms: what to add to the kept monotonic times to get those of this run.
        """
        said = [None if number is None else float(number) for number in kept]
        good, good_ms, recent, recent_ms, earlier, low, high, since_ms = said
        times = [0 if ms is None else int(ms) + shift_ms for ms in (good_ms, recent_ms, since_ms)]
        by = self.offset
        self._good, self._recent, self._earlier = (
            _moved(value, by) for value in (good, recent, earlier)
        )
        self._good_ms, self._recent_ms, run_ms = times
        low, high = -inf if low is None else low + by, inf if high is None else high + by
        self._run = Run(low, high, run_ms)

    def again(self, reading: Reading) -> None:
        """Remembers a reading that has been judged before, with whatever offset."""
        value = reading.on(0.0).value
        if value is not None and reading.flag is not Flag.FAIL:
            stale = "stale" in reading.tests.split(",")
            self.judge(Sample(reading.channel, value, stale=stale), reading.moment)

    def judge_in_full(self, sample: Sample, moment: Moment) -> Reading:
        """Returns what `judge` returns, but always runs every test."""
        said, failure, offset = sample.value, sample.failure, self.offset
        nothing = unusable(said)
        if failure is not None or nothing is not None or said is None:
            return _without_value(sample, moment, nothing).on(offset)
        value, measured = corrected(said, offset), said if offset else None
        limits, now_ms = self.limits, moment.mono_ms
        verdicts = {}
        if limits.quantity is Quantity.TEMPERATURE:
            verdicts["power-on"] = power_on(said, _moved(self._good, -offset))
        verdicts["gross-range"] = gross_range(value, limits.fail, limits.suspect)
        if Flag.FAIL not in verdicts.values():  # a failed value is compared with nothing
            self._look_back(now_ms)
            verdicts |= self._compared(value, now_ms, sample.stale)
            self._remember(value, now_ms)
        named = [name for name, flag in verdicts.items() if flag in (Flag.SUSPECT, Flag.FAIL)]
        if not named:
            self._good, self._good_ms = value, now_ms
            return Reading(sample.channel, moment, value, _PASS, "", "", sample.looks, measured)
        flag = Flag.FAIL if Flag.FAIL in verdicts.values() else Flag.SUSPECT
        return Reading(
            sample.channel,
            moment,
            value,
            flag,
            ",".join(named),
            sample.raw,
            sample.looks,
            measured,
        )

    def _look_back(self, now_ms: int) -> None:
        """Forgets values that are too old to compare with. The last good value stays, because a
        rate takes its time into account."""
        elapsed_s = (now_ms - self._recent_ms) / 1000
        if elapsed_s < 0 or gap(elapsed_s, self.limits.gap_s) is Flag.FAIL:
            self._recent = self._earlier = None

    def _compared(self, value: float, now_ms: int, stale: bool) -> dict[str, Flag]:
        """Returns the flags of the tests that compare the value with earlier ones."""
        limits = self.limits
        verdicts = {"stale": stale_conversion(value, stale)}
        if limits.rate_per_s is not None:
            elapsed_s = max(0.0, (now_ms - self._good_ms) / 1000)
            verdicts["rate"] = rate_of_change(
                value, self._good, elapsed_s, limits.rate_per_s, limits.rate_floor
            )
        if limits.spike is not None:
            verdicts["spike"] = spike(value, self._recent, self._earlier, limits.spike)
        if limits.flat_for_s is not None:
            run = None if self._recent is None else self._run
            self._run = grown(run, value, now_ms, limits.flat_tolerance)
            verdicts["flat-line"] = flat_line(self._run, now_ms, limits.flat_for_s)
        return verdicts

    def _remember(self, value: float, now_ms: int) -> None:
        self._earlier = self._recent
        self._recent, self._recent_ms = value, now_ms


def _moved(value: float | None, by: float) -> float | None:
    return None if value is None else value + by


def _calm(limits: Limits) -> float:
    """Returns the largest change from one value to the next that passes every test, however soon it
    comes."""
    calm = inf
    if limits.rate_per_s is not None:
        calm = min(calm, limits.rate_floor)
    if limits.spike is not None:
        calm = min(calm, limits.spike)
    if limits.quantity is Quantity.TEMPERATURE:
        calm = min(calm, NEAR_K)
    return calm


def _without_value(sample: Sample, moment: Moment, nothing: Flag | None) -> Reading:
    """Judges a sample that the driver calls a failure, or that holds no number."""
    value = sample.value if nothing is None else None
    flag = Flag.MISSING if nothing is Flag.MISSING else Flag.FAIL
    if sample.failure is not None:
        tests = sample.failure.value
    else:
        tests = "missing" if sample.value is None else "not-a-number"
        if flag is Flag.FAIL:
            tests = "gross-range"  # infinite, so outside every span
    raw = sample.raw or ("" if sample.value is None or value is not None else repr(sample.value))
    return Reading(sample.channel, moment, value, flag, tests, raw, sample.looks)
