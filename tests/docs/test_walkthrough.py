"""The walk from an empty glass box to the first animals (config/first-weeks.md): every command of
it is carried out with the words that a shell reads there.

By default on a tank that is read every ten minutes and whose level nobody works out, which takes
most of a simulated fortnight; with `--long` on the one that the walk names.
"""

from __future__ import annotations

import re

import pytest

from command_line import tank
from walk import GUIDE, lines, walk


@pytest.fixture(scope="module")
def said(tmp_path_factory: pytest.TempPathFactory, long_run: bool) -> list[tuple[str, str]]:
    """Each line with what it said."""
    folder = tmp_path_factory.mktemp("walk")
    quick = {
        "STILLWELL_CONFIG": str(tank(folder)),
        "STILLWELL__SOURCE__TANK__EVERY": "10 min",
    }
    return walk(folder, {} if long_run else quick)


def after(said: list[tuple[str, str]], command: str, nth: int = 0) -> str:
    return [out for line, out in said if line.startswith(f"stillwell {command}")][nth]


class TestWalkthrough:
    def test_every_line_runs(self, said: list[tuple[str, str]]) -> None:
        assert [line for line, _ in said] == lines()
        assert len(said) > 30

    def test_needs_only_these_commands(self) -> None:
        used = {line.split()[1] for line in lines() if line.startswith("stillwell ")}
        assert used == {"simulate", "mix", "note", "warm-up", "today", "book"}

    def test_a_batch_is_made_measured_put_right_and_warmed(
        self, said: list[tuple[str, str]]
    ) -> None:
        assert "Weigh" in after(said, "mix", 0)
        assert "Warm it from 12.0 °C" in after(said, "mix", 0)
        assert "So this mix is" in after(said, "mix", 1)

    def test_the_heater_is_judged_only_after_some_hours(self, said: list[tuple[str, str]]) -> None:
        assert "still warming" in after(said, "warm-up", 0)
        assert "at this rate it is at 25.3 °C in about" in after(said, "warm-up", 0)
        assert "Steady" in after(said, "warm-up", 1)

    def test_a_cold_tank_is_called_so_with_the_hour_of_its_end(
        self, said: list[tuple[str, str]]
    ) -> None:
        assert re.search(
            r"OUTSIDE, rising 0\.[6-9] K an hour, inside about", after(said, "today", 0)
        )
        assert "answer: stillwell ack water.low" in after(said, "today", 0)

    def test_a_test_is_due_on_the_second_day(self, said: list[tuple[str, str]]) -> None:
        assert "Test ammonia and nitrite (due today)" in after(said, "today", 1)

    def test_the_end_is_foretold(self, said: list[tuple[str, str]]) -> None:
        assert "The end is expected about day" in after(said, "today", 2)

    def test_one_zero_is_not_enough_and_two_are(self, said: list[tuple[str, str]]) -> None:
        assert "one more zero" in after(said, "today", 3)
        assert "Cycle: finished" in after(said, "today", 4)
        assert "add few at a time" in after(said, "today", 4)

    def test_animals_live_in_a_tank_without_alarms(self, said: list[tuple[str, str]]) -> None:
        last = after(said, "today", 5)
        assert "Cycle: finished" in last
        for alarm in ("ammonia.seen", "nitrite.seen", "salinity.high", "salinity.low", "water.low"):
            assert alarm not in last

    def test_the_list_is_in_units_of_people(self, said: list[tuple[str, str]]) -> None:
        listed = after(said, "note --list")
        assert "postponed 2 d: refractometer" in listed
        assert "nitrite 1.5 mg/L as N" in listed
        assert "animals-in 2: hermit crabs" in listed

    def test_the_hand_that_goes_in_is_warned(self) -> None:
        text = GUIDE.read_text(encoding="utf-8").casefold()
        for caution in ("unplug heater and pump", "dry hands", "drip loop", "rcd (gfci)", "vet"):
            assert caution in text
