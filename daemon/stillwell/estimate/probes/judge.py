"""The judge of one tank's probes: takes their readings and decides which of them are believed."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations

from stillwell.alarm.catalogue import priority_of
from stillwell.estimate.probes.difference import (
    CREPT_K,
    DRIFTED_K,
    REBASED_K,
    SETTLED_S,
    STAYED_S,
    TURNED_K,
    Difference,
)
from stillwell.estimate.probes.doubt import Doubted, Kind, ProbeBelieved, ProbeDoubted
from stillwell.estimate.probes.habit import BLOCK_S, Habit
from stillwell.estimate.probes.place import APART_K, Places
from stillwell.finding import Finding
from stillwell.notice import Priority
from stillwell.reading import Moment

BELIEVED_S = 1800.0
"""How long a doubted probe must behave before it is believed again."""


@dataclass(frozen=True, slots=True)
class Judged:
    """What a judge continues from in the next run."""

    habits: dict[str, Habit]
    pairs: dict[str, Difference]
    """By the names of both, with a slash between them."""
    settings: dict[str, Difference]
    setting: dict[str, float]
    doubted: dict[str, Doubted]


class ProbeJudge:
    """Judges the probes of one tank. Call `see` for every good reading; times are monotonic
    seconds."""

    def __init__(self, probes: Sequence[str], room: str = "") -> None:
        self._probes = tuple(probes)
        self._room = room
        self._habits = {name: Habit() for name in (*probes, *((room,) if room else ()))}
        self._pairs = {pair: Difference() for pair in combinations(self._probes, 2)}
        self._settings = {name: Difference() for name in probes}
        self._setting: dict[str, float] = {}
        self.doubted: dict[str, Doubted] = {}
        self._places = Places(self._probes, room, self._habits, self._pairs, self.doubted)

    # -- a reading -------------------------------------------------------------------------------

    def see(
        self, name: str, t_s: float, value: float, settings: Mapping[str, float] | None = None
    ) -> list[str]:
        """Takes one good reading; returns the channels that are newly doubted or believed.

        Args:
            settings: the thermostat's setting as each probe sees it, °C, where it is known.
        """
        habit = self._habits[name]
        if t_s <= habit.seen_s:
            return []
        before = set(self.doubted)
        block_ended = habit.take(t_s, value)
        if name not in self.doubted:
            kind = self._out_of_habit(name, t_s)
            if kind is not None:
                self.doubted[name] = Doubted(kind, t_s, habit.now)
            elif name in self._probes and self._places.far(name, t_s):
                self.doubted[name] = Doubted(Kind.OUT, t_s, habit.before)
        if block_ended:
            self._end_block(name, habit, t_s, settings or {})
        return sorted(before ^ set(self.doubted))

    def interrupt(self) -> None:
        """Forgets the last hours of all channels: the machine was off for an unknown time, and
        the water may have changed."""
        for habit in self._habits.values():
            habit.interrupt()

    def rezero(self, by: Mapping[str, float]) -> None:
        """Takes these channels to read higher by this much from now on, because somebody has
        compared them with a thermometer. Their present differences count as the usual ones."""
        for name in self._habits.keys() & by.keys():
            self._habits[name].interrupt()
            doubt = self.doubted.get(name)
            if doubt is not None and doubt.kind in (Kind.DRIFT, Kind.JUMP):
                del self.doubted[name]
            if name in self._setting:
                self._setting[name] += by[name]
                self._settings[name].rezero(by[name])
        for (one, other), difference in self._pairs.items():
            if one in by or other in by:
                difference.rezero(by.get(one, 0.0) - by.get(other, 0.0))

    def _out_of_habit(self, name: str, t_s: float) -> Kind | None:
        habit = self._habits[name]
        if habit.stands(t_s) and not self._places.all_stand(name, t_s):
            return Kind.STUCK
        return Kind.NOISY if habit.noisy(t_s) else None

    # -- every five minutes ----------------------------------------------------------------------

    def _end_block(
        self, name: str, habit: Habit, t_s: float, settings: Mapping[str, float]
    ) -> None:
        if name in self.doubted:
            self._believe(name, habit, t_s)
        elif name == self._room:
            self._swap(t_s)
        elif self._places.pulled(name):
            self.doubted[name] = Doubted(Kind.OUT, t_s, habit.before)
            self._swap(t_s)
        else:
            self._compare_with_thermostat(name, t_s, settings)
            self._compare(name, habit, t_s)

    def _swap(self, t_s: float) -> None:
        name = self._places.swapped(t_s)
        if name:
            self.doubted[name].kind, self.doubted[name].other = Kind.SWAPPED, self._room
            was = self._habits[self._room].before
            self.doubted[self._room] = Doubted(Kind.SWAPPED, t_s, was, other=name)

    def _compare(self, name: str, habit: Habit, t_s: float) -> None:
        for pair, difference in self._pairs.items():
            if name != pair[0] or pair[1] in self.doubted:
                continue
            other = self._habits[pair[1]]
            if not other.blocks or t_s - other.seen_s > 2 * BLOCK_S:
                continue
            apart = habit.now - other.now
            sudden = difference.sudden(apart)
            if sudden:
                self._wait(pair, difference, sudden, t_s)
                continue
            difference.odd_s = None
            difference.add(apart, BLOCK_S)
            if abs(difference.off) > DRIFTED_K:
                which, sure = self._drifter(pair)
                other_name = pair[1] if which == pair[0] else pair[0]
                now = self._habits[which].now
                self.doubted[which] = Doubted(Kind.DRIFT, t_s, now, sure, other_name)
                return

    def _wait(
        self, pair: tuple[str, str], difference: Difference, sudden: float, t_s: float
    ) -> None:
        """Waits after a step between two probes. A pause of the pump passes; a step that stays
        is a new zero."""
        if difference.odd_s is None:
            first, second = (self._habits[name] for name in pair)
            difference.odd_s = t_s
            difference.suspect = pair[0] if abs(first.change()) >= abs(second.change()) else pair[1]
        if t_s - difference.odd_s < STAYED_S:
            return
        difference.odd_s = None
        if abs(sudden) < REBASED_K:
            difference.jump(sudden)
            return
        which = difference.suspect
        other = pair[1] if which == pair[0] else pair[0]
        signed = sudden if which == pair[0] else -sudden
        before = self._habits[which].now - signed
        self.doubted[which] = Doubted(Kind.JUMP, t_s, before, True, other)

    def _compare_with_thermostat(
        self, name: str, t_s: float, settings: Mapping[str, float]
    ) -> None:
        setting = settings.get(name)
        if setting is None or name not in self._settings:
            return
        seen = self._settings[name]
        last = self._setting.get(name, setting)
        self._setting[name] = setting
        if abs(setting - last) > TURNED_K:
            seen.jump(setting - last)
        seen.add(setting, BLOCK_S)
        alone = len(self._probes) == 1
        if alone and abs(seen.fast - seen.base) > CREPT_K and seen.seconds > SETTLED_S:
            self.doubted[name] = Doubted(Kind.DRIFT, t_s, self._habits[name].now, False)

    def _drifter(self, pair: tuple[str, str]) -> tuple[str, bool]:
        """Returns which of two probes drifts, the one that sees the thermostat's setting creep,
        and whether that is certain."""
        first, second = (abs(self._settings[name].off) for name in pair)
        if max(first, second) < 0.3 * DRIFTED_K or abs(first - second) < 0.3 * DRIFTED_K:
            return pair[1], False
        return (pair[0] if first > second else pair[1]), True

    def _believe(self, name: str, habit: Habit, t_s: float) -> None:
        """Believes a doubted probe again once it behaves."""
        doubt = self.doubted[name]
        if not self._well(name, habit, doubt, t_s):
            doubt.well_s = None
            return
        if doubt.well_s is None:
            doubt.well_s = t_s
        if t_s - doubt.well_s < BELIEVED_S:
            return
        del self.doubted[name]
        other = self.doubted.get(doubt.other)
        if doubt.kind is Kind.SWAPPED and other is not None and other.kind is Kind.SWAPPED:
            # Once the one is back in its place, so is the other.
            del self.doubted[doubt.other]

    def _well(self, name: str, habit: Habit, doubt: Doubted, t_s: float) -> bool:
        if doubt.kind is Kind.NOISY:
            return habit.quiet
        if doubt.kind is Kind.STUCK:
            return habit.moves_again(t_s)
        if doubt.kind is Kind.DRIFT:
            # A drift does not heal: the probe is believed again when it agrees, or has been
            # replaced.
            pairs = [(p, d) for p, d in self._pairs.items() if name in p]
            for pair, difference in pairs:
                first, second = (self._habits[n] for n in pair)
                if abs(first.now - second.now - difference.base) > 0.5 * DRIFTED_K:
                    return False
            return bool(pairs)
        if name == self._room:
            return False  # water is no measure of the room: it is believed with the probe
        others = self._places.believed(name)
        reference = self._habits[others[0]].now if others else doubt.before
        return abs(habit.now - reference) < REBASED_K and abs(habit.change()) < APART_K

    # -- answers ---------------------------------------------------------------------------------

    def apart(self, name: str, t_s: float) -> float | None:
        """Returns how much more a probe reads than it usually does beside the other believed
        probes, K, over the last five minutes. Of several others the one that gives the least
        counts. Returns None where no other is heard."""
        now = self._habits[name].now
        return min(
            (
                now - self._habits[other].now - self._places.usual_gap(name, other)
                for other in self._places.believed(name)
                if t_s - self._habits[other].seen_s < 2 * BLOCK_S
            ),
            key=abs,
            default=None,
        )

    @property
    def channels(self) -> tuple[str, ...]:
        return tuple(self._habits)

    def finding(self, name: str, t_s: float, now: Moment) -> Finding:
        """Returns the finding about `name` at `t_s` by the judge's time: that it is doubted, or
        that it is not."""
        doubt = self.doubted.get(name)
        alarm, usual = f"{name}.doubtful", priority_of("{probe}.doubtful")
        if doubt is None:
            return Finding(alarm, False, usual, ProbeBelieved(name))
        in_water = name in self._probes
        left = [p for p in self._probes if p not in self.doubted]
        ago_ms = max(0, round((t_s - doubt.since_s) * 1000))
        since = Moment(now.mono_ms - ago_ms, now.utc_ms - ago_ms, now.epoch)
        habit = self._habits[name]
        facts = ProbeDoubted(
            name,
            doubt.kind,
            habit.now,
            habit.value,
            doubt.before,
            self._crept(name),
            doubt.sure,
            doubt.other,
            tuple(left) if in_water else None,
        )
        priority = Priority.HIGH if in_water and not left else usual
        return Finding(alarm, True, priority, facts, since)

    def _crept(self, name: str) -> float:
        pairs = [abs(d.off) for p, d in self._pairs.items() if name in p]
        alone = [abs(d.off) for n, d in self._settings.items() if n == name]
        return max(pairs, default=0.0) or sum(alone)

    # -- across restarts -------------------------------------------------------------------------

    def held(self) -> Judged:
        """Returns what the next run continues from; it changes with the judge."""
        pairs = {"/".join(pair): difference for pair, difference in self._pairs.items()}
        return Judged(self._habits, pairs, self._settings, self._setting, self.doubted)

    def restore(self, found: Judged) -> None:
        """Takes up the value of `held`; leaves out channels that no longer exist."""
        self._setting = found.setting
        self._settings |= {n: d for n, d in found.settings.items() if n in self._settings}
        for pair in self._pairs:
            self._pairs[pair] = found.pairs.get("/".join(pair), self._pairs[pair])
        for name in self._habits:
            self._habits[name] = found.habits.get(name, self._habits[name])
            if name in found.doubted:
                self.doubted[name] = found.doubted[name]
