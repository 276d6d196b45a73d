"""Interacting multiple models of a tank's heat.

One Kalman filter of [water, wander] a level of the devices and surrounding: what the devices give
is known in each, and so is how fast the temperature at which the water would settle may wander.
Causes that give the same heat share a filter; their weights differ by when they may switch.
Blom & Bar-Shalom, IEEE Trans. Automatic Control 33 (1988) 780; Bar-Shalom, Li & Kirubarajan,
Estimation with Applications to Tracking and Navigation (2001), 11.6.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from operator import itemgetter

from stillwell.estimate.heat_balance.hypotheses import COLD, Around, Cause, Chain, Level, lifts
from stillwell.estimate.heat_balance.kalman import Filter, Pair, corrected, fresh, merged
from stillwell.estimate.heat_balance.law import Law
from stillwell.estimate.heat_balance.transitions import LEAST, Belief, Flows, Transitions

SPEED = {True: 0.5, False: 0.9}
"""K in the root of an hour: how fast the resting temperature wanders, with the room seen and not
seen. A room's own speed, from simulated rooms and from memory of logged ones."""
RETURNS = 1 / 24
"""1/h: how fast it comes back to what was learned."""
SUNLIGHT = (0.3, 0.25)
"""K/h: how fast sun on a pane heats a small tank's water while it is there, and how much that
differs. A pane of 0.2 m2 lets 30 to 60 W of a clear sky into 68 L behind a window, 0.4 to 0.75 K/h
at its height, and half of that over its whole visit (an estimate from 800 W/m2 of direct sun). So
much comes however well the tank keeps its heat. Where the room is not seen the wander takes up all
warmth that comes more slowly."""
WARMS = (10.0, 8.0)
"""K: with the room seen, by how much the sun, and whatever else the wander is then too slow for,
lifts the temperature at which a small tank would settle. An assumption."""
CHILLS = {True: (-3.0, 2.0), False: (-5.0, 4.0)}
"""K: by how much moving air lowers the temperature at which the water would settle, and how much
that differs, with the room seen and not seen: no lower than the wet bulb, 4 to 8 K below the room
(from memory of psychrometric charts), or than a room that turned cold unseen."""
ASTRAY_DARK = (2.0, 2.0)
"""K: by how much a lamp or a cooker warms what the sun does not."""
STRAYS = 1.5
"""1/h: how fast it gets there: clouds, hands on windows."""
APART_SPEED = 1.5
"""K in the root of an hour: of a small chamber with the heater in it, or of water that stands."""
STEERS = 1 / 2
"""1/h: how fast control ends what moves the water. From memory of integral times: half an hour to
four."""
STIR = 0.04
"""K in the root of an hour: what mixing, hands and lags do to the water's temperature."""
GIVES = frozenset({Level.ON, Level.FIRST, Level.WEAK, Level.FAINT})
"""Levels whose heat is the heater's lift."""
FLOOR = 1e-12
RATES_H = 0.12
"""h: what comes at rates of days and years is let come as often as this."""
PARTED = 0.9
"""The probability that what no model predicted is no longer the tank's water. An assumption."""
ROUGH = 1 / 12
"""1/h: how fast it is learned by how much the water is rougher than its models."""
LEAST_ROUGH = 0.25
"""As `Belief.rough`: half of its supposed error is the least a probe may have. An assumption."""
JOLT = 2.5
"""Standard errors: what is further from all models has moved the water at once."""
JUMP = 6.0
"""Standard errors: what no model predicted, twice, is water that was poured."""


class Mixture:
    """Weights and filters. Mutable; owned by one tank.

    Args:
        chain: the states.
        belief: what is kept of them.
        room_seen: whether a probe sees the room.
        together: see `Devices.together`.
    """

    def __init__(
        self, chain: Chain, belief: Belief, room_seen: bool, together: float | None = None
    ) -> None:
        self.chain, self.belief = chain, belief
        self.room_seen, self.together = room_seen, together
        self.sunny = True
        self.jolt = 0.0
        """By how much more than any model said the water changed in the last step, K."""
        self.law: Law | None = None
        """As of the last step."""
        self.doubt = 0.0
        """By how much the error of the heater's lift moves where the water settles, K. What an ever
        unseen heater would give is told by its label alone."""
        n, levels = len(chain.states), chain.levels
        self._n, self._l = n, len(levels)
        wide = [SPEED[room_seen] / math.sqrt(2 * rate) for rate in (RETURNS, STEERS)]
        self._moves = Transitions(chain, (wide[0], wide[1]))
        self._place, self._apart = self._moves.place, self._moves.apart
        self._causes = [s.cause for s in chain.states]
        self._look()

    @classmethod
    def begun(
        cls,
        chain: Chain,
        water: float,
        room_seen: bool,
        wander: float = 0.0,
        together: float | None = None,
    ) -> Mixture:
        """Returns a mixture of a tank that is well."""
        n = len(chain.states)
        weight = [FLOOR] * (4 * n)
        start = [i for i, s in enumerate(chain.states) if s.cause is Cause.HEALTHY]
        for i in start:
            weight[i] = 1.0 / len(start)
        wide = (2.0 if room_seen else 4.0) ** 2
        count = 3 * len(chain.levels) + 1
        filters: list[Filter | None] = [fresh(water, wander, wide) for _ in range(count)]
        return cls(chain, Belief(weight, filters), room_seen, together)

    # -- one step --------------------------------------------------------------------------------

    def step(
        self,
        hours: float,
        value: float | None,
        error: float,
        law: Law,
        rest: float,
        points: Sequence[Pair],
        odd: float = 0.0,
    ) -> None:
        """Passes time and weighs one value.

        Args:
            hours: since the last step.
            value: the water, °C; None where nothing says anything about it.
            error: of the value, K.
            law: of the tank.
            rest: where the water would settle by the law, with the room and lamp of now, °C.
            points: by pair, where the device's heat begins as the water falls, and where it ends as
                the water rises.
            odd: by how much `rest` is above what control has come to terms with, K.
        """
        self.law = law
        self.jolt = 0.0
        flows: Flows = {}
        belief = self.belief
        stays = self._moves.masses(belief)
        self._moves.switch(belief, hours, law, rest, points, flows, stays)
        belief.waiting_h += hours
        if belief.waiting_h >= RATES_H:
            self._moves.come(belief, belief.waiting_h, self.room_seen, self.sunny, flows, stays)
            belief.waiting_h = 0.0
        self._blend(flows, stays)
        self._predict(hours, law, rest, points[0][0].at, odd)
        shocks = None if value is None else self._correct(value, error)
        self._look()
        if shocks is not None:
            change = 1.0 + min(1.0, ROUGH * hours) * (min(shocks[self.lead], 9.0) - 1.0)
            belief.rough = max(belief.rough * change, LEAST_ROUGH)

    def _blend(self, flows: Flows, stays: list[float]) -> None:
        """Each filter becomes the blend of those from which its weight came; one of no weight is
        dropped, and follows the leader."""
        filters, count, levels = self.belief.filters, self._l, self.chain.levels
        lead = self.lead
        new = filters[:]
        for to in range(self._apart + 1):
            own = filters[to]
            found: list[tuple[float, Filter, bool]] = []
            total = max(stays[to], FLOOR)
            if own is not None:
                found.append((total, own, False))
            elif to in flows:
                found.append((total, self._led(to), lead % count != to % count))
            for flow in flows.get(to, ()):
                total += flow[0]
                found.append(flow)
            if total < LEAST and to != lead:
                new[to] = None
            elif len(found) > 1:
                found.sort(key=itemgetter(0), reverse=True)
                if found[0][0] < (1 - 1e-6) * total or found[0][1] is not own:
                    new[to] = one = merged(found, total)
                    if self.doubt and levels[to % count] in GIVES:
                        begun = sum(part for part, _, begins in found if begins)
                        one.ww += self.doubt**2 * begun / total
        self.belief.filters = new

    def _led(self, to: int) -> Filter:
        """Returns the leader as another filter takes it over."""
        steered, one = self._moves.steered, self.leader
        return one if steered[self.lead] is steered[to] else self._moves.handed(one, to)

    def _predict(self, hours: float, law: Law, rest: float, middle: float, odd: float) -> None:
        """Moves every filter on."""
        seen = self.room_seen
        fast = math.exp(-STRAYS * hours)
        stir = STIR**2 * hours
        phi = math.exp(-law.loss * hours)
        gain = 1.0 - phi
        ways = [(math.exp(-RETURNS * hours), SPEED[seen] ** 2 * hours, 0.0)]
        sun = WARMS if seen else (SUNLIGHT[0] / law.loss, SUNLIGHT[1] / law.loss)
        for mean, spread in (sun if self.sunny else ASTRAY_DARK, CHILLS[seen]):
            ways.append((fast, spread * spread * (1 - fast * fast), mean))
        steers = math.exp(-STEERS * hours)
        gives = lifts(self.chain.levels, law, self.together)
        filters, levels = self.belief.filters, self.chain.levels
        for place in range(self._apart):
            one = filters[place]
            if one is None:
                continue
            a, spot = divmod(place, self._l)
            rho, q, mean = ways[a]
            water, tt, tw, ww = one.water, one.tt, one.tw, one.ww
            one.low, one.high = min(one.low, water), max(one.high, water)
            lift, level = gives[spot], levels[spot]
            stays, goes, to = phi, gain, rest + (lift or 0.0)
            if lift is None:
                # It gives what is needed: where the water goes is as calm as where it would settle.
                rho, q, mean, to = steers, ways[0][1], 0.0, middle
                water += gain * odd
                if level is Level.STILL:
                    stays = 1.0
            one.water = stays * water + (1.0 - stays) * to + goes * one.w
            # The wander of the step itself acts on half of it.
            one.tt = stays * stays * tt + 2 * stays * goes * tw + goes * goes * (ww + q / 3) + stir
            one.tw = rho * (stays * tw + goes * ww) + goes * q / 2
            one.w = mean + (one.w - mean) * rho
            one.ww = rho * rho * ww + q
        apart = filters[self._apart]
        if apart is not None:
            apart.tt += APART_SPEED**2 * hours
            apart.ww += ways[0][1]

    def _correct(self, value: float, error: float) -> list[float] | None:
        """Corrects and weighs every filter by a value. Returns by how much each was off, squared,
        in its variances; None for what no model predicted and may be a single bad value."""
        belief = self.belief
        filters = belief.filters
        r2 = error * error * belief.rough
        shock = min(
            (value - one.water) ** 2 / (one.tt + r2) for one in filters[: self._apart] if one
        )
        if shock > JOLT * JOLT:
            self.jolt = min((value - one.water for one in filters[: self._apart] if one), key=abs)
        apart = filters[self._apart]
        if apart is not None:
            shock = min(shock, (value - apart.water) ** 2 / (apart.tt + r2))
        if shock > JUMP * JUMP:
            if not belief.surprised:
                belief.surprised = True
                return None
            self._part(value)
            shock = 1.0
        belief.surprised = False
        if shock > JOLT * JOLT:
            # Hands, or a little water: no device changes the water so fast.
            for one in filters:
                if one is not None:
                    one.tt += self.jolt**2
        shocks = [
            1.0 if one is None else (value - one.water) ** 2 / (one.tt + r2) for one in filters
        ]
        self._weigh([-1.0 if one is None else corrected(one, value, r2) for one in filters])
        return shocks

    def rejoin(self, value: float) -> None:
        """Begins anew with the water after a time in which nothing was seen of it. What is so with
        the devices stays; which of them are on is not known."""
        belief, n = self.belief, self._n
        alike: dict[tuple[int, Cause], list[int]] = {}
        for k in range(4 * n):
            alike.setdefault((k // n, self._causes[k % n]), []).append(k)
        for group in alike.values():
            mean = sum(belief.weight[k] for k in group) / len(group)
            for k in group:
                belief.weight[k] = mean
        wide = self._moves.spreads
        belief.filters = [
            fresh(value, self._led(to).w, wide[steered] ** 2)
            for to, steered in enumerate(self._moves.steered)
        ]
        belief.surprised = False
        self._look()

    def _part(self, value: float) -> None:
        """What no model predicted is most likely seen by a probe outside the tank's water, or
        it is water that was poured: for a while it says nothing about the devices."""
        belief, n = self.belief, self._n
        weight = belief.weight
        for one in belief.filters:
            if one is not None:
                one.tt += (value - one.water) ** 2
                one.low = one.high = value
        for k in range(3 * n):
            weight[3 * n + k % n] += PARTED * weight[k]
            weight[k] -= PARTED * weight[k]
        lead = self._led(self._apart)
        belief.filters[self._apart] = Filter(
            lead.water, lead.w, 1.0, lead.tw, lead.ww, value, value
        )

    def _weigh(self, likelihood: list[float]) -> None:
        belief = self.belief
        usual = likelihood[self.lead]
        weight = [
            w * (likelihood[place] if likelihood[place] >= 0.0 else usual)
            for w, place in zip(belief.weight, self._place, strict=True)
        ]
        total = sum(weight)
        if total > 0:
            belief.weight = [max(w / total, FLOOR) for w in weight]

    # -- what it says ----------------------------------------------------------------------------

    def _look(self) -> None:
        """Looks which state leads."""
        belief, n = self.belief, self._n
        filters, place, weight = belief.filters, self._place, belief.weight
        best, self.lead = -1.0, 0
        self.states = weight[:n]
        for base in range(0, 4 * n, n):
            for i in range(n):
                w = weight[base + i]
                if base:
                    self.states[i] += w
                if w > best and base < 3 * n and filters[place[base + i]] is not None:
                    best, self.lead = w, place[base + i]
        causes: dict[Cause, float] = dict.fromkeys(self._causes, 0.0)
        for cause, w in zip(self._causes, self.states, strict=True):
            causes[cause] += w
        self.causes = causes
        """The probability of each cause."""

    @property
    def leader(self) -> Filter:
        """The filter of the likeliest state that has one."""
        one = self.belief.filters[self.lead]
        assert one is not None
        return one

    def of(self, cause: Cause) -> dict[Level, float]:
        """Returns the probability of each level of a cause."""
        return {
            state.level: w
            for state, w in zip(self.chain.states, self.states, strict=True)
            if state.cause is cause
        }

    def around(self, where: Around) -> float:
        """Returns the probability of a surrounding."""
        return sum(self.belief.weight[where * self._n : (where + 1) * self._n])

    def given(self) -> tuple[float, float]:
        """Returns the shares of their lift that heater and chiller are likely to give; of several
        heaters, of the one that switches."""
        law = self.law
        if law is None:
            return 0.0, 0.0
        levels = self.chain.levels
        gives = dict(zip(levels, lifts(levels, law, self.together), strict=True))
        heats = chills = 0.0
        for state, w in zip(self.chain.states, self.states, strict=True):
            if state.level in (Level.COOL, Level.BOTH):
                chills += w
            if state.level is Level.BOTH:
                heats += w * law.heater / law.loss
            elif state.level is not Level.COOL:
                heats += w * (gives[state.level] or 0.0)
        return heats * law.loss / law.heater, chills

    @property
    def missing(self) -> float:
        """The probability that heat is missing, whatever keeps it away."""
        return sum(self.causes.get(cause, 0.0) for cause in COLD)

    def share(self, level: Level) -> float:
        """Returns the probability of one level."""
        return sum(
            w for s, w in zip(self.chain.states, self.states, strict=True) if s.level is level
        )

    def heal(self) -> None:
        """What was held for a moved device is how this tank is now."""
        index = {(s.cause, s.level): i for i, s in enumerate(self.chain.states)}
        weight = self.belief.weight
        for i, state in enumerate(self.chain.states):
            home = Level.HOLD if state.level is Level.STILL else state.level
            j = index.get((Cause.HEALTHY, home))
            if state.cause in (Cause.MOVED, Cause.MOVED_DOWN, Cause.MOVED_UP) and j is not None:
                for base in range(0, 4 * self._n, self._n):
                    weight[base + j] += weight[base + i] - FLOOR
                    weight[base + i] = FLOOR
        self._look()
