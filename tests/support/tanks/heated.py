"""A tank whose heat is watched by the observer itself, reading by reading. Its water is a bath of
one stirred node: it shares nothing with the balance that it is judged by but Newton's law."""

from __future__ import annotations

import copy
import math
import random
from collections.abc import Callable, Iterable
from datetime import UTC, datetime, time
from functools import cache

from in_turn import in_turn
from stillwell.estimate.heat_balance.devices import Control, Devices
from stillwell.estimate.level.geometry import GaugeSpec
from stillwell.finding import Finding
from stillwell.observe.flow import PUMP_RESTS, FlowPlan, FlowWatch
from stillwell.observe.heat.plan import BandEdges, HeatPlan
from stillwell.observe.heat.watch import HeatWatch
from stillwell.observe.known import Known
from stillwell.reading import Flag, Moment, Reading
from tanks.bath import Bath, shown

DAY_S, HOUR_S = 86_400, 3_600
EVERY_S = 120
"""How often it is read, s: once in each of the pieces that the balance takes a trace in."""
MIDNIGHT_MS = int(datetime(2026, 2, 2, tzinfo=UTC).timestamp() * 1000)
"""In Dublin too, where it is winter."""
BANDS = (BandEdges("water", 24.7, 25.9),)
HEATER = Devices(heater=Control.THERMOSTAT)
PLAN = HeatPlan(("a", "b"), "room", BANDS, HEATER)
ONE = HeatPlan(("a",), bands=BANDS, devices=HEATER)
"""One probe and nothing else."""
LAMP = HeatPlan(("a",), "room", BANDS, HEATER, (time(12), time(22)), zone="Europe/Dublin")


class Heated(Bath):
    """Loses (T - room) / 25 h and 0.12 K/h by the air; its heater gives 0.9 K/h between 25.1 and
    25.5 degC. Read with noise and steps of 1/16 K."""

    def __init__(
        self, plan: HeatPlan = PLAN, *, lamp: float = 0.0, seed: int = 1, every_s: int = EVERY_S
    ) -> None:
        super().__init__(0.9 / HOUR_S, tau_s=25 * HOUR_S)
        self.plan, self.every_s = plan, every_s
        self.watch = HeatWatch(plan)
        self.flow = FlowWatch(FlowPlan("level", GaugeSpec(0.3), probes=plan.probes))
        """Sees the chamber where there are two probes."""
        self.known = Known()
        self.lamp = lamp
        """What the lamp gives, K/h."""
        self.lit = (12.0, 22.0)
        """The hours in which it is on."""
        self.rng = random.Random(seed)
        self.t = 0
        self.mono_ms = 9_000_000
        self.warmer = 0.0
        """Of the room, by weather, K."""
        self.chills = False
        """Whether its device cools instead: on above the upper point, off below the lower one."""
        self.welded = False
        """Whether the heater is on whatever the water."""
        self.aside = 0.0
        """By how much the first probe reads more than the water, K."""
        self.stuck: float | None = None
        """What the first probe says whatever the water does."""
        self.level = 0.0
        self.gauge = self.room_read = True
        self.findings: list[Finding] = []
        """What has changed; an alarm that stands is found again and again."""
        self.newest: dict[str, Finding] = {}
        self.at_h: dict[str, float] = {}
        """When each alarm last changed, h."""
        self.rests: list[tuple[bool, int]] = []
        """Whether the pump rests, and from when on it is so."""
        self.hear(self.watch.tick(self.now))
        self.findings.clear()

    @property
    def now(self) -> Moment:
        return Moment(self.t * 1000 + self.mono_ms, MIDNIGHT_MS + self.t * 1000, 1)

    @property
    def room(self) -> float:
        hour = self.t % DAY_S / HOUR_S
        return 20.5 + 0.8 * math.cos(2 * math.pi * (hour - 15) / 24) + self.warmer

    def run(self, hours: float, until: Callable[[], bool] = lambda: False) -> None:
        """Lives on, at most until something is so."""
        end = self.t + round(hours * HOUR_S)
        while self.t < end and not until():
            hour = self.t % DAY_S / HOUR_S
            lit = self.lit[0] <= hour < self.lit[1]
            other = (self.lamp * lit - 0.12) / HOUR_S
            if self.chills:
                self._chill(other)
            else:
                if self.welded:
                    self.low, self.high = 90.0, 91.0
                self.move(self.every_s, self.room, other)
            self.t += self.every_s
            if self.gauge and len(self.plan.probes) > 1:
                self._read("level", self.level + self.rng.gauss(0, 0.3))
            if self.room_read and self.plan.room:
                self._read(self.plan.room, shown(self.room, 0.02, self.rng))
            for name in self.plan.probes:
                first = name == self.plan.probes[0]
                value = shown(self.water + (self.aside if first else 0.0), 0.02, self.rng)
                self._read(name, value if self.stuck is None or not first else self.stuck)

    def _chill(self, other: float) -> None:
        self.on = self.welded or self.water > (self.low if self.on else self.high)
        cools = self.gain * self.share if self.on else 0.0
        self.water += (other - cools - (self.water - self.room) / self.tau_s) * self.every_s
        self.felt = self.water

    def _read(self, name: str, value: float) -> None:
        reading = Reading(name, self.now, value, Flag.PASS)
        found, self.known = in_turn((self.flow, self.watch), self.known, lambda o: o.see(reading))
        self.hear(found)

    def hear(self, findings: Iterable[Finding]) -> None:
        """Keeps what has changed."""
        for finding in findings:
            if finding.alarm == PUMP_RESTS:
                self.rests.append((finding.active, self.t))
                continue
            before = self.newest.get(finding.alarm)
            if finding.active != (before is not None and before.active):
                self.findings.append(finding)
                self.at_h[finding.alarm] = self.t / HOUR_S
            self.newest[finding.alarm] = finding

    def said(self) -> list[tuple[str, bool]]:
        return [(finding.alarm, finding.active) for finding in self.findings]

    def after(self, on: bool) -> None:
        """Lives on until the relay has just gone on, or off."""
        self.run(48, lambda: self.on is not on)
        self.run(48, lambda: self.on is on)

    def die(self) -> Finding:
        """Lets the heater die while it is off, and waits for the alarm."""
        self.after(on=False)
        self.share = 0.0
        self.run(12, lambda: bool(self.findings))
        return self.findings[-1]

    def weld(self) -> Finding:
        """Welds its contact while it is on, and waits for the alarm."""
        self.after(on=True)
        self.welded = True
        self.run(12, lambda: bool(self.findings))
        return self.findings[-1]

    def mend(self) -> None:
        self.share, self.welded = 1.0, False
        self.low, self.high = 25.1, 25.5

    def restart(self) -> None:
        """Ends the daemon; the next one takes up what it kept, in another boot."""
        state = self.watch.state()
        self.watch = HeatWatch(self.plan)
        self.watch.restore(state)
        self.t += 120
        self.mono_ms = 1000 - self.t * 1000
        self.hear(self.watch.tick(self.now))


@cache
def _learned(plan: HeatPlan, lamp: float, days: float, every_s: int) -> Heated:
    tank = Heated(plan, lamp=lamp, every_s=every_s)
    tank.run(24 * days)
    return tank


def learned(
    plan: HeatPlan = PLAN, *, lamp: float = 0.0, days: float = 4.0, every_s: int = EVERY_S
) -> Heated:
    """Returns a tank after some days on which all was well."""
    return copy.deepcopy(_learned(plan, lamp, days, every_s))
