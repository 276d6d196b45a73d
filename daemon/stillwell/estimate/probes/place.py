"""Whether a probe is still in its place, or has moved towards the room's temperature in a way
that water cannot."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from stillwell.estimate.probes.difference import Difference
from stillwell.estimate.probes.doubt import Doubted, Kind
from stillwell.estimate.probes.habit import BLOCK_S, STUCK_S, Habit

PULLED_K = 0.9
"""A probe that moves towards the room by this much within half an hour is out of the water,
because no tank does that: one with a time constant of 8 h, the shortest of small tanks (common
practice), and 10 K above its room loses 0.6 K."""
APART_K = 0.5
"""The same where another probe has seen nothing of it."""
UNMOVED_K = 0.2
FAR_K = 0.8
FAR_S = 150.0
"""A probe is doubted after being this long far from where another probe says the water is,
towards the room: before a band on their mean would take it for cold water."""
ALONE_K = 1.5
"""The same as `FAR_K`, where no other probe is heard."""
SWAP_S = 3600.0
"""Two probes changed places when both moved within this time."""


@dataclass(frozen=True, slots=True)
class Places:
    """Compares the probes of one tank; all data that it looks at belong to the judge."""

    probes: Sequence[str]
    room: str
    habits: Mapping[str, Habit]
    pairs: Mapping[tuple[str, str], Difference]
    doubted: Mapping[str, Doubted]

    def believed(self, name: str) -> list[str]:
        """Returns the other probes in the water that are believed and have been heard."""
        return [
            other
            for other in self.probes
            if other != name and other not in self.doubted and self.habits[other].blocks
        ]

    def usual_gap(self, name: str, other: str) -> float:
        """Returns how much more `name` usually reads than `other`, K."""
        if (name, other) in self.pairs:
            return self.pairs[name, other].fast
        return -self.pairs[other, name].fast

    def pulled(self, name: str) -> bool:
        """Whether the probe has moved towards the room in a way that the water cannot.

        A chamber whose pump has stopped is warmed by its heater as fast, but away from the room,
        and it comes back to where the other probe has been all along."""
        habit = self.habits[name]
        change, now = habit.change(), habit.now
        if abs(change) <= APART_K:
            return False
        if not self._nearer_to_the_room(now - change, now):
            return False
        others = self.believed(name)
        if not others:
            if habit.been_at(now):
                return False  # it comes back from a chamber that was warmed with the pump off
            return abs(change) > (1.5 * PULLED_K if self._room_now() is None else PULLED_K)
        # A real change of the water shows at both.
        return all(
            abs(self.habits[other].change()) < max(UNMOVED_K, 0.4 * abs(change))
            and abs(now - self.habits[other].now - self.usual_gap(name, other)) > 0.7 * APART_K
            for other in others
        )

    def far(self, name: str, t_s: float) -> bool:
        """Whether the probe has long enough been far from one that has not moved, and nearer to
        the room than before."""
        habit = self.habits[name]
        others = [
            other for other in self.believed(name) if t_s - self.habits[other].seen_s < BLOCK_S
        ]
        away = bool(habit.blocks) and (
            any(self._away(name, other) for other in others)
            if others
            else abs(habit.value - habit.before) > ALONE_K
            and not habit.been_at(habit.value)
            and self._nearer_to_the_room(habit.before, habit.value)
        )
        if not away:
            habit.far_s = None
            return False
        if habit.far_s is None:
            habit.far_s = t_s
        return t_s - habit.far_s >= FAR_S

    def _away(self, name: str, other: str) -> bool:
        habit, seen = self.habits[name], self.habits[other]
        if abs(habit.value - seen.value - self.usual_gap(name, other)) < FAR_K:
            return False
        change = habit.value - habit.before
        if abs(seen.value - seen.before) > max(UNMOVED_K, 0.4 * abs(change)):
            return False
        return self._nearer_to_the_room(habit.before, habit.value)

    def _room_now(self) -> float | None:
        """Returns the room's temperature, °C; None where no believed probe reads it."""
        room = self.habits.get(self.room)
        if room is None or not room.blocks or self.room in self.doubted:
            return None
        return room.now

    def _nearer_to_the_room(self, before: float, now: float) -> bool:
        """Whether a probe has moved towards the room's present temperature (a room that warms
        comes nearer by itself); without a room to compare with, whether it is colder."""
        room = self._room_now()
        if room is None:
            return now < before
        return abs(now - room) < 0.75 * abs(before - room)

    def swapped(self, t_s: float) -> str:
        """Returns the probe that has changed places with the room's, each having gone to where
        the other was; empty for none."""
        room = self.habits.get(self.room)
        if room is None or len(room.blocks) < 2 or self.room in self.doubted:
            return ""
        for name, doubt in self.doubted.items():
            if doubt.kind is not Kind.OUT or t_s - doubt.since_s > SWAP_S:
                continue
            was, now = room.before, room.now
            gap = doubt.before - was
            if abs(gap) > 1.0 and abs(now - was - gap) < 0.5 * abs(gap):
                return name
        return ""

    def all_stand(self, name: str, t_s: float) -> bool:
        """Whether every other probe in the water repeats its value as well. Then the water is
        steady, since two probes do not stick in the same hour."""
        others = [self.habits[other] for other in self.probes if other != name]
        others = [habit for habit in others if habit.seconds > 0]
        return bool(others) and all(t_s - habit.same_s > 0.5 * STUCK_S for habit in others)
