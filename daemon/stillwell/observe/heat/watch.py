"""The heater's watch: an observer of the pipeline that turns what the probes' traces say into
findings. One inference a probe; the best placed probe that is not doubted speaks."""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Mapping
from dataclasses import replace
from zoneinfo import ZoneInfo

from stillwell.alarm.catalogue import priority_of
from stillwell.alarm.rules.missing import Worth, worth
from stillwell.entry import Entry
from stillwell.estimate.heat.inference import Inference
from stillwell.estimate.heat.plan import HeaterPlan
from stillwell.estimate.heat.pump import POURED_S, WINDOW_S, Pump
from stillwell.estimate.heat.standing import Condition
from stillwell.estimate.imprint import form, imprint, take_up
from stillwell.estimate.probes import ProbeJudge
from stillwell.estimate.thermal.lamp_hours import LampHours, Window
from stillwell.finding import Finding, Over
from stillwell.notice import Priority
from stillwell.observe.heat.facts import HeatOver, Kind, MainsLost, PumpStopped
from stillwell.observe.heat.found import found, water_seen
from stillwell.observe.known import Known
from stillwell.ports import Published
from stillwell.reading import Moment, Reading

MAINS_LOST = "mains.lost"
VERSION = 1
"""Of the state that is kept."""
SILENT_S = 900.0
"""A probe without a good reading for so long does not speak."""
PUBLISH_S = 600.0
LONGEST_AWAY_MS = 30 * 86_400_000
DISORDER_MS = 60_000
"""Readings of two buses come as much out of order; what lies further back is another boot's."""
PUMP_STOPPED = "pump.stopped"
PUMP_RESTS = "pump.resting"
"""No alarm, but a state of the plant: the chamber stands as it does in a feeding pause or while
water is changed, and a probe in it sees the heater's water and not the tank's."""
PUMP_LATE_S = 600.0
"""So much later than the heater's failing the rise may be seen: gauges are read now and then."""
LAMP_LEAD_MS = 3 * 3_600_000
"""Heat that begins to come so long before the lamp's hour is not the lamp's."""
TOGETHER_S = 1200.0
"""Two probes see the same water within so long of each other."""
POURS = frozenset({"pour", "salt-pour", "water-change"})
_COLD = (Condition.NOT_HEATING, Condition.TOO_WEAK)
"""What a heater without current looks like."""
DENIED_S = 5400.0
"""What one probe says and another denies waits no longer: the stuck one is known by then."""
FOUND_S = 300.0
"""So often what stands is found anew. A choice of ours."""
STILL_S = 600.0
"""What repeats itself to the last digit for so long says nothing of the water."""
ALONE = 0.6
"""Of a jump, the share that the other probe must not have seen."""
_OF_THE_RUN = frozenset({"plan", "_lamp", "_began", "_published_ms", "_last"})
"""What a run makes anew, or keeps otherwise."""
_NONE: tuple[Finding, ...] = ()


class HeaterWatch:
    """An observer of the pipeline. Its own time runs on across restarts: seconds that pass on the
    monotonic clock, and over a restart those of the wall clock, thirty days at most."""

    name = "heater"

    def __init__(self, plan: HeaterPlan) -> None:
        self.plan = plan
        self.minds = {name: Inference() for name in plan.probes}
        self.judge = ProbeJudge(plan.probes, plan.room)
        self._lamp = None if plan.lamp is None else LampHours(*plan.lamp, ZoneInfo(plan.zone))
        self._window: Window | None = None
        """The lamp's hours, or its dark ones, that were last asked for."""
        self._tie()
        self._room: float | None = None
        self._room_s = -SILENT_S
        self._good_s: dict[str, float] = {}
        self._told: dict[str, Kind] = {}
        """What stands, and as what we last said it, by alarm."""
        self._lead = plan.probes[0]
        self._pump = Pump(plan.drain_back_mm)
        self._rests = False
        self._level_s = -math.inf
        """When the gauge was last heard."""
        self._poured_s = -math.inf
        """When water was last poured or changed by the journal."""
        self._values: dict[str, float] = {}
        self._moved_s: dict[str, float] = {}
        """When each probe last read something else than before."""
        self._found_s = -math.inf
        self._held_s: dict[Condition, float] = {}
        """Since when something stands that is not told yet."""
        self._settings: dict[str, float] = {}
        """The thermostat's setting as each probe sees it: a yardstick that no probe moves."""
        self._lessons: dict[str, int] = {}
        self._known: tuple[object, ...] = ()
        """What the last findings rested on."""
        self._jumps: dict[str, tuple[float, float]] = {}
        """By probe, when its trace last jumped for good, and by how much."""
        self._published_ms: int | None = None
        self._t = 0.0
        self._last: Moment | None = None
        self._began = False

    def _tie(self) -> None:
        """What the probes' inferences ask of this watch, and of each other's parts."""
        for mind in self.minds.values():
            mind.power.dark = self._dark
            mind.lit = self._lit
            mind.dial.explained = mind.jumps.explain

    # -- observer --------------------------------------------------------------------------------

    def see(self, reading: Reading) -> Iterable[Finding]:  # noqa: C901
        """Takes a reading; returns what has changed by it."""
        name = reading.channel
        plan = self.plan
        if name not in self.minds and name not in (plan.room, plan.level):
            return _NONE
        if worth(reading) is not Worth.GOOD or reading.value is None:
            return _NONE
        now, value = reading.moment, reading.value
        t = self._pass_to(now)
        if name == plan.level:
            self._level_s = t
            apart = self._pump.unmixed(t)
            self._pump.see_level(t, value)
            unmixed = self._pump.unmixed(t)
            for mind in self.minds.values():
                mind.power.apart = self._pump.since_s is not None
                if unmixed or self._pump.stands:
                    mind.power.torn(t)
                if unmixed and not apart:
                    mind.unmixed()
                if unmixed:
                    mind.unmixed_s = t
                elif apart and self._pump.usual:
                    mind.mixed_again()
            return [*self._resting(unmixed, now), *self._pump_findings(now)]
        changed = self.judge.see(name, t, value, self._settings)
        out = [self._doubt(channel, now) for channel in changed]
        if name == plan.room:
            if name not in self.judge.doubted:
                self._room, self._room_s = value, t
            return out
        self._good_s[name] = t
        if name in self.judge.doubted:
            return out
        room = self._room if t - self._room_s < SILENT_S else None
        mind = self.minds[name]
        if t - self._level_s >= SILENT_S:
            # A gauge that died while the chamber was up must hide nothing.
            mind.power.apart = False
            out += self._resting(False, now)
        mind.see(t, value, room)
        if mind.lessons != self._lessons.get(name):
            self._lessons[name] = mind.lessons
            self._settings = self._as_seen()
        if mind.jumps.last is not None:
            self._see_jump(name, mind)
        if value != self._values.get(name):
            self._moved_s[name] = t
        self._values[name] = value
        if name == self.plan.probes[0] and mind.learned:
            self._pump.see_chamber(t, value, mind.thermostat.trough.level)
        out += self._see_gap(name, t, now)
        if name == self._choose():
            out += self._findings(now)
            out += self._found_anew(now)
        return out

    def tell(self, known: Known) -> Known:
        """Says which probes are doubted, and whether the pump has stopped."""
        stopped = not self._told.keys().isdisjoint((PUMP_STOPPED, MAINS_LOST))
        return replace(known, doubted=frozenset(self.judge.doubted), no_flow=stopped)

    def note(self, entry: Entry, struck: Entry | None) -> Iterable[Finding]:
        """Takes from the journal only what made the chamber rise; water that was poured or changed
        shows in the probes' trace, noted or not."""
        if struck is None and entry.kind in POURS and self._last is not None:
            at_s = self._t - (self._last.utc_ms - entry.at_ms) / 1000
            self._pump.pour(at_s)
            self._poured_s = at_s
            for name, (jumped_s, _) in self._jumps.items():
                if abs(jumped_s - at_s) < POURED_S:
                    self.minds[name].was_water()
        return _NONE

    def tick(self, now: Moment) -> Iterable[Finding]:
        """Says once after a start how each of its alarms stands; after that nothing is due by time
        alone: a probe that says nothing is another's alarm."""
        if self._began:
            return _NONE
        self._began = True
        self._pass_to(now)
        self._told = {}
        rests, self._rests = self._rests, False
        out = [*self._resting(rests, now), *self._findings(now)]
        standing = {finding.alarm for finding in out}
        out += self._pump_findings(now)
        standing |= {finding.alarm for finding in out}
        for name in (*map(str, Condition), MAINS_LOST, PUMP_STOPPED):
            if name not in standing:
                out.append(Finding(name, False, priority_of(name), Over()))
        out += [self._doubt(channel, now) for channel in self.judge.channels]
        return out

    def estimates(self, now: Moment) -> Iterable[Published]:
        """What has been learned, every ten minutes."""
        if self._published_ms is not None and now.mono_ms - self._published_ms < PUBLISH_S * 1000:
            return ()
        self._published_ms = now.mono_ms
        mind = self.minds[self._lead]
        return published(mind, now, self._t) if mind.learned else ()

    @property
    def lead(self) -> Inference:
        """The inference of the probe that speaks."""
        return self.minds[self._lead]

    # -- inside ----------------------------------------------------------------------------------

    def _choose(self) -> str:
        """The first probe, in the plan's order, that is heard, believed and learned."""
        doubted = self.judge.doubted
        heard = ""
        for name in self.plan.probes:
            if name in doubted or not self._heard(name):
                continue
            if self.minds[name].learned:
                self._lead = name
                return name
            heard = heard or name
        self._lead = heard or self._lead
        return self._lead

    def _as_seen(self) -> dict[str, float]:
        minds = self.minds.items()
        return {name: mind.thermostat.setting_c for name, mind in minds if mind.learned}

    def _see_jump(self, name: str, mind: Inference) -> None:
        """A jump that two probes have seen, or that the journal knows, was water; one that only
        this one has seen was not."""
        assert mind.jumps.last is not None
        at_s, by_k = self._jumps[name] = mind.jumps.last
        mind.jumps.last = None
        apart = self.judge.apart(name, self._t)
        if apart is not None and apart * by_k > 0 and abs(apart) > ALONE * abs(by_k):
            mind.was_alone(by_k)
        if abs(at_s - self._poured_s) < POURED_S:
            mind.was_water()
        for other, (other_s, other_k) in self._jumps.items():
            alike = by_k * other_k > 0 and abs(by_k - other_k) < 0.5 * abs(by_k)
            if other != name and alike and abs(at_s - other_s) < TOGETHER_S:
                mind.was_water()
                self.minds[other].was_water()

    def _findings(self, now: Moment) -> Iterable[Finding]:
        mind = self.minds[self._lead]
        standing = self._borne_out(mind)
        pump = (self._pump.since_s, self._pump.silent(self._t))
        known = (self._lead, mind.changes, len(standing), pump, len(self._told))
        if known == self._known:
            return
        mains = self._mains(standing)
        if mains and MAINS_LOST not in self._told:
            since_s = standing.get(Condition.NOT_HEATING, self._pump.since_s)
            since = now if since_s is None else self._moment(since_s, now)
            lost = MainsLost(water_seen(mind, self.plan, now))
            self._told[MAINS_LOST] = Kind.PLAIN
            self._pump.held = True
            yield Finding(MAINS_LOST, True, priority_of(MAINS_LOST), lost, since)
        for condition in Condition:
            name = str(condition)
            since_s, kind = self._how(condition, standing, mind)
            told = self._told.get(name)
            if since_s is not None and kind is not told:
                since = self._moment(since_s, now)
                facts = found(condition, kind, mind, self.plan, now)
                self._told[name] = kind
                priority = self._priority(condition, kind)
                yield Finding(name, True, priority, facts, since)
            elif since_s is None and told is not None:
                del self._told[name]
                water, dial_k = water_seen(mind, self.plan, now), mind.thermostat.dial_k
                over = HeatOver(water, condition, told, dial_k)
                yield Finding(name, False, priority_of(condition), over)
        if not mains and MAINS_LOST in self._told:
            del self._told[MAINS_LOST]
            self._pump.held = False
            yield Finding(MAINS_LOST, False, priority_of(MAINS_LOST), Over())
        self._known = (self._lead, mind.changes, len(standing), pump, len(self._told))

    @staticmethod
    def _how(
        condition: Condition, standing: dict[Condition, float], mind: Inference
    ) -> tuple[float | None, Kind]:
        """Since when a condition stands (None: it does not), and how it is to be told."""
        since_s = standing.get(condition)
        if condition is Condition.SETTING_MOVED and mind.dial.supposed_k:
            return since_s, Kind.SUPPOSED
        short = condition is Condition.TOO_WEAK
        if short and since_s is None and Condition.NOT_HEATING not in mind.standing:
            return mind.power.limit_s, Kind.HOLDS
        return since_s, Kind.PLAIN

    def _dark(self, at_s: float) -> bool:
        """Whether the lamp surely burnt neither then nor in the next hours, also where its hours
        were moved a little and nobody said so."""
        if self._lamp is None or self._last is None:
            return False
        at_ms = self._last.utc_ms - round((self._t - at_s) * 1000)
        return not any(
            w.start_ms - LAMP_LEAD_MS <= at_ms <= w.end_ms for w in self._lamp.lit(at_ms)
        )

    def _lit(self, from_s: float, to_s: float) -> float | None:
        """The part of the time between two instants in which the lamp should burn; None where
        nobody said when."""
        if self._lamp is None or self._last is None:
            return None
        from_ms, to_ms = (self._last.utc_ms - round((self._t - s) * 1000) for s in (from_s, to_s))
        window = self._window
        if window is None or not window.start_ms <= (from_ms + to_ms) // 2 < window.end_ms:
            window = self._window = self._lamp.window((from_ms + to_ms) // 2)
        if window.start_ms <= from_ms and to_ms <= window.end_ms:
            return 1.0 if window.lit else 0.0
        return self._lamp.burns(from_ms, to_ms)

    def _found_anew(self, now: Moment) -> Iterable[Finding]:
        """What stands, as it is now: who is reminded of it hears where the water is by then and
        where it goes."""
        if not self._told or self._t - self._found_s < FOUND_S:
            return
        self._found_s = self._t
        mind = self.minds[self._lead]
        for condition in Condition:
            name = str(condition)
            since_s, kind = self._how(condition, mind.standing, mind)
            if since_s is not None and name in self._told:
                since = self._moment(since_s, now)
                facts = found(condition, kind, mind, self.plan, now)
                self._told[name] = kind
                yield Finding(name, True, self._priority(condition, kind), facts, since)
        cold_s = mind.standing.get(Condition.NOT_HEATING)
        if MAINS_LOST in self._told and cold_s is not None:
            since = self._moment(cold_s, now)
            lost = MainsLost(water_seen(mind, self.plan, now))
            yield Finding(MAINS_LOST, True, priority_of(MAINS_LOST), lost, since)

    @staticmethod
    def _priority(condition: Condition, kind: Kind) -> Priority:
        return Priority.LOW if kind is Kind.HOLDS else priority_of(condition)

    def _borne_out(self, mind: Inference) -> dict[Condition, float]:
        """What stands by the probe that speaks, less what its very standstill says, and what
        another believed probe denies: a probe that has stuck looks like water without heat. Not
        for longer than it takes to tell that it has."""
        standing = dict(mind.standing)
        for condition in (*_COLD, Condition.STUCK_ON):
            if condition not in standing or str(condition) in self._told:
                self._held_s.pop(condition, None)
                continue
            if self._t - self._held_s.setdefault(condition, self._t) > DENIED_S:
                continue
            still = self._t - self._moved_s.get(self._lead, self._t) > STILL_S
            others = [n for n in self.minds if n != self._lead and n not in self.judge.doubted]
            if condition is Condition.TOO_WEAK:
                others = []  # by a weak heater's trace too the relay is on
            if still or any(self._heard(n) and self.minds[n].within(condition) for n in others):
                del standing[condition]
        return standing

    def _heard(self, name: str) -> bool:
        return self._t - self._good_s.get(name, -SILENT_S) < SILENT_S

    def _mains(self, standing: dict[Condition, float]) -> bool:
        """Whether pump and heater have stopped together. Once told it stands while both do."""
        pump = self._pump
        cold = [standing[each] for each in _COLD if each in standing]
        if pump.silent(self._t):
            return True
        if not cold or pump.since_s is None or pump.warmed:
            return False
        if MAINS_LOST in self._told:
            return True
        if Condition.NOT_HEATING not in standing:
            return False
        late_s = standing[Condition.NOT_HEATING] - pump.since_s
        return late_s > -PUMP_LATE_S and (pump.stands or late_s < WINDOW_S)

    def _see_gap(self, name: str, t: float, now: Moment) -> list[Finding]:
        """The first two probes, while both are heard and believed."""
        pair = self.plan.probes[:2]
        heard = all(map(self._heard, pair))
        if len(pair) < 2 or name != pair[1] or pair[0] in self.judge.doubted or not heard:
            return []
        if pair[0] in self._values:
            self._pump.see_gap(t, self._values[pair[0]] - self._values[name])
        return self._pump_findings(now)

    def _resting(self, rests: bool, now: Moment) -> list[Finding]:
        if rests is self._rests:
            return []
        self._rests = rests
        return [Finding(PUMP_RESTS, rests, priority_of(PUMP_RESTS), Over())]

    def _pump_findings(self, now: Moment) -> list[Finding]:
        pump = self._pump
        if pump.stands and PUMP_STOPPED not in self._told and pump.since_s is not None:
            since = self._moment(pump.since_s, now)
            parted_k = (pump.now or 0.0) - (pump.gap or 0.0)
            facts = PumpStopped((self.plan.probes[0], self.plan.probes[1]), parted_k)
            self._told[PUMP_STOPPED] = Kind.PLAIN
            return [Finding(PUMP_STOPPED, True, priority_of(PUMP_STOPPED), facts, since)]
        if not pump.stands and PUMP_STOPPED in self._told:
            del self._told[PUMP_STOPPED]
            return [Finding(PUMP_STOPPED, False, priority_of(PUMP_STOPPED), Over())]
        return []

    def _doubt(self, channel: str, now: Moment) -> Finding:
        return self.judge.finding(channel, self._t, now)

    def _pass_to(self, now: Moment) -> float:
        """Lets time pass up to `now`; returns the watch's own time, s."""
        last = self._last
        passed_ms = 0 if last is None else now.mono_ms - last.mono_ms
        if -DISORDER_MS <= passed_ms < 0:
            return self._t
        if last is not None and passed_ms < 0:
            # Another boot: only the wall clock knows how long it was away, and without a battery it
            # may say that no time has passed.
            passed_ms = min(max(0, now.utc_ms - last.utc_ms), LONGEST_AWAY_MS)
            self.judge.interrupt()
            for mind in self.minds.values():
                mind.interrupt()
        self._last = now
        self._t += passed_ms / 1000
        return self._t

    def _moment(self, at_s: float, now: Moment) -> Moment:
        ago_ms = max(0, round((self._t - at_s) * 1000))
        return Moment(now.mono_ms - ago_ms, now.utc_ms - ago_ms, now.epoch)

    # -- across restarts -------------------------------------------------------------------------

    def state(self) -> str:
        """All that is known and under way, some tens of kB of JSON whatever the history."""
        return json.dumps(
            {
                "version": VERSION,
                "t": self._t,
                "last": self._last,
                "minds": {name: mind.to_json() for name, mind in self.minds.items()},
                "told": sorted(self._told),
                "probes": self.judge.to_json(),
                "pump": self._pump.to_json(),
                "form": self._form(),
                "under way": imprint(*self._parts(), without=_OF_THE_RUN),
            }
        )

    def moved(self, by: Mapping[str, float]) -> None:
        """Goes on with probes that have another offset: see `observing.TakesOffsets`."""
        for name in self.minds.keys() & by.keys():
            self.minds[name] = self.minds[name].rezeroed(by[name])
            self._jumps.pop(name, None)
        self._tie()
        self.judge.rezero(by)
        if self.plan.level in by:
            self._pump = Pump(self.plan.drain_back_mm)
        self._settings = self._as_seen()

    def _parts(self) -> tuple[object, ...]:
        """Whose attributes are under way."""
        return (self, *self.minds.values(), self.judge, self._pump)

    def _form(self) -> list[str]:
        """What an imprint must have been made with to fit."""
        return [form(), *self.plan.probes, "", self.plan.room, self.plan.level]

    def restore(self, state: str) -> None:
        """Takes up `state`'s text. Raises ValueError for one that cannot be used, and is then as
        new; probes that are no longer there are left out."""
        try:
            kept = json.loads(state)
            if kept["version"] != VERSION:
                raise ValueError(f"version {kept['version']}, not {VERSION}")
            self._t = float(kept["t"])
            self._last = None if kept["last"] is None else Moment(*map(int, kept["last"]))
            for name, mind in kept["minds"].items():
                if name in self.minds:
                    self.minds[name].restore(mind)
            self.judge.restore(kept["probes"])
            if "pump" in kept:
                self._pump.restore(kept["pump"])
            self._told = {str(name): Kind.PLAIN for name in kept["told"]}
            self._pump.held = MAINS_LOST in self._told
            self._settings = self._as_seen()
            if kept.get("form") == self._form():
                take_up(kept["under way"], *self._parts())
                self._tie()
        except (KeyError, TypeError, ValueError, AttributeError) as error:
            self.__init__(self.plan)  # type: ignore[misc]
            raise ValueError(f"what was learned of the heater cannot be read: {error!r}") from error


def published(mind: Inference, now: Moment, now_s: float) -> list[Published]:
    """Returns what one probe has taught, as sinks send it; `now_s` is now, on the watch's own
    time."""
    learned = mind.thermostat
    cycles = f"{int(min(learned.trough.count, learned.peak.count))} cycles of the heater"

    def one(name: str, unit: str, value: float, low: float, high: float) -> Published:
        return Published(f"heater.{name}", now.utc_ms, unit, value, low, high, cycles)

    def about(name: str, unit: str, value: float, error: float) -> Published:
        return one(name, unit, value, value - 1.96 * error, value + 1.96 * error)

    out = [
        *(
            about(name, "K" if name == "differential" else "Cel", *found)
            for name, found in learned.points().items()
        ),
        about("gain", "K/h", learned.gain.mean * 3600, learned.gain_error * 3600),
        about("loss", "K/h", learned.loss.mean * 3600, learned.loss.error * 3600),
    ]
    duty = mind.duty.share(now_s)
    if duty is not None:
        out.append(about("duty", "1", *duty))
    colder = learned.duty_per_k()
    if colder is not None:
        out.append(about("duty-per-kelvin", "1/K", *colder))
    tau = learned.room.tau_s()
    if tau is not None:
        out.append(one("time-constant", "h", *(t / 3600 for t in tau)))
    holds = learned.holds_down_to()
    if holds is not None:
        out.append(one("holds-down-to", "Cel", *holds))
    return out
