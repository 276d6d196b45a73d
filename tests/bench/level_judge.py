"""Judges what a watch over the chamber said of one household: how often the interval of a night's
loss held the truth, which alarms were false, how late the right one came, and whether it stayed.

Pure: alarms, answers and truth in, figures out. A bench lets a `Witness` see the rows that it gives
to the watch, and hands its `Facts` to `judge`; `tally` adds the verdicts up.

What counts as what:

- An alarm counts when it rings. Only alarms of level, floats, pump, mains and top-up are judged
  (`JUDGED`); what else rings is counted beside.
- Outside the fault one is false unless it is so: see `_is_so`. While the fault is there, one that
  names another cause is wrong. After its end the fault's own names are given `AFTERMATH_S`: a gauge
  that is moved back has been moved.
- A leak at less than high priority says that more water goes than usual, and is true where that is
  so by half (`_loses_more`); it counts as `asks`.
- A night's loss is what evaporated and leaked between its evening and its morning. The last answer
  that was published counts; one without a number is a refusal, with its reason.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from fnmatch import fnmatch
from math import sqrt
from statistics import median

from tanks.households.story import Fault, Hidden, Household, Injected, Row, Run
from tanks.trace import DAY_S, HOUR_S

JUDGED = ("level.*", "float-*.*", "pump.stopped", "mains.lost", "top-up*", "reservoir*")
_BESIDE = ("*.silent", "*.fault", "*.stuck", "*.doubtful")
RIGHT: dict[Fault, tuple[str, ...]] = {
    Fault.LEAK: ("level.leak",),
    Fault.LEAK_ABOVE: ("level.leak",),
    Fault.PUMP_STOPPED: ("pump.stopped",),
    Fault.MAINS_LOST: ("mains.lost", "pump.stopped"),
    Fault.FLOAT_STUCK_UP: ("float-low.stuck-up",),
    Fault.FLOAT_STUCK_DOWN: ("float-low.stuck-down",),
    Fault.FLOAT_HEAVY: ("float-low.*", "level.disagree"),
    Fault.GAUGE_MOVED: ("level.moved",),
    Fault.GAUGE_DRIFTS: ("level.moved", "level.drift*", "level.disagree"),
    Fault.TOP_UP_STUCK_ON: ("top-up.stuck-on", "level.too-high"),
    Fault.TOP_UP_MISSING: ("top-up.missing", "level.top-up"),
    Fault.RESERVOIR_EMPTY: ("reservoir.low", "top-up.missing", "level.top-up"),
    Fault.SIPHON: ("top-up.stuck-on", "level.too-high", "reservoir.low"),
}
"""The names under which each fault may be told."""
ALLOWED: dict[Fault, tuple[str, ...]] = {
    Fault.LEAK: ("level.top-up", "top-up*", "reservoir*"),
    Fault.LEAK_ABOVE: ("level.top-up", "top-up*", "reservoir*"),
    Fault.PUMP_STOPPED: ("mains.lost",),
    Fault.TOP_UP_STUCK_ON: ("reservoir.low", "top-up.missing"),
    Fault.SIPHON: ("top-up.missing",),
}
"""What follows from the fault and is neither wrong nor counts as having told it."""
LEAK = "level.leak"
AFTERMATH_S = 36 * HOUR_S
_LOOK_S = 300
_NEAR_MM = 6.0
_MORE = 1.5
_STOCK = 0.3
"""Below this share of the reservoir an alarm that it is low is so."""
_SOON_S = 3 * DAY_S
_NIGHT = (22, 8)


@dataclass(frozen=True, slots=True)
class Alarm:
    """One alarm that rang. Times as in `Row.at_s`."""

    name: str
    priority: str
    raised_s: int
    cleared_s: int | None
    """None: it stood when the run ended."""
    urgent_s: int | None = None
    """Since when its priority was high."""


@dataclass(frozen=True, slots=True)
class Answer:
    """What was published of a night's loss, mL."""

    end_s: int
    value: float | None
    low: float | None
    high: float | None
    reason: str
    """Why there is no number."""


@dataclass(frozen=True, slots=True)
class Night:
    """What truly went in a night, mL."""

    start_s: int
    end_s: int
    evaporated: float
    leaked: float
    still_s: int
    """For how long the pump rested."""


@dataclass(frozen=True, slots=True)
class Look:
    at_s: int
    level_mm: float
    pump_runs: bool
    stock: float
    """The reservoir's content as a share; 1 without one."""


@dataclass(frozen=True, slots=True)
class Facts:
    """What truly happened on a run."""

    household: Household
    injected: Injected | None
    hidden: Hidden
    days: float
    shows_s: int | None
    """When the fault could first show."""
    nights: tuple[Night, ...]
    looks: tuple[Look, ...]
    hours_ml: tuple[float, ...]
    """What evaporated in each hour."""
    doses_s: tuple[int, ...]
    """When each dose of the machine was over."""


@dataclass(slots=True)
class Witness:
    """Sees the rows of a run and remembers what a judge asks about."""

    run: Run
    _looks: list[Look] = field(default_factory=list)
    _nights: list[Night] = field(default_factory=list)
    _shows_s: int | None = None
    _still_s: int = 0
    _evening: tuple[int, float, float] | None = None
    _last_s: int = 0
    _hours: list[float] = field(default_factory=list)
    _hour_ml: float = 0.0
    _doses: list[int] = field(default_factory=list)
    _dosed_ml: float = 0.0
    _dosing: bool = False

    def see(self, row: Row) -> None:
        """Takes the next row."""
        truth, at = row.truth, row.at_s
        self._last_s = at
        if truth.shows and self._shows_s is None:
            self._shows_s = at
        self._still_s += 0 if truth.pump_runs else 60
        if at % _LOOK_S == 0:
            top_up = self.run.household.top_up
            stock = 1.0 if top_up is None else truth.reservoir_ml / top_up.reservoir_ml
            self._looks.append(Look(at, truth.level_mm, truth.pump_runs, stock))
        dosing = truth.dosed_ml > self._dosed_ml
        if self._dosing and not dosing:
            self._doses.append(at)
        self._dosing, self._dosed_ml = dosing, truth.dosed_ml
        if (at + 60) % HOUR_S == 0:
            self._hours.append(truth.evaporated_ml - self._hour_ml)
            self._hour_ml = truth.evaporated_ml
        # A row is the end of the minute that begins at its time.
        gone = truth.evaporated_ml, truth.leaked_ml
        hour = self.run.household.hour(at + 60)
        if hour == _NIGHT[0]:
            self._evening, self._still_s = (at + 60, *gone), 0
        elif hour == _NIGHT[1] and self._evening is not None:
            start, evaporated, leaked = self._evening
            self._nights.append(
                Night(start, at + 60, gone[0] - evaporated, gone[1] - leaked, self._still_s)
            )

    def facts(self) -> Facts:
        """Returns what it has seen."""
        run, days = self.run, self._last_s / DAY_S
        return Facts(
            run.household,
            run.injected,
            run.hidden,
            days,
            self._shows_s,
            tuple(self._nights),
            tuple(self._looks),
            tuple(self._hours),
            tuple(self._doses),
        )


@dataclass(frozen=True, slots=True)
class NightVerdict:
    """One night's truth beside what was said of it."""

    truth_ml: float
    answer: Answer
    in_fault: bool
    """Whether the fault was there for any of it."""

    @property
    def inside(self) -> bool | None:
        """Whether the interval held the truth; None without a number."""
        low, high = self.answer.low, self.answer.high
        if self.answer.value is None or low is None or high is None:
            return None
        return low <= self.truth_ml <= high


@dataclass(frozen=True, slots=True)
class Verdict:
    """What a watch was worth on one run."""

    fault: Fault
    days: float
    nights: tuple[NightVerdict, ...]
    false: tuple[Alarm, ...]
    wrong: tuple[Alarm, ...]
    """Raised while the fault was there, with another cause's name."""
    beside: tuple[Alarm, ...]
    """Of other matters than those that are judged."""
    can_show: bool
    delay_s: int | None
    """From when it could show until it rang by a right name; below 0 for one that was told ahead.
    None: never."""
    sure_s: int | None
    """The same until it rang at high priority."""
    asks: int
    """How often it was said by right that more goes than usual, without a fault."""
    taken_back: int
    """How often a right alarm cleared while the fault was there."""
    names: tuple[str, ...]
    """The right names that rang while it was there: one is best."""
    renamed: tuple[str, ...]
    """Wrong names that rang after a right one."""


def judge(alarms: Iterable[Alarm], answers: Iterable[Answer], known: Facts) -> Verdict:
    """Returns what the alarms and answers of a run were worth."""
    injected = known.injected
    fault = Fault.NONE if injected is None else injected.fault
    every = sorted(alarms, key=lambda alarm: alarm.raised_s)
    judged = [a for a in every if _any(a.name, JUDGED) and not _any(a.name, _BESIDE)]
    inside = [a for a in judged if injected is not None and injected.holds(a.raised_s)]
    right = [a for a in inside if _any(a.name, RIGHT.get(fault, ()))]
    ahead = [a for a in judged if _ahead(a, known)]
    allowed = ALLOWED.get(fault, ())
    wrong = tuple(
        a for a in inside if a not in right and not _any(a.name, allowed) and not _is_so(a, known)
    )
    false = tuple(a for a in judged if a not in inside and a not in ahead and not _is_so(a, known))
    told = min((a.raised_s for a in (*right, *ahead)), default=None)
    sure = min((a.urgent_s for a in right if a.urgent_s is not None), default=None)
    asks = [a for a in judged if a not in inside and _asks(a) and _loses_more(known, a.raised_s)]
    end_s = 0 if injected is None else injected.end_s
    shows = known.shows_s
    return Verdict(
        fault=fault,
        days=known.days,
        nights=tuple(_nights(answers, known)),
        false=false,
        wrong=wrong,
        beside=tuple(a for a in every if a not in judged),
        can_show=shows is not None,
        delay_s=None if told is None or shows is None else told - shows,
        sure_s=None if sure is None or shows is None else sure - shows,
        asks=len(asks),
        taken_back=sum(a.cleared_s is not None and a.cleared_s < end_s for a in right),
        names=tuple(a.name for a in right),
        renamed=tuple(a.name for a in wrong if told is not None and a.raised_s > told),
    )


def _nights(answers: Iterable[Answer], known: Facts) -> Iterator[NightVerdict]:
    last = {answer.end_s: answer for answer in answers}
    injected = known.injected
    for night in known.nights:
        nothing = Answer(night.end_s, None, None, None, "Nothing was published.")
        touched = injected is not None and (
            injected.onset_s < night.end_s and night.start_s < injected.end_s
        )
        lost = night.evaporated + night.leaked
        yield NightVerdict(lost, last.get(night.end_s, nothing), touched)


def _any(name: str, patterns: Iterable[str]) -> bool:
    return any(fnmatch(name, pattern) for pattern in patterns)


def _ahead(alarm: Alarm, known: Facts) -> bool:
    """Says whether an alarm told of a reservoir that was about to be empty."""
    injected, shows = known.injected, known.shows_s
    if injected is None or injected.fault is not Fault.RESERVOIR_EMPTY or shows is None:
        return False
    named = _any(alarm.name, ("top-up*", "reservoir*"))
    return named and shows - _SOON_S <= alarm.raised_s < injected.onset_s


def _is_so(alarm: Alarm, known: Facts) -> bool:
    """Says whether an alarm that is not the fault's is true all the same, or its aftermath."""
    household, injected, at = known.household, known.injected, alarm.raised_s
    if injected is not None and injected.end_s <= at < injected.end_s + AFTERMATH_S:
        names = (*RIGHT[injected.fault], *ALLOWED.get(injected.fault, ()))
        if _any(alarm.name, names):
            return True
    if alarm.name.split(".")[0] in known.hidden.flaws:
        return True
    if _asks(alarm):
        return _loses_more(known, at)
    if alarm.name == "level.top-up":
        return _nears_intake(known, at)
    if alarm.name == "level.too-high":
        return any(
            look.level_mm > household.highest_safe_mm - _NEAR_MM
            for look in _between(known, at - 3 * HOUR_S, at + 600)
        )
    if _any(alarm.name, ("top-up*", "reservoir*")):
        return any(look.stock < _STOCK for look in _between(known, at - HOUR_S, at + _SOON_S))
    return False


def _asks(alarm: Alarm) -> bool:
    return alarm.name == LEAK and alarm.urgent_s is None


def _loses_more(known: Facts, at_s: int) -> bool:
    """Says whether half as much again as in the days before goes in the last hours."""
    hour = at_s // HOUR_S
    lately, before = known.hours_ml[max(0, hour - 2) : hour], known.hours_ml[: max(0, hour - 2)]
    if not lately or not before:
        return False
    usual = sum(before[-72:]) / len(before[-72:])
    return sum(lately) / len(lately) > _MORE * usual


def _nears_intake(known: Facts, at_s: int) -> bool:
    """Says whether the water stands near the lowest safe level, or would within a day if nobody
    poured."""
    household, hour = known.household, at_s // HOUR_S
    falls_mm = sum(known.hours_ml[hour : hour + 24]) / (household.length_mm * household.width_mm)
    return any(
        look.level_mm - 1_000.0 * falls_mm < household.lowest_safe_mm + _NEAR_MM
        for look in _between(known, at_s - HOUR_S, at_s + 600)
    )


def _between(known: Facts, start_s: int, end_s: int) -> Sequence[Look]:
    return known.looks[max(0, start_s // _LOOK_S) : max(0, end_s // _LOOK_S)]


@dataclass(frozen=True, slots=True)
class Tally:
    """The verdicts on many runs, added up."""

    runs: int
    days: float
    nights: int
    refused: int
    inside: int
    """Of the nights with a number."""
    error_share: float | None
    """Root mean square of the error, as a share of the mean loss."""
    rmse_ml: float | None
    half_ml: float | None
    """The interval's half-width in the mean."""
    bias_ml: float | None
    reasons: Counter[str]
    false: Counter[str]
    """False alarms by name."""
    wrong: Counter[str]
    beside: Counter[str]
    could_show: int
    told: int
    delay_median_s: float | None
    delay_longest_s: int | None
    sure: int
    """Runs on which it was told at high priority."""
    sure_median_s: float | None
    asks: int
    taken_back: int
    renamed: int
    more_than_one: int
    """Runs on which the fault was told by more than one alarm."""

    def false_a_year(self, name: str = "*") -> float:
        """Returns false alarms whose name fits, for each year of a tank."""
        count = sum(n for each, n in self.false.items() if fnmatch(each, name))
        return count * 365.25 / self.days if self.days else 0.0

    @property
    def covered(self) -> float | None:
        """Of 100 nights with a number, how many held the truth."""
        answered = self.nights - self.refused
        return 100.0 * self.inside / answered if answered else None


def tally(verdicts: Iterable[Verdict], *, in_fault: bool = False) -> Tally:
    """Returns the sums over some runs. `in_fault`: of nights in which the fault was there, rather
    than of the others."""
    every = list(verdicts)
    nights = [n for v in every for n in v.nights if n.in_fault is in_fault]
    known = [n for n in nights if n.inside is not None]
    errors = [(n.answer.value or 0.0) - n.truth_ml for n in known]
    halves = [((n.answer.high or 0.0) - (n.answer.low or 0.0)) / 2.0 for n in known]
    rmse = sqrt(sum(e * e for e in errors) / len(errors)) if errors else None
    mean = sum(n.truth_ml for n in known) / len(known) if known else 0.0
    shown = [v for v in every if v.can_show]
    delays = [v.delay_s for v in shown if v.delay_s is not None]
    sure = [v.sure_s for v in shown if v.sure_s is not None]
    return Tally(
        runs=len(every),
        days=sum(v.days for v in every),
        nights=len(nights),
        refused=len(nights) - len(known),
        inside=sum(n.inside is True for n in known),
        error_share=None if rmse is None or mean <= 0.0 else rmse / mean,
        rmse_ml=rmse,
        half_ml=sum(halves) / len(halves) if halves else None,
        bias_ml=sum(errors) / len(errors) if errors else None,
        reasons=Counter(n.answer.reason for n in nights if n.inside is None),
        false=Counter(a.name for v in every for a in v.false),
        wrong=Counter(a.name for v in every for a in v.wrong),
        beside=Counter(a.name for v in every for a in v.beside),
        could_show=len(shown),
        told=len(delays),
        delay_median_s=median(delays) if delays else None,
        delay_longest_s=max(delays, default=None),
        sure=len(sure),
        sure_median_s=median(sure) if sure else None,
        asks=sum(v.asks for v in every),
        taken_back=sum(v.taken_back > 0 for v in every),
        renamed=sum(bool(v.renamed) for v in every),
        more_than_one=sum(len(v.names) > 1 for v in every),
    )
