"""The healthy driver amid hostile ones: probes of the air's humidity that leave their bands at
known times, one after the other. (No probe of water may jump so: it would be doubted, and rightly.)

`install` makes it a package of its own, as a third party's would be.
"""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import Any

from pydantic import BaseModel

from stillwell.ports import Clock
from stillwell.reading import Sample

PERIOD_MS = 30 * 60_000
OUT_FROM_MS, OUT_TO_MS = 10 * 60_000, 20 * 60_000
"""When in each period the first probe is too low, in ms of the daemon's monotonic clock."""
WELL, LOW = 45.0, 25.0
"""%RH."""


def shift_ms(probe: int, probes: int) -> int:
    """Returns how much later than the first a probe is low: all of them share the period evenly."""
    return PERIOD_MS * probe // probes


def install(site: Path) -> None:
    info = site / "storm-1.0.dist-info"
    info.mkdir(parents=True)
    (info / "METADATA").write_text("Metadata-Version: 2.1\nName: storm\nVersion: 1.0\n")
    (info / "entry_points.txt").write_text("[stillwell.drivers]\nknown = storm_plugins:Known\n")


class Known:
    class Settings(BaseModel):
        channels: dict[str, dict[str, str]]

    def __init__(self, settings: Any) -> None:
        self._names = list(settings.channels)
        self._clock: Clock | None = None

    @classmethod
    def bus(cls, settings: Any) -> str:
        return "known"

    def use_clock(self, clock: Clock) -> None:
        self._clock = clock

    def open(self) -> None: ...

    def read(self) -> Iterable[Sample]:
        assert self._clock is not None
        now_ms = self._clock.monotonic_ns() // 1_000_000
        # Never twice the same to the last digit, because that would be a stuck probe.
        dither = (now_ms // 1000 % 7) / 1000
        samples = []
        for probe, name in enumerate(self._names):
            at_ms = (now_ms - shift_ms(probe, len(self._names))) % PERIOD_MS
            low = OUT_FROM_MS <= at_ms < OUT_TO_MS
            samples.append(Sample(name, (LOW if low else WELL) + dither))
        return samples

    def close(self) -> None: ...
