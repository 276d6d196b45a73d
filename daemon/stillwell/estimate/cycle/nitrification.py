"""Nitrification in a new tank: a two-step Monod model of the bacteria that oxidise ammonia and
those that oxidise nitrite.

Dead matter gives off ammonia. Each guild of bacteria oxidises what it lives on at a rate that
saturates (Monod), and grows by it. A guild is described by the most that it can oxidise in a day,
``v``, in mg N a litre, because biomass and yield only ever appear together in it.

    dO/dt = -k O                         dA/dt = k O - v_a A/(K_a + A)
    dN/dt = v_a A/(K_a + A) - v_n N/(K_n + N)
    dv/dt = v (mu S/(K + S) - b)         for both, each with its own S

Structure and orders of magnitude: ASM1 (Henze et al. 1987, 2000, IWA Scientific and Technical
Report 9), Wiesmann 1994; see `prior` for the figures. There is no standard value for a tank: the
ranges are wide and the tests narrow them.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import exp, log, sqrt
from typing import NamedTuple

DECAY_PER_D = 0.05
"""The decay of the bacteria (ASM1's range for autotrophs is 0.05 to 0.15 a day at 20 degC; from
memory)."""
STEP_D = 0.25
"""The longest step: it gives the day of the end within 0.3 d of the exact solution."""
_MOST_MG = 1e3


class Kinetics(NamedTuple):
    """Parameters of one tank."""

    total_n: float
    """All the nitrogen that decaying matter gives off, mg N/L."""
    release: float
    """The rate at which it is given off, 1/d."""
    rate_a: float
    """The most that the ammonia oxidisers can oxidise at the start, mg N/(L d)."""
    growth_a: float
    """1/d"""
    half_a: float
    """mg N/L"""
    rate_n: float
    growth_n: float
    half_n: float


class Prior(NamedTuple):
    """A log-normal distribution: median and standard deviation of the logarithm."""

    median: float
    log_sd: float


class State(NamedTuple):
    """The water at one time, mg N/L, and what the guilds can oxidise in a day."""

    t_d: float
    organic: float
    ammonia: float
    nitrite: float
    rate_a: float
    rate_n: float


class Happening(NamedTuple):
    """Something that the keeper did."""

    t_d: float
    added_n: float = 0.0
    """Ammonia dosed, mg N/L."""
    diluted: float = 0.0
    """Share of the water changed."""


def prior(seeded: bool) -> tuple[Prior, ...]:
    """Returns what is known before the first test, in the order of `Kinetics`.

    Published growth is for 20 degC and sludge: 0.297 and 0.337 a day in two-step sets, 0.77 and
    1.08 in Wiesmann 1994, 0.8 in ASM1 (both from memory); 25 degC would make it 1.6 and 1.35 times
    as fast (68 and 44 kJ/mol: Vannecke & Volcke, Biotechnol. Bioeng. 2015, supplement). Marine
    strains grow by 0.25 to 0.5 a day, nitrite oxidisers by up to 1.0. The medians lie among all of
    these and nothing is converted: the spread is wider than the five degrees. Half saturation, at
    20 degC too: 0.5 to 2.4 mg N/L of ammonia, 0.5 of nitrite (ASM1 and CWM1: 1.0 and 0.5).

    There is no source for how much decays and what the guilds can oxidise at first. These are set
    so that the unseeded tank takes three weeks to two months and the seeded one about eight days
    (common practice), so those times are no check of the model. FAO's glossary (system cycling;
    Technical Paper 589, 2014, the number from memory) has one to six weeks, and seawater takes
    longer than fresh water and accumulates nitrite (Nijhof & Bovendeur, Aquaculture 87 (1990) 133,
    abstract).
    """
    at_first = (Prior(1.0, 0.9), Prior(0.8, 0.9)) if seeded else (Prior(0.006, 1.0),) * 2
    return (
        Prior(2.5, 0.6),
        Prior(0.35, 0.5),
        at_first[0],
        Prior(0.5, 0.3),
        Prior(0.8, 0.5),
        at_first[1],
        Prior(0.55, 0.3),
        Prior(0.5, 0.5),
    )


def start(kinetics: Kinetics) -> State:
    """Returns the tank on its first day."""
    return State(0.0, kinetics.total_n, 0.0, 0.0, kinetics.rate_a, kinetics.rate_n)


def stepped(state: State, kinetics: Kinetics, days: float, steps: int = 1) -> State:
    """Returns the state after `steps` steps of `days` each; a step of at most `STEP_D` has the
    accuracy that is stated there.

    Substrates are solved by backward Euler, exactly (a quadratic), so that none is ever below zero
    however long the step; then the guilds grow by what is left. It is written out in one piece
    because a fit takes millions of steps.
    """
    t, organic, ammonia, nitrite, rate_a, rate_n = state
    _, release, _, growth_a, half_a, _, growth_n, half_n = kinetics
    keeps, starves = exp(-release * days), -DECAY_PER_D * days
    growth_a, growth_n = growth_a * days, growth_n * days
    for _ in range(steps):
        # left + most left / (half + left) = had, with the form of the root that loses no digits
        had = ammonia + organic * (1.0 - keeps)
        organic *= keeps
        b = half_a + rate_a * days - had
        root = sqrt(b * b + 4.0 * had * half_a)
        ammonia = 2.0 * had * half_a / (root + b) if b > 0 else (root - b) / 2.0
        had = nitrite + had - ammonia
        b = half_n + rate_n * days - had
        root = sqrt(b * b + 4.0 * had * half_n)
        nitrite = 2.0 * had * half_n / (root + b) if b > 0 else (root - b) / 2.0
        rate_a *= exp(growth_a * ammonia / (half_a + ammonia) + starves)
        rate_n *= exp(growth_n * nitrite / (half_n + nitrite) + starves)
        if rate_a > _MOST_MG:
            rate_a = _MOST_MG
        if rate_n > _MOST_MG:
            rate_n = _MOST_MG
        t += days
    return State(t, organic, ammonia, nitrite, rate_a, rate_n)


def reached(
    state: State, kinetics: Kinetics, until_d: float, happenings: Sequence[Happening] = ()
) -> State:
    """Returns the state at `until_d`, with what the keeper did on the way.

    Args:
        state: where to begin.
        kinetics: those of the tank.
        until_d: the day at which to stop.
        happenings: in order; those at or before the state's time are past.
    """
    waiting = [h for h in happenings if state.t_d < h.t_d <= until_d]
    for happening in [*waiting, None]:
        stop = until_d if happening is None else happening.t_d
        left = stop - state.t_d
        if left > 1e-9:
            steps = int(left / STEP_D + 1e-9)
            state = stepped(state, kinetics, STEP_D, steps)
            if stop - state.t_d > 1e-9:
                state = stepped(state, kinetics, stop - state.t_d)
        if happening is not None:
            keeps = 1.0 - happening.diluted
            state = state._replace(
                t_d=stop,
                ammonia=state.ammonia * keeps + happening.added_n,
                nitrite=state.nitrite * keeps,
            )
    return state


def end_d(
    state: State,
    kinetics: Kinetics,
    ammonia_below: float,
    nitrite_below: float,
    horizon_d: float,
) -> float:
    """Returns the day from which on both stay below what a kit sees, or `horizon_d`.

    It is the last day on which either was above, and the state's own day when both are below
    already.
    """
    last = state.t_d
    before = state
    while state.t_d < horizon_d:
        above = state.ammonia >= ammonia_below or state.nitrite >= nitrite_below
        if above:
            last = state.t_d
        elif (
            # Nothing is left that could bring either back.
            state.organic + state.ammonia < ammonia_below
            and state.organic + state.ammonia + state.nitrite < nitrite_below
        ):
            break
        before, state = state, stepped(state, kinetics, STEP_D)
        still = state.ammonia >= ammonia_below or state.nitrite >= nitrite_below
        if above and not still:
            last = _crossing(before, state, ammonia_below, nitrite_below)
    return min(last, horizon_d)


def _crossing(before: State, after: State, ammonia_below: float, nitrite_below: float) -> float:
    """Returns when the later of the two fell below, on a logarithmic line between two steps."""
    share = 0.0
    for b, a, limit in (
        (before.ammonia, after.ammonia, ammonia_below),
        (before.nitrite, after.nitrite, nitrite_below),
    ):
        if b >= limit > a > 0:
            share = max(share, log(b / limit) / log(b / a))
    return before.t_d + share * (after.t_d - before.t_d)
