"""Turns readings into evidence: shares of a float's looks, values of a gauge, and what physics
expects to evaporate from water, room and humidity."""

from __future__ import annotations

import math
from statistics import median

from stillwell.estimate.level.evidence import Expect, Gauge, Share
from stillwell.observe.chamber.plan import FloatChannel
from stillwell.observe.chamber.record import Climate, LevelRecord
from stillwell.observe.chamber.total_intake import TotalIntake
from stillwell.reading import Flag, Reading
from stillwell.water.evaporation import SEA, Water, air_of, expected

_EXPECT_EVERY_MS = 60_000
_HELD_MS = 86_400_000
"""How long a missing thermometer is replaced by its usual value (our own choice)."""
_SHARES_KEPT = 80
_TEMPERATURES_KEPT = 300
_FLAG_OF_LEVEL = (Flag.PASS, Flag.NOT_EVALUATED)


def worth_seeing(reading: Reading) -> bool:
    """Whether a gauge's reading is a measurement. Outliers are weighed by whoever takes it; a flat
    line is none."""
    if reading.flag in (Flag.FAIL, Flag.MISSING):
        return False
    return reading.flag in _FLAG_OF_LEVEL or "flat" not in reading.tests


class LevelIntake:
    """Takes readings into a record."""

    def __init__(self, record: LevelRecord) -> None:
        self._record = record
        self._plan = plan = record.plan
        self._floats = {channel.spec.name: channel for channel in plan.floats}
        self.total = TotalIntake(record) if plan.top_up else None
        self._wanted = frozenset(
            {
                *self._floats,
                *plan.water,
                *(name for name in (plan.room, plan.humidity) if name),
                *((plan.gauge.name,) if plan.gauge else ()),
                *(self.total.channels if self.total else ()),
            }
        )

    def wants(self, channel: str) -> bool:
        """Whether a channel's readings are evidence here."""
        return channel in self._wanted

    def take(self, reading: Reading, now_ms: int) -> None:
        """Takes one reading.

        Args:
            now_ms: its time on the line, to which the record has passed.
        """
        value = reading.value
        if value is None or reading.flag in (Flag.FAIL, Flag.MISSING):
            return
        name = reading.channel
        if self.total is not None and name in self.total.channels:
            for evidence in self.total.take(name, value, now_ms):
                self._record.update_total(evidence, now_ms)
        if name in self._floats:
            self._take_share(self._floats[name], reading, value, now_ms)
        elif self._plan.gauge is not None and name == self._plan.gauge.name:
            if worth_seeing(reading):
                self._record.update(Gauge(now_ms, value), now_ms)
        elif self.total is not None and name in self.total.channels:
            return
        else:
            climate = self._record.memory.climate
            if name in climate:
                climate[name].take(now_ms, value)
            else:
                climate[name] = Climate.first(now_ms, value)
            if name in self._plan.water:
                self._record.memory.slice_sum[0] += value
                self._record.memory.slice_sum[1] += 1.0
        if name in self._plan.water or not self._heard_water(now_ms):
            self._take_climate(now_ms)

    def close_slice(self, now_ms: int) -> None:
        """Keeps the means of the slice that has ended, if one has."""
        memory = self._record.memory
        index = now_ms // self._record.model.slice_ms
        if index <= memory.slice:
            return
        if memory.slice_sum[1]:
            memory.temperatures.append((memory.slice, memory.slice_sum[0] / memory.slice_sum[1]))
            del memory.temperatures[:-_TEMPERATURES_KEPT]
        room = self._said(self._plan.room, now_ms, 0)
        if room is not None:
            memory.rooms.append((memory.slice, room))
            del memory.rooms[:-_TEMPERATURES_KEPT]
        for name, (total, count) in memory.share_sums.items():
            kept = memory.shares.setdefault(name, [])
            kept.append((memory.slice, total / count))
            del kept[:-_SHARES_KEPT]
        memory.slice_sum = [0.0, 0.0]
        memory.share_sums = {}
        memory.slice = index

    def _take_share(
        self, channel: FloatChannel, reading: Reading, share: float, now_ms: int
    ) -> None:
        looks = reading.looks or channel.looks
        told = self._record.level.last if self._record.level else ()
        last = next((t for name, _, t in told if name == reading.channel), None)
        begin = now_ms - round(channel.every_s * 1000)
        if last is not None:
            begin = max(begin, min(last, now_ms - 1))
        share = min(1.0, max(0.0, share))
        self._record.update(Share(reading.channel, begin, now_ms, share, looks), now_ms)
        sums = self._record.memory.share_sums.setdefault(reading.channel, [0.0, 0.0])
        sums[0] += share
        sums[1] += 1.0

    def _take_climate(self, now_ms: int) -> None:
        memory = self._record.memory
        if now_ms - memory.told_expect_ms < _EXPECT_EVERY_MS:
            return
        water = self._water_now(now_ms)
        room = self._said(self._plan.room, now_ms, _HELD_MS)
        if water is None or room is None:
            return
        memory.told_expect_ms = now_ms
        surface = self._plan.surface
        humidity = self._said(self._plan.humidity, now_ms)
        air, rel_sd = air_of(room, humidity, surface.physics_rel_sd)
        predicted = expected(Water(water, SEA), air, surface.mm2)
        self._record.update(Expect(now_ms, predicted, rel_sd), now_ms)

    def _water_now(self, now_ms: int) -> float | None:
        climate = self._record.memory.climate
        of = [climate[name] for name in self._plan.water if name in climate]
        values = [one.value for one in of if not one.silent_ms(now_ms)]
        if not values:
            values = [one.usual for one in of if one.silent_ms(now_ms) <= _HELD_MS]
        return median(values) if values else None

    def _heard_water(self, now_ms: int) -> bool:
        climate = self._record.memory.climate
        return any(n in climate and not climate[n].silent_ms(now_ms) for n in self._plan.water)

    def _said(self, name: str | None, now_ms: int, held_ms: float = math.inf) -> float | None:
        """Returns what an instrument reads, or its usual value when it has been silent for no
        longer than `held_ms`. A probe that dies or is doubted must not look like a change of the
        weather, least of all by its last reading."""
        said = self._record.memory.climate.get(name or "")
        if said is None:
            return None
        silent_ms = said.silent_ms(now_ms)
        if not silent_ms:
            return said.value
        return said.usual if silent_ms <= held_ms else None
