"""Words what ``stillwell run`` reports, for a terminal and for the journal: what it watches, each
change, and at the end what was kept. Pure."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from stillwell import __version__
from stillwell.alarm.annunciate.maintenance import MAINTENANCE
from stillwell.alarm.annunciate.state import LATCHES, WITHHELD, Kind
from stillwell.cli.checks.readings import value_shown
from stillwell.notice import State, Transition
from stillwell.reading import Flag, Quantity, Reading
from stillwell.settings import Settings
from stillwell.units import Dimension, show
from stillwell.words import Reader
from stillwell.words.states import state_in_words


def opening(settings: Settings, store: Path, alarms: Iterable[Transition]) -> list[str]:
    """Returns what is watched, where it is kept, who gets messages, and which alarms stand from
    before.

    Args:
        alarms: the latest change of each alarm.
    """
    tank = settings.tank
    reader = Reader(tank.zone, tank.units)
    sinks = ", ".join(f"{sink.name} ({sink.kind})" for sink in settings.sink.values())
    watches = ", ".join(settings.channel)
    tells = f"It tells {sinks}." if sinks else "It tells nobody: no [sink.NAME] is set."
    return [
        f"stillwell {__version__} watches {tank.label or tank.name}: {watches}.",
        f"Readings are kept in {store}.",
        tells,
        *(
            f"Stands ({t.alarm}, {t.after.value}): {reader.alarm(t).title}"
            for t in alarms
            if _stands(t)
        ),
    ]


def closing(
    readings: int, store: Path, failing: str, alarms: Iterable[Transition], *, well: bool
) -> list[str]:
    """Returns what was kept, and that nobody watches any more.

    Args:
        readings: how many were taken in this run.
        failing: why the store could not be written at the end; empty if it could.
        well: whether somebody asked for the end.
    """
    taken = "1 reading" if readings == 1 else f"{readings:,} readings"
    kept = f"not all were kept: {failing}" if failing else f"kept in {store}"
    ended = "Stopped as asked" if well else "Ended by a fault"
    stand = ", ".join(t.alarm for t in alarms if _stands(t))
    return [
        *([f"Still standing: {stand}."] if stand else []),
        f"{ended}. {taken} in this run, {kept}. Nobody watches the tank now.",
    ]


def _stands(t: Transition) -> bool:
    return t.active and t.after not in WITHHELD


def calls(transition: Transition) -> bool:
    """Returns whether the change needs a person who was not needed before."""
    return transition.after is State.UNACKNOWLEDGED


def change(transition: Transition, reader: Reader) -> str:
    """Returns one change of one alarm in plain words: in full if it needs a person, else in one
    line; nothing if there is nothing to know."""
    t, said, by = (
        transition,
        reader.alarm(transition),
        f" by {transition.by}" if transition.by else "",
    )
    if t.alarm == MAINTENANCE:
        return "\n".join((said.title, *said.parts))
    if calls(t):
        head = "WORSE" if t.event == Kind.PRIORITY else "ALARM"
        told = "\n".join((said.title, *said.parts))
        return f"{head}, {t.priority} priority ({t.alarm}): {told}"
    match t.event:
        case Kind.RAISE | Kind.PRIORITY:
            return f"Does not ring ({t.alarm}, {state_in_words(t.after)}): {said.title}"
        case Kind.SUPPRESS:
            return f"From now on {state_in_words(State.SUPPRESSED)} ({t.alarm})."
        case Kind.CLEAR:
            more = f" It stays until: stillwell reset {t.alarm}" if t.after in LATCHES else ""
            quiet = " that was kept quiet" if t.before in WITHHELD else ""
            return f"Over{quiet} ({t.alarm}): {said.title}{more}"
        case Kind.ACKNOWLEDGE:
            return f"Acknowledged{by} ({t.alarm})."
        case Kind.SHELVE:
            lasts = show(t.shelved_for_ms / 1000, Dimension.DURATION)
            return f"Shelved{by} for {lasts} ({t.alarm})."
        case Kind.UNSHELVE | Kind.SHELF_ENDED | Kind.RETURN_TO_SERVICE:
            return f"Rings again when it is needed ({t.alarm})."
        case Kind.OUT_OF_SERVICE:
            return f"Out of service{by} until it is put back ({t.alarm})."
        case Kind.RESET:
            return f"Reset{by} ({t.alarm})."
        case Kind.REMOVED:
            return f"No longer set ({t.alarm})."
    return ""


def figures(readings: Iterable[Reading], settings: Settings) -> str:
    """Returns the newest value of each channel in one line."""
    newest = {reading.channel: reading for reading in readings}
    shown = []
    for name, channel in settings.channel.items():
        reading = newest.get(name)
        if reading is None or reading.flag not in (Flag.PASS, Flag.NOT_EVALUATED):
            shown.append(f"{name} ?")
            continue
        value = value_shown(reading.value, Quantity(channel.quantity), settings.tank.units)
        shown.append(f"{name} {value.partition(':')[0]}")
    return ", ".join(shown)
