"""The master alarm database of ANSI/ISA-18.2: every alarm that there can be, one row each.

Each row says, here and nowhere else: what the alarm follows from, how urgent it usually is, whether
its channel is still believed, whether it latches, whether a hand in the tank causes it, and how
long it may take to follow its cause. `stillwell.alarm.occurring` looks it up for the alarms of one
tank.

``python -m stillwell.alarm.catalogue`` writes the table of alarms anew between its two marks.
"""

from __future__ import annotations

import re
import sys
from functools import partial
from pathlib import Path

from stillwell.alarm.row import Cause, Row, When
from stillwell.notice import Priority

HOUR_S = 3600.0
LOW, MEDIUM, HIGH = Priority.LOW, Priority.MEDIUM, Priority.HIGH


def _causes(*names: str, when: When = When.ALWAYS) -> tuple[Cause, ...]:
    return tuple(Cause(name, when) for name in names)


_DOUBTS = ("{probe}.doubtful", "{float}.stuck-up", "{float}.stuck-down", "{float}.chattering")
_SOURCE = _causes("source.{source}.down")
_NOT_HEARD = _causes("{channel}.silent", "{channel}.fault")
_COOLS = "heater.not-heating", "heater.too-weak", "chiller.stuck-on", "mains.lost"
_WARMS = "heater.stuck-on", "chiller.not-cooling", "room.too-warm"
_NO_HEAT, _TOO_MUCH_HEAT = (_causes(*each, when=When.OF_WATER) for each in (_COOLS, _WARMS))
# The heater is in the chamber: without the pump its heat stays there.
_NO_PUMP = _causes("pump.stopped", when=When.OF_WATER)
_PUMP_RESTS = _causes("pump.resting", when=When.OF_WATER)
_ONE_IN_DOUBT = _causes(*_DOUBTS, when=When.LONE)
# When the pump stops, the chamber rises, and what measures there disagrees with the past.
_CHAMBER_RISEN = _causes("pump.stopped", "mains.lost")
_CHAMBER_ODD = _causes("pump.resting", "pump.stopped", "mains.lost")
# What a heater does in the chamber meanwhile says nothing, but that it does not switch off does.
_NO_FLOW = _causes("pump.stopped")

_SENSOR_PATIENCE_S = 2.5 * HOUR_S
"""An hour's looks at a float, and two rounds of the rules."""
_STILL_PATIENCE_S = 10 * HOUR_S
"""The window over which water is seen not to move, and two rounds of the rules."""
_POUR_PATIENCE_S = 26 * HOUR_S
"""The next pour, at most a day later, shows whether a gauge is still where it was."""
_HEAT_PATIENCE_S = 2700.0
"""When the mains are back, the heater heats for a while before anybody can tell that it does."""


_by_hand = partial(Row, by_hand=When.ALWAYS)
"""A row of an alarm that a hand in the tank, or at a plug, causes too."""


def _float_row(kind: str, means: str) -> Row:
    return _by_hand(
        f"{{float}}.{kind}",
        MEDIUM,
        means,
        (*_NOT_HEARD, *_CHAMBER_ODD),
        doubts=True,
        patience_s=_SENSOR_PATIENCE_S,
    )


ROWS: tuple[Row, ...] = (
    _by_hand(
        "heater.not-heating",
        HIGH,
        "Heat is missing where it always came: a dead heater, or a dial turned down.",
        (*_NO_FLOW, *_causes("mains.lost")),
        patience_s=_HEAT_PATIENCE_S,
    ),
    Row(
        "heater.stuck-on",
        HIGH,
        "Heat goes on where it always ended: a contact that sticks, or a dial turned up.",
    ),
    _by_hand(
        "heater.too-weak",
        MEDIUM,
        "Only a part of the heat comes, and the water does not rise; or, at low priority, the "
        "heater is on almost without a pause and the water still holds.",
        (*_NO_FLOW, *_causes("mains.lost")),
        also=(LOW,),
    ),
    _by_hand(
        "heater.setting-moved",
        MEDIUM,
        "The heater switches, or holds the water, elsewhere than before: the dial was turned.",
        _NO_FLOW,
    ),
    _by_hand(
        "chiller.not-cooling",
        HIGH,
        "The water has passed the point at which the chiller always came on, and is not cooled.",
        (*_NO_FLOW, *_causes("mains.lost")),
        patience_s=_HEAT_PATIENCE_S,
    ),
    Row("chiller.stuck-on", HIGH, "It cools on where it always went off."),
    Row("room.too-warm", MEDIUM, "The water is too warm without the heater."),
    _by_hand(
        "pump.stopped",
        HIGH,
        "The return chamber has risen at once and stays up, or its probe parts from the tank's.",
        _causes("mains.lost"),
    ),
    Row(
        "pump.resting",
        HIGH,
        "The pump may be resting: a probe in the chamber sees other water than the tank's.",
        is_state=True,
    ),
    _by_hand(
        "mains.lost", HIGH, "Pump and heater have stopped together; the Pi runs on a battery."
    ),
    _by_hand(
        "lamp.not-on",
        LOW,
        "The lamp's heat is missing in its hours.",
        _causes("mains.lost"),
    ),
    _by_hand("lamp.not-off", LOW, "The lamp's heat comes in its dark hours."),
    _by_hand(
        "{probe}.doubtful",
        MEDIUM,
        "This probe is in the air, swapped, drifting, noisy or stuck, and is not believed until it "
        "behaves; high when no probe in the water is left.",
        # While the pump has stopped, the chamber's probe measures other water than the tank's.
        (*_NOT_HEARD, *_causes("pump.stopped", when=When.IN_WATER)),
        also=(HIGH,),
        doubts=True,
    ),
    Row("level.leak", MEDIUM, "More goes than usual; high: a leak.", also=(HIGH,)),
    _by_hand(
        "level.top-up",
        MEDIUM,
        "The water nears the pump's intake; high when it is there.",
        also=(HIGH,),
    ),
    _by_hand(
        "level.too-high",
        MEDIUM,
        "There is more water in the chamber than is safe.",
        _CHAMBER_RISEN,
        patience_s=_SENSOR_PATIENCE_S,
    ),
    Row("top-up.stuck-on", HIGH, "The automatic top-up does not stop."),
    _by_hand(
        "top-up.missing",
        MEDIUM,
        "The automatic top-up adds nothing although the water falls.",
        _causes("reservoir.low", "mains.lost"),
    ),
    _by_hand(
        "reservoir.low",
        MEDIUM,
        "The top-up's reservoir will be empty before somebody is likely to fill it.",
    ),
    _by_hand(
        "level.standstill",
        LOW,
        "No water evaporates: the level may not be seen as it is.",
        _CHAMBER_RISEN,
        patience_s=_STILL_PATIENCE_S,
    ),
    _by_hand(
        "level.disagree",
        MEDIUM,
        "The chamber's sensors contradict each other.",
        _CHAMBER_ODD,
        patience_s=_SENSOR_PATIENCE_S,
    ),
    _by_hand(
        "{gauge}.moved",
        MEDIUM,
        "The gauge has jumped by itself, and the next pour ends as far off where pours end.",
        _CHAMBER_ODD,
        patience_s=_POUR_PATIENCE_S,
    ),
    _float_row("stuck-up", "This float stays closed against what else is known of the water."),
    _float_row("stuck-down", "This float stays open against what else is known of the water."),
    _float_row("chattering", "This float opens and closes where the water can't be at its height."),
    Row(
        "{band}.low",
        None,
        "The value is below its band.",
        (*_NO_HEAT, *_NO_PUMP, *_PUMP_RESTS, *_ONE_IN_DOUBT),
        by_hand=When.OF_WATER,
        latches=When.LATCHING,
    ),
    Row(
        "{band}.high",
        None,
        "The value is above its band.",
        (*_PUMP_RESTS, *_TOO_MUCH_HEAT, *_ONE_IN_DOUBT, *_NO_PUMP),
        by_hand=When.OF_WATER_NOT_WARM,
        latches=When.LATCHING,
    ),
    Row(
        "{band}.rate",
        None,
        "The value changes faster than the settings allow.",
        (*_NO_HEAT, *_PUMP_RESTS, *_TOO_MUCH_HEAT, *_ONE_IN_DOUBT, *_NO_PUMP),
        only=When.RATED,
        by_hand=When.OF_WATER,
        latches=When.LATCHING,
    ),
    Row(
        "{band}.unseen",
        None,
        "No channel that is believed shows this value.",
        # That nobody sees the water is reported by the last of its probes to lose belief.
        _causes(*_DOUBTS),
        by_hand=When.OF_WATER,
    ),
    Row(
        "{state}",
        None,
        "A float or a switch is where the settings say that it is wrong.",
        (
            *_causes(*_DOUBTS),
            # Water that is too high may be the first sign of a pump that rests, and is reported.
            *_causes("pump.stopped", "mains.lost", when=When.RISEN),
        ),
        by_hand=When.IN_CHAMBER,
    ),
    _by_hand(
        "{agreement}.apart",
        MEDIUM,
        "Channels that should read the same do not.",
        (*_NOT_HEARD, *_causes("{channel}.stuck"), *_NO_FLOW, *_causes(*_DOUBTS)),
    ),
    _by_hand(
        "{channel}.silent",
        MEDIUM,
        "Nothing is heard of this channel; low while another one shows the same.",
        _SOURCE,
        also=(LOW,),
    ),
    _by_hand(
        "{channel}.fault",
        MEDIUM,
        "This channel answers with nothing usable; low while another one shows the same.",
        _SOURCE,
        also=(LOW,),
    ),
    _by_hand(
        "{channel}.stuck",
        MEDIUM,
        "This channel repeats one value; low while another one shows the same.",
        (*_SOURCE, *_NOT_HEARD, *_causes(*_DOUBTS)),
        also=(LOW,),
    ),
    _by_hand("source.{source}.down", MEDIUM, "None of this source's channels can be read."),
    Row("sink.{sink}.away", LOW, "This recipient has not been reached for a while."),
    Row("salinity.high", MEDIUM, "The salinity is most likely above its limit."),
    Row("salinity.low", MEDIUM, "The salinity is most likely below its limit."),
    Row("salinity.unsure", LOW, "The salinity may be outside its limits: measure it."),
    Row("ammonia.seen", MEDIUM, "The newest test shows ammonia in a tank with animals."),
    Row("nitrite.seen", MEDIUM, "The newest test shows nitrite in a tank with animals."),
    Row(
        "{observer}.failing",
        MEDIUM,
        "What watches this from the readings has failed and is set aside; all else is watched as "
        "ever.",
    ),
    Row("store.failing", MEDIUM, "Readings can't be kept; watching goes on from memory."),
    Row("store.damaged", MEDIUM, "A part of what was kept was lost, and a new file was begun."),
    Row("clock.stepped", LOW, "The machine's clock has been set."),
    Row("settings.broken", MEDIUM, "The settings can't be used: those that worked last are."),
    Row("daemon.restarting", MEDIUM, "It starts again and again, or the machine.", also=(HIGH,)),
    Row("drill", HIGH, "A test of the way to a person: no alarm."),
    Row(
        "maintenance",
        LOW,
        "Work at the tank: what a hand causes keeps still. At its end people hear what stands.",
        also=(MEDIUM,),
    ),
)

BY_NAME = {row.name: row for row in ROWS}


def priority_of(name: str) -> Priority:
    """Returns the usual priority of the row called `name`. Raises KeyError where there is no
    such row, and where the settings decide."""
    priority = BY_NAME[name].priority
    if priority is None:
        raise KeyError(f"the settings say how urgent {name} is")
    return priority


# -- the table for the keeper --------------------------------------------------------------------

BEGIN, END = "<!-- alarms: written by python -m stillwell.alarm.catalogue -->", "<!-- /alarms -->"
_PLACES = ("daemon/HOW-IT-KNOWS.md", "README.md", "config/alarms.md")
"""The pages to look for; the first that has the marks holds the table."""


def shown(name: str) -> str:
    """Returns a row's name as the table has it: ``BAND.low``."""
    return re.sub(r"\{(\w+)\}", lambda found: found[1].upper(), name)


def _priorities(row: Row) -> str:
    if row.priority is None:
        return "by the settings"
    return ", ".join(str(each) for each in (row.priority, *row.also))


def _under(row: Row) -> str:
    causes = [BY_NAME[cause.name] for cause in row.follows]
    named = [f"`{shown(c.name)}`" for c in causes if not (c.is_state or c.doubts)]
    return ", ".join(named + ["its sensor is not believed"] * any(c.doubts for c in causes))


def table() -> str:
    """Returns the table of alarms, in Markdown."""
    lines = ["| alarm | priority | what it means | keeps still under |", "|---|---|---|---|"]
    for row in ROWS:
        if row.is_state:
            continue
        lines.append(f"| `{shown(row.name)}` | {_priorities(row)} | {row.means} | {_under(row)} |")
    return "\n".join(lines)


def with_table(page: str) -> str:
    """Returns `page` with the table between its marks; ValueError where it has none."""
    before, begin, rest = page.partition(BEGIN)
    _, end, after = rest.partition(END)
    if not (begin and end):
        raise ValueError("the page has no marks for the table of alarms")
    return f"{before}{BEGIN}\n{table()}\n{END}{after}"


def page_with_marks(root: Path) -> Path:
    """Returns the page of the repository at `root` that has the table."""
    return next(p for p in map(root.joinpath, _PLACES) if p.exists() and BEGIN in p.read_text())


def main() -> None:
    """Writes the table into its page in this repository."""
    page = page_with_marks(Path(__file__).parents[3])
    page.write_text(with_table(page.read_text(encoding="utf-8")), encoding="utf-8")
    sys.stdout.write(f"{page}\n")


if __name__ == "__main__":
    main()
