"""The sensors that a person has chosen: what each of them is asked, and their tables."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from stillwell.commissioning.question import NONE, Question, measured, one_of
from stillwell.commissioning.section import Line, Section, section
from stillwell.ports import Candidate
from stillwell.reading import Quantity
from stillwell.settings.setting_error import SettingError
from stillwell.shown import shown
from stillwell.units import Dimension, System, parse

QUANTITY = {
    "water": Quantity.TEMPERATURE,
    "room": Quantity.TEMPERATURE,
    "humidity": Quantity.HUMIDITY,
    "level": Quantity.LEVEL,
    "distance": Quantity.LEVEL,
    "float": Quantity.FLOAT,
    "ph": Quantity.PH,
    "conductivity": Quantity.CONDUCTIVITY,
}
"""What a sensor may be, and the quantity of its channel."""
_MEANING = (
    "water, room or humidity; level for a height in the return chamber above (or, with a minus, "
    "below) the fill mark; distance for one down to the water"
)
_SOURCES = {
    "onewire": "probes",
    "gpio_float": "floats",
    "serial_text": "gauge",
    "kernel_sensor": "air",
    "mqtt_in": "boards",
}
_COMMENTS = {"look": "ripple lifts a float: what counts is the share of looks it was up"}
_LETTERS = "abcdefghijklmnopqrstuvwxyz"
_BY_HAND = "Top up with fresh water to the fill mark: evaporation leaves the salt behind."
_AUTOMATIC = "The automatic top-up does not keep up: look at its container, its tube and its float."
_TOO_FULL = "Take water out to the fill mark: when the pump stops, more runs back into the chamber."


@dataclass(frozen=True, slots=True)
class Chosen:
    """A sensor, and the channel that it becomes."""

    driver: str
    source: Mapping[str, Any]
    at: Mapping[str, Any]
    """What stands for it in the source's `channels`."""
    role: str
    channel: str
    height: str | None = None
    """Where a float closes, or how high above the fill mark a sensor hangs that measures the
    distance down to the water."""


def role(candidate: Candidate, shows: str, usual: str = "") -> Question[str]:
    """What a sensor measures.

    Args:
        shows: its present value, for people; may be empty.
    """
    roles = {name: name for name, quantity in QUANTITY.items() if quantity is not Quantity.FLOAT}
    words = {**roles, **dict.fromkeys(sorted(NONE, key=len, reverse=True), "")}
    value = f", now {shows}" if shows else ""
    few = candidate.role in ("water", "room")
    asks = (
        f"{candidate.what}{value}. What does it measure: "
        f'{"water or room" if few else _MEANING}? "none" leaves it out.'
    )
    return Question(asks, usual or candidate.role or "none", one_of(words))


def height(of: str, system: System, first: bool) -> Question[str]:
    """How high a float or a sensor above the water is, relative to the fill mark."""
    us = system == System.US
    if of == "distance":
        asks = "How high above the fill mark does it hang?"
        usual = "7 in" if us else "180 mm"
        return Question(asks, usual, measured(Dimension.LENGTH, system))
    asks = (
        "Where does it close as the water rises? Measured from the fill mark, to which you fill "
        "up; with a minus below it."
    )
    low, high = ("-1.6 in", "0.4 in") if us else ("-40 mm", "10 mm")
    read = measured(Dimension.LENGTH, system, least=-10_000.0)
    return Question(asks, low if first else high, read)


def several(candidates: Sequence[Candidate]) -> Question[dict[int, str]]:
    """Which of many numbers are wanted, and what each is: ``1 = room, 3 = level``."""
    numbered = "\n".join(f"  {n}  {each.what}" for n, each in enumerate(candidates, 1))
    words = {name: name for name, quantity in QUANTITY.items()}

    def read(text: str) -> dict[int, str]:
        chosen: dict[int, str] = {}
        for part in text.split(",") if text.strip().casefold() not in NONE else []:
            number, _, what = part.partition("=")
            if not number.strip().isdecimal() or not 1 <= int(number) <= len(candidates):
                do = f'Write numbers from 1 to {len(candidates)}, as in "1 = room"; or "none".'
                raise SettingError(f"{shown(part.strip())} is none of these.", do)
            chosen[int(number) - 1] = one_of(words)(what)
        return chosen

    asks = f"{numbered}\nWhich of these do you want, and what is each: {_MEANING}? As in 1 = room."
    return Question(asks, "none", read)


def named(role: str, height: str | None, taken: Iterable[str]) -> str:
    """Returns a name for a channel that is not taken: water-a, room, float-low, level-2."""
    names = set(taken)
    low = height is None or parse(height, Dimension.LENGTH) < 0
    stem = {"distance": "level", "float": "float-low" if low else "float-high"}.get(role, role)
    if role == "water":
        stems = [f"water-{letter}" for letter in _LETTERS]
    else:
        stems = [stem, *(f"{stem}-{n}" for n in range(2, 99))]
    return next(each for each in stems if each not in names)


def role_of(channel: str) -> str:
    """Returns what a channel of this name is; empty if its name does not tell."""
    stem = channel.partition("-")[0]
    return stem if stem in QUANTITY else ""


def sections(
    chosen: Sequence[Chosen], there: Mapping[str, Any], system: System, automatic: bool
) -> Iterator[Section]:
    """Yields the tables of these sensors, beside those that are there.

    Args:
        there: the whole configuration as it is now; empty if there is none.
        automatic: whether something other than the keeper tops up.
    """
    yield from _sources(chosen, there.get("source", {}))
    for each in chosen:
        yield _channel(each)
    yield from _watched(chosen, there, system, automatic)


def _sources(chosen: Sequence[Chosen], there: Mapping[str, Any]) -> Iterator[Section]:
    names = set(there)
    groups: list[tuple[dict[str, Any], list[Chosen]]] = []
    for each in chosen:
        keys = {"driver": each.driver, **each.source}
        together = [group for known, group in groups if known == keys]
        if together:
            together[0].append(each)
        else:
            groups.append((keys, [each]))
    for keys, group in groups:
        driver = keys["driver"]
        same = [name for name, now in there.items() if keys.items() <= now.items()]
        usual = _SOURCES.get(driver, driver.replace("_", "-"))
        free = (each for each in (usual, *(f"{usual}-{n}" for n in range(2, 99))))
        name = same[0] if same else next(each for each in free if each not in names)
        names.add(name)
        if not same:
            lines = (Line(key, value, _COMMENTS.get(key, "")) for key, value in keys.items())
            yield Section(("source", name), tuple(lines))
        channels = tuple(Line(each.channel, dict(each.at)) for each in group)
        yield Section(("source", name, "channels"), channels)


def _channel(each: Chosen) -> Section:
    letter = each.channel.rpartition("-")[2].upper()
    label = {"water": f"probe {letter}", "room": "air beside the tank"}.get(each.role)
    lines = [Line("quantity", QUANTITY[each.role].value)]
    if label:
        lines.append(Line("label", label, "what you call it"))
    if each.height and each.role == "float":
        comment = "where it closes as the water rises; 0 is the fill mark"
        lines.append(Line("height", each.height, comment))
    elif each.height:
        lines.append(Line("mounted", each.height, "how high above the fill mark it hangs"))
    return Section(("channel", each.channel), tuple(lines))


def _watched(
    chosen: Sequence[Chosen], there: Mapping[str, Any], system: System, automatic: bool
) -> Iterator[Section]:
    us = system == System.US
    within = "0.9 degF" if us else "0.5 K"
    new = [each.channel for each in chosen if each.role == "water"]
    before = there.get("band", {}).get("water", {})
    probes = [*before.get("of", []), *new]
    if len(probes) > 1 and new:
        agree = there.get("agreement", {}).get("water", {})
        more = () if agree else (Line("within", within, "further apart, one of them is wrong"),)
        yield Section(("agreement", "water"), (Line("of", probes), *more))
    if new and before:
        yield Section(("band", "water"), (Line("of", probes),))
    elif new:
        limits = "76.6 and above 78.4 degF" if us else "24.8 and above 25.8 degC"
        target = "77.5 degF" if us else "25.3 degC"
        of = Line("of", probes)
        middle = Line("target", target, "common practice; your animals may ask for another")
        yield Section(
            ("band", "water"), (of, middle, Line("tolerance", within, f"alarms below {limits}"))
        )
    for each in chosen:
        state = {"float-low": "top-up", "float-high": "too-full"}.get(each.channel, "")
        if state and state not in there.get("state", {}):
            low = state == "top-up"
            says = (_AUTOMATIC if automatic else _BY_HAND) if low else _TOO_FULL
            wrong = "below" if low else "above"
            yield section("state", state, of=each.channel, wrong=wrong, says=says)
