"""The daemon is killed again and again, before any delay of its alarms is over: they come all the
same, and that it is killed is an alarm too, which a person hears through a real mosquitto."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any

import pytest

from in_words import said
from stillwell.run.restarts import ALARM, KEY

Make = Callable[..., Any]
NOTICE = "stillwell/reading-room/notice"

COLD = """
[band.cold]
of = ["water-a"]
target = "30 degC"
tolerance = "0.5 K"
deadband = "0.1 K"
on_delay = "{delay}"
off_delay = "{delay}"
"""
"""A band that the tank's water is below from the first reading on."""


def starts(tank: Any) -> list[Any]:
    with tank.reader() as reader:
        found = reader.described(KEY) if reader else None
    return list(json.loads(found)[1]) if found else []


def killed_after(tank: Any, speed: float, enough: int) -> None:
    """One run, which ends by SIGKILL when it has kept so many readings of a probe."""
    before = len(tank.readings("water-a"))
    tank.start(speed=speed)
    tank.until(lambda: len(tank.readings("water-a")) >= before + enough, "it reads")
    tank.kill()


class TestKilledEveryFiveMinutes:
    def test_the_alarm_comes_when_its_delay_is_over(self, daemon: Make) -> None:
        tank = daemon(more=COLD.format(delay="10 min"))
        for run in range(6):
            killed_after(tank, 240, 10)  # one each half minute
            assert run > 0 or not tank.transitions("cold.low"), "one run is too short for it"
            if tank.has("cold.low", "raise"):
                return
        pytest.fail("six runs of five minutes, and no alarm after ten")

    def test_also_by_the_clock_of_the_machine(self, daemon: Make) -> None:
        tank = daemon(commit_every="1 s", more=COLD.format(delay="6 s"))
        tank.config.write_text(
            tank.config.read_text(encoding="utf-8").replace('every = "30 s"', 'every = "1 s"'),
            encoding="utf-8",
        )
        for _ in range(6):
            killed_after(tank, 1, 3)
            if tank.has("cold.low", "raise"):
                break
        [low] = tank.transitions("cold.low")
        first = tank.readings("water-a")[0]
        assert low.since.utc_ms == first.moment.utc_ms, "since the first run"


class TestACrashLoop:
    def test_is_an_alarm_after_the_third_start_and_is_heard(
        self, daemon: Make, broker: Make, listen: Make
    ) -> None:
        mosquitto = broker()
        phone = listen(mosquitto.port, NOTICE)
        tank = daemon(port=mosquitto.port)
        for number in (1, 2, 3):
            tank.start(speed=1)
            tank.until(lambda: len(starts(tank)) == number, "it has started")  # noqa: B023
            if number < 3:
                tank.kill()
                assert not tank.transitions(ALARM)
        tank.until(lambda: tank.has(ALARM, "raise"), "it is kept")

        def heard() -> set[str]:
            return {json.loads(h.payload)["key"].partition(":")[0] for h in phone.on(NOTICE)}

        tank.until(lambda: ALARM in heard(), "somebody hears of it")
        [raised] = tank.transitions(ALARM)
        told = said(raised)
        assert told.title.startswith("stillwell keeps restarting")
        assert "3 starts" in f"{told.title} {told.seen}"
        assert "journalctl -u stillwell -n 50" in told.do

    def test_starts_that_somebody_wanted_are_none(self, daemon: Make) -> None:
        tank = daemon(commit_every="1 s")
        for number in range(1, 5):
            tank.start(speed=1)
            tank.until(lambda: len(tank.readings("water-a")) >= number, "it reads")  # noqa: B023
            assert len(starts(tank)) == 1
            assert tank.stop() == 0
            assert starts(tank) == []
        assert not tank.transitions(ALARM)
