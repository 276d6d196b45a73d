"""Sensors told apart from water: which probe not to believe, why, and how sure that is.

What tells them apart:

- *physics*: water as a whole cannot change faster than heater and heat capacity allow, a probe
  that is pulled out or plugged elsewhere does;
- *the other probe*: they hang in the same water, so that their difference stands still;
- *the thermostat*: it switches where it always does, so that the probe that sees it creep is the
  one that drifts (the setting as each probe sees it comes in with the readings);
- *each probe's own habit*: its noise, and for how long it repeats itself.

A probe that is doubted is not believed until it has behaved for a while. A new probe's other zero,
below `REBASED_K`, is taken as it is and said to nobody.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from itertools import combinations
from typing import Any

from stillwell.alarm.wording import PROBE, Wording
from stillwell.estimate.noise import Noise
from stillwell.finding import Finding
from stillwell.notice import Message, Priority
from stillwell.reading import Moment, Quantity
from stillwell.units import System

BLOCK_S = 300.0
"""Readings are folded into means of this length for all but noise and standstill."""
KEPT_BLOCKS = 7
"""Half an hour of them."""
PULLED_K = 0.9
"""Changed by so much within `KEPT_BLOCKS`: no heater does that to a tank (150 W in 40 L give 0.9 K
in 20 min only if nothing is lost, see `_possible`)."""
APART_K = 0.5
"""So much is enough where another probe has seen nothing of it."""
UNMOVED_K = 0.2
FAR_K = 0.8
FAR_S = 150.0
"""So far from where another probe says that the water is, for so long, towards the room: told
before a band on their mean would take it for cold water."""
ALONE_K = 1.5
"""As `FAR_K`, where no other probe is heard."""
REBASED_K = 0.5
SUDDEN_K = 0.12
STAYED_S = 3600.0
DRIFTED_K = 0.2
"""A difference that has crept so far is told."""
CREPT_K = 0.3
"""A single probe has only the thermostat beside it, and the dial may have been turned little by
little: it is told later."""
NOISY = 2.5
QUIET = 1.6
NOISY_S = 1200.0
STUCK_S = 3600.0
STUCK_TIMES = 5.0
"""Stuck: the same value for so much longer than ever before."""
BELIEVED_S = 1800.0
"""A doubted probe must behave for so long."""
SETTLED_S = 36 * 3600.0
"""How long a difference is learned before a drift is measured from it."""
BASE_LIFE_S = 30 * 86_400.0
FAST_LIFE_S = 3 * 3600.0


class Kind(StrEnum):
    """Why a probe is not believed."""

    OUT = "out-of-water"
    SWAPPED = "swapped"
    DRIFT = "drift"
    NOISY = "noisy"
    STUCK = "stuck"
    JUMP = "jump"


@dataclass(slots=True)
class Doubted:
    """One probe that is not believed."""

    kind: Kind
    since_s: float
    before: float
    """What it read before, °C."""
    sure: bool = True
    """Whether it is known which of two it is."""
    other: str = ""
    well_s: float | None = None
    """Since when it has behaved again."""


@dataclass(slots=True)
class _Channel:
    noise: Noise = field(default_factory=Noise)
    blocks: deque[tuple[float, float]] = field(default_factory=lambda: deque(maxlen=KEPT_BLOCKS))
    block: int = -1
    total: float = 0.0
    count: int = 0
    value: float = math.nan
    same_s: float = 0.0
    """Since when it has read `value`."""
    longest_s: float = 0.0
    """For how long it has repeated itself at most, forgotten slowly."""
    noisy_s: float | None = None
    far_s: float | None = None
    """Since when it has been far from another one."""
    seen_s: float = 0.0
    seconds: float = 0.0
    """For how long it has been watched."""

    @property
    def now(self) -> float:
        return self.blocks[-1][1] if self.blocks else self.value

    def change(self) -> float:
        """From the first kept block to the last, K."""
        return self.blocks[-1][1] - self.blocks[0][1] if len(self.blocks) > 1 else 0.0


@dataclass(slots=True)
class _Pair:
    """The difference of two probes, or of a probe and the thermostat: usual and lately."""

    base: float = 0.0
    fast: float = 0.0
    seconds: float = 0.0
    odd_s: float | None = None
    """Since when it has been elsewhere at once."""
    suspect: str = ""

    def add(self, value: float, dt_s: float) -> None:
        if self.seconds == 0.0:
            self.base = self.fast = value
        self.seconds += dt_s
        self.fast += min(1.0, dt_s / FAST_LIFE_S) * (value - self.fast)
        if abs(value - self.base) < 0.75 * DRIFTED_K or self.seconds < SETTLED_S:
            life = min(BASE_LIFE_S, self.seconds)
            self.base += min(1.0, dt_s / life) * (value - self.base)

    @property
    def off(self) -> float:
        return self.fast - self.base if self.seconds > SETTLED_S else 0.0

    def jump(self, by: float) -> None:
        self.base += by
        self.fast += by


class ProbeJudge:
    """Judges the probes of one tank. `see` once a good reading; times are monotonic seconds."""

    def __init__(
        self,
        probes: Sequence[str],
        room: str = "",
        zone: str = "UTC",
        units: System | str = "metric",
    ) -> None:
        self._probes = tuple(probes)
        self._room = room
        self._channels = {name: _Channel() for name in (*probes, *((room,) if room else ()))}
        self._pairs = {pair: _Pair() for pair in combinations(self._probes, 2)}
        self._settings = {name: _Pair() for name in probes}
        self._setting: dict[str, float] = {}
        self.doubted: dict[str, Doubted] = {}
        self._words = Wording(zone, units)

    # -- a reading -------------------------------------------------------------------------------

    def see(
        self, name: str, t_s: float, value: float, settings: Mapping[str, float] | None = None
    ) -> list[str]:
        """Takes one good reading; returns the channels whose standing has changed by it.

        Args:
            settings: the thermostat's setting as each probe sees it, °C, as far as it is learned.
        """
        channel = self._channels[name]
        if t_s <= channel.seen_s:
            return []
        if t_s - channel.seen_s > 1800.0:
            channel.blocks.clear()
            channel.value, channel.block = math.nan, -1
        else:
            channel.seconds += t_s - channel.seen_s
        channel.seen_s = t_s
        channel.noise.add(t_s, value)
        before = set(self.doubted)
        kind = self._standstill(channel, t_s, value) or self._noise(channel, t_s)
        if kind is not None and name not in self.doubted:
            self.doubted[name] = Doubted(kind, t_s, channel.now)
        if name in self._probes and name not in self.doubted and self._far(name, t_s):
            self.doubted[name] = Doubted(Kind.OUT, t_s, channel.blocks[0][1])
        block = int(t_s // BLOCK_S)
        if block != channel.block:
            if channel.count:
                channel.blocks.append(
                    ((channel.block + 0.5) * BLOCK_S, channel.total / channel.count)
                )
                self._end_block(name, channel, t_s, settings or {})
            channel.block, channel.total, channel.count = block, 0.0, 0
        channel.total += value
        channel.count += 1
        return sorted(before ^ set(self.doubted))

    def _standstill(self, channel: _Channel, t_s: float, value: float) -> Kind | None:
        if value != channel.value:
            lasted = t_s - channel.same_s
            if not math.isnan(channel.value) and lasted < STUCK_S:
                channel.longest_s = max(0.9998 * channel.longest_s, lasted)
            channel.value, channel.same_s = value, t_s
            return None
        limit = max(STUCK_S, STUCK_TIMES * channel.longest_s)
        usual = channel.seconds > 6 * 3600.0 and channel.longest_s > 0
        if not usual or t_s - channel.same_s <= limit:
            return None
        return None if self._all_stand(channel, t_s) else Kind.STUCK

    def _all_stand(self, channel: _Channel, t_s: float) -> bool:
        """Whether every other probe in the water stands still as well: then it is the water that
        does, since two probes do not stick in the same hour."""
        others = [self._channels[name] for name in self._probes]
        others = [o for o in others if o is not channel and o.seconds > 0]
        return bool(others) and all(t_s - o.same_s > 0.5 * STUCK_S for o in others)

    def _noise(self, channel: _Channel, t_s: float) -> Kind | None:
        noise = channel.noise
        if channel.seconds < 6 * 3600.0 or noise.lately < NOISY * noise.usual:
            channel.noisy_s = None
            return None
        if channel.noisy_s is None:
            channel.noisy_s = t_s
        return Kind.NOISY if t_s - channel.noisy_s > NOISY_S else None

    # -- every five minutes ----------------------------------------------------------------------

    def _end_block(
        self, name: str, channel: _Channel, t_s: float, settings: Mapping[str, float]
    ) -> None:
        if name in self.doubted:
            self._believe(name, channel, t_s)
            return
        if name == self._room:
            self._swap(t_s)
            return
        change = channel.change()
        if abs(change) > APART_K and self._pulled(name, change):
            before = channel.blocks[0][1]
            self.doubted[name] = Doubted(Kind.OUT, t_s, before)
            self._swap(t_s)
            return
        self._compare(name, channel, t_s, settings)

    def _pulled(self, name: str, change: float) -> bool:
        """Whether the probe has gone where the water cannot go, and towards the room.

        A chamber whose pump stands is warmed by its heater as fast: away from the room, and it
        comes back to where the other probe has been all along."""
        now = self._channels[name].now
        room = self._channels.get(self._room)
        if room is not None and room.blocks:
            before_k, now_k = abs(now - change - room.now), abs(now - room.now)
            if now_k > 0.75 * before_k:
                return False
        elif change > 0:
            return False
        others = [
            (other, self._channels[other])
            for other in self._probes
            if other != name and other not in self.doubted and self._channels[other].blocks
        ]
        if not others:
            limit = PULLED_K if room is not None and room.blocks else 1.5 * PULLED_K
            return abs(change) > limit
        # Water that really changed changes for both.
        return all(
            abs(seen.change()) < max(UNMOVED_K, 0.4 * abs(change))
            and abs(now - seen.now - self._usual_gap(name, other)) > 0.7 * APART_K
            for other, seen in others
        )

    def _far(self, name: str, t_s: float) -> bool:
        """Whether the probe has been far from one that has not moved, and nearer to the room than
        it was, for long enough."""
        channel = self._channels[name]
        others = [
            other
            for other in self._probes
            if other != name
            and other not in self.doubted
            and self._channels[other].blocks
            and t_s - self._channels[other].seen_s < BLOCK_S
        ]
        away = bool(channel.blocks) and (
            any(self._away(name, other) for other in others)
            if others
            else abs(channel.value - channel.blocks[0][1]) > ALONE_K
            and self._nearer_to_the_room(channel)
        )
        if not away:
            channel.far_s = None
            return False
        if channel.far_s is None:
            channel.far_s = t_s
        return t_s - channel.far_s >= FAR_S

    def _away(self, name: str, other: str) -> bool:
        channel, seen = self._channels[name], self._channels[other]
        if abs(channel.value - seen.value - self._usual_gap(name, other)) < FAR_K:
            return False
        before = channel.blocks[0][1]
        change = channel.value - before
        if abs(seen.value - seen.blocks[0][1]) > max(UNMOVED_K, 0.4 * abs(change)):
            return False
        return self._nearer_to_the_room(channel)

    def _nearer_to_the_room(self, channel: _Channel) -> bool:
        """Than half an hour ago; colder where there is no room to compare with."""
        before = channel.blocks[0][1]
        room = self._channels.get(self._room)
        if room is None or not room.blocks:
            return channel.value < before
        return abs(channel.value - room.value) < 0.75 * abs(before - room.blocks[0][1])

    def _usual_gap(self, name: str, other: str) -> float:
        """What `name` usually reads more than `other`, K."""
        if (name, other) in self._pairs:
            return self._pairs[name, other].fast
        return -self._pairs[other, name].fast

    def _swap(self, t_s: float) -> None:
        """A probe and the room's have changed places if each has gone to where the other was."""
        room = self._channels.get(self._room)
        if room is None or len(room.blocks) < 2 or self._room in self.doubted:
            return
        for name, doubt in self.doubted.items():
            if doubt.kind is not Kind.OUT or t_s - doubt.since_s > 3600.0:
                continue
            was, now = room.blocks[0][1], room.now
            gap = doubt.before - was
            if abs(gap) > 1.0 and abs(now - was - gap) < 0.5 * abs(gap):
                doubt.kind, doubt.other = Kind.SWAPPED, self._room
                self.doubted[self._room] = Doubted(Kind.SWAPPED, t_s, was, other=name)
                return

    def _compare(
        self, name: str, channel: _Channel, t_s: float, settings: Mapping[str, float]
    ) -> None:
        self._compare_with_thermostat(name, t_s, settings)
        for pair, difference in self._pairs.items():
            if name != pair[0] or pair[1] in self.doubted:
                continue
            other = self._channels[pair[1]]
            if not other.blocks or t_s - other.seen_s > 2 * BLOCK_S:
                continue
            apart = channel.now - other.now
            sudden = apart - difference.fast
            if difference.seconds > 3600.0 and abs(sudden) > SUDDEN_K:
                self._wait(pair, difference, sudden, t_s)
                continue
            difference.odd_s = None
            difference.add(apart, BLOCK_S)
            if abs(difference.off) > DRIFTED_K:
                which, sure = self._drifter(pair)
                other_name = pair[1] if which == pair[0] else pair[0]
                now = self._channels[which].now
                self.doubted[which] = Doubted(Kind.DRIFT, t_s, now, sure, other_name)
                return

    def _wait(self, pair: tuple[str, str], difference: _Pair, sudden: float, t_s: float) -> None:
        """A step between two probes. A pause of the pump passes; what stays is another zero."""
        if difference.odd_s is None:
            first, second = (self._channels[name] for name in pair)
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
        before = self._channels[which].now - signed
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
        if abs(setting - last) > 0.05:
            # At once: the dial, or a new probe. Neither is a drift.
            seen.jump(setting - last)
        seen.add(setting, BLOCK_S)
        alone = len(self._probes) == 1
        if alone and abs(seen.fast - seen.base) > CREPT_K and seen.seconds > SETTLED_S:
            self.doubted[name] = Doubted(Kind.DRIFT, t_s, self._channels[name].now, False)

    def _drifter(self, pair: tuple[str, str]) -> tuple[str, bool]:
        """Which of two drifts: the one that sees the thermostat's setting creep."""
        first, second = (abs(self._settings[name].off) for name in pair)
        if max(first, second) < 0.3 * DRIFTED_K or abs(first - second) < 0.3 * DRIFTED_K:
            return pair[1], False
        return (pair[0] if first > second else pair[1]), True

    def _believe(self, name: str, channel: _Channel, t_s: float) -> None:
        """Whether a doubted probe behaves again."""
        doubt = self.doubted[name]
        if not self._well(name, channel, doubt, t_s):
            doubt.well_s = None
            return
        if doubt.well_s is None:
            doubt.well_s = t_s
        if t_s - doubt.well_s < BELIEVED_S:
            return
        del self.doubted[name]
        if doubt.kind is Kind.SWAPPED:
            other = self.doubted.get(doubt.other)
            if other is not None and other.kind is Kind.SWAPPED:
                other.kind = Kind.OUT

    def _well(self, name: str, channel: _Channel, doubt: Doubted, t_s: float) -> bool:
        if doubt.kind is Kind.NOISY:
            return channel.noise.lately < QUIET * channel.noise.usual
        if doubt.kind is Kind.STUCK:
            return t_s - channel.same_s < max(600.0, 2 * channel.longest_s)
        if doubt.kind is Kind.DRIFT:
            # A drift does not heal: believed again when it agrees, or when it has been replaced.
            pairs = [(p, d) for p, d in self._pairs.items() if name in p]
            for pair, difference in pairs:
                first, second = (self._channels[n] for n in pair)
                if abs(first.now - second.now - difference.base) > 0.5 * DRIFTED_K:
                    return False
            return bool(pairs)
        others = [
            self._channels[o].now
            for o in self._probes
            if o != name and o not in self.doubted and self._channels[o].blocks
        ]
        reference = others[0] if others else doubt.before
        return abs(channel.now - reference) < REBASED_K and abs(channel.change()) < APART_K

    # -- answers ---------------------------------------------------------------------------------

    @property
    def channels(self) -> tuple[str, ...]:
        return tuple(self._channels)

    def finding(self, name: str, t_s: float, now: Moment) -> Finding:
        """What is to be said of `name` now, `t_s` by the judge's time: that it is doubted, or that
        it is not."""
        doubt = self.doubted.get(name)
        alarm = f"{name}.doubtful"
        if doubt is None:
            return Finding(
                alarm, False, Priority.MEDIUM, Message(f"{name} behaves and is believed.")
            )
        left = [p for p in self._probes if p not in self.doubted]
        blind = not left and name in self._probes
        ago_ms = max(0, round((t_s - doubt.since_s) * 1000))
        since = Moment(now.mono_ms - ago_ms, now.utc_ms - ago_ms, now.epoch)
        return Finding(
            alarm,
            True,
            Priority.HIGH if blind else Priority.MEDIUM,
            self._message(name, doubt, left, since, now),
            since,
        )

    def _message(
        self, name: str, doubt: Doubted, left: Sequence[str], since: Moment, now: Moment
    ) -> Message:
        words, temperature = self._words, Quantity.TEMPERATURE
        reads = words.value(self._channels[name].now, temperature)
        stuck_at = words.value(self._channels[name].value, temperature, 2)
        what, likely, do = {
            Kind.OUT: (
                f"reads {reads}, where water cannot get to so fast from "
                f"{words.value(doubt.before, temperature)}",
                "Most likely it hangs out of the water, because it went where the room is and not "
                "where a heater can bring water; or much cold or warm water was poured in, if a "
                "thermometer says the same.",
                "Put it back under water and fix its lead.",
            ),
            Kind.SWAPPED: (
                f"and {doubt.other} have changed places",
                "Most likely their plugs or their leads were swapped, because each reads what the "
                "other read before.",
                "Change them back, or exchange their addresses in the configuration.",
            ),
            Kind.DRIFT: (
                f"has crept away by {self._crept(name)}",
                (
                    f"Most likely {name} drifts, because it sees the heater switch elsewhere day "
                    f"by day and {doubt.other} does not."
                    if doubt.sure
                    else f"Either {name} or {doubt.other} drifts; nobody can say which, because "
                    "the heater has not told them apart."
                    if doubt.other
                    else "Most likely it drifts, because the heater seems to switch elsewhere day "
                    "by day; or the dial is being turned little by little."
                ),
                "Hold a thermometer that you trust beside it; replace the one that is off.",
            ),
            Kind.NOISY: (
                "flickers far more than it used to",
                "Most likely a poor contact, a wet plug or a lead that picks up something.",
                "Check its plug and its lead; dry them.",
            ),
            Kind.STUCK: (
                f"has read exactly {stuck_at} for longer than it ever did",
                "Most likely it repeats an old value, because even still water flickers by a step.",
                "Unplug it for ten seconds and plug it in again; if it sticks again, replace it.",
            ),
            Kind.JUMP: (
                f"has jumped away from {doubt.other or 'where it was'}, to {reads}",
                "Most likely it has been changed or moved; or the pump stands and its water is no "
                "longer the tank's.",
                "See that the pump runs; hold a thermometer that you trust beside it.",
            ),
        }[doubt.kind]
        rest = (
            f" The water is watched with {', '.join(left)} meanwhile."
            if left
            else " No other probe is left: read the water with another thermometer now and every "
            "hour until this is mended."
        )
        if name not in self._probes:
            rest = ""
        return Message(f"{name} {what}, {words.since(since, now)}.{rest}", likely, do, PROBE)

    def _crept(self, name: str) -> str:
        pairs = [abs(d.off) for p, d in self._pairs.items() if name in p]
        alone = [abs(d.off) for n, d in self._settings.items() if n == name]
        return self._words.difference(max(pairs, default=0.0) or sum(alone), Quantity.TEMPERATURE)

    # -- across restarts -------------------------------------------------------------------------

    def to_json(self) -> dict[str, Any]:
        return {
            "noise": {
                n: [c.noise.to_json(), c.longest_s, c.seconds] for n, c in self._channels.items()
            },
            "pairs": {"/".join(p): [d.base, d.fast, d.seconds] for p, d in self._pairs.items()},
            "settings": {n: [d.base, d.fast, d.seconds] for n, d in self._settings.items()},
            "setting": dict(self._setting),
            "doubted": {
                n: [str(d.kind), d.since_s, d.before, d.sure, d.other]
                for n, d in self.doubted.items()
            },
        }

    def restore(self, kept: Any) -> None:
        """Takes up `to_json`'s value; channels that are no longer
        there are left out. Raises ValueError, KeyError or TypeError for anything else."""
        for name, (noise, longest_s, seconds) in kept["noise"].items():
            if name in self._channels:
                channel = self._channels[name]
                channel.noise.restore(noise)
                channel.longest_s, channel.seconds = float(longest_s), float(seconds)
        for name, numbers in kept["pairs"].items():
            pair = tuple(name.split("/"))
            if len(pair) == 2 and pair in self._pairs:
                self._pairs[pair] = _pair(numbers)
        for name, numbers in kept["settings"].items():
            if name in self._settings:
                self._settings[name] = _pair(numbers)
        self._setting = {str(n): float(v) for n, v in kept["setting"].items()}
        for name, (kind, since_s, before, sure, other) in kept["doubted"].items():
            if name in self._channels:
                self.doubted[name] = Doubted(
                    Kind(kind), float(since_s), float(before), bool(sure), str(other)
                )


def _pair(numbers: Any) -> _Pair:
    base, fast, seconds = (float(number) for number in numbers)
    if not all(map(math.isfinite, (base, fast, seconds))):
        raise ValueError("a kept difference is no number")
    return _Pair(base, fast, seconds)
