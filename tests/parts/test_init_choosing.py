"""What a person is asked about sensors that were found, and what becomes of the answers."""

from __future__ import annotations

import io
import sys
from collections.abc import Callable, Iterable
from typing import Any, ClassVar

import pytest
from pydantic import BaseModel

from stillwell.cli.first_settings.sensors import Choosing
from stillwell.cli.first_settings.talk import Talk
from stillwell.commissioning.found import Found
from stillwell.ports import Candidate, DriverError
from stillwell.reading import Failure, Sample
from stillwell.units import System


class Air:
    """A driver of somebody's: each of its sensors reads 21.5, but one that is broken."""

    class Settings(BaseModel):
        channels: dict[str, dict[str, str]]

    closed: ClassVar[list[bool]] = []

    def __init__(self, settings: Any) -> None:
        self._at = settings.channels

    def open(self) -> None:
        if any(at.get("at") == "away" for at in self._at.values()):
            raise DriverError("It is not plugged in.", "Plug it in.")

    def read(self) -> Iterable[Sample]:
        for name, at in self._at.items():
            broken = at["at"] == "broken"
            value, failure = (None, Failure.CRC) if broken else (21.5, None)
            yield Sample(name, value, failure)

    def close(self) -> None:
        self.closed.append(True)


def sensor(name: str, role: str = "", **more: Any) -> Candidate:
    return Candidate(name, f"sensor {name}", role, channel={"at": name}, **more)


Chosen = list[tuple[str, str, str | None]]


@pytest.fixture
def choose(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> Callable[..., tuple[Chosen, str]]:
    """Offers sensors to a person who types these lines."""

    def offered(lines: str, *candidates: Candidate, **there: Any) -> tuple[Chosen, str]:
        typed = io.StringIO(lines)
        monkeypatch.setattr(sys, "stdin", typed)
        choosing = Choosing(Talk({}, asks=True), there, System.METRIC)
        choosing.ask([Found("air", Air, candidates)])
        assert typed.read() == "", "everything that was typed was asked for"
        made = [(each.channel, str(each.at.get("at")), each.height) for each in choosing.chosen]
        return made, " ".join(capsys.readouterr().out.split())

    return offered


class TestASensorByItself:
    def test_is_shown_with_its_value_and_is_what_it_most_likely_is(self, choose: Any) -> None:
        chosen, said = choose("\n", sensor("sht", "room"))
        assert chosen == [("room", "sht", None)]
        assert "Sensor sht, now 21.5 °C" in said or "sensor sht, now 21.5 °C" in said
        assert "Sensor sht becomes room." in said
        assert Air.closed, "it was given back"

    def test_may_be_left_out(self, choose: Any) -> None:
        assert choose("none\n", sensor("sht", "room"))[0] == []

    @pytest.mark.parametrize("name", ["broken", "away"])
    def test_that_does_not_answer_can_still_be_named(self, choose: Any, name: str) -> None:
        assert choose("humidity\n", sensor(name))[0] == [("humidity", name, None)]

    def test_above_the_water_is_asked_how_high_it_hangs(self, choose: Any) -> None:
        chosen, said = choose("\n-3 mm\n18.5 cm\n", sensor("tof", "distance"))
        assert chosen == [("level", "tof", "18.5 cm")]
        assert "too small" in said

    def test_is_no_second_room(self, choose: Any) -> None:
        chosen, said = choose("room\n", sensor("b", "room"), channel={"room": {}})
        assert chosen == []
        assert "a channel for the room already" in said

    def test_that_is_in_use_is_not_asked_about(self, choose: Any) -> None:
        there = {"source": {"x": {"driver": "air", "channels": {"room": {"at": "sht"}}}}}
        chosen, said = choose("", sensor("sht", "room"), **there)
        assert chosen == []
        assert "1 found by air is in use." in said

    def test_comes_with_the_cautions_once(self, choose: Any) -> None:
        said = choose("\n\n", sensor("a", "room"), sensor("b", "humidity"))[1]
        assert said.count("Only low voltage belongs on the Pi") == 1
        assert "drip loop" in said
        assert "unplug heater and pump, with dry hands" in said


class TestADeviceThatMustBeOpened:
    def test_is_left_alone_unless_the_person_agrees(self, choose: Any) -> None:
        def never() -> list[Candidate]:
            raise AssertionError("it was opened")

        chosen, said = choose("maybe\nno\n", sensor("tty", listen=never))
        assert chosen == []
        assert '"maybe" is no answer here. Write yes or no.' in said
        broker = sensor("broker", listen=never, sure=False)
        assert choose("\n", broker)[0] == [], "one that may have nothing is left by Enter"

    def test_is_listened_to_and_its_numbers_are_asked_for(self, choose: Any) -> None:
        pattern = {"pattern": "level=(?P<mm>[0-9]+) t=(?P<t>[0-9]+)"}
        heard = [sensor("mm", "level", source=pattern), sensor("t", "room", source=pattern)]
        chosen, said = choose("\n\nnone\n", sensor("tty", listen=lambda: heard))
        assert chosen == [("level", "mm", None)]
        assert "Its lines have this pattern: level=(?P<mm>[0-9]+) t=(?P<t>[0-9]+)" in said

    def test_with_many_numbers_is_asked_for_them_by_number(self, choose: Any) -> None:
        heard = [sensor(f"topic{n}") for n in range(6)]
        chosen, said = choose(
            "yes\n9=room\n2 = room, 6=humidity\n", sensor("b", listen=lambda: heard)
        )
        assert chosen == [("room", "topic1", None), ("humidity", "topic5", None)]
        assert "numbers from 1 to 6" in said
        assert "6 sensor topic5" in said

    def test_that_says_nothing_is_said_so(self, choose: Any) -> None:
        def nothing() -> list[Candidate]:
            raise DriverError("It printed nothing.", "Look at its manual.")

        said = choose("yes\n", sensor("tty", listen=nothing))[1]
        assert "It printed nothing. Look at its manual." in said
        assert "Nothing was heard." in choose("yes\n", sensor("tty", listen=list))[1]
