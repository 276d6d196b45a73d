"""Interacting multiple models of a tank's heat.

One Kalman filter of [water, wander] a level of the devices and surrounding: what the devices give
is known in each, and so is how fast the temperature at which the water would settle may wander.
Causes that give the same heat share a filter; their weights differ by when they may switch.
Blom & Bar-Shalom, IEEE Trans. Automatic Control 33 (1988) 780; Bar-Shalom, Li & Kirubarajan,
Estimation with Applications to Tracking and Navigation (2001), 11.6.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from stillwell.estimate.heat_balance.hypotheses import (
    APART,
    BEGINS,
    BY_NIGHT,
    CEASES,
    JOINS,
    SHARE,
    Around,
    Cause,
    Chain,
    Level,
)
from stillwell.estimate.heat_balance.kalman import Filter, Point, merged, switches
from stillwell.estimate.heat_balance.law import Law

SPEED = {True: 0.5, False: 0.9}
"""K in the root of an hour: how fast the resting temperature wanders, with the room seen and not
seen. A room's own speed, from simulated rooms and from memory of logged ones."""
RETURNS = {True: 1 / 8, False: 1 / 24}
"""1/h: how fast it comes back to what was learned."""
ASTRAY = {Around.WARMED: (10.0, 8.0), Around.CHILLED: (-4.0, 3.0)}
"""K: by how much sun lifts the temperature at which a small tank would settle, and how much that
differs; and by how much moving air lowers it: no lower than the wet bulb, 4 to 8 K below the room
(from memory of psychrometric charts)."""
ASTRAY_UNSEEN = {Around.WARMED: (10.0, 8.0), Around.CHILLED: (-5.0, 5.0)}
"""As `ASTRAY`, where the room itself may turn cold unseen."""
ASTRAY_DARK = (2.0, 2.0)
"""K: by how much a lamp or a cooker warms what the sun does not."""
STRAYS = 1.5
"""1/h: how fast it gets there: clouds, hands on windows."""
BACK = {True: 2.5, False: 5.0}
"""K: as near to the learned temperature the surroundings are taken to be calm again."""
NEVER_BACK = {True: 0.02, False: 0.1}
"""For so much of `CEASES` they are taken to be calm at any temperature: a lid was left off."""
APART_SPEED = 1.5
"""K in the root of an hour: of a small chamber with the heater in it, or of water that stands."""
STIR = 0.04
"""K in the root of an hour: what mixing, hands and lags do to the water's temperature."""
HELD = {Level.HOLD: 0.3, Level.RETURN: 2.0, Level.STILL: 0.0}
"""1/h: how fast control brings the water to its setting: near it, far from it, anywhere.
Assumptions."""
FAR = 0.02
"""Part of the readings that are off for no reason of the model's."""
FAR_K = 0.3
"""K: by so much."""
LEAST = 1e-6
"""A state of less weight has no filter of its own: it follows the leader, and is weighed once what
comes to it by its rate has made it likelier."""
FLOOR = 1e-12
PARTED = 0.9
"""The probability that what no model predicted is no longer the tank's water. An assumption."""
ROUGH = 1 / 12
"""1/h: how fast it is learned by how much the water is rougher than its models."""
JUMP = 6.0
"""Standard errors: what no model predicted, twice, is water that was poured."""

CARRIED = (Around.CALM, Around.WARMED, Around.CHILLED)


class Mixture:
    """Weights and filters. Mutable; owned by one tank."""

    def __init__(self, chain: Chain, water: float, room_seen: bool, wander: float = 0.0) -> None:
        self.chain = chain
        self.room_seen = room_seen
        n = len(chain.states)
        self.weight = [[0.0] * n for _ in Around]
        start = [i for i, s in enumerate(chain.states) if s.cause is Cause.HEALTHY]
        for i in start:
            self.weight[0][i] = 1.0 / len(start)
        wide = 2.0 if room_seen else 4.0
        self.filters: dict[tuple[Level, int], Filter] = {
            (level, a): Filter(water, wander, 0.01, 0.0, wide * wide)
            for level in chain.levels
            for a in CARRIED
        }
        self.apart = Filter(water, wander, 0.01, 0.0, wide * wide)
        self.surprised = False
        self.sunny = True
        self.rough_now, self.rough = 0.5, 1.0
        self.level_of = [s.level for s in chain.states]
        self.logl = 0.0

    # -- one step --------------------------------------------------------------------------------

    def step(
        self,
        hours: float,
        value: float | None,
        error: float,
        law: Law,
        rest: float,
        points: Sequence[tuple[Point, Point]],
    ) -> None:
        """Passes time and weighs one value.

        Args:
            hours: since the last step.
            value: the water, °C; None where nothing says anything about it.
            error: of the value, K.
            rest: where the water would settle by the law, with the room and lamp of now, °C.
            points: by pair, where the device's heat begins as the water falls, and where it ends as
                the water rises.
        """
        flows = self._spread(hours, points)
        self._blend(flows)
        likelihood = self._predict(hours, value, error, law, rest, points)
        if value is not None:
            self._weigh(likelihood)

    def _spread(
        self, hours: float, points: Sequence[tuple[Point, Point]]
    ) -> dict[tuple[Level, int], dict[tuple[Level, int], float]]:
        """Lets weights follow the chain. Returns how much weight came to each filter from which."""
        chain, levels = self.chain, self.level_of
        flows: dict[tuple[Level, int], dict[tuple[Level, int], float]] = {}
        new = [[FLOOR] * len(levels) for _ in Around]
        warmed = BEGINS[CARRIED[1]] * (1.0 if self.sunny else BY_NIGHT)
        begins = [
            (b, 1.0 - math.exp(-rate * hours))
            for b, rate in ((1, warmed), (2, BEGINS[CARRIED[2]]), (3, APART))
        ]
        lead = self.leader_key
        joins = ((0, 1.0 - math.exp(-JOINS * hours)),)
        for a in Around:
            weights, fresh = self.weight[a], new[a]
            for i, weight in enumerate(weights):
                level = levels[i]
                source = (level, int(a))
                if weight < LEAST or (a < 3 and source not in self.filters):
                    fresh[i] += weight
                    if weight >= LEAST:
                        into = flows.setdefault(source, {})
                        into[lead] = into.get(lead, 0.0) + weight
                    continue
                left = weight
                for j, rate in chain.fixed[i]:
                    part = weight * rate * hours
                    left -= part
                    fresh[j] += part
                    into = flows.setdefault((levels[j], a), {})
                    into[source] = into.get(source, 0.0) + part
                for j, pair, falls in chain.switched[i]:
                    part = left * (
                        hours * 0.7
                        if a == 3
                        else switches(self.filters[source], points, pair, falls, hours)
                    )
                    left -= part
                    fresh[j] += part
                    into = flows.setdefault((levels[j], a), {})
                    into[source] = into.get(source, 0.0) + part
                if a == 0:
                    ways: Sequence[tuple[int, float]] = begins
                elif a == 3:
                    ways = joins
                else:
                    w = self.filters[source].w
                    near = NEVER_BACK[self.room_seen] + math.exp(
                        -0.5 * (w / BACK[self.room_seen]) ** 2
                    )
                    ways = ((0, 1.0 - math.exp(-CEASES * near * hours)), begins[2])
                for b, rate in ways:
                    part = left * rate
                    new[b][i] += part
                    into = flows.setdefault((level, b), {})
                    into[source] = into.get(source, 0.0) + part
                    left -= part
                fresh[i] += left
                into = flows.setdefault(source, {})
                into[source] = into.get(source, 0.0) + left
        self.weight = new
        return flows

    def _blend(self, flows: Mapping[tuple[Level, int], Mapping[tuple[Level, int], float]]) -> None:
        """Each filter becomes the blend of those from which its weight came; one to which none came
        follows the leader."""
        fresh: dict[tuple[Level, int], Filter] = {}
        apart: dict[tuple[Level, int], float] = {}
        for to, sources in flows.items():
            if to[1] == 3:
                for source, weight in sources.items():
                    apart[source] = apart.get(source, 0.0) + weight
            elif sum(sources.values()) >= LEAST:
                fresh[to] = merged(self._found(sources), to[0])
        if sum(apart.values()) >= LEAST:
            self.apart = merged(self._found(apart), None)
        self.filters = fresh

    def _found(
        self, sources: Mapping[tuple[Level, int], float]
    ) -> list[tuple[float, Level, Filter]]:
        return [
            (weight, key[0], self.apart if key[1] == 3 else self.filters[key])
            for key, weight in sources.items()
            if key[1] == 3 or key in self.filters
        ]

    def _predict(
        self,
        hours: float,
        value: float | None,
        error: float,
        law: Law,
        rest: float,
        points: Sequence[tuple[Point, Point]],
    ) -> dict[tuple[Level, int], float]:
        """Moves every filter on and, given a value, corrects it. Returns likelihoods."""
        seen = self.room_seen
        keep = math.exp(-RETURNS[seen] * hours)
        slow = SPEED[seen] ** 2 * hours
        astray = ASTRAY if seen else ASTRAY_UNSEEN
        fast = math.exp(-STRAYS * hours)
        stir = STIR**2 * hours
        phi = math.exp(-law.loss * hours)
        gain = 1.0 - phi
        r2 = error * error * self.rough
        lifts = {Level.OFF: 0.0, Level.ON: law.heater, Level.COOL: -law.chiller}
        for level, share in SHARE.items():
            lifts[level] = share * law.heater
        lifts[Level.FIRST] = self.first * law.heater
        jobs = []
        for key, one in self.filters.items():
            level, around = key
            if one.water < one.low:
                one.low = one.water
            if one.water > one.high:
                one.high = one.water
            if around == 0:
                rho, q, mean = keep, slow, 0.0
            else:
                mean, spread = astray[CARRIED[around]]
                if around == Around.WARMED and not self.sunny:
                    mean, spread = ASTRAY_DARK
                rho, q = fast, spread * spread * (1 - fast * fast)
            if level in HELD:
                held = math.exp(-HELD[level] * hours)
                middle = points[0][0].at
                one.water = middle + (one.water - middle) * held
                one.tt = one.tt * held * held + stir
                one.tw *= held * rho
            else:
                drive = rest + one.w + lifts[level] / law.loss
                one.water = phi * one.water + gain * drive
                one.tt = phi * phi * one.tt + 2 * phi * gain * one.tw + gain * gain * one.ww + stir
                # The wander of the step itself acts on half of it.
                one.tt += gain * gain * q / 3
                one.tw = rho * (phi * one.tw + gain * one.ww) + gain * q / 2
            one.w = mean + (one.w - mean) * rho
            one.ww = rho * rho * one.ww + q
            jobs.append((key, one))
        apart = self.apart
        apart.tt += APART_SPEED**2 * hours
        apart.ww += slow
        jobs.append(((Level.OFF, 3), apart))
        if value is None:
            return {}
        out = {}
        shock = min(abs(value - one.water) / math.sqrt(one.tt + r2) for _, one in jobs)
        if shock > JUMP:
            if not self.surprised:
                self.surprised = True
                return {}
            for _, one in jobs:
                one.tt += (value - one.water) ** 2
                one.low = one.high = value
            self._part()
        self.surprised = False
        self._roughen(hours, min((value - one.water) ** 2 / (one.tt + r2) for _, one in jobs))
        for key, one in jobs:
            off = value - one.water
            s = one.tt + r2
            near = math.exp(-0.5 * off * off / s) / math.sqrt(s)
            far2 = s + FAR_K * FAR_K
            far = FAR * math.exp(-0.5 * off * off / far2) / math.sqrt(far2)
            near *= 1 - FAR
            out[key] = near + far
            trust = near / (near + far) if near + far > 0 else 0.0
            k = trust * one.tt / s
            kw = trust * one.tw / s
            one.water += k * off
            one.w += kw * off
            one.ww -= kw * one.tw
            one.tw -= k * one.tw
            one.tt -= k * one.tt
        return out

    def _roughen(self, hours: float, surprise: float) -> None:
        """Learns from the squared error of the best model, in units of its variance: with several
        models it is a little below 1."""
        part = min(1.0, ROUGH * hours)
        self.rough_now += part * (min(surprise, 9.0) - self.rough_now)
        self.rough = max(1.0, 2.0 * self.rough_now)

    def _part(self) -> None:
        """What no model predicted is most likely seen by a probe outside the tank's water, or
        it is water that was poured: for a while it says nothing about the devices."""
        last = self.weight[Around.APART]
        for a in CARRIED:
            weights = self.weight[a]
            for i, weight in enumerate(weights):
                last[i] += PARTED * weight
                weights[i] = weight - PARTED * weight
        if self.filters:
            lead = self.leader
            self.apart = lead.copy()
            self.apart.tt = 1.0

    first = 0.5
    """Of several heaters' lift, the first one's share."""

    def _weigh(self, likelihood: Mapping[tuple[Level, int], float]) -> None:
        if not likelihood:
            return
        levels = self.level_of
        usual = likelihood.get(self.leader_key, 0.0)
        total = 0.0
        for a, weights in enumerate(self.weight):
            for i, level in enumerate(levels):
                weights[i] *= likelihood.get((level if a < 3 else Level.OFF, a), usual)
                total += weights[i]
        if not total > 0:
            return
        for weights in self.weight:
            for i in range(len(weights)):
                weights[i] /= total

    # -- what it says ----------------------------------------------------------------------------

    @property
    def leader_key(self) -> tuple[Level, int]:
        best, key = -1.0, (Level.OFF, 0)
        for a in CARRIED:
            for i, weight in enumerate(self.weight[a]):
                if weight > best and (self.level_of[i], int(a)) in self.filters:
                    best, key = weight, (self.level_of[i], int(a))
        return key

    @property
    def leader(self) -> Filter:
        """The filter of the likeliest state that has one."""
        return self.filters[self.leader_key]

    def causes(self) -> dict[Cause, float]:
        """Returns the probability of each cause."""
        out: dict[Cause, float] = {}
        for i, state in enumerate(self.chain.states):
            mass = sum(w[i] for w in self.weight)
            out[state.cause] = out.get(state.cause, 0.0) + mass
        return out

    def of(self, cause: Cause) -> dict[Level, float]:
        """Returns the probability of each level of a cause."""
        return {
            state.level: sum(w[i] for w in self.weight)
            for i, state in enumerate(self.chain.states)
            if state.cause is cause
        }

    def around(self) -> tuple[float, ...]:
        return tuple(sum(w) for w in self.weight)

    def share(self, level: Level) -> float:
        """Returns the probability of one level."""
        return sum(w[i] for w in self.weight for i, x in enumerate(self.level_of) if x is level)

    def rest(self) -> float:
        """Returns the wander as the leader sees it, K."""
        return self.leader.w

    def heal(self) -> None:
        """What was held for a moved device is how this tank is now."""
        index = {(s.cause, s.level): i for i, s in enumerate(self.chain.states)}
        for weights in self.weight:
            for i, state in enumerate(self.chain.states):
                home = Level.HOLD if state.level is Level.STILL else state.level
                j = index.get((Cause.HEALTHY, home))
                if state.cause in (Cause.MOVED, Cause.MOVED_DOWN, Cause.MOVED_UP) and j is not None:
                    weights[j] += weights[i] - FLOOR
                    weights[i] = FLOOR
