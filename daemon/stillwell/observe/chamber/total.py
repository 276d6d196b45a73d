"""The water of the chamber and of an automatic top-up's reservoir together: no dose moves it, and
only what leaves the tank makes it less. The same level model that judges a chamber filled by hand
runs on it.

The instrument is what shows how much was added: the reservoir's gauge, the time for which the pump
has run, or the doses that the chamber's gauge has seen. Its reading is the level that the chamber
would have had without what was added."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from stillwell.estimate.level.doses import LAG_MS, Doses
from stillwell.estimate.level.evidence import Evidence, Gauge, Pour, Share
from stillwell.estimate.level.geometry import GaugeSpec, Geometry, Habits
from stillwell.estimate.level.model import LevelModel
from stillwell.estimate.level.state import LevelState
from stillwell.observe.chamber.plan import AddedBy, LevelPlan

REACH_MM = 150.0
"""A counter that has come so far down is set back."""
_DOSE_DRIFT = 0.25
"""How far counted doses stray in a day, as a share of one dose: a dose is seldom missed, and none
is exactly like another. Checked on simulated top-ups."""
_HELD_SD_MM = 0.8
"""How exactly a controller holds the level where nothing measures it: ripple, a float's
differential (common practice)."""
_SWAY_SLICES = 6.0
"""A dose lasts for about so many slices, in which the level strays to the same side."""


@dataclass(slots=True)
class Run:
    """One run of the top-up's pump."""

    begin_ms: int
    end_ms: int
    seconds: float
    rise_mm: float | None = None


@dataclass(slots=True)
class Total:
    """What is known of the water in chamber and reservoir together."""

    level: LevelState | None = None
    """The state of the model that runs on it."""
    base_mm: float = 0.0
    """What is added to the instrument's reading, so that it stays within its range."""
    chamber_mm: float | None = None
    """The chamber's gauge, smoothed over ten minutes, and when it was heard."""
    chamber_ms: int = 0
    recent: list[tuple[int, float]] = field(default_factory=list)
    """The chamber's readings around the latest run."""
    reservoir_mm: float | None = None
    """The reservoir's gauge, smoothed."""
    reservoir_ms: int = 0
    falls: list[tuple[int, float]] = field(default_factory=list)
    """The reservoir's smoothed level every few minutes of the last hour."""
    doses: Doses | None = None
    brought_mm: float = 0.0
    """What the pump has brought, mm of the chamber."""
    runs: list[Run] = field(default_factory=list)
    running_since_ms: int | None = None
    low: bool | None = None
    """Whether the reservoir's float is open."""
    left_ml: float | None = None
    """What is left by what was noted and counted, where no gauge shows it."""
    counted_mm: float = 0.0
    """What had been brought when that was last reckoned."""
    held_mm: float | None = None
    """Where the controller holds the chamber."""


def instrument(plan: LevelPlan) -> AddedBy | None:
    """Returns what shows the water that was added; None where it is added by hand."""
    return None if plan.top_up is None else plan.top_up.added_by(plan.gauge)


def total_model(plan: LevelPlan) -> LevelModel | None:
    """Returns the model of the water in chamber and reservoir; None where nothing shows what is
    added, or where it is added by hand."""
    said = plan.top_up
    by = instrument(plan)
    if said is None or by in (None, AddedBy.NOTHING):
        return None
    chamber = plan.gauge.spec if plan.gauge else None
    area = plan.geometry.area_mm2
    sway = Habits().sway_mm
    if by is AddedBy.RESERVOIR:
        assert said.gauge is not None
        assert said.area_mm2 is not None
        spec, ratio = said.gauge.spec, area / said.area_mm2
        deep = (said.reservoir_ml or 10_000.0) * 1000.0 / said.area_mm2
        geometry = Geometry(said.area_mm2, said.uncertainty, -deep, 0.1 * deep, 0.5 * deep)
        if chamber is not None:
            noise = math.hypot(spec.noise_mm, 0.3 * chamber.noise_mm * ratio)
        else:
            noise = spec.noise_mm
            sway = math.hypot(sway, _HELD_SD_MM * ratio * math.sqrt(_SWAY_SLICES))
        gauge = GaugeSpec(noise, spec.step_mm, 0.0, spec.drift_mm_per_sqrt_day)
    else:
        off = plan.geometry.area_rel_sd
        if by is AddedBy.PUMP and said.ml_per_h is not None:
            off = said.uncertainty
        geometry = Geometry(area, off, -REACH_MM, 0.5 * REACH_MM)
        if by is AddedBy.DOSES:
            assert chamber is not None
            gauge = GaugeSpec(chamber.noise_mm, chamber.step_mm, 0.0, 4.0 * _DOSE_DRIFT)
        elif chamber is not None:
            gauge = GaugeSpec(chamber.noise_mm, chamber.step_mm, 0.0)
        else:
            gauge = GaugeSpec(_HELD_SD_MM, 0.0, 0.0, 0.0)
    return LevelModel(geometry, (), gauge, Habits(sway_mm=sway))


def concerns(evidence: Evidence, by: AddedBy) -> bool:
    """Whether evidence from outside says something of the total water. Fresh water that was noted
    went into the reservoir: a counter of what is added does not see it."""
    if isinstance(evidence, Share | Gauge):
        return False
    if isinstance(evidence, Pour) and evidence.fresh:
        return by is AddedBy.RESERVOIR
    return True


def lag_ms(by: AddedBy | None) -> int:
    """Returns how long after a reading its place in the total water is decided, ms."""
    return LAG_MS if by is AddedBy.DOSES else 0
