"""Salt water in the top-up can, by the checks alone; and a book that is right.

The tank is this file's own: its salt is counted, nothing is estimated.
"""

from __future__ import annotations

import random
from collections.abc import Iterator

import pytest

from in_words import said
from stillwell.estimate.salt.balance import SaltState, begun, updated
from stillwell.estimate.salt.pours import CHECKS, Courses
from stillwell.estimate.salt.told import Check, Event, MissingWater, SaltParameters, TopUp
from stillwell.observe.salt.alarms import findings

DAY = 86_400_000
TANK = SaltParameters(full_ml=68_000.0)
POUR_ML = 540.0
SD = 0.5
RISE = 35.0 * POUR_ML / 68_000.0
"""Of the salinity a day when the pours are salt water."""


def book(days: int, every: int, seed: int, salty_from: int | None) -> Iterator[tuple[Event, float]]:
    """A pour each day, noted as fresh, the level as the gauge has it, and a check every few days;
    with the tank's salinity at that time."""
    rng = random.Random(seed)
    salinity = 35.0
    for day in range(days):
        at = day * DAY
        yield MissingWater(at, POUR_ML, 40.0), salinity
        yield TopUp(at + 1, POUR_ML), salinity
        if salty_from is not None and day >= salty_from:
            salinity += RISE
        if day % every == 0:
            yield Check(at + 2, round(salinity + rng.gauss(0, SD), 1), SD), salinity


def state(rows: list[tuple[Event, float]]) -> SaltState:
    courses = Courses(begun(TANK, 0))
    for event, _ in rows:
        courses.tell(event)
    return courses.state


def plain(rows: list[tuple[Event, float]]) -> SaltState:
    after = begun(TANK, 0)
    for event, _ in rows:
        after = updated(after, event)
    return after


class TestAnHonestBook:
    @pytest.mark.parametrize("every", [2, 7])
    def test_is_hardly_ever_suspected(self, every: int) -> None:
        """Seldom: it is odds of one to one that are asked for, of checks that err by half."""
        suspected = [state(list(book(60, every, seed, None))).salted > 0.5 for seed in range(16)]
        assert sum(suspected) <= 1

    def test_is_reckoned_as_it_is_told(self) -> None:
        rows = list(book(60, 7, 3, None))
        assert state(rows).salinity == pytest.approx(plain(rows).salinity, abs=0.15)
        assert state(rows).checks == plain(rows).checks

    def test_is_not_asked_about_again_before_the_next_check_is_due(self) -> None:
        """What would be if the can held salt water drifts away from it from check to check: widest
        on these."""
        for seed in (4, 5, 6):
            rows = list(book(62, 7, seed, None))
            for day in range(27, 63, 7):
                now_ms = day * DAY + DAY // 2
                after = state([row for row in rows if row[0].t_ms <= now_ms])
                assert [f.alarm for f in findings(after, now_ms) if f.active] == []

    def test_without_a_second_check_has_one_course(self) -> None:
        rows = list(book(7, 30, 1, None))
        assert state(rows) == plain(rows)


class TestSaltWaterInTheCan:
    def test_is_believed_within_eight_days_of_checks_on_every_other(self) -> None:
        believed, better = 0, 0
        for seed in range(20):
            rows = list(book(29, 2, seed, salty_from=20))
            after, truth = state(rows), rows[-1][1]
            believed += after.salted > 0.5
            better += abs(after.salinity - truth) < abs(plain(rows).salinity - truth)
        assert believed >= 18
        assert better >= 15

    def test_is_what_the_alarm_says(self) -> None:
        rows = list(book(31, 2, 1, salty_from=20))
        high = findings(state(rows), rows[-1][0].t_ms)[0]
        assert high.active
        assert "salt water (" in said(high).why
        assert "in the can" in said(high).do

    def test_that_was_taken_long_ago_is_the_books(self) -> None:
        """Only so many courses are held: a year costs no more than a month."""
        rows = list(book(40, 2, 1, salty_from=None))
        after = state(rows)
        checks = [event.t_ms for event, _ in rows if isinstance(event, Check)]
        assert [course.salted_ms for course in after.courses[1:]] == checks[-CHECKS:-1]
        assert after.salted_ms in checks[-CHECKS:]
