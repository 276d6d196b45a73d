"""Shows a person the sensors that were found, and asks what each of them is: a probe is held in the
hand, a float is lifted, a gauge is listened to."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from stillwell.acquire.clock import SystemClock
from stillwell.cli.checks.readings import value_shown
from stillwell.cli.console import say
from stillwell.cli.first_settings.talk import Talk
from stillwell.cli.options import fail
from stillwell.commissioning import sensors
from stillwell.commissioning.found import LISTEN_WITHIN_S, Found, answer
from stillwell.commissioning.live import Live
from stillwell.commissioning.moved import changed, grew_warmer
from stillwell.commissioning.question import Question, yes_or_no
from stillwell.commissioning.sensors import QUANTITY, Chosen
from stillwell.ports import Candidate
from stillwell.units import System

CAUTION = (
    "Only low voltage belongs on the Pi (3.3 V and 5 V): never mains, not through a relay either. "
    "Wire with the Pi unplugged, and give every cable a drip loop. Before you put a hand into the "
    "water, unplug heater and pump, with dry hands."
)
_WATER_PROBES = 2
"""So many probes are most likely in the water; the next one shows the room."""
_MANY = 4
_PROBE_EVERY_S = 0.2
"""Pause between two rounds; a round of conversions takes nearly a second by itself."""
_FLOAT_EVERY_S = 0.2
_STEADY_LOOKS = 3
_OPTION = re.compile(r"([a-z0-9-]+)\s*=\s*(.+?)(?:\s+at\s+(.+))?")


class Choosing:
    """The sensors of one tank, as they are chosen.

    Args:
        there: the configuration as it is now; empty if there is none.
    """

    def __init__(self, talk: Talk, there: Mapping[str, Any], units: System) -> None:
        self.chosen: list[Chosen] = []
        self._talk = talk
        self._units = units
        self._names = list(there.get("channel", {}))
        self._used = [
            (source.get("driver"), entry)
            for source in there.get("source", {}).values()
            for entry in source.get("channels", {}).values()
        ]

    def ask(self, founds: Sequence[Found]) -> None:
        """Asks about everything that was found and is not in use."""
        cautioned = False
        probes_first = sorted(founds, key=lambda each: each.driver != "onewire")
        for found in probes_first:
            new = [each for each in found.candidates if not self._in_use(found, each)]
            known = len(found.candidates) - len(new)
            if known:
                say(f"{known} found by {found.driver} {'is' if known == 1 else 'are'} in use.")
            if not new:
                continue
            if self._talk.asks and not cautioned:
                say(f"\n{CAUTION}")
                cautioned = True
            probes = [each for each in new if each.role == "water" and each.listen is None]
            floats = [each for each in new if each.role == "float"]
            if probes:
                self._probes(found, probes)
            if floats:
                self._floats(found, floats)
            for each in new:
                if each not in probes and each not in floats:
                    self._other(found, each)

    def take(self, options: Iterable[str], founds: Sequence[Found]) -> None:
        """Takes the sensors that options name: ``water-a=28-0316a2794a1f``. Ends the command where
        one can't be."""
        for option in options:
            parts = _OPTION.fullmatch(option.strip())
            role = sensors.role_of(parts[1]) if parts else ""
            if parts is None or not role:
                fail(
                    f"--sensor {option} names no channel.",
                    "Write it like water-a=28-0316a2794a1f or float-low=GPIO17 at -40 mm. Channels "
                    f"begin with {', '.join(QUANTITY)}.",
                )
            found, candidate = self._named(parts[2], founds)
            height = parts[3]
            if role in ("float", "distance"):
                question = sensors.height(role, self._units, parts[1] != "float-high")
                by_option = Question(question.asks, question.usual, question.read, "--sensor")
                given = {"--sensor": height} if height else {}
                height = Talk(given, asks=False).ask(by_option)
            self._add(found, candidate, role, height, name=parts[1])

    def _named(self, name: str, founds: Sequence[Found]) -> tuple[Found, Candidate]:
        for found in founds:
            for each in found.candidates:
                if each.name == name:
                    return found, each
                if each.listen is not None and name.startswith(f"{each.name}#"):
                    heard = answer(found.driver, found.made, each.listen, LISTEN_WITHIN_S)
                    for one in heard.candidates:
                        if one.name == name:
                            return found, one
        there = ", ".join(each.name for found in founds for each in found.candidates)
        return fail(f"There is no sensor {name}.", f"Found: {there or 'nothing'}.")

    def _in_use(self, found: Found, each: Candidate) -> bool:
        return any(
            driver == found.driver and entry in (each.channel, each.opposite)
            for driver, entry in self._used
        )

    def _add(
        self,
        found: Found,
        sensor: Candidate,
        role: str,
        height: str | None = None,
        *,
        opposite: bool = False,
        name: str = "",
    ) -> None:
        if role == "room" and "room" in self._names:
            say("There is a channel for the room already: this one is left out.")
            return
        name = name or sensors.named(role, height, self._names)
        at = sensor.opposite if opposite and sensor.opposite is not None else sensor.channel
        self._names.append(name)
        self.chosen.append(Chosen(found.driver, sensor.source, at, role, name, height))
        say(f"{sensor.what[:1].upper()}{sensor.what[1:]} becomes {name}.")

    def _asked_role(self, found: Found, sensor: Candidate, value: float | None) -> None:
        usual = ""
        if sensor.role == "water":
            taken = sum(name.startswith("water-") for name in self._names)
            usual = "water" if taken < _WATER_PROBES or "room" in self._names else "room"
        shows = "" if value is None else self._shown(sensor.role, value)
        role = self._talk.ask(sensors.role(sensor, shows, usual))
        if role == "distance":
            self._add(found, sensor, role, self._height(role))
        elif role:
            self._add(found, sensor, role)

    def _height(self, role: str) -> str:
        first = "float-low" not in self._names
        return self._talk.ask(sensors.height(role, self._units, first))

    def _shown(self, role: str, value: float) -> str:
        return value_shown(value, QUANTITY[role], self._units) if role in QUANTITY else f"{value:g}"

    def _probes(self, found: Found, probes: list[Candidate]) -> None:
        with Live(found.made, probes, SystemClock()) as live:
            values = live.values()
            for each in probes:
                shows = self._shown("water", values[each.name]) if each.name in values else ""
                say(f"{each.what}: {shows or f'no value. {live.trouble}'.rstrip()}")
            if len(probes) == 1:
                if any(name.startswith("water-") for name in self._names):
                    self._asked_role(found, probes[0], values.get(probes[0].name))
                else:
                    self._add(found, probes[0], "water")
                return
            left = list(probes)
            while len(left) > 1:
                held = self._held(live, left)
                if held is None:
                    say(f"Left out: {', '.join(each.name for each in left)}.")
                    return
                left.remove(held)
                self._asked_role(found, held, live.values().get(held.name))
            self._asked_role(found, left[0], live.values().get(left[0].name))

    def _held(self, live: Live, left: Sequence[Candidate]) -> Candidate | None:
        lowest = live.values()

        def look() -> Candidate | None:
            now = live.values()
            for name, value in now.items():
                lowest[name] = min(value, lowest.get(name, value))
            warm = grew_warmer(lowest, now)
            return next((each for each in left if each.name == warm), None)

        asks = (
            f"Hold one of the {len(left)} probes in your hand, or in a cup of warm water, until it "
            "is named here. Enter leaves them out."
        )
        held = self._talk.watch(asks, look, _PROBE_EVERY_S)
        if held is not None:
            rise = live.values().get(held.name, lowest[held.name]) - lowest[held.name]
            say(f"{held.what} grew warmer, by {rise:.1f} K.")
        return held

    def _floats(self, found: Found, lines: list[Candidate]) -> None:
        with Live(found.made, lines, SystemClock()) as live:
            left = list(lines)
            while left:
                lifted = self._lifted(live, left)
                if lifted is None:
                    if live.trouble:
                        say(live.trouble)
                    return
                line, wet = lifted
                left.remove(line)
                say(f"{line.what} moved.")
                self._add(found, line, "float", self._height("float"), opposite=not wet)

    def _lifted(self, live: Live, left: Sequence[Candidate]) -> tuple[Candidate, bool] | None:
        """Returns the line that moved, and whether it is closed now; None where none did."""
        first = live.values()
        names = {each.name for each in left}
        seen: list[tuple[str, ...]] = []

        def look() -> tuple[Candidate, bool] | None:
            now = live.values()
            moved = [name for name in changed(first, now) if name in names]
            seen.append(tuple(moved))
            if len(seen) < _STEADY_LOOKS or len(set(seen[-_STEADY_LOOKS:])) > 1 or not moved:
                return None
            if len(moved) > 1:
                say(f"More than one moved: {', '.join(moved)}. Lift one alone.")
                seen.clear()
                return None
            line = next((each for each in left if each.name == moved[0]), None)
            return None if line is None else (line, now[line.name] >= 0.5)

        more, none = "the next float", "there is no other"
        if len(left) == len(first):
            more, none = "a float", "there is none. The header's free lines are read, pull-ups on"
        asks = f"Lift {more} and hold it until it is named here. Enter: {none}."
        return self._talk.watch(asks, look, _FLOAT_EVERY_S)

    def _other(self, found: Found, sensor: Candidate) -> None:
        if sensor.listen is None:
            with Live(found.made, [sensor], SystemClock()) as live:
                self._asked_role(found, sensor, live.values().get(sensor.name))
            return
        asks = (
            f"There is a {sensor.what}. Shall it be listened to for some seconds? A few boards "
            "start anew when they are."
        )
        usual = "yes" if sensor.sure else "no"
        if not self._talk.ask(Question(asks, usual, yes_or_no, unasked="no")):
            return
        heard = answer(found.driver, found.made, sensor.listen, LISTEN_WITHIN_S)
        if not heard.candidates:
            say(f"{heard.what or 'Nothing was heard.'} {heard.do}".rstrip())
            return
        pattern = heard.candidates[0].source.get("pattern")
        if pattern:
            say(f"Its lines have this pattern: {pattern}")
        if len(heard.candidates) > _MANY:
            for number, role in self._talk.ask(sensors.several(heard.candidates)).items():
                self._add(found, heard.candidates[number], role)
            return
        for each in heard.candidates:
            self._asked_role(found, each, None)
