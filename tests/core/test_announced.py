"""Which commands act on which occurrence of an alarm: what was known when they were sent."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stillwell.alarm.annunciate.announced import (
    LONGEST_UNDERWAY_MS,
    SLOW_CLOCK_S,
    Announcements,
    why_not,
)
from stillwell.alarm.answer_link import occurrence
from stillwell.notice import Message, Priority, State, Transition
from stillwell.reading import Moment
from stillwell.request import Command, Request

UTC = 1_780_000_000_000
STARTED = 3_600_000
NOW = Moment(2 * 86_400_000, UTC + 2 * 86_400_000, 1)
MINUTE = 60_000
ACK = Request(Command.ACKNOWLEDGE, "water.low", way="broker")


def call(minutes_ago: float) -> Transition:
    mono_ms = NOW.mono_ms - round(minutes_ago * MINUTE)
    moment = Moment(mono_ms, UTC + mono_ms, 1)
    state = (State.NORMAL, State.UNACKNOWLEDGED, "raise", Priority.HIGH, True, Message("x"))
    return Transition("water.low", moment, *state, moment)


def announced(called: float, given: float | None) -> Announcements:
    """`water.low` called so many minutes ago, and the broker had it so many minutes ago."""
    known = Announcements(STARTED, 7, {"broker": 7, "phone": 3})
    known.called("water.low", 8, NOW.mono_ms - round(called * MINUTE))
    if given is not None:
        known.moved("broker", 8, NOW.mono_ms - round(given * MINUTE))
    return known


def why(
    request: Request,
    *calls: Transition,
    known: Announcements | None = None,
    trusted: bool = True,
) -> str:
    made = announced(30, 30) if known is None else known
    return why_not(request, "water.low", calls or (call(30),), made, NOW, trusted)


class TestWhatNamesItsOccurrence:
    @pytest.mark.parametrize("age_s", [None, 0.0, 10 * 86_400.0])
    def test_acts_on_it_however_old_it_is(self, age_s: float | None) -> None:
        asked = replace(ACK, about=occurrence(call(30)), age_s=age_s)
        assert why(asked) == ""
        assert why(asked, trusted=False) == ""

    def test_acts_on_no_other(self) -> None:
        asked = replace(ACK, about=occurrence(call(300)), age_s=0.0)
        assert "earlier water.low" in why(asked, call(30), call(300))
        assert "earlier water.low" in why(replace(asked, way=""))


class TestWhatSaysWhenItWasSent:
    def test_acts_on_what_had_been_announced_then(self) -> None:
        assert why(replace(ACK, age_s=29 * 60.0)) == ""

    @pytest.mark.parametrize("subject", ["water.low", ""])
    def test_does_not_act_on_what_came_later(self, subject: str) -> None:
        asked = replace(ACK, subject=subject, age_s=31 * 60.0)
        assert "had not been announced" in why(asked)

    def test_does_not_act_on_what_its_own_broker_had_not_been_given_by_then(self) -> None:
        known = announced(called=30, given=10)
        assert "had not been announced" in why(replace(ACK, age_s=20 * 60.0), known=known)
        assert why(replace(ACK, age_s=9 * 60.0), known=known) == ""
        assert "had not" in why(replace(ACK, age_s=0.0), known=announced(30, None))
        other = replace(ACK, way="phone", age_s=0.0)
        assert "had not" in why(other, known=known), "another sink is behind"

    def test_by_a_clock_a_little_behind_is_of_now(self) -> None:
        known = announced(1 / 60, 1 / 60)
        assert why(replace(ACK, age_s=SLOW_CLOCK_S), known=known) == ""
        assert "had not" in why(replace(ACK, age_s=SLOW_CLOCK_S + 2), known=known)

    @pytest.mark.parametrize("command", [Command.ACKNOWLEDGE, Command.SHELVE])
    def test_before_this_run_is_refused(self, command: Command) -> None:
        age_s = (NOW.mono_ms - STARTED) / 1000 + 60
        asked = replace(ACK, command=command, age_s=age_s)
        assert "before stillwell was started" in why(asked)
        about = replace(asked, about=occurrence(call(30)))
        assert bool(why(about)) is (command is Command.SHELVE), "an occurrence is older than a run"

    def test_means_nothing_where_the_clock_is_not_set(self) -> None:
        asked = replace(ACK, subject="", age_s=1.0)
        assert "clock is not set" in why(asked, trusted=False)


class TestWhatSaysNothing:
    def test_acts_on_an_alarm_that_came_once(self) -> None:
        assert why(ACK) == ""
        day = LONGEST_UNDERWAY_MS / MINUTE
        assert why(ACK, call(30), call(day + 1)) == ""

    def test_does_not_where_it_may_mean_an_earlier_one(self) -> None:
        text = why(ACK, call(30), call(600))
        assert "more than once" in text
        assert occurrence(call(30)) in text

    def test_does_nothing_to_all(self) -> None:
        text = why(replace(ACK, subject=""))
        assert "which alarm" in text
        assert '"sent"' in text

    @pytest.mark.parametrize("command", [Command.SHELVE, Command.OUT_OF_SERVICE])
    def test_silences_nothing(self, command: Command) -> None:
        assert '"sent"' in why(replace(ACK, command=command))
        assert '"sent"' in why(replace(ACK, command=command, about=occurrence(call(30))))

    @pytest.mark.parametrize("command", [Command.UNSHELVE, Command.RETURN_TO_SERVICE])
    def test_brings_back_whatever_it_names(self, command: Command) -> None:
        assert why(replace(ACK, command=command)) == ""


class TestFromThisMachine:
    def test_it_is_of_now_or_as_old_as_it_waited(self) -> None:
        here = replace(ACK, way="")
        for subject in ("water.low", ""):
            assert why(replace(here, subject=subject), call(30), call(600)) == ""
        late = announced(1 / 60, None)
        assert why(replace(here, age_s=0.5), known=late) == ""
        assert "had not" in why(replace(here, age_s=2.0), known=late)
        assert why(replace(here, command=Command.SHELVE)) == ""


@given(
    age_min=st.none() | st.floats(0, 3000),
    called=st.floats(0, 2000),
    later=st.none() | st.floats(0, 2000),
    command=st.sampled_from([Command.ACKNOWLEDGE, Command.SHELVE]),
    subject=st.sampled_from(["water.low", ""]),
)
def test_nothing_that_says_when_it_was_sent_acts_on_what_was_announced_later(
    age_min: float | None, called: float, later: float | None, command: Command, subject: str
) -> None:
    given = None if later is None else max(0.0, called - later)
    age_s = None if age_min is None else age_min * 60
    asked = Request(command, subject, age_s=age_s, way="broker")
    if why(asked, call(called), known=announced(called, given)) == "":
        assert given is not None
        assert age_s is None or age_s - SLOW_CLOCK_S <= given * 60 + 0.002


STEPS = st.lists(st.tuples(st.sampled_from(["call", "move"]), st.integers(0, 3)), max_size=40)


class TestWhatIsRemembered:
    @given(STEPS, st.integers(0, 60))
    def test_tells_as_much_as_every_move_would_and_is_no_more_than_the_alarms(
        self, steps: list[tuple[str, int]], asked_ms: int
    ) -> None:
        known = Announcements(0, 0, {"broker": 0})
        calls: dict[str, int] = {}
        moves, newest = [(0, 0)], 0
        for at_ms, (kind, which) in enumerate(steps, 1):
            if kind == "call":
                newest += 1
                calls[f"alarm-{which}"] = newest
                known.called(f"alarm-{which}", newest, at_ms)
            else:
                moves.append((at_ms, max(moves[-1][1], newest - which)))
                known.moved("broker", moves[-1][1], at_ms)
        reached = [number for when, number in moves if when <= asked_ms][-1]
        for alarm in ("alarm-0", "alarm-1", "alarm-2", "alarm-3"):
            assert known.had(alarm, "broker", asked_ms) == (calls.get(alarm, 0) <= reached)
        assert len(known._moves["broker"]) <= len(calls) + 2
