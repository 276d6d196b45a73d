"""Two-mode state-space filter: water temperature and loss, with the heater's relay on or off, under
several stories at once (`stories`).

Each story carries the mean of a Kalman filter of two states (Kalman, J. Basic Eng. 82 (1960) 35),

    dT/dt = gain w - loss        w: the relay through a lag of the first order
    d(loss)/dt = white noise     lamp, room and lid change it

and all share one covariance, since they differ in their input alone. Their likelihoods make a
sequential ratio test (Wald, Ann. Math. Stat. 16 (1945) 117; Page, Biometrika 41 (1954) 100, for
when it begins anew; all three from memory): while stories agree, and they do until the first of
them switches, the ratios stand still, so that no evidence is lost or made up by hours of waiting.
"""

from __future__ import annotations

import math
from enum import StrEnum

from stillwell.estimate.heat.stories import (
    LAG_S,
    Covariance,
    HalfCycle,
    Knowledge,
    Parted,
    Story,
    likelihood,
)

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
SLOWED = 4.0
"""The same at which it is believed that something else slows the water, whose price is paid."""
FALSE_IN_S = 3 * 365.25 * 86_400
"""A healthy thermostat may be taken for one that does not switch once in so long, either way: as
seldom as this, or more seldom, a likelihood ratio passes the number of its cycles meanwhile (Wald's
inequality)."""
CERTAIN = (8.0, 11.0)
"""The least and the greatest log likelihood ratio at which a fault is believed, whatever the
cycle."""
WEATHER = 4.0
"""Log of how much less likely a loss is that was never so, at most, when a fault is in question."""
SETTLED = 0.1
"""Of a switch so little is still to come through the lag when it is over."""
AGREED_S = 600.0
"""For so long after a beginning the stories of either relay may still come apart."""
WEAK_S = 1200.0
"""A heater that gives only a share is told apart no earlier than this after it should be on."""
WEAK_K = 0.05
"""Nor before the water is so far below its lower switching point: hovering there, a lamp that is
lit looks like a little heat."""
OTHERWISE = 0.3
"""What the likeliest story says otherwise counts by this share as a standard deviation."""
GAP_S = 1800.0
"""After so long without a reading nothing is left of the half cycle."""


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


class RelayFilter:
    """The filter of one probe. `step` once a reading; states are readable between."""

    def __init__(self, known: Knowledge) -> None:
        self.known = known
        self.certain = certain(known)
        """Log likelihood ratio at which a fault is believed."""
        self.best: Story | None = None
        """The likeliest story; None before the first reading."""
        self.began_s = 0.0
        """When the present half cycle began."""
        self.certainty = 0.0
        """Log likelihood ratio of staying against the thermostat's habit."""
        self.weak_led = -math.inf
        """Log likelihood ratio of a heater that gives only a share against one that stayed off."""
        self.due_s: float | None = None
        """Since when the relay should have switched."""
        self.astray_s = -math.inf
        """When the water last went otherwise than foretold, short of being torn."""
        self.before_s = -math.inf
        """And the time before that."""
        self.turned_s, self.turned_c = -math.inf, math.nan
        """When and where (°C) the relay last switched; NaN where that was only seen later."""
        self._halves: list[HalfCycle] = []
        self._at_s: float | None = None
        self._p = (0.0, 0.0, 0.0)
        self._run = 0.0
        """Sum of the best story's normalised innovations, fading over four readings."""
        self._every = (-1.0, 0.0, 0.0)
        """The last interval between readings, s; how far a lag fades and what it adds in it."""

    # -- what is so now --------------------------------------------------------------------------

    @property
    def relay(self) -> bool | None:
        """Whether the relay is on, None while that is open (as of this half cycle's beginning)."""
        return self._halves[0].stay.on == 1.0 if len(self._halves) == 1 else None

    @property
    def due(self) -> bool:
        """Whether the relay may be switching by habit just now, or should have."""
        return any(half.share > 0.0 for half in self._halves)

    @property
    def errors(self) -> tuple[float, float]:
        """Standard errors of temperature (K) and loss (K/s)."""
        return math.sqrt(self._p[0]), math.sqrt(self._p[2])

    @property
    def slope(self) -> float:
        """Of the water now by the likeliest story, K/s; 0 before the first reading."""
        story = self.best
        return self.known.gain * story.share * story.w - story.loss if story else 0.0

    def course(self, stays: bool) -> tuple[float, float, float]:
        """Where the water goes by the likeliest story, or as long as the relay `stays` as it is:
        temperature in °C, slope in K/s, and the slope's standard error, which holds what the
        likeliest story says otherwise. `best` must be there."""
        best = self.best
        assert best is not None
        story = self._halves[0].stay if stays and len(self._halves) == 1 else best
        slope, other = (self.known.gain * s.share * s.w - s.loss for s in (story, best))
        return story.t, slope, math.hypot(self.errors[1], OTHERWISE * (other - slope))

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
        self._at_s = self.began_s = t_s
        spread = LOSS_STEP / 3600 + loss_share * abs(known.loss)
        self._p = (known.sigma**2, 0.0, spread**2)
        ways = (0.0, 1.0) if relay is None else (float(relay),)
        self._halves = [HalfCycle(Story(value, known.loss, on, on)) for on in ways]
        self.best = self._halves[0].stay
        self._run, self.certainty = 0.0, 0.0
        self.due_s, self.weak_led = None, -math.inf

    def learn(self, known: Knowledge) -> None:
        """Takes what has been learned since; stories that run go on as they are, unless the
        switching points may have jumped: then the half cycle is told anew from where it is."""
        old = self.known
        told_anew = (known.trough_moves, known.peak_moves) != (old.trough_moves, old.peak_moves)
        self.known, self.certain = known, certain(known)
        best = self.best
        if told_anew and best is not None and self._at_s is not None:
            relay, kept = self.relay, self._p
            self.begin(self._at_s, best.t, relay)
            self._p = kept

    def step(self, t_s: float, value: float) -> Verdict:
        """Takes one reading; returns what the half cycle has come to."""
        if self._at_s is None or t_s - self._at_s > GAP_S:
            self.begin(t_s, value, loss_share=LOSS_GAP_SHARE)
            return Verdict.TORN
        dt = t_s - self._at_s
        if dt <= 0:
            return Verdict.WAITING
        self._at_s = t_s
        self._p, variance, k0, k1 = self._pass(self._p, dt)
        best, nu = self._move(dt, value, variance, k0, k1)
        for half in self._halves:
            for parted in half.parted:
                self._move_parted(parted, dt, value, variance)
        self.best = best
        score = nu / math.sqrt(variance)
        self._run = 0.75 * self._run + max(-6.0, min(6.0, score))
        if abs(self._run) > ASTRAY:
            if abs(self._run) > 11.0:
                # Standard deviation of the fading sum is 1.5: this is seven of them.
                self.begin(t_s, value)
                return Verdict.TORN
            if t_s - self.astray_s >= 120.0:
                self._go_astray(t_s)
        return self._judge(t_s)

    def _pass(self, p: Covariance, dt: float) -> tuple[Covariance, float, float, float]:
        """A covariance, one reading further; then the innovation's variance and both gains."""
        known = self.known
        p00, p01, p11 = p
        walk = LOSS_WALK / 3600
        walk2 = walk * walk + (LOSS_WALK_SHARE * known.loss) ** 2
        p00 += dt * (dt * p11 - 2 * p01) + MIX_K * MIX_K * dt / 60
        p01 -= dt * p11
        p11 += walk2 * dt / 3600
        variance = p00 + known.sigma * known.sigma
        k0, k1 = p00 / variance, p01 / variance
        return ((1 - k0) * p00, (1 - k0) * p01, p11 - k1 * p01), variance, k0, k1

    def _move(
        self, dt: float, value: float, variance: float, k0: float, k1: float
    ) -> tuple[Story, float]:
        """Every story, one reading further; returns the likeliest and its innovation."""
        if dt != self._every[0]:
            fade = math.exp(-dt / LAG_S)
            self._every = (dt, fade, LAG_S * (1 - fade))
        _, fade, reach = self._every
        gain = self.known.gain
        clip = CLIP * math.sqrt(variance)
        weight = 0.5 / variance
        best, best_ell, best_nu = self._halves[0].stay, -math.inf, 0.0
        # The hot path of a replay: some stories a reading, in plain arithmetic.
        for half in self._halves:
            for story in half.stories:
                on = story.on
                lagging = story.w - on
                story.w = on + lagging * fade
                t = story.t + gain * story.share * (on * dt + lagging * reach) - story.loss * dt
                nu = value - t
                held = nu
                if nu > clip:
                    held = clip
                elif nu < -clip:
                    held = -clip
                story.t = t + k0 * held
                story.loss += k1 * held
                ell = story.ell = story.ell - weight * held * held
                if ell > best_ell:
                    best, best_ell, best_nu = story, ell, nu
        return best, best_nu

    def _move_parted(self, story: Parted, dt: float, value: float, usual: float) -> None:
        """A story with a covariance of its own, one reading further. `usual` is the variance of the
        innovations of the others, which their likelihood leaves out."""
        _, fade, reach = self._every
        story.p, variance, k0, k1 = self._pass(story.p, dt)
        lagging = story.w - story.on
        story.w = story.on + lagging * fade
        t = story.t + self.known.gain * (story.on * dt + lagging * reach) - story.loss * dt
        clip = CLIP * math.sqrt(variance)
        held = max(-clip, min(clip, value - t))
        story.t = t + k0 * held
        story.loss += k1 * held
        story.ell -= 0.5 * (held * held / variance + math.log(variance / usual))

    def _go_astray(self, t_s: float) -> None:
        """The loss has changed at once: it is less known, and so is the water."""
        self.before_s, self.astray_s = self.astray_s, t_s
        p00, p01, p11 = self._p
        grown = (LOSS_STEP / 3600) ** 2 + (0.2 * self.known.loss) ** 2
        self._p = (p00 + STEP_K * STEP_K, p01, p11 + grown)

    # -- judging ---------------------------------------------------------------------------------

    def _judge(self, t_s: float) -> Verdict:
        known = self.known
        for half in self._halves:
            half.spawn(known, t_s, self._p[0])
            half.part(t_s, self._p)
        if len(self._halves) == 2:
            self._resolve(t_s)
            return Verdict.WAITING
        half = self._halves[0]
        other = self._other_way(half.stay, t_s)
        if other is not None:
            self._go_on(other, t_s)
            return Verdict.SWITCHED
        if half.share == 0.0 and self.best is half.stay:
            # Hours of most days: far from where it switches, and nothing is likelier than that.
            self.certainty = 0.0
            self.due_s, self.weak_led = None, -math.inf
            return Verdict.WAITING
        stay = half.stay.ell
        weak = max(half.weak, key=likelihood) if half.weak else None
        healthy = half.healthy_ell(known, self._p[0], self._weather)
        self.certainty = self._weather(half.stay) - healthy
        candidates = [story for _, story in half.healthy]
        ahead = max([*candidates, *half.odd], key=likelihood) if candidates or half.odd else None
        led = -math.inf if weak is None else weak.ell - stay
        self.weak_led, self.due_s = led, half.due_s
        off = -math.inf if ahead is None else ahead.ell - stay
        clear = off
        if ahead is not None:
            clear = self._plausible(ahead) - self._plausible(half.stay)
        if ahead is not None and min(off, clear) > 0 and max(off, clear) > RESOLVED and off > led:
            self._go_on(ahead, t_s)
            return Verdict.SWITCHED
        slow = max(half.slow, key=likelihood) if half.slow else None
        if slow is not None and slow.ell - stay > max(SLOWED, off, led):
            self._halves = [HalfCycle(slow)]
            return Verdict.WAITING
        if led > 0:
            self.certainty += led
        if self.certainty < self.certain:
            return Verdict.WAITING
        if led < 2.0 or half.due_s is None or weak is None:
            return Verdict.STAYED
        deep = known.trough - half.stay.t > max(WEAK_K, 4 * known.trough_spread)
        if t_s - half.due_s < WEAK_S or not deep:
            return Verdict.WAITING
        return Verdict.STAYED if led < RESOLVED else self._go_on_weak(weak, t_s)

    def _resolve(self, t_s: float) -> None:
        """Whether the half cycle began with the relay on or off."""
        self.certainty = 0.0
        bests = [max(half.stories, key=self._plausible) for half in self._halves]
        apart = self._plausible(bests[0]) - self._plausible(bests[1])
        first, second = bests
        agreed = first.on == second.on and t_s - self.began_s > AGREED_S
        if abs(apart) <= RESOLVED and not agreed:
            return
        which = 0 if apart > 0 else 1
        if agreed:
            # "It was on and went off for no known reason" is off as well: what the relay does now
            # is known, and that it has not switched explains it without a reason.
            which = next((i for i, half in enumerate(self._halves) if bests[i] is half.stay), which)
        half, best = self._halves[which], bests[which]
        self._halves = [half if best is half.stay else HalfCycle(best)]

    def _other_way(self, stay: Story, t_s: float) -> Story | None:
        """The story that goes on just as `stay` does, but with the relay the other way; None unless
        it is far more plausible. Where the weather was believed to have changed at once (astray)
        nothing else asks again whether it was the relay."""
        known = self.known
        off = stay.loss - known.loss
        if abs(off) < 0.5 * known.gain or (off < 0) is (stay.on == 1.0):
            return None
        if abs(stay.w - stay.on) > SETTLED:
            return None
        on = 1.0 - stay.on
        loss = stay.loss + known.gain * (on - stay.share * stay.on)
        usual = LOSS_STEP / 3600 + LOSS_TORN_SHARE * abs(known.loss)
        spread2 = usual * usual + self._p[2]
        if (off * off - (loss - known.loss) ** 2) / (2 * spread2) < RESOLVED:
            return None
        return Story(stay.t, loss, on, on, stay.ell, turned=(t_s, math.nan))

    def _weather(self, story: Story) -> float:
        """As `_plausible`, but no weather counts as out of the question: some is. It keeps a story
        from explaining everything by it."""
        return max(self._plausible(story), story.ell - WEATHER)

    def _plausible(self, story: Story) -> float:
        """Log likelihood, with what the loss usually is: a relay that is on in a storm of cold and
        one that is off look the same."""
        usual = abs(self.known.loss)
        off = (story.loss - self.known.loss) / (LOSS_STEP / 3600 + LOSS_TORN_SHARE * usual)
        return story.ell - 0.5 * off * off

    def _go_on(self, story: Story, t_s: float) -> None:
        """The next half cycle, from a story that has proved right."""
        story.ell = 0.0
        self.turned_s, self.turned_c = story.turned_s, story.turned_c
        self.began_s = t_s
        self.certainty = 0.0
        self._halves = [HalfCycle(story)]

    def _go_on_weak(self, story: Story, t_s: float) -> Verdict:
        """The same with a heater whose missing heat is taken for loss from now on."""
        story.loss += self.known.gain * (1 - story.share)
        story.share = 1.0
        self._go_on(story, t_s)
        return Verdict.WEAK


def certain(known: Knowledge) -> float:
    """Log of how many cycles the thermostat makes until it may be misjudged once."""
    least, most = CERTAIN
    return min(most, max(least, math.log(FALSE_IN_S / max(60.0, known.cycle_s))))
