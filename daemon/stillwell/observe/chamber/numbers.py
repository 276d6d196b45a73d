"""What is published about the level: how it stands, once an hour; a night's numbers once it has
ended, and again when an entry has changed them. The waiting times are our own choice."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Callable, Sequence
from dataclasses import replace
from statistics import median
from zoneinfo import ZoneInfo

from stillwell.calendar import Night
from stillwell.estimate.answer import Basis, Estimate, NotEnough
from stillwell.estimate.level.doses import Doses
from stillwell.estimate.level.seen import Oddity
from stillwell.estimate.level.state import LevelState
from stillwell.observe.chamber import rules
from stillwell.observe.chamber.gathered import Answer, Gathered
from stillwell.observe.chamber.lone import unnoted_rises
from stillwell.observe.chamber.record import LevelRecord
from stillwell.observe.chamber.top_up import Supply
from stillwell.observe.chamber.total_intake import TotalIntake
from stillwell.ports import Published
from stillwell.reading import Moment
from stillwell.units import Dimension, System, show

_HOUR_MS = 3_600_000
_AFTER_NIGHT_MS = 3 * 60_000
"""How long a night's numbers wait for its last readings; they come before the review."""
_NIGHTS_KEPT = 8
_STAND_WORTH_TELLING_MS = 45 * 60_000
"""The shortest stop of the pump worth mentioning: a feeding is shorter."""
_OPEN_FOR_MS = 3 * 24 * _HOUR_MS
"""How long a night without a number is tried again."""
_LONE_REACH_MS = 24 * _HOUR_MS
"""How far from a night rises count for a single float. A float is passed about once a day, so
anything further off has been settled since."""
_Z = 1.959964
"""The point of the standard normal distribution within which 95 % lie on both sides."""
_NOTHING_MOVED = "without a change"
"""The ending of a basis that says only where the water was not."""
_GAUGE_MM_PER_K = 0.12
"""How much the reading of a gauge changes with the air's temperature, standard deviation: 0.25 mm/K
are published for small ultrasonic and pressure gauges, and some have next to nothing."""
_AIR_K, _LAMP_K = 3.0, 1.0
"""By how much a room cools in a night where nothing measures it, and by how much a lamp warms what
is beside it (our own choice)."""
_PUMP_STOOD_WITHIN_MS = 24 * _HOUR_MS
_DOSES = 4
_DOSE_SHARE = 0.4
"""So many rises in a night, which together bring more than this share of what evaporates in it, are
a machine's: nobody fills up so often."""
_DOSES_FROM_MS = 14 * _HOUR_MS
_SWAY_MM = 0.2
_HELD_SHARE = 0.15
"""A night's loss below this share of what is expected is none: under a lid a third still goes
(common practice)."""


class LevelNumbers:
    """Publishes from a record."""

    def __init__(self, record: LevelRecord, total: TotalIntake | None) -> None:
        self._record = record
        self._total = total
        self._plan = record.plan
        self._zone = ZoneInfo(record.plan.zone)
        self._minute = -1
        self._finder: Doses | None = None
        """Counts the doses of a machine that the settings don't know of…"""
        self._fed = (0, 0)
        """… from one slice to another, by their numbers."""
        self._dosed: list[tuple[int, float]] = []

    def due(
        self,
        facts: Gathered,
        now: Moment,
        supply: Callable[[], Supply | None],
        *,
        noted: bool = False,
    ) -> list[Published]:
        """Returns what is worth publishing now.

        Args:
            facts: those gathered last.
            supply: tells what is left of an automatic top-up's water.
            noted: whether they are of this moment, because an entry has changed them.
        """
        state, memory = self._record.level, self._record.memory
        if state is None:
            return []
        out: list[Published] = []
        again, memory.again = memory.again, []
        if memory.looked_ms - memory.published_ms >= _HOUR_MS and facts.level_said is not None:
            memory.published_ms = memory.looked_ms - memory.looked_ms % _HOUR_MS
            at_utc = memory.line.to_utc(memory.looked_ms)
            out += [*self._hourly(facts, state, at_utc), *_of_supply(supply(), at_utc)]
            again += self._answered(state)
        elif noted and facts.level_said is not None:
            at_utc = memory.line.to_utc(state.now_ms)
            out += [*self._hourly(facts, state, at_utc), *_of_supply(supply(), at_utc)]
        if state.inverted != memory.inverted:
            # everything had been worked out with the float the wrong way round
            memory.inverted = state.inverted
            again += memory.nights_told
        minute = now.utc_ms // 60_000
        if minute != self._minute:
            self._minute = minute
            again += self._ended(now.utc_ms)
        for end_utc in self._from(again, now.utc_ms):
            out += self.of_night(self._plan.night_before(end_utc), state)
        return out

    def _from(self, again: list[int], now_utc: int) -> list[int]:
        """Returns the nights to publish when some have changed. Later ones are included, so that
        what is published last is about the last night. Nights in the future, from a clock that
        was once ahead, are left out."""
        told = self._record.memory.nights_told
        first = min(again, default=now_utc)
        return sorted(end for end in {*again, *told} if first <= end <= now_utc)

    def _answered(self, state: LevelState) -> list[int]:
        """Returns the nights that had no number and have one by now: with one float, a night is
        known when the water has passed the float again."""
        memory = self._record.memory
        known = []
        for end_utc in memory.nights_open:
            night = self._plan.night_before(end_utc)
            if isinstance(self._loss(night, state), Estimate):
                known.append(end_utc)
        since_ms = memory.line.to_utc(memory.looked_ms) - _OPEN_FOR_MS
        memory.nights_open = [e for e in memory.nights_open if e not in known and e > since_ms]
        return known

    def _ended(self, now_utc: int) -> list[int]:
        """Returns the night that has ended since the last look, if any. After the clock was put
        back none has, and a night that was published before is not published anew when it comes
        again."""
        memory = self._record.memory
        ended = self._plan.night_before(now_utc - _AFTER_NIGHT_MS).end_utc_ms
        last, memory.night_ended_utc = memory.night_ended_utc, ended
        if not last:
            memory.night_first_utc = ended
        if not last or ended <= last or ended in memory.nights_told:
            return []
        memory.nights_told = [*memory.nights_told, ended][-_NIGHTS_KEPT:]
        return [ended]

    def _hourly(self, facts: Gathered, state: LevelState, at_utc: int) -> list[Published]:
        basis = self._record.model.recent_basis(state)
        return [
            _published(name, at_utc, unit, replace(answer, basis=basis))
            for name, unit, answer in (
                ("level.now", "mm", facts.level_said),
                ("level.rate", "mL/h", facts.rate_said),
                ("level.to-mark", "mL", facts.missing_said),
                ("level.reserve", "h", facts.reserve_said),
            )
            if answer is not None
        ]

    def of_night(self, night: Night, state: LevelState) -> list[Published]:
        """Returns the numbers of one night: loss, rate, what physics expected, what was odd."""
        begin, end = self._span(night)
        at = night.end_utc_ms
        rate = loss = self._loss(night, state)
        if isinstance(loss, Estimate):
            rate = loss.scaled(_HOUR_MS / (end - begin), "mL/h")
        elif at not in self._record.memory.nights_open:
            open_nights = self._record.memory.nights_open
            self._record.memory.nights_open = [*open_nights, at][-_NIGHTS_KEPT:]
        odd = self._oddities(state, begin, end)
        return [
            _published("night.loss", at, "mL", loss),
            _published("night.rate", at, "mL/h", rate),
            self._predicted(begin, end, at),
            *self._topped_up(loss, at),
            Published("night.odd", at, "1", float(len(odd)), None, None, "\n".join(odd)),
        ]

    def _span(self, night: Night) -> tuple[int, int]:
        """Returns the beginning and end of a night on the line."""
        line = self._record.memory.line
        return line.of_utc(night.start_utc_ms), line.of_utc(night.end_utc_ms)

    def _loss(self, night: Night, state: LevelState) -> Answer:
        """Returns what evaporated in a night, without the water's own swelling."""
        begin, end = self._span(night)
        if begin < state.checkpoints[0].t_ms:
            return NotEnough("The watch of the level began after the night had.", (begin, end))
        why = self._total.why_not() if self._total else ""
        losing = self._record.losing
        if why or losing is None:
            return NotEnough(why or "What the top-up adds was not heard.", (begin, end))
        model, state = losing
        unnoted = self._unnoted(state, begin, end)
        if unnoted:
            return NotEnough(unnoted, (begin, end))
        loss = model.loss(state, begin, end)
        if isinstance(loss, NotEnough):
            return loss
        undeclared = self._undeclared(loss, state, begin, end)
        if undeclared:
            return NotEnough(undeclared, (begin, end), loss.basis)
        shift = self._record.swelling_ml(begin, end)
        if loss.high <= shift:
            return NotEnough(
                "The water rose by more than it swelled: was a pour not noted, or does a float"
                " hang?",
                (begin, end),
                loss.basis,
            )
        value, warm = loss.value - shift, self._by_warmth_ml(begin, end)
        low = value - math.hypot(loss.value - loss.low, warm)
        high = value + math.hypot(loss.high - loss.value, warm)
        return replace(loss, value=max(0.0, value), low=max(0.0, low), high=max(0.0, high))

    def _by_warmth_ml(self, begin: int, end: int) -> float:
        """Returns by how much a gauge that reads otherwise in warmer air may mistake a night's
        loss, mL, within 95 %."""
        if self._plan.gauge is None or self._record.added_by is not None:
            return 0.0
        air = self._record.air_change_k(begin, end)
        apart = _AIR_K if air is None else math.hypot(air, _LAMP_K)
        return _Z * _GAUGE_MM_PER_K * apart / self._plan.geometry.mm_per_ml

    def _undeclared(self, loss: Estimate, state: LevelState, begin: int, end: int) -> str:
        """Returns why a loss is no loss where a machine holds the level and the settings don't say
        so: the level hardly falls, or it rises again and again by a little."""
        if self._record.added_by is not None:
            return ""
        expected = self._record.expected(begin, end) or rules.TYPICAL_ML_PER_H
        hours = (end - begin) / _HOUR_MS
        doses = self._doses(state, begin, end)
        if len(doses) >= _DOSES and sum(doses) > _DOSE_SHARE * expected * hours:
            return (
                f"Water is being added in small doses ({len(doses)} that night): say so in "
                "[tank.top_up] of the settings, and the night has a number."
            )
        if loss.high < _HELD_SHARE * expected * hours:
            return (
                "The level did not fall all night, though water evaporates. Is water being added "
                "in small doses? Then say so in [tank.top_up]. If not, look whether a lid lies on "
                "the tank or the sensor is stuck."
            )
        return ""

    def _doses(self, state: LevelState, begin: int, end: int) -> list[float]:
        """Returns the small rises in a night that look like a machine's, mL."""
        self._feed(state, begin - _DOSES_FROM_MS)
        if self._finder is None or not self._finder.seen:
            return []
        per = self._plan.geometry.mm_per_ml
        return [mm / per for at_ms, mm in self._dosed if begin <= at_ms < end]

    def _feed(self, state: LevelState, since_ms: int) -> None:
        """Gives the finder of doses what the gauge has read since it was last asked."""
        slice_ms, (first, last) = self._record.model.slice_ms, self._fed
        if self._finder is None or since_ms // slice_ms < first:
            first = last = since_ms // slice_ms
            self._finder, self._dosed = None, []
        closed = (s for s in state.slices if last < s.index < state.now_ms // slice_ms)
        seen = [(s.index, s.gauge) for s in closed if s.gauge is not None]
        if seen and self._finder is None:
            noise = math.sqrt(median(gauge.variance for _, gauge in seen) + _SWAY_MM**2)
            typical = rules.TYPICAL_ML_PER_H * self._plan.geometry.mm_per_ml
            self._finder = Doses(noise, typical)
        for index, gauge in seen:
            assert self._finder is not None
            for _ in self._finder.see(index * slice_ms + slice_ms // 2, gauge.mm):
                pass
            times, told = self._finder.times, self._dosed[-1][0] if self._dosed else -1
            new = zip(times, self._finder.sizes, strict=True)
            self._dosed += [(at, mm) for at, mm in new if at > told]
            last = index
        self._fed = first, last
        self._dosed = [dose for dose in self._dosed if dose[0] > state.now_ms - 2 * _OPEN_FOR_MS]

    def _unnoted(self, state: LevelState, begin: int, end: int) -> str:
        """Returns why a single float knows nothing of a time: a pour near it that nobody noted."""
        lone = self._plan.lone
        if lone is None:
            return ""
        rises = unnoted_rises(state, lone.spec.name, self._record.model.slice_ms)
        near = [at for at in rises if begin - _LONE_REACH_MS <= at <= end + _LONE_REACH_MS]
        if not near:
            return ""
        called = lone.label or lone.spec.name
        utc_ms = self._record.memory.line.to_utc(near[-1])
        at = f"{dt.datetime.fromtimestamp(utc_ms / 1000, self._zone):%a %H:%M}"
        return (
            f"{called} closed {at} and no pour is noted: one float alone can't see how much was "
            "poured. Note it, and the night has a number."
        )

    def _topped_up(self, loss: Answer, at: int) -> list[Published]:
        """Returns what the automatic top-up has added in a night: what was lost, since it holds
        the level."""
        if self._total is None:
            return []
        return [_published("night.topped-up", at, "mL", loss)]

    def _predicted(self, begin: int, end: int, at: int) -> Published:
        ml_per_h = self._record.expected(begin, end)
        if not ml_per_h:
            why = "Water and room temperature were not seen together."
            return Published("night.expected", at, "mL", None, None, None, why)
        ml = ml_per_h * (end - begin) / _HOUR_MS
        spread = _Z * self._plan.surface.tank_rel_sd
        low, high = ml * max(0.0, 1 - spread), ml * (1 + spread)
        rests = "physics, from water, room and humidity"
        return Published("night.expected", at, "mL", ml, low, high, rests)

    def _oddities(self, state: LevelState, begin: int, end: int) -> list[str]:
        said = [
            _odd_in_words(odd, self._clock(odd.t_ms), self._record.plan.units)
            for odd in _told(self._record.model.oddities(state, begin, end))
        ]
        said += [
            f"{self._clock(a)} to {self._clock(b)}: the water stood high, as when the pump stands."
            for a, b in self._record.memory.stands
            if begin <= a < end and b - a >= _STAND_WORTH_TELLING_MS
        ]
        refused = [(r.t_ms, r.reason) for r in state.refused if "pour" in r.reason.lower()]
        refused += self._record.memory.refused
        said += [why for at_ms, why in refused if begin - 12 * _HOUR_MS <= at_ms < end]
        return list(dict.fromkeys(said))

    def _clock(self, line_ms: int) -> str:
        utc_ms = self._record.memory.line.to_utc(line_ms)
        return f"{dt.datetime.fromtimestamp(utc_ms / 1000, self._zone):%H:%M}"


def _published(name: str, at_ms: int, unit: str, answer: Answer) -> Published:
    if isinstance(answer, NotEnough):
        return Published(name, at_ms, unit, None, None, None, answer.reason)
    return Published(name, at_ms, unit, answer.value, answer.low, answer.high, _rests(answer.basis))


def _of_supply(supply: Supply | None, at_ms: int) -> list[Published]:
    if supply is None or supply.left_ml is None:
        return []
    rests = "the reservoir's gauge, or what was noted and counted"
    out = [Published("top-up.left", at_ms, "mL", supply.left_ml, None, None, rests)]
    if supply.lasts_h is not None:
        out.append(Published("top-up.lasts", at_ms, "h", *supply.lasts_h, rests))
    return out


def _rests(basis: Sequence[Basis]) -> str:
    parts = [str(part) for part in basis]
    if all(part.kind.endswith(_NOTHING_MOVED) or part.kind.startswith("slices") for part in basis):
        parts.append("what floats and pours said before and after")
    return ", ".join(parts)


def _told(oddities: Sequence[Oddity]) -> list[Oddity]:
    """Returns the oddities worth telling. Leaves out steps smaller than their own uncertainty,
    and a rise that is followed by a fall of the same size, because the pump had stopped then."""
    out: list[Oddity] = []
    sized = [o for o in oddities if o.kind == "rate break" or abs(o.ml) > 2.0 * o.sd_ml]
    for odd in sized:
        before = out[-1] if out else None
        if (
            before is not None
            and before.ml * odd.ml < 0
            and before.ml > 0
            and abs(before.ml + odd.ml) < 2.0 * math.hypot(before.sd_ml, odd.sd_ml)
            and odd.t_ms - before.t_ms < _PUMP_STOOD_WITHIN_MS
        ):
            out[-1] = Oddity(before.t_ms, "pump stood", before.ml, before.sd_ml)
            continue
        out.append(odd)
    return out


def _odd_in_words(odd: Oddity, at: str, units: System) -> str:
    about = show(abs(odd.ml), Dimension.VOLUME, units)
    if odd.kind == "pump stood":
        return f"{at}: the level rose by {about} and fell again, as when the pump stands."
    if odd.kind == "pour not seen":
        return f"{at}: a pour of {about} was noted, and the level did not see it."
    if odd.kind == "rate break":
        return f"{at}: the rate changed suddenly."
    if odd.ml > 0:
        return f"{at}: about {about} came in and were not noted: poured, or the pump stands."
    return f"{at}: about {about} went at once."
