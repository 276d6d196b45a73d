"""A daemon that is ended again and again, through the real pipeline and store."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from pathlib import Path

import pytest

from in_words import said, what
from stillwell.alarm.plan import WatchPlan
from stillwell.alarm.watch import Watch
from stillwell.notice import Priority, Transition
from stillwell.pipeline import Pipeline
from stillwell.run.restarts import ALARM, URGENT_FROM
from stillwell.store import Store

NOON = 1_768_478_400_000  # 2026-01-15T12:00:00Z
MIN = 60_000
HOUR = 60 * MIN


class Life:
    """Starts and ends of one daemon; minutes count from noon."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.told: list[Transition] = []
        self.line: Pipeline | None = None

    def start(self, minute: float, boot: str = "one", *, trusted: bool = True) -> None:
        at_ms = round(minute * MIN)
        line = Pipeline(
            Store.open(self.path), Watch(WatchPlan(zone="Europe/Dublin")), {}, told=self.told.append
        )
        mono_ms = at_ms if boot == "one" else 20_000
        line.begin(boot, mono_ms, NOON + at_ms if trusted else 86_400_000, trusted, counted=True)
        self.line, self.mono_ms, self.began_ms = line, mono_ms, mono_ms

    def runs(self, minutes: float) -> None:
        assert self.line is not None
        for _ in range(round(minutes)):
            self.mono_ms += MIN
            self.line.tick(self.mono_ms)

    def ends(self, *, in_order: bool = False) -> None:
        """By SIGKILL what was waiting would be lost; a start is kept before it can be."""
        assert self.line is not None
        if in_order:
            self.line.end(in_order=True)
        else:
            self.line.store._backlog.meta.clear()
            self.line.store.close()
        self.line = None

    def crashes(self, minutes: Iterable[float], boots: Iterable[str] = ()) -> None:
        names = iter(boots)
        for minute in minutes:
            self.start(minute, next(names, "one"))
            self.ends()

    def events(self) -> list[tuple[str, Priority]]:
        return [(t.event, t.priority) for t in self.told if t.alarm == ALARM]


@pytest.fixture
def life(tmp_path: Path) -> Iterator[Life]:
    made = Life(tmp_path / "tank.db")
    yield made
    if made.line is not None:
        made.line.store.close()


class TestStarts:
    def test_three_within_an_hour_are_told_once_and_more_are_urgent(self, life: Life) -> None:
        life.crashes((0, 10))
        assert life.events() == []
        life.crashes((20, 25, 30))
        assert life.events() == [("raise", Priority.MEDIUM)]
        life.crashes((35, 40))
        assert life.events() == [("raise", Priority.MEDIUM), ("priority", Priority.HIGH)]
        assert said(life.told[0]).title == "stillwell keeps restarting: 3 starts since 12:00."
        assert URGENT_FROM == 6

    def test_once_an_hour_are_nobodys_business(self, life: Life) -> None:
        life.crashes(range(0, 600, 61))
        assert life.events() == []

    @pytest.mark.parametrize("last_in_order", [False, True])
    def test_it_is_over_when_it_has_run_for_an_hour(self, life: Life, last_in_order: bool) -> None:
        life.crashes((0, 10))
        life.start(20)
        life.ends(in_order=last_in_order)
        life.start(30)
        life.runs(59)
        assert life.events() == [("raise", Priority.MEDIUM)]
        life.runs(1)
        assert life.events() == [("raise", Priority.MEDIUM), ("clear", Priority.MEDIUM)]
        life.ends()
        life.crashes((95, 100))
        assert len(life.events()) == 2, "what was before the hour counts no more"

    def test_in_good_order_begin_the_count_anew(self, life: Life) -> None:
        for minute in range(0, 50, 10):
            life.start(minute)
            life.ends(in_order=True)
            life.start(minute + 5)
            life.ends()
        assert life.events() == []

    def test_of_the_machine_are_no_crashes_of_the_daemon(self, life: Life) -> None:
        life.crashes((0, 5, 10, 15, 20), "abcde")
        assert life.events() == []
        life.start(25, "f")
        assert life.events() == [("raise", Priority.MEDIUM)]
        told = said(life.told[0])
        assert told.title == "The machine keeps restarting: 6 starts since 12:00."
        assert "power supply" in told.why
        assert "journalctl" not in str(told)

    def test_within_a_boot_are_crashes_whatever_the_machine_did_before(self, life: Life) -> None:
        life.crashes((0, 5, 10, 15), "abcc")
        assert life.events() == []
        life.start(20, "c")
        assert life.events() == [("raise", Priority.MEDIUM)]
        told = said(life.told[0])
        assert told.title == "stillwell keeps restarting: 3 starts since 12:00."

    def test_of_boots_without_a_name_accuse_no_power_supply(self, life: Life) -> None:
        life.crashes((0, 10, 20), ("unknown-a", "unknown-b", "unknown-c"))
        assert life.events() == [("raise", Priority.MEDIUM)]
        assert "power supply" not in said(life.told[0]).why

    def test_count_also_where_no_clock_was_ever_set(self, life: Life) -> None:
        for _ in range(3):
            life.start(0, trusted=False)
            life.ends()
        assert life.events() == [("raise", Priority.MEDIUM)]
        assert "3 starts within an hour" in what(life.told[0])

    def test_but_not_where_each_run_has_lasted(self, life: Life) -> None:
        for boot in "abcd":
            life.start(0, boot, trusted=False)
            life.runs(61)
            life.ends()
        assert life.events() == []

    def test_of_commands_count_for_nothing(self, life: Life) -> None:
        life.crashes((0, 10))
        for _ in range(3):
            with Store.open(life.path) as store:
                Pipeline(store, Watch(WatchPlan()), {}).begin("one", 11 * MIN, NOON, True)
        assert life.events() == []
