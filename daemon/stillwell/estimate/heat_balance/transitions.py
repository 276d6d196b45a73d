"""How weight goes from state to state: devices switch, faults begin and end, and things go on
around the tank."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

from stillwell.estimate.heat_balance.hypotheses import (
    ANYWHERE,
    APART,
    BALANCE,
    BEGINS,
    BY_NIGHT,
    CEASES,
    FIRST,
    FORGETS,
    HELD,
    JOINS,
    LIKELY,
    RELATIVE,
    SURE,
    Around,
    Cause,
    Chain,
)
from stillwell.estimate.heat_balance.kalman import (
    ANEW_H,
    FAILS_H,
    Filter,
    Pair,
    calmed,
    moved_pair,
    settles,
    switches,
    unbalanced,
)
from stillwell.estimate.heat_balance.law import Law

BACK = {True: 2.5, False: 5.0}
"""K: as near to the learned temperature the surroundings are taken to be calm again."""
NEVER_BACK = {True: 0.02, False: 0.1}
"""For so much of `CEASES` they are calm up to three times as far: a lid was left off."""
LEAST = 1e-6
"""A state of less weight has no filter of its own: it follows the leader, and is weighed once what
comes to it by its rate has made it likelier."""

Flows = dict[int, list[tuple[float, Filter, bool]]]
"""To which filter, as a place in the list, how much weight comes from which other, and whether from
another level of the devices."""


@dataclass(slots=True)
class Belief:
    """What is weighed: all that is to be kept for the next run. Lists are by surrounding and in it
    by state or by level; the last filter is of a probe apart."""

    weight: list[float]
    filters: list[Filter | None]
    surprised: bool = False
    rough: float = 1.0
    """By so much more than by its error, as a variance, a value differs from the leading model."""
    waiting_h: float = 0.0
    """Since rates were last let come, h."""
    visits: list[float] = field(default_factory=lambda: [0.0, 0.0])
    """How often sun and cold air have come to this tank."""
    watched_h: list[float] = field(default_factory=lambda: [0.0, 0.0])
    """In so many hours in which they could."""

    def rate(self, around: Around) -> float:
        """Returns how often sun or cold air begins on this tank, 1/h."""
        i = around - 1
        return (FIRST + self.visits[i]) / (FIRST / BEGINS[around] + self.watched_h[i])


class Transitions:
    """Of one chain of states. `place` says which filter a state in a surrounding has.

    Args:
        spreads: K, of where water would settle, and of where control holds it.
    """

    def __init__(self, chain: Chain, spreads: tuple[float, float]) -> None:
        n, levels = len(chain.states), chain.levels
        self._n, self._l = n, len(levels)
        self.apart = 3 * self._l
        spot = {level: i for i, level in enumerate(levels)}
        self.place = [a * self._l + spot[s.level] for a in range(3) for s in chain.states]
        self.place += [self.apart] * n
        self.steered = [level in HELD for level in levels] * 3 + [False]
        """By filter: whether it is of water that control holds."""
        self.spreads = spreads
        self._switching = [(i, chain.switched[i]) for i in range(n) if chain.switched[i]]
        self._well = [i for i, s in enumerate(chain.states) if s.cause is Cause.HEALTHY]
        self._rated = [(i, chain.fixed[i]) for i in range(n) if chain.fixed[i]]

    def handed(self, at: Filter, target: int) -> Filter:
        """Returns a filter as one of the other kind takes it over: where control holds the water
        tells nothing of where that would settle, nor the other way round."""
        wide = self.spreads[self.steered[target]]
        return Filter(at.water, 0.0, at.tt, 0.0, wide * wide, at.low, at.high)

    def masses(self, belief: Belief) -> list[float]:
        """Returns the weight of each filter."""
        masses = [0.0] * (self.apart + 1)
        for place, weight in zip(self.place, belief.weight, strict=True):
            masses[place] += weight
        return masses

    def switch(
        self,
        belief: Belief,
        hours: float,
        law: Law,
        rest: float,
        points: Sequence[Pair],
        flows: Flows,
        stays: list[float],
    ) -> None:
        """Lets devices switch. Notes in `flows`, by filter, how much weight comes from which other,
        and takes it from `stays`."""
        weight, filters, place = belief.weight, belief.filters, self.place
        known: dict[tuple[int, int, bool], float] = {}
        blind = 1.0 - math.exp(-0.7 * hours)
        moves = []
        for base in range(0, 4 * self._n, self._n):
            for i, ways in self._switching:
                k = base + i
                left = weight[k]
                source = place[k]
                at = filters[source]
                if left < LEAST or at is None:
                    continue
                for j, pair, falls in ways:
                    if source == self.apart:
                        chance = blind
                    else:
                        key = (source, pair, falls)
                        if key not in known and pair == BALANCE:
                            wide = self.spreads[0]
                            known[key] = unbalanced(at.water - rest, wide, law, falls, hours)
                        elif key not in known and pair == ANYWHERE:
                            known[key] = settles(at, falls)
                        elif key not in known:
                            of = moved_pair(at, points[0]) if pair == RELATIVE else points[pair]
                            held = self.steered[source] or self.steered[place[base + j]]
                            tries = hours / (FAILS_H if held else ANEW_H)
                            known[key] = switches(at, of, falls, tries)
                        chance = known[key]
                    if chance == 0.0:
                        continue
                    part = left * chance
                    left -= part
                    moves.append((base + j, part))
                    to = place[base + j]
                    if to != source:
                        stays[source] -= part
                        same = self.steered[source] is self.steered[to]
                        gone = at if same else self.handed(at, to)
                        flows.setdefault(to, []).append((part, gone, True))
                weight[k] = left
        for k, part in moves:
            weight[k] += part

    def come(
        self,
        belief: Belief,
        hours: float,
        seen: bool,
        sunny: bool,
        flows: Flows,
        stays: list[float],
    ) -> None:
        """Lets come what comes at its rate: faults, their ends, and what goes on around."""
        n = self._n
        old, place, filters = belief.weight, self.place, belief.filters
        new = old[:]
        self._count(belief, hours, sunny)
        warmed = belief.rate(Around.WARMED) * (1.0 if sunny else BY_NIGHT)
        begins = [
            (b, 1.0 - math.exp(-rate * hours))
            for b, rate in ((1, warmed), (2, belief.rate(Around.CHILLED)), (3, APART))
        ]
        calms = 1.0 - math.exp(-CEASES * hours)
        back = BACK[seen]
        # What comes may have come before a device switched: the weights of before are as good.
        moves: list[tuple[int, int, float, Filter | None]] = []
        for base in range(0, 4 * n, n):
            for i, ways in self._rated:
                weight, at = old[base + i], filters[place[base + i]]
                if weight >= LEAST:
                    moves += [(base + i, base + j, weight * rate * hours, at) for j, rate in ways]
        for a in range(4):
            for i in range(n):
                k = a * n + i
                weight, at = old[k], filters[place[k]]
                if weight < LEAST or at is None:
                    continue
                if a == 0:
                    moves += [(k, b * n + i, weight * rate, at) for b, rate in begins]
                elif a == 3:
                    moves.append((k, i, weight * (1.0 - math.exp(-JOINS * hours)), at))
                else:
                    for much, spread in ((1.0, back), (NEVER_BACK[seen], 3 * back)):
                        chance, calm = calmed(at, spread)
                        moves.append((k, i, weight * calms * much * chance, calm))
                    moves.append((k, 3 * n + i, weight * begins[2][1], at))
        for k, to, part, at in moves:
            new[k] -= part
            new[to] += part
            source, target = place[k], place[to]
            if source != target and at is not None:
                stays[source] -= part
                begun = source % self._l != target % self._l
                same = self.steered[source] is self.steered[target]
                gone = at if same else self.handed(at, target)
                flows.setdefault(target, []).append((part, gone, begun))
        belief.weight = new

    def _count(self, belief: Belief, hours: float, sunny: bool) -> None:
        """Learns how often sun and cold air come, while the devices are well."""
        well = [[belief.weight[a * self._n + i] for i in self._well] for a in range(3)]
        if sum(map(sum, well)) < SURE:
            return
        keeps = math.exp(-FORGETS * hours)
        for i, could in enumerate((sunny, True)):
            here = sum(well[i + 1])
            # What is less likely is the echo of its rate.
            came = hours * CEASES * here if here > LIKELY and could else 0.0
            belief.visits[i] = belief.visits[i] * keeps + came
            belief.watched_h[i] = belief.watched_h[i] * keeps + hours * could
