"""The alarms about the level and its sensors: the rules' verdicts, debounced. The number of
times that a verdict must be repeated is our own choice, checked on simulated tanks."""

from __future__ import annotations

from stillwell.alarm.catalogue import priority_of
from stillwell.estimate.answer import Estimate
from stillwell.estimate.level.state import LevelState
from stillwell.finding import Finding, Over
from stillwell.notice import Facts, Priority
from stillwell.observe.chamber import rules
from stillwell.observe.chamber.found import (
    Disagree,
    FloatFault,
    FloatWell,
    Leak,
    NoLeak,
    Seep,
    Standstill,
    Sure,
    TooHigh,
    ToppedUp,
    WantsWater,
)
from stillwell.observe.chamber.gathered import Gathered, gather
from stillwell.observe.chamber.lone import closed_since, unnoted_rises, unseen_pours
from stillwell.observe.chamber.plan import FloatChannel
from stillwell.observe.chamber.record import Debounce, LevelRecord
from stillwell.observe.chamber.top_up import (
    MISSING,
    RESERVOIR_LOW,
    STUCK_ON,
    TOP_UP_ALARMS,
    Supply,
    TopUpRules,
)
from stillwell.observe.chamber.total_intake import TotalIntake
from stillwell.reading import Moment

LEVEL_ALARMS = (
    "level.leak",
    "level.standstill",
    "level.disagree",
    "level.top-up",
    "level.too-high",
)

_HOUR_MS = 3_600_000
_FIRST_MS = 2 * _HOUR_MS
"""No rule is asked before this much time has been seen."""
_BLIND_MS = _HOUR_MS
"""After this long without a reading of any sensor, no alarm about the water changes."""
_HOUR_OF_SLICES = 6
_DAY_H = 24
_SURE_LIFT_MM = 3.0
_KNOWN_WINDOWS = 8
"""How many windows of its own past, two days, make a tank's usual known."""


def _enough_seen(state: LevelState, now_ms: int) -> bool:
    """Whether the rules may be asked."""
    return bool(state.slices) and now_ms - state.checkpoints[0].t_ms >= _FIRST_MS


class LevelAlarms:
    """Turns what is known into findings."""

    def __init__(self, record: LevelRecord, total: TotalIntake | None) -> None:
        self._record = record
        self._top_up = TopUpRules(record, total) if total else None
        self._floats = {channel.spec.name: channel for channel in record.plan.floats}
        self.facts = Gathered()
        """The facts that were gathered last."""
        self.found: list[Finding] = []
        """The findings not yet taken; whoever takes them empties the list."""

    def supply(self) -> Supply | None:
        """Returns what is left of the top-up's water; None without an automatic one."""
        return self._top_up.supply(self.facts) if self._top_up else None

    @property
    def names(self) -> tuple[str, ...]:
        of_top_up = TOP_UP_ALARMS if self._top_up else ()
        return (*LEVEL_ALARMS, *of_top_up, *self._record.plan.alarms())

    def announce(self, now: Moment) -> None:
        """Adds a finding for every alarm that says how it stands."""
        if self.facts.level_said is None:
            self.look()
        self.found += [self._standing(name, now) for name in self.names]

    def look(self) -> None:
        """Gathers the facts between two rounds of the rules."""
        level = self._record.level
        if level is not None and _enough_seen(level, level.now_ms):
            self.facts = gather(self._record, level, level.now_ms)

    def judge_at_once(self, now_ms: int, at: Moment) -> None:
        """Asks whether the top-up floods the tank: that can't wait for the next round."""
        if self._top_up is not None:
            runs = self._top_up.runs_on(self.facts, now_ms)
            self._turn(STUCK_ON, runs, now_ms, at, on=1, off=1)

    def judge(self, state: LevelState, now_ms: int, at: Moment) -> None:
        """Asks every rule."""
        if not _enough_seen(state, now_ms):
            return
        self.facts = gather(self._record, state, now_ms)
        slice_ms = self._record.model.slice_ms
        if now_ms - (state.slices[-1].index + 1) * slice_ms <= _BLIND_MS:
            self._judge_water(now_ms, at)
        if now_ms - state.checkpoints[0].t_ms >= rules.ACQUAINTED_MS:
            self._judge_sensors(state, now_ms, at)

    def _judge_water(self, now_ms: int, at: Moment) -> None:
        facts, level = self.facts, self.facts.level
        if facts.rate is not None and facts.bound is not None and not facts.dry:
            self._judge_loss(facts.rate, facts.bound, now_ms, at)
        if self._top_up is not None:
            low = self._top_up.runs_low(facts, now_ms, already=self._alarm(RESERVOIR_LOW).active)
            self._turn(RESERVOIR_LOW, low, now_ms, at, on=2, off=1)
            missing = self._top_up.misses(facts, now_ms, already=self._alarm(MISSING).active)
            self._turn(MISSING, missing, now_ms, at, on=3, off=1)
        geometry = self._record.plan.geometry
        already = self._alarm("level.top-up").active
        lowest = geometry.lowest_safe_mm
        low = not facts.far and rules.wants_water(
            facts.reserve, level, lowest, already, facts.reckoned_h
        )
        self._turn("level.top-up", low, now_ms, at, on=2, off=1)
        already = self._alarm("level.too-high").active
        high = rules.too_high(level, geometry.highest_safe_mm, already)
        self._turn("level.too-high", high, now_ms, at, on=2, off=1)

    def _judge_loss(self, rate: rules.RateNow, bound: rules.Usual, now_ms: int, at: Moment) -> None:
        facts = self.facts
        racing = facts.leaking is not None or (
            self._alarm("level.leak").active and not rules.leaks_no_more(rate, bound)
        )
        racing = racing and not rules.evaporates(facts.heat)
        leaks = racing or facts.seeping is not None
        self._turn("level.leak", leaks, now_ms, at, on=2, off=4)
        if self._alarm("level.leak").active and self._surely():
            self.found.append(self._standing("level.leak", at))  # its priority may have risen
        still = facts.idle is not None and rules.stands_still(facts.idle, bound)
        still = still and self._top_up is None and not self._poured_unnoted(now_ms)
        self._turn("level.standstill", still, now_ms, at, on=4, off=4)

    def _surely(self) -> Sure | None:
        """Returns why the loss that stands can't be evaporation."""
        facts, level = self.facts, self._record.level
        if facts.leaking is None or facts.bound is None or level is None:
            return None
        lasts_ms = level.now_ms - self._alarm("level.leak").since_ms
        return rules.surely_leaks(facts.leaking, facts.bound, facts.heat, lasts_ms)

    def _poured_unnoted(self, now_ms: int) -> bool:
        """Whether somebody poured lately and a single float can't tell how much."""
        record, lone = self._record, self._record.plan.lone
        if lone is None or record.level is None:
            return False
        since_ms = now_ms - (rules.STILL_WINDOW_H + _DAY_H) * _HOUR_MS
        rises = unnoted_rises(record.level, lone.spec.name, record.model.slice_ms)
        return any(rise >= since_ms for rise in rises)

    def _judge_sensors(self, state: LevelState, now_ms: int, at: Moment) -> None:
        plan, odd = self._record.plan, self.facts.odd
        if plan.top_up is not None and plan.gauge is None:
            return  # where a machine holds the level, only a gauge says where a float should stand
        both = plan.gauge is not None and bool(self._floats)
        disagree = bool(odd) and (both or bool(state.inverted))
        self._turn("level.disagree", disagree, now_ms, at, on=4, off=2)
        for name, channel in self._floats.items():
            self._judge_float(name, channel, name in odd and name not in state.inverted, now_ms, at)
        lone = plan.lone
        if lone is not None:
            self._judge_alone(lone, state, now_ms, at)

    def _judge_float(
        self, name: str, channel: FloatChannel, odd: bool, now_ms: int, at: Moment
    ) -> None:
        shares = self._record.memory.shares.get(name, [])
        hour = [share for _, share in shares[-_HOUR_OF_SLICES:]]
        mean = sum(hour) / len(hour) if hour else 0.5
        height = channel.spec.height_mm - 0.5 * channel.spec.differential_mm
        lone = channel is self._record.plan.lone
        # nobody can say that a single float is well again before it moves
        stays_down = lone and self._alarm(f"{name}.stuck-down").active
        stays_down = stays_down or (lone and self._misses_pours(channel))
        chatters = bool(shares) and (
            rules.chatters(shares, self._record.model.slice_ms, height, self.facts.level)
            or (odd and rules.mostly_partly(hour))
        )
        for kind, seen in (
            ("stuck-up", odd and mean >= rules.STUCK_UP),
            ("stuck-down", (odd or stays_down) and mean <= rules.STUCK_DOWN),
            ("chattering", chatters),
        ):
            if kind == "stuck-up" and lone:
                continue
            self._turn(f"{name}.{kind}", seen, now_ms, at, on=4, off=2)

    def _misses_pours(self, channel: FloatChannel) -> bool:
        """Whether a float stays open although enough was poured to close it."""
        bound, state, geometry = self.facts.bound, self._record.level, self._record.plan.geometry
        if bound is None or state is None or not rules.well_known(bound):
            return False
        name, slice_ms = channel.spec.name, self._record.model.slice_ms
        most = rules.MOST_OF_USUAL * bound.middle
        lift_ml = (channel.spec.differential_mm + _SURE_LIFT_MM) / geometry.mm_per_ml
        return unseen_pours(state, name, slice_ms, most, lift_ml) >= rules.UNSEEN_POURS

    def _judge_alone(
        self, channel: FloatChannel, state: LevelState, now_ms: int, at: Moment
    ) -> None:
        """Judges a single float by evaporation: one that is stuck up would never ask for water."""
        bound = self.facts.bound
        since_ms = closed_since(state, channel.spec.name, self._record.model.slice_ms)
        if bound is None or since_ms is None:
            seen = False
        else:
            geometry = self._record.plan.geometry
            opens_mm = channel.spec.height_mm - channel.spec.differential_mm
            brim_mm = 0.0 if opens_mm < 0.0 else geometry.highest_safe_mm
            # one pour up to the mark may be missing from the journal
            above_ml = 2.0 * max(0.0, brim_mm - opens_mm) / geometry.mm_per_ml
            above_ml += sum(pour.ml or 0.0 for pour in state.pours if pour.t_ms >= since_ms)
            seen = rules.must_have_passed((now_ms - since_ms) / _HOUR_MS, above_ml, bound)
        self._turn(f"{channel.spec.name}.stuck-up", seen, now_ms, at, on=4, off=2)

    def _alarm(self, name: str) -> Debounce:
        return self._record.memory.alarms.setdefault(name, Debounce())

    def _turn(self, name: str, seen: bool, now_ms: int, at: Moment, *, on: int, off: int) -> None:
        if self._alarm(name).turn(seen, now_ms, on, off):
            self.found.append(self._standing(name, at))

    # --- what is found ------------------------------------------------------------------------

    def _standing(self, name: str, now: Moment) -> Finding:
        """Returns how an alarm stands."""
        alarm = self._alarm(name)
        line = self._record.memory.line
        since = line.moment(alarm.since_ms, now) if alarm.active else None
        found = self._found(name) if alarm.active else self._over(name)
        return Finding(name, alarm.active, self._priority(name), found, since)

    def _priority(self, name: str) -> Priority:
        if name == "level.top-up":
            level = self.facts.level
            lowest = self._record.plan.geometry.lowest_safe_mm
            reckoned = self.facts.reckoned_h
            below = level.value <= lowest if level else reckoned is not None and reckoned <= 0.0
            return Priority.HIGH if below else priority_of(name)
        if name == "level.leak" and (self._surely() or self.facts.seeping):
            return Priority.HIGH
        if name in LEVEL_ALARMS or name in TOP_UP_ALARMS:
            return priority_of(name)
        return priority_of("{float}." + name.rpartition(".")[2])

    def _found(self, name: str) -> Facts:
        """Returns what is wrong, as facts."""
        facts, geometry = self.facts, self._record.plan.geometry
        rate, bound = facts.rate, facts.bound
        if name in TOP_UP_ALARMS and self._top_up is not None:
            now_ms = self._record.level.now_ms if self._record.level else 0
            return self._top_up.found(name, facts, now_ms)
        match name:
            case "level.leak" if facts.leaking is None and facts.seeping is not None:
                return Seep(facts.seeping.ml_per_h, facts.seeping.windows / 4)
            case "level.leak" if rate is not None and bound is not None:
                now_ml, days = (facts.leaking or rate).ml_per_h, bound.windows / 4
                known = days if bound.windows >= _KNOWN_WINDOWS else None
                machine = self._top_up is not None
                return Leak(
                    now_ml,
                    bound.allowed,
                    bound.middle,
                    known,
                    bound.from_physics,
                    self._surely(),
                    machine,
                )
            case "level.standstill" if rate is not None and bound is not None:
                return Standstill((facts.idle or rate).ml_per_h, bound.middle)
            case "level.top-up":
                reserve = facts.reserve
                return WantsWater(
                    _value(facts.level),
                    geometry.lowest_safe_mm,
                    _value(facts.missing),
                    None if reserve is None else (reserve.value, reserve.low, reserve.high),
                    facts.reckoned_h,
                )
            case "level.too-high":
                over = -(_value(facts.missing) or 0.0)
                return TooHigh(
                    _value(facts.level), geometry.highest_safe_mm, over if over > 0 else None
                )
            case "level.disagree":
                level = self._record.level
                inverted = level.inverted if level else ()
                names = facts.odd or inverted
                return Disagree(tuple(map(self._called, names)), bool(set(names) & set(inverted)))
            case "level.leak" | "level.standstill":
                return Over()  # known again after the next look
        channel, _, kind = name.rpartition(".")
        of = self._floats[channel]
        return FloatFault(of.label or channel, kind, of is self._record.plan.lone)

    def _called(self, name: str) -> str:
        plan = self._record.plan
        if name == "gauge" and plan.gauge is not None:
            return plan.gauge.label or plan.gauge.name
        return (self._floats[name].label or name) if name in self._floats else name

    def _over(self, name: str) -> Facts:
        """Returns that nothing is wrong, or no longer, as facts."""
        facts = self.facts
        match name:
            case "level.leak":
                return NoLeak(None if facts.rate is None else facts.rate.ml_per_h)
            case "level.top-up":
                return ToppedUp(_value(facts.level))
            case "level.standstill" | "level.too-high" | "level.disagree":
                return Over()
        if name in TOP_UP_ALARMS:
            return Over()
        channel = name.rpartition(".")[0]
        return FloatWell(self._floats[channel].label or channel)


def _value(estimate: Estimate | None) -> float | None:
    return None if estimate is None else estimate.value
