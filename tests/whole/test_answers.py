"""What a person does about alarms, by command, while the daemon runs: what stays quiet, for how
long, and what has to be reset."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from command_line import call

Make = Callable[..., Any]

SPEED = 120.0
"""Two minutes a second: a command arrives between two changes on a busy machine too."""


class Keeper:
    """Somebody at a terminal."""

    def __init__(self, tank: Any) -> None:
        self.tank = tank

    def does(self, *words: str) -> str:
        done = call(*words, "-c", self.tank.config, "--by", "Maeve")
        assert done.exit_code == 0, done.output
        return done.stdout

    def is_refused(self, *words: str) -> str:
        done = call(*words, "-c", self.tank.config)
        assert done.exit_code == 1, done.output
        return done.stdout

    def events(self, alarm: str) -> list[str]:
        return [t.event for t in self.tank.transitions(alarm)]

    def notices(self, alarm: str) -> list[str]:
        with self.tank.reader() as reader:
            return [n.kind for n in reader.notices() if n.subject == alarm] if reader else []


@pytest.fixture
def keeper(daemon: Make, fault: Make) -> Callable[..., Keeper]:
    """A running daemon with a probe that has been gone for an hour and stays so for `for_min`."""

    def make(for_min: float | None = None, more: str = "") -> Keeper:
        tank = daemon(faults=[fault("probe-gone", -60, for_min, target="water-b")], more=more)
        tank.start(speed=SPEED)
        tank.until(lambda: tank.has("water-b.silent", "raise"), "the silent probe is told")
        return Keeper(tank)

    return make


class TestShelf:
    def test_ends_by_itself_and_the_alarm_speaks_again(self, keeper: Callable[..., Keeper]) -> None:
        one = keeper()
        assert "shelved" in one.does("shelve", "water-b.silent", "--for", "10 min")
        one.tank.until(lambda: "shelf-ended" in one.events("water-b.silent"), "the shelf ends")
        ended, shelved = (
            next(t for t in one.tank.transitions("water-b.silent") if t.event == event)
            for event in ("shelf-ended", "shelve")
        )
        assert shelved.shelved_for_ms == 600_000
        assert ended.moment.mono_ms - shelved.moment.mono_ms >= 600_000
        assert one.notices("water-b.silent").count("raised") == 2

    def test_survives_a_restart_and_is_left_before_its_time_on_request(
        self, keeper: Callable[..., Keeper]
    ) -> None:
        one = keeper()
        one.does("shelve", "water-b.silent", "--for", "1 d")
        one.tank.kill()
        one.tank.start(speed=SPEED)
        seen = len(one.tank.readings("water-a"))
        one.tank.until(lambda: len(one.tank.readings("water-a")) > seen + 4, "it reads again")
        assert one.events("water-b.silent") == ["raise", "shelve"]
        one.does("unshelve", "water-b.silent")
        assert one.events("water-b.silent")[-1] == "unshelve"


class TestOutOfService:
    def test_is_quiet_until_it_is_put_back(self, keeper: Callable[..., Keeper]) -> None:
        one = keeper()
        one.does("out-of-service", "water-b.silent")
        one.tank.kill()
        one.tank.start(speed=SPEED)
        seen = len(one.tank.readings("water-a"))
        one.tank.until(lambda: len(one.tank.readings("water-a")) > seen + 4, "it reads again")
        assert one.notices("water-b.silent") == ["raised"]
        one.does("in-service", "water-b.silent")
        assert one.notices("water-b.silent") == ["raised", "raised"], (
            "it still stands, so it speaks"
        )


class TestLatching:
    # Nobody touches the tank: while the pump rests for a feeding or a water change the chamber
    # stands alone, and an alarm about the water keeps still, or returns and comes again.
    MORE = (
        "latching = true\n[source.tank.keeper]\n"
        'pours_at = "never"\nchanges_on = "never"\nfeeds_at = "never"\n'
    )

    def test_alarm_stays_after_its_return_until_it_is_reset(
        self, daemon: Make, fault: Make
    ) -> None:
        tank = daemon(faults=[fault("not-heating", 1, 300)], more=self.MORE)
        tank.start(speed=800)
        tank.until(lambda: tank.has("water.low", "raise"), "the alarm is raised")
        one = Keeper(tank)
        one.does("ack", "water.low")
        assert "water.low" in one.is_refused("reset", "water.low"), "it still stands"
        tank.until(lambda: tank.has("water.low", "clear"), "the water is well again")
        stood = tank.transitions("water.low")[-1]
        assert (stood.active, stood.after.value) == (False, "latched-acknowledged")
        one.does("reset", "water.low")
        assert tank.transitions("water.low")[-1].after.value == "normal"
