"""The lamp: that its heat is missing in its hours, or comes outside them."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

from stillwell.alarm.catalogue import priority_of
from stillwell.estimate.heat_balance.hypotheses import MOSTLY_APART, Around, Cause
from stillwell.estimate.heat_balance.lamp import LAMP, OPEN, SURE, WELL, LampSeen
from stillwell.estimate.heat_balance.probe import ProbeHeat
from stillwell.estimate.lamp_hours import LampHours, Window
from stillwell.finding import Finding, Over
from stillwell.notice import Facts
from stillwell.observe.facts import LampAsNow, LampOdd
from stillwell.reading import Moment

LAMP_NOT_ON, LAMP_NOT_OFF = "lamp.not-on", "lamp.not-off"
LAMP_ALARMS = LAMP_NOT_ON, LAMP_NOT_OFF
TOLD_MS = 3 * 86_400_000
"""How long a fault is reported. A weaker lamp would look like a dark one for ever; after this
time it is the usual."""
SURELY = 0.9
"""The probability of health above which the lamp is judged. An assumption."""


@dataclass(slots=True)
class LampKept:
    """What is known of the lamp, for the next run."""

    seen: LampSeen = field(default_factory=LampSeen)
    since: dict[str, int] = field(default_factory=dict)
    """The alarms that stand, and since when, UTC ms."""


class LampWatch:
    """Judges the lamp by the probe that speaks.

    Args:
        hours: of the lamp.
        kept: what an earlier run kept.
    """

    def __init__(self, hours: LampHours, kept: LampKept) -> None:
        self._hours, self._kept = hours, kept

    def see(self, probe: ProbeHeat, hours: float, gap: float, now: Moment) -> Iterator[Finding]:
        """Takes a step of the probe's trace.

        Args:
            probe: its view, after the step.
            hours: the length of the step.
            gap: of the room above the water, K.
            now: its end.
        """
        mixture, seen = probe.tank.mixture, self._kept.seen
        well = (
            mixture is not None
            and mixture.causes.get(Cause.HEALTHY, 0.0) > SURELY
            and mixture.around(Around.APART) < MOSTLY_APART
        )
        if mixture is None or not well:
            seen.cut()
            return
        start_ms = now.utc_ms if seen.open is None else seen.open.start_ms
        window = self._hours.window(start_ms)
        learner = probe.tank.learner
        given, water = mixture.given(), mixture.leader.water
        piece = seen.add(now.utc_ms, hours, given, gap, water, window.end_ms)
        if piece is None:
            return
        ratio = seen.ratio(learner, self._hours, (window.start_ms, window.end_ms), window.lit)
        yield from self._judged(probe, window, ratio, now)
        if ratio < OPEN:
            seen.learn(learner, piece, self._hours.share(piece.start_ms, piece.end_ms))

    def _judged(
        self, probe: ProbeHeat, window: Window, ratio: float, now: Moment
    ) -> Iterator[Finding]:
        since, seen = self._kept.since, self._kept.seen
        name = LAMP_NOT_ON if window.lit else LAMP_NOT_OFF
        if ratio >= OPEN or since:
            # What may be a fault must not become the usual meanwhile.
            probe.tank.known.piece = None
        if name not in since and ratio > SURE:
            since[name] = window.start_ms
            seen.pieces.clear()
            yield self.standing(name, probe, now)
        elif name in since and ratio < WELL:
            yield self._end(name, Over())
        elif name in since and now.utc_ms - since[name] > TOLD_MS:
            yield self._end(name, LampAsNow())
            probe.tank.learner.theta.renew(LAMP, 0.0, 1.0)

    def _end(self, name: str, facts: Facts) -> Finding:
        del self._kept.since[name]
        self._kept.seen.pieces.clear()
        return Finding(name, False, priority_of(name), facts)

    def standing(self, name: str, probe: ProbeHeat, now: Moment) -> Finding:
        """Returns how one of its alarms stands."""
        since_ms = self._kept.since.get(name)
        if since_ms is None:
            return Finding(name, False, priority_of(name), Over())
        ago_ms = max(0, now.utc_ms - since_ms)
        since = Moment(now.mono_ms - ago_ms, since_ms, now.epoch)
        hours = f"{self._hours.on:%H:%M} to {self._hours.off:%H:%M}"
        facts = LampOdd(probe.tank.learner.theta.x[LAMP], hours)
        return Finding(name, True, priority_of(name), facts, since)
