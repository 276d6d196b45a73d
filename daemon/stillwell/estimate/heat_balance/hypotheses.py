"""What may be so with the devices that act on a tank's heat: the states, and how often each comes.

A state is a cause with what the devices give at the moment, in one of four surroundings. All rates
are per hour.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from enum import IntEnum, StrEnum

from stillwell.estimate.heat_balance.devices import Devices
from stillwell.estimate.heat_balance.law import Law

YEAR_H = 8766.0
LIKELY, SURE = 0.5, 0.9
"""The probabilities above which something is taken to be likelier than not, and to be so: the law
and the points are learned in health, and what is known to be so is no longer a question."""
MOSTLY_APART = 0.3
"""The probability of a probe apart above which nothing is learned by it, nor the lamp judged. An
assumption."""


class Cause(StrEnum):
    """What is so with the devices."""

    HEALTHY = "healthy"
    DEAD = "dead"
    """The heater gives nothing."""
    FAINT = "faint"
    """It gives a third of its heat."""
    WEAK = "weak"
    """It gives two thirds of its heat."""
    STUCK = "stuck"
    """It heats whatever the water."""
    MOVED_DOWN = "moved-down"
    """It waits for colder water than ever, because its dial was moved."""
    MOVED_UP = "moved-up"
    MOVED = "moved"
    """It switches, at other points than before."""
    CHILLER_DEAD = "chiller-dead"
    CHILLER_STUCK = "chiller-stuck"


class Level(IntEnum):
    """What the devices give."""

    COOL = 0
    OFF = 1
    FAINT = 2
    WEAK = 3
    FIRST = 4
    """The first of several heaters."""
    ON = 5
    HOLD = 6
    """What the water needs to stay at the setting."""
    STILL = 7
    """What the water needs to stay where it is."""
    BOTH = 8
    """Heater and chiller against each other: one of them is stuck."""


class Around(IntEnum):
    """What goes on around the tank."""

    CALM = 0
    WARMED = 1
    """Sun on a pane, a hot lamp: the temperature at which the water would settle has moved up
    faster than rooms do."""
    CHILLED = 2
    """A fan, a window, a draft: down."""
    APART = 3
    """The probe is not in the tank's water, or the water stands."""


RATE = {
    Cause.DEAD: 0.5 / YEAR_H,
    Cause.FAINT: 0.1 / YEAR_H,
    Cause.WEAK: 0.2 / YEAR_H,
    Cause.STUCK: 0.3 / YEAR_H,
    Cause.MOVED_DOWN: 0.5 / YEAR_H,
    Cause.MOVED_UP: 0.5 / YEAR_H,
    Cause.CHILLER_DEAD: 0.5 / YEAR_H,
    Cause.CHILLER_STUCK: 0.2 / YEAR_H,
}
"""How often each begins on a tank that is well. Common practice has a heater live two years; the
rest are assumptions of that order."""
STUCK_WHILE_OFF = 0.1
"""A contact welds while it closes: so much of the rate of `STUCK` while the heater is off."""
MENDED = 1 / 72
"""A fault is over after three days: whoever was told sees to it. An assumption."""
ANYWHERE = 7
"""Stands for a pair of points: a device with a moved dial comes to its new point while the water
moves, anywhere within some kelvin."""
BALANCE = 8
"""Stands for a pair of points: what holds the water with no heat at all, or with more than there
is, holds nothing."""
OTHERS = 2
"""The pair of points of the others of several heaters."""
RELATIVE = 4
"""The pair of points of a device with a moved dial: as far from where it last switched as its
points were apart."""
BEGINS = {Around.WARMED: 1 / 24, Around.CHILLED: 1 / 72}
"""By day sun comes every other day, cold air every third, as long as a tank is new. Assumptions."""
FIRST = 0.1
"""So many visits of sun or cold air the first assumption counts for: tanks differ much, and most
see none (the shape of a gamma distribution of their rates). An assumption."""
FORGETS = 1 / 720
"""1/h: seasons change how often they come, within a month."""
BY_NIGHT = 0.05
"""Of the rate of `Around.WARMED`: lamps and cookers are left, the sun is not."""
SUN = (6.0, 20.0)
"""Local hours between which the sun may shine."""
CEASES = 1 / 1.5
"""They last an hour and a half. An assumption."""
APART, JOINS = 1 / 96, 1 / 1.0
"""A probe leaves the tank's water, or a pump rests, every four days, for an hour. An assumption."""
SHARE = {Level.FAINT: 0.33, Level.WEAK: 0.67}
"""Of the heater's lift."""

SECOND = 1.3
"""Of the lift of the one that switches, several heaters together have at least so much."""
HELD = frozenset({Level.HOLD, Level.STILL})
"""With these the devices give what the water needs, whatever that is."""


COLD = (Cause.DEAD, Cause.FAINT, Cause.WEAK, Cause.MOVED_DOWN)
"""With these heat is missing."""
HEATERS = (*COLD, Cause.MOVED)
"""Faults of heaters with which the water falls to the chiller's business."""


@dataclass(frozen=True, slots=True)
class Switch:
    """One change between neighbours of the ladder of levels."""

    low: Level
    high: Level
    points: int
    """Which pair of points it has: 0 the heater's, 1 the chiller's, 2 and 3 where proportional
    control gives nothing and all it has; 2 that of the others of several heaters."""


@dataclass(frozen=True, slots=True)
class State:
    cause: Cause
    level: Level


@dataclass(frozen=True, slots=True)
class Chain:
    """The states of one tank and how they follow on each other in one surrounding."""

    states: tuple[State, ...]
    fixed: tuple[tuple[tuple[int, float], ...], ...]
    """By state: to which others it goes at which rate."""
    switched: tuple[tuple[tuple[int, int, bool], ...], ...]
    """By state: to which others it goes by the water's temperature, by which pair of points, and
    whether as the water falls."""
    levels: tuple[Level, ...]


def chain(devices: Devices, proportional: bool) -> Chain:
    """Returns the states that this tank can be in."""
    ladder = _ladder(devices, proportional)
    found: dict[State, int] = {}
    fixed: dict[State, list[tuple[State, float]]] = {}
    switched: dict[State, list[tuple[State, int, bool]]] = {}

    def add(state: State) -> State:
        if state not in found:
            found[state] = len(found)
            fixed[state], switched[state] = [], []
        return state

    def tie(cause: Cause, low: Level, high: Level, points: int) -> None:
        one, other = add(State(cause, low)), add(State(cause, high))
        switched[one].append((other, points, True))
        switched[other].append((one, points, False))

    for level in (Level.OFF, *(s.low for s in ladder), *(s.high for s in ladder)):
        add(State(Cause.HEALTHY, level))
    for switch in ladder:
        tie(Cause.HEALTHY, switch.low, switch.high, switch.points)
    healthy = tuple(found)
    if devices.heater is not None:
        _heater_faults(ladder, healthy, add, tie, fixed, switched, proportional)
    if devices.chiller:
        _chiller_faults(ladder, healthy, add, tie, fixed)
    states = tuple(found)
    return Chain(
        states,
        tuple(tuple((found[to], rate) for to, rate in fixed[s]) for s in states),
        tuple(tuple((found[to], p, falls) for to, p, falls in switched[s]) for s in states),
        tuple(dict.fromkeys(s.level for s in states)),
    )


def _chiller_faults(
    ladder: Sequence[Switch],
    healthy: Sequence[State],
    add: Callable[[State], State],
    tie: Callable[[Cause, Level, Level, int], None],
    fixed: Mapping[State, list[tuple[State, float]]],
) -> None:
    """Adds the chiller's faults. The heater goes on meanwhile, and where the heater is at fault,
    the chiller does."""
    for cause in HEATERS:
        if State(cause, Level.OFF) in fixed:
            tie(cause, Level.COOL, Level.OFF, 1)
    for level in (Level.ON, Level.FIRST):
        if State(Cause.STUCK, level) in fixed:
            tie(Cause.STUCK, Level.BOTH, level, 1)
    dead, stuck = State(Cause.CHILLER_DEAD, Level.OFF), State(Cause.CHILLER_STUCK, Level.COOL)
    add(dead)
    add(stuck)
    for switch in ladder:
        if switch.low is not Level.COOL:
            tie(Cause.CHILLER_DEAD, switch.low, switch.high, switch.points)
    if any(switch.points == 0 for switch in ladder):
        tie(Cause.CHILLER_STUCK, Level.COOL, Level.BOTH, 0)
    for state in healthy:
        to = dead if state.level is Level.COOL else State(Cause.CHILLER_DEAD, state.level)
        fixed[state].append((to, RATE[Cause.CHILLER_DEAD]))
        much = 1.0 if state.level is Level.COOL else STUCK_WHILE_OFF
        fixed[state].append((stuck, much * RATE[Cause.CHILLER_STUCK]))
        if state.level is not Level.COOL:
            fixed[to].append((state, MENDED))
    fixed[dead].append((State(Cause.HEALTHY, Level.COOL), MENDED))
    fixed[stuck] += [(State(Cause.HEALTHY, x), MENDED / 2) for x in (Level.COOL, Level.OFF)]


def _ladder(devices: Devices, proportional: bool) -> list[Switch]:
    out: list[Switch] = []
    if devices.chiller:
        out.append(Switch(Level.COOL, Level.OFF, 1))
    if devices.heater is None:
        return out
    if proportional:
        out += [Switch(Level.OFF, Level.HOLD, 2), Switch(Level.HOLD, Level.ON, 3)]
    elif devices.several:
        out += [Switch(Level.OFF, Level.FIRST, 0), Switch(Level.FIRST, Level.ON, OTHERS)]
    else:
        out.append(Switch(Level.OFF, Level.ON, 0))
    return out


def _heater_faults(
    ladder: Sequence[Switch],
    healthy: Sequence[State],
    add: Callable[[State], State],
    tie: Callable[[Cause, Level, Level, int], None],
    fixed: Mapping[State, list[tuple[State, float]]],
    switched: Mapping[State, list[tuple[State, int, bool]]],
    proportional: bool,
) -> None:
    dead, stuck = add(State(Cause.DEAD, Level.OFF)), add(State(Cause.STUCK, Level.ON))
    several = any(switch.low is Level.FIRST for switch in ladder)
    if several:
        # The first one's contact has welded, and the others go on.
        stuck = State(Cause.STUCK, Level.FIRST)
        tie(Cause.STUCK, Level.FIRST, Level.ON, OTHERS)
    down, up = add(State(Cause.MOVED_DOWN, Level.OFF)), add(State(Cause.MOVED_UP, Level.ON))
    for state in healthy:
        warm = state.level not in (Level.OFF, Level.COOL)
        fixed[state].append((dead, RATE[Cause.DEAD]))
        fixed[state].append((stuck, RATE[Cause.STUCK] * (1.0 if warm else STUCK_WHILE_OFF)))
        fixed[state].append((down, RATE[Cause.MOVED_DOWN]))
        fixed[state].append((up, RATE[Cause.MOVED_UP]))
    for cause, level in ((Cause.FAINT, Level.FAINT), (Cause.WEAK, Level.WEAK)):
        if proportional:
            # A heater that is weak and holds the water is well.
            weak = add(State(cause, level))
            switched[weak].append((State(Cause.HEALTHY, Level.HOLD), 0, False))
        else:
            # Of several, where one gives nothing the others come in at their own points.
            tie(cause, Level.OFF, level, OTHERS if several and cause is Cause.WEAK else 0)
        for state in healthy:
            warm = state.level not in (Level.OFF, Level.COOL)
            to = State(cause, level if warm or proportional else Level.OFF)
            fixed[state].append((to, RATE[cause]))
        for one, other in ((level, Level.ON), (Level.OFF, Level.OFF)):
            if State(cause, one) in fixed:
                fixed[State(cause, one)].append((State(Cause.HEALTHY, other), MENDED))
        # What fails may fail altogether.
        fixed[State(cause, level)].append((dead, RATE[Cause.DEAD]))
    fixed[State(Cause.STUCK, Level.ON)].append((State(Cause.HEALTHY, Level.ON), MENDED))
    for fault in (dead, stuck, down, up):
        for level in (Level.ON, Level.OFF):
            fixed[fault].append((State(Cause.HEALTHY, level), MENDED / 2))
    if proportional:
        still = add(State(Cause.MOVED, Level.STILL))
        switched[down].append((still, ANYWHERE, True))
        switched[up].append((still, ANYWHERE, False))
        switched[still] += [(down, BALANCE, True), (up, BALANCE, False)]
        moved: tuple[State, ...] = (still,)
    else:
        off, on = add(State(Cause.MOVED, Level.OFF)), add(State(Cause.MOVED, Level.ON))
        switched[down].append((on, ANYWHERE, True))
        switched[up].append((off, ANYWHERE, False))
        tie(Cause.MOVED, Level.OFF, Level.ON, RELATIVE)
        moved = (off, on)
    for state in moved:
        fixed[state].append((dead, RATE[Cause.DEAD]))
        if state.level is not Level.OFF:
            fixed[state].append((stuck, RATE[Cause.STUCK]))
        home = state.level if state.level is not Level.STILL else Level.HOLD
        fixed[state].append((State(Cause.HEALTHY, home), MENDED))


def lifts(levels: Sequence[Level], law: Law, together: float | None) -> list[float | None]:
    """Returns by how much each level lifts where the water settles, K; None where it holds the
    water.

    Args:
        levels: of the chain.
        law: of the tank.
        together: see `Devices.together`.
    """
    gives = {Level.OFF: 0.0, Level.ON: law.heater, Level.COOL: -law.chiller}
    for level, share in SHARE.items():
        gives[level] = share * law.heater
    if together is not None:
        gives[Level.FIRST] = law.heater
        gives[Level.ON] = max(together, SECOND * law.heater)
        gives[Level.WEAK] = gives[Level.ON] - law.heater
    gives[Level.BOTH] = gives.get(Level.FIRST, law.heater) - law.chiller
    return [None if level in HELD else gives[level] / law.loss for level in levels]
