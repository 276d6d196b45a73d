"""Courses that the heater's relay may be taking: each story says when it switched, and how likely
the readings are if that is so.

The stories of half a cycle begin with the relay on or off. One of them stays. The others branch off
it: where the thermostat always switches (one after the other while the water passes through what is
known of that point), with a heater that gives only a share, or now and then for no known reason; or
the relay stays, and the water only goes more slowly, because a lamp has been lit or put out; or it
has switched off and the pump stands, so that the heater's last heat stays where probe and heater
are.
`relay_filter` moves them on and judges between them.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

LAG_S = 90.0
"""Of heater and thermostat between switching and warmth, of the first order. Wrong by a minute it
only rounds the tip otherwise: the learned turning points hold the lag itself."""
CUT = 3.0
"""No working thermostat switches further from its habit than so many standard deviations."""
MOST = 14
"""Stories at a time that switched by habit."""
FORGOTTEN = 12.0
"""A story that is so much less likely (log) than another one is left out."""
FINE = 0.4
"""Stories branch off no sooner after each other than the heat takes to move the water by this
share of a reading's standard deviation: closer ones cannot be told apart."""
ODD = 2
"""Stories at a time of each other kind."""
ODD_APART = 3.6
"""As `FINE`, for those."""
ODD_COST = 4.0
"""Log of how much less likely it is that a relay switches for no known reason, or that a lamp does
just now."""
WEAK = (0.25, 0.5)
"""Shares of its heat that a weak heater may be giving."""
MOVED_SPREAD_K = 0.04
"""How well it is known by how much a switching point may have moved (standard deviation)."""
MOVED_ODDS = 0.5
"""How likely it is that a switching point which may have moved has."""
PARTED = 4
"""Stories at a time in which the pump stands."""
PARTED_S = 60.0
"""They branch off no sooner after each other."""
PARTED_COST = 7.3
"""Log of how much less likely each of them is: a pause of the pump a day begins in one of 1440
minutes."""
HOT_S = (60.0, 480.0)
"""Between so long and so long after the relay should have switched off, what is left of the heat in
the heater's body is much for a chamber whose pump stands, and too little to tear the trace."""
PARTED_K = 0.1
"""By how much it warms that chamber (standard deviation)."""
SLOWER = 0.15 / 3600
"""By how much a lamp or a lid slows the water, K/s."""
SLOWER_SHARE = 0.6
"""And at most by this share of what it goes."""


Covariance = tuple[float, float, float]
"""Of temperature and loss: K^2, K^2/s, K^2/s^2."""


@dataclass(frozen=True, slots=True)
class Knowledge:
    """What the filter must know beforehand; °C and K/s."""

    trough: float
    trough_spread: float
    peak: float
    peak_spread: float
    gain: float
    loss: float
    sigma: float
    """Of one reading, K, its step included."""
    trough_moves: float = 0.0
    """By how much it may be elsewhere, K: with a jump of the trace, or with the dial."""
    peak_moves: float = 0.0

    @property
    def cycle_s(self) -> float:
        """How long the thermostat takes for a whole cycle as things usually are, s."""
        falls, rises = max(1e-7, self.loss), max(1e-7, self.gain - self.loss)
        return max(0.0, self.peak - self.trough) * (1 / falls + 1 / rises)


class Story:
    """One course of the relay."""

    __slots__ = ("ell", "loss", "on", "share", "t", "turned_c", "turned_s", "w")

    def __init__(
        self,
        t: float,
        loss: float,
        w: float,
        on: float,
        ell: float = 0.0,
        share: float = 1.0,
        turned: tuple[float, float] = (-math.inf, math.nan),
    ) -> None:
        self.t = t
        """The water, °C."""
        self.loss = loss
        """K/s, falling is positive."""
        self.w = w
        """The relay through its lag, 0 to 1."""
        self.on = on
        """1 with the relay on, else 0."""
        self.ell = ell
        """Log likelihood of the readings since the half cycle began, but for a constant."""
        self.share = share
        """Of the heater's heat, how much comes."""
        self.turned_s, self.turned_c = turned
        """When and where it switched: the turning point as straight lines on either side of it
        meet."""

    def switched(self, turned: tuple[float, float], cost: float = 0.0, share: float = 1.0) -> Story:
        """The story that goes the same way up to now, and now the relay switches."""
        return Story(self.t, self.loss, self.w, 1.0 - self.on, self.ell - cost, share, turned)

    def slowed(self, gain: float) -> Story:
        """The story in which something that is not the heater slows the water now."""
        goes = gain * self.w - self.loss
        by = min(SLOWER, SLOWER_SHARE * abs(goes))
        loss = self.loss + math.copysign(by, goes)
        return Story(self.t, loss, self.w, self.on, self.ell - ODD_COST)


class Parted(Story):
    """The heater has switched off by habit and the pump stands now: what is left of its heat warms
    the chamber alone, by nobody knows how much, so that the story has a covariance of its own."""

    __slots__ = ("p",)

    def __init__(self, story: Story, ell: float, p: Covariance) -> None:
        turned = (story.turned_s, story.turned_c)
        super().__init__(story.t, story.loss, story.w, story.on, ell, story.share, turned)
        self.p: Covariance = (p[0] + PARTED_K**2, p[1], p[2])


class HalfCycle:
    """The stories of half a cycle."""

    __slots__ = (
        "_odd_s",
        "_parted_s",
        "_spawned_s",
        "due_s",
        "healthy",
        "odd",
        "parted",
        "share",
        "slow",
        "stay",
        "stories",
        "weak",
    )

    def __init__(self, stay: Story) -> None:
        self.stay = stay
        """The relay has not switched since the half cycle began."""
        self.healthy: list[tuple[float, Story]] = []
        """Log of the prior weight, and the story."""
        self.weak: list[Story] = []
        """It has switched on, and only a share of the heat comes."""
        self.odd: list[Story] = []
        """It has switched for no known reason."""
        self.slow: list[Story] = []
        """It stays, and something else slows the water."""
        self.parted: list[Parted] = []
        """It has switched off, and the pump stands."""
        self.stories = [stay]
        """All that have a covariance in common."""
        self.share = 0.0
        """Of the prior weight, how much has switched by now."""
        self.due_s: float | None = None
        """When it became more likely than not that the relay should have switched."""
        self._spawned_s = self._odd_s = self._parted_s = -math.inf

    def spawn(self, known: Knowledge, t_s: float, error2: float) -> None:
        """Lets stories branch off. `error2` is the variance of the filter's temperature, K^2."""
        stay = self.stay
        way, spread2, away = self._way(stay, known, error2)
        near = way - min(0.0, away)
        apart_s = FINE * known.sigma / known.gain
        changed = False
        if (
            self.share < 1.0
            and (near > 0.0 or near * near < CUT * CUT * spread2)
            and t_s - self._spawned_s >= apart_s
        ):
            # A story stands in the middle of the weight that it carries: what lies half a step back
            # and half a step on.
            ahead = 0.5 * apart_s * abs(known.gain * stay.w - stay.loss)
            share = _share(way + ahead, away, math.sqrt(spread2))
            changed = self._switch_by_habit(share, (t_s, _ahead(stay, known)))
        if t_s - self._odd_s >= ODD_APART * known.sigma / known.gain:
            self._odd_s = t_s
            self.odd = _likeliest(self.odd, stay.switched((t_s, _ahead(stay, known)), ODD_COST))
            self.slow = _likeliest(self.slow, stay.slowed(known.gain))
            changed = True
        if changed:
            branches = [story for _, story in self.healthy]
            self.stories = [stay, *branches, *self.weak, *self.odd, *self.slow]

    def part(self, t_s: float, p: Covariance) -> None:
        """Lets stories branch off in which the pump stands from now on. `p` is the covariance that
        the others have in common."""
        if self.due_s is None or not self.stay.on or t_s - self._parted_s < PARTED_S:
            return
        if not HOT_S[0] < t_s - self.due_s < HOT_S[1]:
            return
        weight, story = max(self.healthy, key=_weighed)
        self._parted_s = t_s
        newest = Parted(story, weight + story.ell - PARTED_COST, p)
        self.parted = [*sorted(self.parted, key=likelihood)[1 - PARTED :], newest]

    @staticmethod
    def _way(story: Story, known: Knowledge, error2: float) -> tuple[float, float, float]:
        """How far past its switching point the story is, K; the variance of that, K^2; and by how
        much further away that point may have been moved."""
        ahead = _ahead(story, known)
        if story.on:
            return ahead - known.peak, known.peak_spread**2 + error2, known.peak_moves
        return known.trough - ahead, known.trough_spread**2 + error2, -known.trough_moves

    def _switch_by_habit(self, share: float, turned: tuple[float, float]) -> bool:
        """Lets a story switch that stands for what of the prior weight has been passed since."""
        if share < self.share + 1e-3 and not share == 1.0 > self.share:
            return False
        newest = (math.log(share - self.share), self.stay.switched(turned))
        best = max(map(_weighed, self.healthy), default=-math.inf)
        kept = [each for each in self.healthy if best - each[0] - each[1].ell < FORGOTTEN]
        self.healthy = [*kept[-MOST:], newest]
        self.share, self._spawned_s = share, turned[0]
        if share >= 0.5 and self.due_s is None:
            self.due_s = turned[0]
            if not self.stay.on:
                self.weak = [self.stay.switched(turned, share=part) for part in WEAK]
        return True

    def healthy_ell(
        self, known: Knowledge, error2: float, plausible: Callable[[Story], float]
    ) -> float:
        """Log likelihood that the thermostat does as it always has. `plausible` says that of a
        story, with what it takes for the loss."""
        if self.share == 0.0:
            return plausible(self.stay)
        terms = [weight + plausible(story) for weight, story in self.healthy]
        terms += map(plausible, self.parted)
        if self.share < 1.0:
            terms.append(math.log(1.0 - self.share) + plausible(self.stay))
        for story in self.slow:
            way, spread2, away = self._way(story, known, error2)
            share = _share(way, away, math.sqrt(spread2))
            if share < 1.0:
                terms.append(math.log(1.0 - share) + plausible(story))
        most = max(terms)
        return most + math.log(sum(math.exp(term - most) for term in terms))


def _ahead(story: Story, known: Knowledge) -> float:
    """Where the water would turn if the relay switched now: the hinge lies where the asymptotes
    meet, one lag further on than the switching."""
    return story.t + (known.gain * story.w - story.loss) * LAG_S


def _share(way: float, away: float, spread: float) -> float:
    """Of the prior weight of a switching point, how much lies behind."""
    share = passed(way / spread)
    if not away:
        return share
    return share + MOVED_ODDS * (passed((way - away) / math.hypot(spread, MOVED_SPREAD_K)) - share)


def _weighed(each: tuple[float, Story]) -> float:
    return each[0] + each[1].ell


def likelihood(story: Story) -> float:
    return story.ell


def _likeliest(stories: list[Story], newest: Story) -> list[Story]:
    """The newest, and of the others the likeliest, `ODD` in all."""
    if len(stories) < ODD:
        return [*stories, newest]
    least = min(stories, key=likelihood)
    return [*(story for story in stories if story is not least), newest]


def passed(z: float) -> float:
    """The share of a normal distribution, cut off at `CUT` standard deviations, that lies below
    `z`."""
    if z <= -CUT:
        return 0.0
    if z >= CUT:
        return 1.0
    return 0.5 + 0.5 * math.erf(z / math.sqrt(2)) / math.erf(CUT / math.sqrt(2))
