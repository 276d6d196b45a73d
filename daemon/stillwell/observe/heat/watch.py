"""The observer of the water's heat: one balance a probe; the best placed probe that is believed
speaks. It also judges the probes, and whether the mains are lost."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace
from datetime import UTC, datetime
from functools import partial
from zoneinfo import ZoneInfo

from stillwell.alarm.catalogue import priority_of
from stillwell.alarm.rules.missing import Worth, worth
from stillwell.entry import Entry
from stillwell.estimate.heat_balance.answers import answers, setting_c
from stillwell.estimate.heat_balance.judge import Verdict
from stillwell.estimate.heat_balance.probe import Around, Held, ProbeHeat
from stillwell.estimate.lamp_hours import LampHours, Window
from stillwell.estimate.probes.judge import ProbeJudge
from stillwell.finding import Finding, Over
from stillwell.notice import Facts, Priority
from stillwell.observe.heat.facts import MAINS_LOST, RoomTooWarm, SettingMoved
from stillwell.observe.heat.found import adopted, at_limit, found, moved, over, too_warm, water_seen
from stillwell.observe.heat.kept import KEPT, Dial, Kept
from stillwell.observe.heat.lamp import LAMP_ALARMS, LampWatch
from stillwell.observe.heat.plan import HeatPlan
from stillwell.observe.known import Flow, Known
from stillwell.ports import Published
from stillwell.reading import Moment, Reading

TOO_WARM = "room.too-warm"
HEAT_ALARMS = (*map(str, Verdict), TOO_WARM)
SILENT_S = 900.0
"""A channel without a good reading for so long says nothing."""
PUBLISH_S = 600.0
POURS = frozenset({"pour", "salt-pour", "water-change"})
DENIED_S = 5400.0
"""What one probe says and another denies waits no longer: the stuck one is known by then."""
FOUND_S = 300.0
"""So often what stands is found anew. A choice of ours."""
DIAL_S = 86_400.0
LONGEST_STEP_H = 0.25
"""h: over a longer step it is not known what the lamp did."""
STILL_S = 600.0
"""What repeats itself to the last digit for so long says nothing of the water."""
_DENIABLE = frozenset(set(Verdict) - {Verdict.SETTING_MOVED})
_NONE: tuple[Finding, ...] = ()


class HeatWatch:
    """An observer of the pipeline. Times inside are seconds of its own line of time."""

    name = "heat"
    learns_from = 40_000
    """Three days of four probes, read every half minute: some ten seconds of a small Pi."""

    def __init__(self, plan: HeatPlan) -> None:
        self.plan = plan
        self._zone = ZoneInfo(plan.zone)
        self._hours = None if plan.lamp is None else LampHours(*plan.lamp, self._zone)
        self._fan = None if plan.fan is None else LampHours(*plan.fan, self._zone)
        self._begin(Kept(plan.devices, lead=plan.probes[0]))

    def _begin(self, kept: Kept) -> None:
        self._kept = kept
        plan = self.plan
        self.probes = {name: self._view(kept.probes.get(name)) for name in plan.probes}
        self.judge = ProbeJudge(plan.probes, plan.room)
        self._flow = Flow()
        self._lamp = LampWatch(self._hours, kept.lit) if self._hours and plan.sees_lamp else None
        self._settings: dict[str, float] = {}
        """The heater's setting as each probe sees it: a yardstick that no probe moves."""
        self._windows: dict[LampHours, Window] = {}
        """The hours in which lamp or fan are on, or off, that were last asked for."""
        self._t = 0.0
        self._found_s = -math.inf
        self._published_s = -math.inf
        self._began = self._told_all = False

    def _view(self, held: Held | None) -> ProbeHeat:
        return ProbeHeat(self.plan.devices, room_seen=bool(self.plan.room), held=held)

    # -- observer --------------------------------------------------------------------------------

    def see(self, reading: Reading) -> Iterable[Finding]:
        """Takes a reading; returns what has changed by it."""
        name, plan, kept = reading.channel, self.plan, self._kept
        if name not in self.probes and name not in (plan.room, plan.lamp_switch):
            return _NONE
        if worth(reading) is not Worth.GOOD or reading.value is None:
            return _NONE
        now, value = reading.moment, reading.value
        t = self._pass_to(now)
        if name == plan.lamp_switch:
            kept.lamp = value, t
            return _NONE
        out = [self._doubt(each, now) for each in self.judge.see(name, t, value, self._settings)]
        if name == plan.room:
            if name not in self.judge.doubted:
                kept.room = value, t
            return out
        return [*out, *self._see_water(name, t, value, now)]

    def hear(self, known: Known) -> None:
        """Takes how the pump runs: what is in a chamber that has just come to stand otherwise is
        not the tank's water."""
        before, self._flow = self._flow, known.flow
        if before.rests is not known.flow.rests:
            for probe in self.probes.values():
                probe.tank.disturb(self._t / 3600)

    def tell(self, known: Known) -> Known:
        """Says which probes are doubted, and whether the mains are lost."""
        lost, doubted = self._kept.mains.lost, frozenset(self.judge.doubted)
        return replace(known, doubted=doubted, mains_lost=lost, no_flow=known.no_flow or lost)

    def note(self, entry: Entry, struck: Entry | None) -> Iterable[Finding]:
        """Takes from the journal what disturbs the water."""
        line = self._kept.line
        if struck is None and entry.kind in POURS and line.offset_ms is not None:
            at_s = line.of_utc(entry.at_ms) / 1000
            for probe in self.probes.values():
                probe.tank.disturb(at_s / 3600)
        return _NONE

    def tick(self, now: Moment) -> Iterable[Finding]:
        """Says once after a start how each of its alarms stands; after that nothing is due by time
        alone: a probe that says nothing is another's alarm. While it is not known what the devices
        do when they are well, it is not known either that something is over."""
        out: list[Finding] = []
        if not self._began:
            self._began = True
            self._pass_to(now)
            self._found_s = -math.inf
            out += self._findings(now)
            if not self._kept.mains.lost:
                out.append(Finding(MAINS_LOST, False, priority_of(MAINS_LOST), Over()))
            out += [self._doubt(channel, now) for channel in self.judge.channels]
        if not self._told_all and self.lead.learned:
            self._told_all = True
            if self._lamp is not None:
                out += [self._lamp.standing(name, self.lead, now) for name in LAMP_ALARMS]
            out += [
                Finding(name, False, priority_of(name), Over())
                for name in HEAT_ALARMS
                if name not in self._kept.told
            ]
        return out

    def estimates(self, now: Moment) -> Iterable[Published]:
        """Returns what has been learned, every ten minutes."""
        if self._t - self._published_s < PUBLISH_S:
            return ()
        self._published_s = self._t
        tank = self.lead.tank
        known = tank.known
        days = 0.0 if known.at_h is None else (known.at_h - known.start_h) / 24
        cycles = min(len(known.turns[0].peaks), len(known.turns[0].troughs))
        basis = f"{days:.0f} days of the water, with its last {cycles} cycles"
        if known.proportional or not cycles:
            basis = f"{days:.0f} days of the water"
        return [
            Published(each.name, now.utc_ms, each.unit, each.value, each.low, each.high, basis)
            for each in answers(tank, self.lead.day)
        ]

    @property
    def lead(self) -> ProbeHeat:
        """Returns the view of the probe that speaks."""
        return self.probes[self._kept.lead]

    # -- the water -------------------------------------------------------------------------------

    def _see_water(self, name: str, t: float, value: float, now: Moment) -> Iterator[Finding]:
        probe = self.probes[name]
        if name in self.judge.doubted:
            return
        apart = any(other.tank.rests for n, other in self.probes.items() if self._able(n))
        news = not self._flow.rests and probe.take(t, value, self._around(t, now), apart=apart)
        if news and (held := setting_c(probe.tank)) is not None:
            self._settings[name] = held
        self._see_chamber(name, t, value)
        if name == self._choose() and news:
            if self._lamp is not None:
                yield from self._see_lamp(probe, now)
            yield from self._findings(now)

    def _see_lamp(self, probe: ProbeHeat, now: Moment) -> Iterator[Finding]:
        assert self._lamp is not None
        room_c, room_s = self._kept.room
        hours, mixture = probe.held.step_h, probe.tank.mixture
        if mixture is not None and self._t - room_s < SILENT_S and hours < LONGEST_STEP_H:
            fan_k = self._on(self._fan, now) * probe.tank.learner.law.fan
            yield from self._lamp.see(probe, hours, room_c + fan_k - mixture.leader.water, now)

    def _around(self, t: float, now: Moment) -> Around:
        kept = self._kept
        room_c, room_s = kept.room
        switch, switch_s = kept.lamp
        lamp = switch if t - switch_s < SILENT_S else self._on(self._hours, now)
        local = datetime.fromtimestamp(now.utc_ms / 1000, UTC).astimezone(self._zone)
        hour = local.hour + local.minute / 60
        room = room_c if t - room_s < SILENT_S else None
        return Around(room, lamp, self._on(self._fan, now), hour)

    def _on(self, hours: LampHours | None, now: Moment) -> float:
        """Returns 1 within the hours of something that a timer switches."""
        if hours is None:
            return 0.0
        window = self._windows.get(hours)
        if window is None or not window.start_ms <= now.utc_ms < window.end_ms:
            window = self._windows[hours] = hours.window(now.utc_ms)
        return float(window.lit)

    def _choose(self) -> str:
        """Returns the first probe, in the plan's order, that is heard, believed and learned. What
        stands by the one before it stands by this one, until that has evidence that it is over."""
        kept = self._kept
        able = [name for name in self.plan.probes if self._able(name)]
        wise = [name for name in able if self.probes[name].learned]
        # One that has learned nothing can't say what stands: the learned one does, though silent.
        others = wise or ([] if self.lead.learned else able)
        lead = next(iter(others), kept.lead)
        if lead != kept.lead:
            self.probes[lead].judgement.follow(self.lead.judgement)
            kept.lead = lead
        return lead

    def _able(self, name: str) -> bool:
        heard = self._t - self.probes[name].held.good_s < SILENT_S
        return heard and name not in self.judge.doubted

    # -- what stands -----------------------------------------------------------------------------

    def _findings(self, now: Moment) -> Iterator[Finding]:
        """Yields what has changed, and every five minutes what stands as it is by now: who is
        reminded of it hears where the water is and where it goes."""
        kept, probe = self._kept, self.lead
        standing = self._standing(probe)
        again = self._t - self._found_s >= FOUND_S
        if again:
            self._found_s = self._t
        water = partial(water_seen, probe, self.plan, now)
        since = partial(self._moment, now=now)
        stopped = self._flow.stopped
        yield from kept.mains.judge(self._t, standing, water, since, stopped=stopped, again=again)
        for name in (*map(str, Verdict), TOO_WARM):
            since_s = standing.get(name)
            limit = name == Verdict.TOO_WEAK and Verdict.TOO_WEAK not in probe.judgement.since
            told = kept.told.get(name)
            if since_s is not None and (told is not limit or again):
                kept.told[name] = limit
                priority = Priority.LOW if limit else priority_of(name)
                facts = self._facts(name, limit, now)
                yield Finding(name, True, priority, facts, self._moment(since_s, now))
            elif since_s is None and told is not None and probe.learned:
                del kept.told[name]
                moves = not self._kept.mains.just_back(self._t)
                facts = over(name, probe, self.plan, now, limit=told, moves=moves)
                yield Finding(name, False, priority_of(name), facts)

    def _standing(self, probe: ProbeHeat) -> dict[str, float]:
        """Returns what stands by the probe that speaks, and since when; less what its very
        standstill says, and what another believed probe denies: a probe that has stuck looks like
        water without heat. Not for longer than it takes to tell that it has."""
        kept, held = self._kept, probe.held
        out: dict[str, float] = {}
        for verdict in kept.waits.keys() - probe.judgement.since.keys():
            del kept.waits[verdict]
        judgement = probe.judgement
        if self._kept.mains.just_back(self._t):
            # Nothing was wrong with it, so that the first evidence is enough.
            for verdict in list(judgement.doubtful):
                del judgement.since[verdict], judgement.doubtful[verdict]
        for verdict, since_h in judgement.since.items():
            if verdict in _DENIABLE and verdict not in kept.told:
                waits_s = self._t - kept.waits.setdefault(verdict, self._t)
                still = self._t - held.moved_s > STILL_S
                others = (
                    self.probes[n] for n in self.plan.probes if n != kept.lead and self._able(n)
                )
                if waits_s < DENIED_S and (still or any(o.denies(verdict) for o in others)):
                    continue
            out[verdict] = since_h * 3600
        if held.limit_s is not None and not {Verdict.TOO_WEAK, Verdict.NOT_HEATING} & out.keys():
            out[Verdict.TOO_WEAK] = held.limit_s
        self._hold_dial(probe, out)
        told = TOO_WARM in self._kept.told
        warm_s = too_warm(probe, self.plan.edges[1], self._t, told=told)
        if warm_s is not None and Verdict.STUCK_ON not in out:
            out[TOO_WARM] = warm_s
        return out

    def _hold_dial(self, probe: ProbeHeat, out: dict[str, float]) -> None:
        """A dial that was moved is told for a day, also when its new points are known by then;
        unless it is turned back."""
        kept, name = self._kept, Verdict.SETTING_MOVED
        if name in out:
            kept.dial = Dial(out[name], *moved(probe))
        elif kept.dial is not None:
            known = adopted(probe, kept.dial.at_c, kept.dial.by_k, kept.dial.since_s)
            if name in kept.told and known and self._t - kept.dial.since_s < DIAL_S:
                out[name] = kept.dial.since_s
            else:
                kept.dial = None

    def _facts(self, name: str, limit: bool, now: Moment) -> Facts:
        kept, probe = self._kept, self.lead
        room_c, room_s = kept.room
        room = room_c if self._t - room_s < SILENT_S else None
        if name == TOO_WARM:
            return RoomTooWarm(water_seen(probe, self.plan, now), probe.tank.pair()[1].at)
        if limit:
            return at_limit(probe, self.plan, now, room)
        if name == Verdict.SETTING_MOVED and kept.dial is not None:
            return SettingMoved(water_seen(probe, self.plan, now), kept.dial.at_c, kept.dial.by_k)
        return found(Verdict(name), probe, self.plan, now, room)

    def _see_chamber(self, name: str, t: float, value: float) -> None:
        """Takes what the first two probes say of a chamber that is up."""
        chamber, since, pair = self._kept.mains.chamber, self._flow.since, self.plan.probes[:2]
        line = self._kept.line
        chamber.rises(None if since is None else line.of_this_boot(since) / 1000)
        if name not in pair or not all(map(self._able, pair)):
            return
        if name != pair[0]:
            chamber.see_tank(t, value)
            return
        tank = self.probes[name].tank
        heats = tank.mixture is not None and tank.devices.heater is not None
        chamber.see_chamber(t, value, tank.pair()[0].at if heats else None)

    # -- time ------------------------------------------------------------------------------------

    def _doubt(self, channel: str, now: Moment) -> Finding:
        return self.judge.finding(channel, self._t, now)

    def _pass_to(self, now: Moment) -> float:
        """Lets time pass up to `now`; returns it, s."""
        line = self._kept.line
        if now.mono_ms < line.mono_ms - 60_000:
            # Another boot: nobody knows what was in between.
            self.judge.interrupt()
        self._t = max(self._t, line.at(now) / 1000)
        return self._t

    def _moment(self, at_s: float, now: Moment) -> Moment:
        ago_ms = max(0, round((self._t - at_s) * 1000))
        return Moment(now.mono_ms - ago_ms, now.utc_ms - ago_ms, now.epoch)

    # -- across restarts -------------------------------------------------------------------------

    def state(self) -> str:
        """Returns all that is known and under way, some kB a probe whatever the history."""
        kept = self._kept
        kept.probes = {name: probe.held for name, probe in self.probes.items()}
        kept.judge = self.judge.held()
        return KEPT.text(kept)

    def restore(self, state: str) -> None:
        """Takes up the text of `state`. Raises ValueError for one that can't be used, also because
        it is of other devices, and is then as new. Probes that are no longer there are left
        out."""
        fresh = Kept(self.plan.devices, lead=self.plan.probes[0])
        try:
            kept = KEPT.read(state)
            if kept.devices != self.plan.devices:
                raise ValueError("the settings name other devices")
            if kept.lead not in self.plan.probes:
                kept.lead = self.plan.probes[0]
            self._begin(kept)
            if kept.judge is not None:
                self.judge.restore(kept.judge)
        except (KeyError, TypeError, ValueError, AttributeError) as error:
            self._begin(fresh)
            raise ValueError(f"what was learned of the heat cannot be used: {error}") from error
        for name, probe in self.probes.items():
            if (held := setting_c(probe.tank)) is not None:
                self._settings[name] = held
        if kept.line.offset_ms is not None:
            self._t = (kept.line.mono_ms + kept.line.offset_ms) / 1000

    def moved(self, by: Mapping[str, float]) -> None:
        """Goes on with probes that have another offset: see `observing.TakesOffsets`."""
        for name in self.probes.keys() & by.keys():
            self.probes[name] = self.probes[name].rezeroed(by[name])
            if name in self._settings:
                self._settings[name] += by[name]
        self.judge.rezero(by)
