"""What `run` says of each change, in words for whoever reads along."""

from __future__ import annotations

import itertools
import re
from dataclasses import replace
from pathlib import Path

import pytest

from stillwell.alarm import house
from stillwell.alarm.annunciate.state import WITHHELD, AlarmState, Event, Kind, Record, step
from stillwell.cli import run_words
from stillwell.notice import Kept, Message, Priority, State, Transition
from stillwell.reading import Flag, Moment, Reading
from stillwell.settings import load
from stillwell.words import Reader

ROOM = load(Path(__file__).parents[2] / "config" / "reading-room-simulated.toml")
SAYS = Message("Water 24.3 °C.", "The heater is off.", "Look at it.", "Unplug it first.")


def changed(before: State, after: State, event: Kind, *, active: bool = True) -> Transition:
    at = Moment(0, 1_793_930_400_000, 1)
    return Transition(
        *("water.low", at, before, after, event.value, Priority.HIGH, active, SAYS, at),
        by="niamh" if event is Kind.ACKNOWLEDGE else "",
        shelved_for_ms=7_200_000 if after is State.SHELVED else 0,
    )


@pytest.mark.parametrize(
    ("transition", "said"),
    [
        (
            changed(State.NORMAL, State.UNACKNOWLEDGED, Kind.RAISE),
            "ALARM, high priority (water.low): Water 24.3 °C.\nLook at it.\nThe heater is off.\n"
            "Unplug it first.",
        ),
        (
            changed(State.NORMAL, State.SUPPRESSED, Kind.RAISE),
            "Does not ring (water.low, quiet because of another alarm): Water 24.3 °C.",
        ),
        (
            changed(State.SHELVED, State.SHELVED, Kind.RAISE),
            "Does not ring (water.low, kept quiet): Water 24.3 °C.",
        ),
        (
            changed(State.UNACKNOWLEDGED, State.ACKNOWLEDGED, Kind.ACKNOWLEDGE),
            "Acknowledged by niamh (water.low).",
        ),
        (
            changed(State.ACKNOWLEDGED, State.NORMAL, Kind.CLEAR, active=False),
            "Over (water.low): Water 24.3 °C.",
        ),
        (
            changed(State.SUPPRESSED, State.SUPPRESSED, Kind.CLEAR, active=False),
            "Over that was kept quiet (water.low): Water 24.3 °C.",
        ),
        (changed(State.SUPPRESSED, State.NORMAL, Kind.UNSUPPRESS, active=False), ""),
        (changed(State.NORMAL, State.SHELVED, Kind.SHELVE), "Shelved for 2 h (water.low)."),
    ],
)
def test_a_change_is_told_in_full_only_where_it_calls_somebody(
    transition: Transition, said: str
) -> None:
    assert run_words.change(transition, Reader()) == said
    assert run_words.calls(transition) is said.startswith("ALARM")


def test_every_change_that_there_can_be_has_words_without_the_machine_s_terms() -> None:
    now = Moment(0, 0, 0)
    standing = {State.UNACKNOWLEDGED, State.ACKNOWLEDGED}
    seen = set()
    for state, active, kind in itertools.product(State, (False, True), Kind):
        if state not in WITHHELD and active is not (state in standing):
            continue  # no alarm is like that
        before = AlarmState(state, active, since=now)
        event = Event(kind, Priority.HIGH, shelve_ms=1)
        after, actions = step(before, event, now)
        if not any(isinstance(action, Record) for action in actions):
            continue
        said = run_words.change(changed(state, after.state, kind, active=after.active), Reader())
        assert not re.search(r"suppress|raise\b|transition|latch|unackn", said), said
        assert bool(said) is (kind is not Kind.UNSUPPRESS or after.state is not State.NORMAL)
        seen.add(kind)
    assert seen == set(Kind)


def test_work_at_the_tank_is_told_in_its_own_words() -> None:
    work = replace(
        changed(State.SHELVED, State.NORMAL, Kind.SHELF_ENDED, active=False),
        alarm="maintenance",
        facts=house.WorkOver((house.Standing("water.low", 0, Kept.of(SAYS)),)),
    )
    assert run_words.change(work, Reader()).startswith("Work over, alarms ring again: 1 stand.")


def test_the_beginning_says_what_is_watched_where_it_goes_and_what_stands() -> None:
    stands = changed(State.NORMAL, State.ACKNOWLEDGED, Kind.ACKNOWLEDGE)
    quiet = replace(stands, after=State.SUPPRESSED, alarm="water.rate")
    lines = run_words.opening(ROOM, Path("/srv/tank.db"), [stands, quiet])
    assert "watches Rock pool, village reading room" in lines[0]
    assert "water-a" in lines[0]
    assert lines[1:] == [
        "Readings are kept in /srv/tank.db.",
        "It tells nobody: no [sink.NAME] is set.",
        "Stands (water.low, acknowledged): Water 24.3 °C.",
    ]


def test_the_end_says_what_was_kept() -> None:
    kept = run_words.closing(1, Path("t.db"), "", [], well=True)
    assert kept == [
        "Stopped as asked. 1 reading in this run, kept in t.db. Nobody watches the tank now."
    ]
    stands = changed(State.NORMAL, State.ACKNOWLEDGED, Kind.ACKNOWLEDGE)
    standing, lost = run_words.closing(1200, Path("t"), "The disk is full.", [stands], well=False)
    assert standing == "Still standing: water.low."
    assert lost.startswith("Ended by a fault. 1,200 readings in this run, not all were kept: The d")


def test_the_figures_show_no_value_that_is_not_believed() -> None:
    at = Moment(0, 0, 0)
    line = run_words.figures(
        [
            Reading("water-a", at, 25.31, Flag.PASS),
            Reading("water-b", at, 85.0, Flag.FAIL, "power-on"),
            Reading("float-low", at, 1.0, Flag.PASS),
        ],
        ROOM,
    )
    assert line.startswith("water-a 25.3 °C, water-b ?, room ?, ")
    assert "float-low closed" in line
