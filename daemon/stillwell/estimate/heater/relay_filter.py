"""Two-mode state-space filter: water temperature and loss, with the heater's relay on or off, under
several stories at once.

Each story is one course of the relay since the half cycle began: it has not switched (`stay`), it
switched where the thermostat always switches (stories begun one after the other while the water
passes through what is known of that point), it switched but the heater gives only a share, or it
switched some time ago for no known reason (`odd`). Each carries the mean of a Kalman filter of two
states (Kalman 1960),

    dT/dt = gain w - loss        w: the relay through a lag of the first order
    d(loss)/dt = white noise     lamp, room and lid change it

and all share one covariance, since they differ in their input alone. Their likelihoods make a
sequential ratio test (Wald 1945; Page 1954 for when it begins anew): while stories agree, and they
do until the first of them switches, the ratios stand still, so that no evidence is lost or made up
by hours of waiting.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum

LAG_S = 90.0
"""Of heater and thermostat between switching and warmth, of the first order. Wrong by a minute it
only rounds the tip otherwise: the learned turning points hold the lag itself."""
LOSS_WALK = 0.02
"""How far the loss walks in an hour, K/h (standard deviation)."""
LOSS_WALK_SHARE = 0.05
"""And, on top of it, as a share of the usual loss."""
ASTRAY = 5.0
"""Innovations of the best story that go on to one side, faded over four of them (standard
deviation 1.5), say that the loss has changed at once: a lamp, a window."""
STEP_K = 0.015
"""And the water with it, by a pour (standard deviation)."""
LOSS_STEP = 0.12
"""By how much it may then have changed, K/h (standard deviation)."""
LOSS_TORN_SHARE = 0.3
"""After the trace was torn (water was poured or changed) the loss may be off by this share too."""
LOSS_GAP_SHARE = 0.1
"""After a restart or a gap it is nearly the usual one: a loss three times as large must not be an
excuse for a heater that gives nothing."""
MIX_K = 0.0012
"""What is not modelled moves the water by this in a minute (standard deviation)."""
CLIP = 3.5
"""Innovations count as at most so many standard deviations."""
RESOLVED = 9.0
"""Log likelihood ratio at which a story is believed: odds of 8000 to 1."""
CERTAIN = 10.0
"""Log likelihood ratio at which a fault is believed: it is tried twenty times a day."""
CUT = 3.0
"""No working thermostat switches further from its habit than so many standard deviations."""
MOST = 14
"""Stories at a time that switched by habit."""
ODD = 3
"""Stories at a time that switched for no known reason."""
ODD_COST = 4.0
AGREED_S = 600.0
"""For so long after a beginning the stories of either relay may still come apart."""
WEAK_S = 1200.0
"""A heater that gives only a share is told apart no earlier than this after it should be on."""
WEAK_K = 0.05
"""Nor before the water is so far below its lower switching point: hovering there, a lamp that is
lit looks like a little heat."""
_WEAK = (0.25, 0.5)


class Verdict(StrEnum):
    """What half a cycle has come to."""

    WAITING = "waiting"
    SWITCHED = "switched"
    """The relay has switched, where it always does or elsewhere."""
    WEAK = "weak"
    """It has switched on, and only a share of the heat comes."""
    STAYED = "stayed"
    """It should have switched and has not."""
    TORN = "torn"
    """The trace has jumped as no water does."""


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
    jump: float = 0.0
    """By how much the switching points may have moved with a jump of the trace, °C."""


class Story:
    """One course of the relay."""

    __slots__ = ("ell", "loss", "on", "share", "t", "w")

    def __init__(
        self, t: float, loss: float, w: float, on: bool, ell: float, share: float = 1.0
    ) -> None:
        self.t = t
        self.loss = loss
        self.w = w
        self.on = on
        self.ell = ell
        self.share = share

    def switched(self, cost: float = 0.0, share: float = 1.0) -> Story:
        return Story(self.t, self.loss, self.w, not self.on, self.ell - cost, share)


class _Half:
    """The stories of half a cycle that began with the relay `on` or off."""

    __slots__ = ("healthy", "odd", "odd_s", "share", "spawned_s", "stay", "turned_s", "weak")

    def __init__(self, stay: Story) -> None:
        self.stay = stay
        self.healthy: list[tuple[float, Story]] = []
        """Log of the prior weight, and the story."""
        self.weak: list[Story] = []
        self.odd: list[Story] = []
        self.share = 0.0
        """Of the prior weight, how much has switched by now."""
        self.spawned_s = self.odd_s = -math.inf
        self.turned_s: float | None = None
        """When it became more likely than not that the relay should have switched."""

    def stories(self) -> list[Story]:
        return [self.stay, *(story for _, story in self.healthy), *self.weak, *self.odd]

    def spawn(self, known: Knowledge, t_s: float, error_k: float) -> None:
        """Lets stories switch: as the water passes through what is known of the switching point,
        and now and then for no reason."""
        stay = self.stay
        apart_s = max(20.0, 1.2 * known.sigma / known.gain)
        # The hinge lies where the asymptotes meet: one lag further on than the switching.
        ahead = stay.t + (known.gain * stay.w - stay.loss) * LAG_S
        if stay.on:
            way, spread = ahead - known.peak, known.peak_spread
        else:
            way, spread = known.trough - ahead, known.trough_spread
        spread = math.hypot(spread, error_k)
        share = _passed(way / spread)
        if known.jump:
            away = known.jump if stay.on else -known.jump
            share = 0.5 * (share + _passed((way - away) / spread))
        if (
            share > self.share + 1e-3 or share == 1.0 > self.share
        ) and t_s - self.spawned_s >= apart_s:
            self.healthy.append((math.log(share - self.share), stay.switched()))
            self.share, self.spawned_s = share, t_s
            if len(self.healthy) > MOST:
                self.healthy.remove(min(self.healthy, key=lambda each: each[0] + each[1].ell))
        if share >= 0.5 and self.turned_s is None:
            self.turned_s = t_s
            if not stay.on:
                self.weak = [stay.switched(share=part) for part in _WEAK]
        if t_s - self.odd_s >= 3 * apart_s:
            self.odd_s = t_s
            self.odd.append(stay.switched(ODD_COST))
            if len(self.odd) > ODD:
                self.odd.remove(min(self.odd[:-1], key=lambda story: story.ell))

    def healthy_ell(self) -> float:
        """Log likelihood that the thermostat does as it always has."""
        terms = [weight + story.ell for weight, story in self.healthy]
        if self.share < 1.0:
            terms.append(math.log(1.0 - self.share) + self.stay.ell)
        return _log_sum(terms)


def _passed(z: float) -> float:
    """The share of a normal distribution, cut off at `CUT` standard deviations, that lies below
    `z`."""
    if z <= -CUT:
        return 0.0
    if z >= CUT:
        return 1.0
    return 0.5 + 0.5 * math.erf(z / math.sqrt(2)) / math.erf(CUT / math.sqrt(2))


def _log_sum(terms: list[float]) -> float:
    most = max(terms)
    return most + math.log(sum(math.exp(term - most) for term in terms))


class RelayFilter:
    """The filter of one probe. `step` once a reading; states are readable between."""

    def __init__(self, known: Knowledge) -> None:
        self.known = known
        self._halves: list[_Half] = []
        self._at_s: float | None = None
        self._p = (0.0, 0.0, 0.0)
        self._run = 0.0
        """Sum of the best story's normalised innovations, fading over four readings."""
        self.began_s = 0.0
        """When the present half cycle began."""
        self.certainty = 0.0
        """Log likelihood ratio of staying against the thermostat's habit."""
        self.settled_s = 0.0
        """When the trace was last torn."""
        self.astray_s = -math.inf
        """When the water last went otherwise than foretold, short of being torn."""

    # -- what is so now --------------------------------------------------------------------------

    @property
    def relay(self) -> bool | None:
        """Whether the relay is on, None while that is open (as of this half cycle's beginning)."""
        return self._halves[0].stay.on if len(self._halves) == 1 else None

    @property
    def best(self) -> Story | None:
        stories = [story for half in self._halves for story in half.stories()]
        return max(stories, key=lambda story: story.ell) if stories else None

    @property
    def errors(self) -> tuple[float, float]:
        """Standard errors of temperature (K) and loss (K/s)."""
        return math.sqrt(self._p[0]), math.sqrt(self._p[2])

    # -- time ------------------------------------------------------------------------------------

    def begin(
        self,
        t_s: float,
        value: float,
        relay: bool | None = None,
        loss_share: float = LOSS_TORN_SHARE,
    ) -> None:
        """Starts, or starts anew, with what is known and one reading.

        Args:
            loss_share: how far the loss may be off, as a share of the usual one, on top of a step.
        """
        known = self.known
        self._at_s = self.began_s = self.settled_s = t_s
        spread = LOSS_STEP / 3600 + loss_share * abs(known.loss)
        self._p = (known.sigma**2, 0.0, spread**2)
        ways = (False, True) if relay is None else (relay,)
        self._halves = [_Half(Story(value, known.loss, float(on), on, 0.0)) for on in ways]
        self._run, self.certainty = 0.0, 0.0

    def learn(self, known: Knowledge) -> None:
        """Takes what has been learned since; stories that run go on as they are, unless the
        switching points may have jumped: then the half cycle is told anew from where it is."""
        told_anew = known.jump != self.known.jump
        self.known = known
        best = self.best
        if told_anew and best is not None and self._at_s is not None:
            relay, kept, torn = self.relay, self._p, self.settled_s
            self.begin(self._at_s, best.t, relay)
            self._p, self.settled_s = kept, torn

    def step(self, t_s: float, value: float) -> Verdict:
        """Takes one reading; returns what the half cycle has come to."""
        if self._at_s is None or t_s - self._at_s > 1800.0:
            self.begin(t_s, value, loss_share=LOSS_GAP_SHARE)
            return Verdict.TORN
        dt = t_s - self._at_s
        if dt <= 0:
            return Verdict.WAITING
        self._at_s = t_s
        known = self.known
        p00, p01, p11 = self._p
        walk = (LOSS_WALK / 3600) ** 2 + (LOSS_WALK_SHARE * known.loss) ** 2
        p00 += dt * (dt * p11 - 2 * p01) + MIX_K * MIX_K * dt / 60
        p01 -= dt * p11
        p11 += walk * dt / 3600
        s = p00 + known.sigma * known.sigma
        k0, k1 = p00 / s, p01 / s
        root = math.sqrt(s)
        clip = CLIP * root
        fade = math.exp(-dt / LAG_S)
        reach = LAG_S * (1 - fade)
        best, best_ell, best_nu = None, -math.inf, 0.0
        for half in self._halves:
            for story in half.stories():
                on = 1.0 if story.on else 0.0
                lagging = story.w - on
                story.t += (
                    known.gain * story.share * (on * dt + lagging * reach)
                ) - story.loss * dt
                story.w = on + lagging * fade
                nu = value - story.t
                held = nu if -clip < nu < clip else math.copysign(clip, nu)
                story.ell -= 0.5 * held * held / s
                story.t += k0 * held
                story.loss += k1 * held
                if story.ell > best_ell:
                    best, best_ell, best_nu = story, story.ell, nu / root
        self._p = ((1 - k0) * p00, (1 - k0) * p01, p11 - k1 * p01)
        self._run = 0.75 * self._run + max(-6.0, min(6.0, best_nu))
        if best is None or abs(self._run) > 11.0:
            # Standard deviation of the fading sum is 1.5: this is seven of them.
            self.begin(t_s, value)
            return Verdict.TORN
        if abs(self._run) > ASTRAY and t_s - self.astray_s >= 120.0:
            self.astray_s = t_s
            q00, q01, q11 = self._p
            grown = (LOSS_STEP / 3600) ** 2 + (0.2 * known.loss) ** 2
            self._p = (q00 + STEP_K * STEP_K, q01, q11 + grown)
        return self._judge(t_s)

    def _judge(self, t_s: float) -> Verdict:
        known = self.known
        for half in self._halves:
            half.spawn(known, t_s, self.errors[0])
        if len(self._halves) == 2:
            bests = [max(half.stories(), key=lambda story: story.ell) for half in self._halves]
            apart = bests[0].ell - bests[1].ell
            if abs(apart) > RESOLVED:
                self._halves = [self._halves[0 if apart > 0 else 1]]
            elif bests[0].on == bests[1].on and t_s - self.began_s > AGREED_S:
                # "It was on and went off for no known reason" is off as well: what the relay does
                # now is known, and only that it has not switched explains it without a reason.
                for half, best in zip(self._halves, bests, strict=True):
                    if best is half.stay:
                        self._halves = [half]
                        break
            self.certainty = 0.0
            return Verdict.WAITING
        half = self._halves[0]
        stay = half.stay
        healthy = half.healthy_ell()
        weak = max((story for story in half.weak), key=lambda story: story.ell, default=None)
        self.certainty = stay.ell - healthy
        candidates = [*(story for _, story in half.healthy), *half.odd]
        ahead = max(candidates, key=lambda story: story.ell, default=None)
        led = -math.inf if weak is None else weak.ell - stay.ell
        if ahead is not None and ahead.ell - stay.ell > max(RESOLVED, led):
            self._go_on(ahead, t_s)
            return Verdict.SWITCHED
        if led > 0:
            self.certainty += led
        if self.certainty < CERTAIN:
            return Verdict.WAITING
        if led < 2.0 or half.turned_s is None:
            return Verdict.STAYED
        deep = known.trough - stay.t > max(WEAK_K, 4 * known.trough_spread)
        if t_s - half.turned_s < WEAK_S or not deep:
            return Verdict.WAITING
        if led < RESOLVED or weak is None:
            return Verdict.STAYED
        weak.loss += known.gain * (1 - weak.share)
        weak.share = 1.0
        self._go_on(weak, t_s)
        return Verdict.WEAK

    def _go_on(self, story: Story, t_s: float) -> None:
        """The next half cycle, from a story that has proved right."""
        story.ell = 0.0
        self.began_s = t_s
        self.certainty = 0.0
        self._halves = [_Half(story)]
