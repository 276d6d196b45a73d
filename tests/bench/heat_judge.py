"""Judges what a watch over a tank's heat said on one run of a simulated world: which alarms were
false, how late the right one came, and whether it stayed until the fault was mended.

Pure: alarms and truth in, figures out. A bench lets a `Witness` see the rows that it gives to the
watch, asks it for the `Facts`, and hands both to `judge`; `tally` adds the verdicts up.

What counts as what:

- An alarm is judged by when it was raised. Before the onset, and once the fault is mended, any
  alarm of a device is false. While the fault is there, one that names another cause is wrong.
- "room.too-cold" and "room.too-warm" predict. They are true where, within `COMES_TRUE_S`, the
  water is beyond the band on that side and does not come back within the hour, though the devices
  do what they can.
- A fault can show once it has given or kept back as much heat as lifts the water by `SHOWS_K`.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from statistics import median
from typing import Literal

from tanks.physics import SEAWATER_J_L_K
from tanks.trace import DAY_S, HOUR_S, Fault, Heater, Household, Injected, Row, Run

NOT_HEATING = "heater.not-heating"
STUCK_ON = "heater.stuck-on"
TOO_WEAK = "heater.too-weak"
MOVED = "heater.setting-moved"
NOT_COOLING = "chiller.not-cooling"
CHILLER_STUCK = "chiller.stuck-on"
TOO_WARM = "room.too-warm"
TOO_COLD = "room.too-cold"
NAMES = (
    NOT_HEATING,
    STUCK_ON,
    TOO_WEAK,
    MOVED,
    NOT_COOLING,
    CHILLER_STUCK,
    TOO_WARM,
    TOO_COLD,
)
"""Only alarms with these names are judged."""

RIGHT: dict[Fault, str] = {
    Fault.HEATER_DEAD: NOT_HEATING,
    Fault.HEATER_WEAK: TOO_WEAK,
    Fault.HEATER_STUCK_ON: STUCK_ON,
    Fault.RELAY_STICKS: STUCK_ON,
    Fault.DIAL_UP: MOVED,
    Fault.DIAL_DOWN: MOVED,
    Fault.ONE_DEAD: TOO_WEAK,
    Fault.CHILLER_DEAD: NOT_COOLING,
    Fault.CHILLER_STUCK_ON: CHILLER_STUCK,
    Fault.MAINS_LOST: NOT_HEATING,
}
"""What each fault of a device is to be called. All others are no fault of a device: nothing is to
be said about heater or chiller."""

ALLOWED: dict[Fault, frozenset[str]] = {
    # The others hold the water at their own points and have less power: each of these is so.
    Fault.ONE_DEAD: frozenset({NOT_HEATING, MOVED}),
    Fault.MAINS_LOST: frozenset({NOT_COOLING}),
}
"""What is neither wrong while a fault is there nor counts as having told it."""

COMES_AND_GOES = frozenset({Fault.RELAY_STICKS})
"""Faults between whose visits an alarm may rightly clear."""

SHOWS_K = 0.05
"""Less than one step of a probe of twelve bits (1/16 K)."""
COMES_TRUE_S = 12 * HOUR_S
_LOOK_S = 300
"""How densely the truth is kept for looking back."""
_FULL = 0.9
"""From this share of its power on a heater counts as doing what it can."""
_CHILLS = 0.5
"""The same for a chiller, which is weaker in a hot room."""
_LEARNED_S = 2 * DAY_S
"""What the tank usually does is taken from this long before the onset."""


@dataclass(frozen=True, slots=True)
class Alarm:
    """One alarm that a watch raised. Times as in `Row.at_s`."""

    name: str
    priority: Literal["low", "medium", "high"]
    raised_s: int
    cleared_s: int | None
    """None: it stood when the run ended."""


@dataclass(frozen=True, slots=True)
class Look:
    """The truth at one moment, powers as means since the look before."""

    at_s: int
    water_c: float
    heats_w: float
    first_w: float
    """Of the first heater."""
    chills_w: float


@dataclass(frozen=True, slots=True)
class Facts:
    """What truly happened on a run."""

    household: Household
    injected: Injected | None
    days: float
    """Between the first row and the last."""
    shows_s: int | None
    """When the fault could first show; None where it never did or is no device's."""
    band_left_s: int | None
    """When the water first left the band while the fault was there."""
    mended_s: int | None
    """When two cycles of the device were over after the fault had been mended; None where the run
    ended before that."""
    looks: tuple[Look, ...]


@dataclass(slots=True)
class Witness:
    """Sees the rows of a run and remembers what a judge asks about."""

    run: Run
    _looks: list[Look] = field(default_factory=list)
    _sums: list[float] = field(default_factory=lambda: [0.0, 0.0, 0.0, 0.0])
    _wrong_j: float = 0.0
    _shows_s: int | None = None
    _left_s: int | None = None
    _first_s: int | None = None
    _last_s: int = 0

    def see(self, row: Row) -> None:
        """Takes the next row."""
        household, truth = self.run.household, row.truth
        if self._first_s is None:
            self._first_s = self._last_s = row.at_s
        lasted = min(row.at_s - self._last_s, household.every_s)
        self._last_s = row.at_s
        self._wrong_j += truth.wrong_w * lasted
        wrong_k = self._wrong_j / (household.volume_l * SEAWATER_J_L_K)
        if truth.fault and self._shows_s is None and abs(wrong_k) >= SHOWS_K:
            self._shows_s = row.at_s
        low, high = household.band_c
        if truth.fault and self._left_s is None and not low <= truth.water_c <= high:
            self._left_s = row.at_s
        sums = self._sums
        sums[0] += lasted
        sums[1] += sum(truth.heaters_w) * lasted
        sums[2] += (truth.heaters_w[0] if truth.heaters_w else 0.0) * lasted
        sums[3] += truth.chiller_w * lasted
        if sums[0] >= _LOOK_S:
            means = [each / sums[0] for each in sums]
            self._looks.append(Look(row.at_s, truth.water_c, means[1], means[2], means[3]))
            self._sums = [0.0, 0.0, 0.0, 0.0]

    def facts(self) -> Facts:
        """Returns what it has seen."""
        looks = tuple(self._looks)
        first = self._first_s or 0
        return Facts(
            self.run.household,
            self.run.injected,
            (self._last_s - first) / DAY_S,
            self._shows_s,
            self._left_s,
            _mended_s(self.run, looks),
            looks,
        )


def facts(run: Run) -> Facts:
    """Returns what truly happens on a run, in a going through of its own."""
    witness = Witness(run)
    for row in run:
        witness.see(row)
    return witness.facts()


def _mended_s(run: Run, looks: Sequence[Look]) -> int | None:
    """Returns when the device that was at fault has gone off twice since it was mended. A
    proportional heater never goes off: for it, two hours after the water is back where it was."""
    injected = run.injected
    if injected is None:
        return None
    after = [look for look in looks if look.at_s > injected.end_s]
    if run.household.heater is Heater.PROPORTIONAL and _device(injected.fault) != "chiller":
        usual = [
            look.water_c
            for look in looks
            if injected.onset_s - _LEARNED_S <= look.at_s < injected.onset_s
        ]
        if not usual:
            return None
        low, high = min(usual), max(usual)
        back = next((look.at_s for look in after if low <= look.water_c <= high), None)
        return None if back is None or back + 7_200 > looks[-1].at_s else back + 7_200
    device = _device(injected.fault)
    gone_off, was_on = 0, False
    for look in after:
        is_on = {"chiller": look.chills_w, "first": look.first_w, "all": look.heats_w}[device] > 0.0
        gone_off += was_on and not is_on
        was_on = is_on
        if gone_off == 2:
            return look.at_s
    return None


def _device(fault: Fault) -> Literal["chiller", "first", "all"]:
    if fault in {Fault.CHILLER_DEAD, Fault.CHILLER_STUCK_ON}:
        return "chiller"
    if fault in {Fault.ONE_DEAD, Fault.HEATER_STUCK_ON, Fault.RELAY_STICKS}:
        return "first"
    return "all"


@dataclass(frozen=True, slots=True)
class Verdict:
    """What a watch was worth on one run."""

    fault: Fault
    days: float
    false: tuple[Alarm, ...]
    """Raised for nothing, outside the fault."""
    wrong: tuple[Alarm, ...]
    """Raised while the fault was there, with another cause's name."""
    can_show: bool
    """Whether the fault ever altered the heat so much that it could be seen."""
    delay_s: int | None
    """From when it could show until it was told by its right name, never below 0. None: never told,
    or not to be told."""
    told: bool
    before_band: bool | None
    """Whether it was told before the water left the band. None: the water never left it."""
    taken_back: int
    """How often the right alarm was cleared while the fault was there."""
    renamed: tuple[str, ...]
    """The other causes that were named after the right one had been told."""
    raised: int
    """How many alarms rang while the fault was there: one is best."""
    cleared_in_time: bool | None
    """Whether every alarm of the fault was cleared within two cycles after it had been mended.
    None: nothing was told, or the run ended before."""

    def false_of(self, priority: str) -> int:
        """Returns how many false alarms had a priority."""
        return sum(alarm.priority == priority for alarm in self.false)

    def wrong_of(self, priority: str) -> int:
        """Returns how many alarms of a priority named another cause during the fault."""
        return sum(alarm.priority == priority for alarm in self.wrong)


def judge(alarms: Iterable[Alarm], known: Facts) -> Verdict:
    """Returns what the alarms of a run were worth. Raises ValueError for an alarm that is cleared
    before it is raised."""
    judged = sorted((a for a in alarms if a.name in NAMES), key=lambda alarm: alarm.raised_s)
    if any(a.cleared_s is not None and a.cleared_s < a.raised_s for a in judged):
        raise ValueError("An alarm is cleared before it is raised.")
    injected = known.injected
    fault = Fault.NONE if injected is None else injected.fault
    name = RIGHT.get(fault)
    inside = [a for a in judged if injected is not None and injected.holds(a.raised_s)]
    right = [a for a in inside if a.name == name]
    wrong = tuple(a for a in inside if not _fits(a, fault, known))
    false = tuple(a for a in judged if a not in inside and not _is_so(a, known))
    told_s = right[0].raised_s if right else None
    left_s = known.band_left_s
    end_s = 0 if injected is None else injected.end_s
    return Verdict(
        fault=fault,
        days=known.days,
        false=false,
        wrong=wrong,
        can_show=known.shows_s is not None,
        delay_s=None if told_s is None or known.shows_s is None else max(0, told_s - known.shows_s),
        told=told_s is not None,
        before_band=None
        if name is None or left_s is None
        else told_s is not None and told_s <= left_s,
        taken_back=0
        if fault in COMES_AND_GOES
        else sum(a.cleared_s is not None and a.cleared_s < end_s for a in right),
        renamed=tuple(a.name for a in wrong if told_s is not None and a.raised_s > told_s),
        raised=len(inside),
        cleared_in_time=_cleared_in_time(right, known.mended_s),
    )


def _cleared_in_time(right: Sequence[Alarm], mended_s: int | None) -> bool | None:
    if not right or mended_s is None:
        return None
    return all(a.cleared_s is not None and a.cleared_s <= mended_s for a in right)


def _fits(alarm: Alarm, fault: Fault, known: Facts) -> bool:
    """Says whether an alarm that was raised during a fault is the fault's, or is so anyway."""
    if alarm.name == RIGHT.get(fault) or alarm.name in ALLOWED.get(fault, frozenset()):
        return True
    return fault not in RIGHT and _is_so(alarm, known)


def _is_so(alarm: Alarm, known: Facts) -> bool:
    """Says whether an alarm that no fault explains is true of the room, or of a dial that has just
    been turned back."""
    injected = known.injected
    if alarm.name == MOVED and injected is not None and alarm.raised_s >= injected.end_s:
        return injected.fault in {Fault.DIAL_UP, Fault.DIAL_DOWN}
    if alarm.name not in {TOO_COLD, TOO_WARM}:
        return False
    low, high = known.household.band_c
    full = _FULL * sum(known.household.powers_w)
    chills = _CHILLS * (known.household.chiller_w or 0.0)
    pairs = (
        (before, look)
        for before, look in zip(known.looks, known.looks[HOUR_S // _LOOK_S :], strict=False)
        if alarm.raised_s - 2 * HOUR_S <= look.at_s <= alarm.raised_s + COMES_TRUE_S
    )
    if alarm.name == TOO_COLD:
        return any(
            look.water_c < low and look.water_c <= before.water_c and look.heats_w >= full
            for before, look in pairs
        )
    return any(
        look.water_c > high
        and look.water_c >= before.water_c
        and look.heats_w == 0.0
        and look.chills_w >= chills
        for before, look in pairs
    )


@dataclass(frozen=True, slots=True)
class Tally:
    """The verdicts on many runs, added up."""

    runs: int
    days: float
    false_high: int
    false_medium: int
    wrong_high: int
    wrong_medium: int
    could_show: int
    """Runs on which the fault could be seen at all; the next three are counted among these."""
    told: int
    never_told: int
    told_late: int
    """The water had left the band before the fault was told, or it never was."""
    delay_median_s: float | None
    delay_longest_s: int | None
    taken_back: int
    renamed: int
    more_than_one: int
    """Runs on which more than one alarm rang during the fault."""
    cleared_late: int
    """Among those that were told and could be judged."""
    cleared: int

    def per_tank_day(self, count: int) -> float:
        """Returns a count as so many a day of one tank; 0 without any day."""
        return count / self.days if self.days else 0.0


def tally(verdicts: Iterable[Verdict]) -> Tally:
    """Returns the sums over some runs."""
    every = list(verdicts)
    shown = [v for v in every if v.can_show]
    delays = [v.delay_s for v in shown if v.delay_s is not None]
    return Tally(
        runs=len(every),
        days=sum(v.days for v in every),
        false_high=sum(v.false_of("high") for v in every),
        false_medium=sum(v.false_of("medium") for v in every),
        wrong_high=sum(v.wrong_of("high") for v in every),
        wrong_medium=sum(v.wrong_of("medium") for v in every),
        could_show=len(shown),
        told=sum(v.told for v in shown),
        never_told=sum(not v.told for v in shown),
        told_late=sum(v.before_band is False for v in shown),
        delay_median_s=median(delays) if delays else None,
        delay_longest_s=max(delays, default=None),
        taken_back=sum(v.taken_back > 0 for v in every),
        renamed=sum(bool(v.renamed) for v in every),
        more_than_one=sum(v.raised > 1 for v in every),
        cleared_late=sum(v.cleared_in_time is False for v in every),
        cleared=sum(v.cleared_in_time is True for v in every),
    )
