"""Where a new tank is in its nitrogen cycle, from the keeper's tests alone: stage and verdict.

Some bacteria turn ammonia into nitrite, others nitrite into nitrate, and both have to grow first.
So ammonia rises and falls, nitrite rises after it and falls, and when both are back at zero the
tank can take what animals give off. A kit shows colours in steps and can't see small amounts: one
zero may be luck, so the verdict asks for two, a day or more apart (common practice: a test every
other day).

Amounts are mg of nitrogen a litre. Times are ms on the journal's clock.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

_DAY_MS = 86_400_000
TEST_EVERY_D = 2
"""The interval between tests while the cycle runs (common practice)."""
APART_MS = _DAY_MS
"""Two zeros count as two only when they are at least this far apart."""
SAME_TEST_MS = 6 * 3_600_000
"""Ammonia and nitrite noted within this belong to one test."""
_AT_ITS_TOP = 0.75
"""The share of the highest reading that counts as the same colour step, because steps double."""


@dataclass(frozen=True, slots=True)
class Test:
    """One look with the kits, mg of N a litre; 0 is a colour like that of clean water."""

    __test__ = False  # for pytest, which collects what is called Test

    t_ms: int
    ammonia: float | None = None
    nitrite: float | None = None


class Stage(StrEnum):
    """How far the cycle is."""

    NOT_STARTED = "not started"
    AMMONIA_RISING = "ammonia rising"
    NITRITE_RISING = "ammonia falling, nitrite rising"
    NITRITE_FALLING = "nitrite falling"
    FINISHED = "finished"


@dataclass(frozen=True, slots=True)
class Verdict:
    """What the tests say together."""

    stage: Stage
    finished_ms: int | None
    """When the second zero was read; None before."""
    missing: tuple[str, ...]
    """What is still needed for the verdict "finished", a sentence each; empty when it is given."""
    again: bool = False
    """Whether ammonia or nitrite came back after the cycle had been finished once."""


def gathered(tests: Sequence[Test]) -> tuple[Test, ...]:
    """Returns the tests in order, those within six hours joined; of two readings of one species
    the later counts."""
    out: list[Test] = []
    for test in sorted(tests, key=lambda t: t.t_ms):
        if out and test.t_ms - out[-1].t_ms <= SAME_TEST_MS:
            last = out[-1]
            out[-1] = Test(
                last.t_ms,
                last.ammonia if test.ammonia is None else test.ammonia,
                last.nitrite if test.nitrite is None else test.nitrite,
            )
        elif test.ammonia is not None or test.nitrite is not None:
            out.append(test)
    return tuple(out)


def verdict(tests: Sequence[Test]) -> Verdict:
    """Returns stage and verdict. The cycle is finished when both species have been seen and both
    are back at zero in two tests at least a day apart, with nothing seen between or after."""
    rows = gathered(tests)
    finished: int | None = None
    again = False
    for n in range(1, len(rows) + 1):
        done = _finished(rows[:n])
        if done is None and finished is not None:
            seen_now = max(rows[n - 1].ammonia or 0.0, rows[n - 1].nitrite or 0.0) > 0
            if seen_now:
                finished, again = None, True
        elif done is not None and finished is None:
            finished = done
    if finished is not None:
        return Verdict(Stage.FINISHED, finished, (), again)
    return Verdict(_stage(rows), None, _missing(rows), again)


def _readings(rows: Sequence[Test], species: str) -> list[float]:
    return [value for row in rows if (value := getattr(row, species)) is not None]


def _peaked(readings: Sequence[float]) -> bool:
    """Whether a species has been seen and was lower afterwards."""
    if not readings or max(readings) <= 0:
        return False
    return readings[-1] < _AT_ITS_TOP * max(readings)


def _zeros(rows: Sequence[Test]) -> list[Test]:
    """Returns the last tests that looked for both and found neither."""
    out: list[Test] = []
    for row in reversed(rows):
        if (row.ammonia or 0.0) > 0 or (row.nitrite or 0.0) > 0:
            break
        if row.ammonia is not None and row.nitrite is not None:
            out.append(row)
    return out[::-1]


def _finished(rows: Sequence[Test]) -> int | None:
    if max(_readings(rows, "ammonia"), default=0.0) <= 0:
        return None
    if max(_readings(rows, "nitrite"), default=0.0) <= 0:
        return None
    zeros = _zeros(rows)
    if not zeros or zeros[-1].t_ms - zeros[0].t_ms < APART_MS:
        return None
    return next(row.t_ms for row in zeros if row.t_ms - zeros[0].t_ms >= APART_MS)


def _stage(rows: Sequence[Test]) -> Stage:
    ammonia, nitrite = _readings(rows, "ammonia"), _readings(rows, "nitrite")
    if max(ammonia, default=0.0) <= 0 and max(nitrite, default=0.0) <= 0:
        return Stage.NOT_STARTED
    if _peaked(nitrite) and (not ammonia or max(ammonia) <= 0 or _peaked(ammonia)):
        return Stage.NITRITE_FALLING
    if _peaked(ammonia) or max(ammonia, default=0.0) <= 0:
        return Stage.NITRITE_RISING
    return Stage.AMMONIA_RISING


def _missing(rows: Sequence[Test]) -> tuple[str, ...]:
    out: list[str] = []
    for species in ("ammonia", "nitrite"):
        readings = _readings(rows, species)
        if not readings:
            out.append(f"No test of {species} is noted.")
        elif max(readings) <= 0:
            out.append(f"{species.capitalize()} has not been seen yet: its peak is still to come.")
        elif readings[-1] > 0:
            what = "is falling but still there" if _peaked(readings) else "has not peaked"
            out.append(f"{species.capitalize()} {what} ({readings[-1]:.2g} mg/L as N).")
    zeros = _zeros(rows)
    if not out and zeros:
        out.append("Both are at zero once; one more zero, a day or more later, is the proof.")
    elif not out:
        out.append("Ammonia and nitrite must be tested together, both at zero, on two days.")
    return tuple(out)


def next_test_ms(tests: Sequence[Test], begun_ms: int) -> int | None:
    """Returns when the next test is due: every other day from the start on; None once the cycle
    is finished (due again when something came back)."""
    found = verdict(tests)
    if found.stage is Stage.FINISHED:
        return None
    rows = gathered(tests)
    if not rows:
        return begun_ms + TEST_EVERY_D * _DAY_MS
    # The second zero may be read a day after the first.
    zeros = _zeros(rows)
    close = bool(zeros) and not any("peak" in text or "No test" in text for text in found.missing)
    return rows[-1].t_ms + (_DAY_MS if close else TEST_EVERY_D * _DAY_MS)


ANIMALS_CAUTION = (
    "Test again right before the first animals go in, add few at a time, and ask the shop or a vet "
    "about any that look ill: this is general advice."
)
SEEDED_D, UNSEEDED_D = 8.0, 60.0
"""How many days a seeded tank takes, and the most that an unseeded one takes (common practice)."""
