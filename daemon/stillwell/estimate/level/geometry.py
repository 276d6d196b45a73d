"""What is known of the chamber and the sensors before the first reading, and how well."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Geometry:
    """The return chamber. Heights are in mm relative to the fill mark; all uncertainties are one
    standard deviation (a "± 5 %" from a keeper is taken as that, because nobody measures a
    chamber to a confidence level)."""

    area_mm2: float
    area_rel_sd: float = 0.05
    lowest_safe_mm: float = -45.0
    highest_safe_mm: float = 25.0
    rise_mm: float = 30.0
    """Prior mean and spread of a rise that nobody noted: a pour goes up to about the mark."""

    def __post_init__(self) -> None:
        if not self.area_mm2 > 0:
            raise ValueError(f"The chamber's area must be positive, not {self.area_mm2} mm².")
        if not 0 <= self.area_rel_sd < 0.5:
            raise ValueError("The chamber's area must be known to better than 50 %.")
        if not self.lowest_safe_mm < self.highest_safe_mm:
            raise ValueError("The lowest safe level must lie below the highest.")

    @property
    def middle_mm(self) -> float:
        """The middle of the safe range."""
        return 0.5 * (self.lowest_safe_mm + self.highest_safe_mm)

    @property
    def mm_per_ml(self) -> float:
        """Returns how far one mL lifts the level, nominally."""
        return 1000.0 / self.area_mm2


@dataclass(frozen=True, slots=True)
class FloatSpec:
    """A float switch: closes when the water rises to `height_mm`, opens `differential_mm` lower."""

    name: str
    height_mm: float
    differential_mm: float = 2.0
    height_sd_mm: float = 0.5
    ripple_mm: float = 0.8
    """Standard deviation of the surface's ripple at the float."""
    ripple_log_sd: float = 0.3
    """How well that is known: the standard deviation of its logarithm, shared by all floats."""
    ripple_tau_s: float = 2.0
    """The time after which the ripple is uncorrelated (e-fold)."""

    def __post_init__(self) -> None:
        if not self.ripple_mm > 0 or not self.ripple_tau_s > 0:
            raise ValueError(f"Float {self.name}: ripple and its time must be positive.")
        if self.differential_mm < 0 or self.height_sd_mm < 0 or self.ripple_log_sd < 0:
            raise ValueError(
                f"Float {self.name}: differential and uncertainties can't be negative."
            )


@dataclass(frozen=True, slots=True)
class GaugeSpec:
    """A continuous gauge."""

    noise_mm: float = 1.0
    """Standard deviation of one reading, ripple included."""
    step_mm: float = 0.0
    """Its quantisation; 0 for none."""
    offset_sd_mm: float = 1.0
    """The standard deviation of its zero from the fill mark."""
    drift_mm_per_sqrt_day: float = 0.2
    """The random walk of its zero."""
    noise_tau_s: float = 0.0
    """The time after which its noise is uncorrelated; 0 for white noise."""

    def __post_init__(self) -> None:
        if not self.noise_mm > 0:
            raise ValueError("The gauge's noise must be positive.")
        if min(self.step_mm, self.offset_sd_mm, self.drift_mm_per_sqrt_day, self.noise_tau_s) < 0:
            raise ValueError("The gauge's step, offset, drift and times can't be negative.")


@dataclass(frozen=True, slots=True)
class Habits:
    """What is assumed of tanks and keepers until the tank's own readings say otherwise."""

    typical_ml_per_h: float = 22.5
    """The usual evaporation: a gallon a week for a nano tank, common practice."""
    typical_rel_sd: float = 0.7
    wander: tuple[float, ...] = (0.1, 0.2, 0.4)
    """How far the rate strays from its long-run value within a day (standard deviation, as a
    share of the typical or expected rate). The tank's own readings choose among these. None is
    below a tenth: a few days cannot tell a calm tank from luck. The interval of a ladder of
    floats, which has nothing else to tell its nights and days apart, would then hold 91 nights
    in 100, not 95."""
    trend: float = 0.6
    """The random walk of the long-run rate over a day, as a multiple of `wander`."""
    course_trend: float = 0.15
    """The same of the course of the day."""
    daily_rel_sd: float = 0.2
    """How far the rate swings about its long-run value in the course of a day (standard deviation
    of the cosine and of the sine of 24 h, as a share of the expected rate), of a ladder of floats.
    On ten simulated households that nothing is reported of, hourly losses over what physics expects
    had a cosine of 0.2, root mean square."""
    wander_tau_h: float = 3.0
    forget_days: float = 3.0
    """How long the choice among `wander` remembers."""
    sway_mm: float = 0.05
    """Slow movement of the surface that remains after averaging over one slice."""
    settling_min: float = 10.0
    """How long there is no level evidence after the pump starts again, or after a water change."""
    mark_sd_mm: float = 1.5
    """The standard deviation of "to the fill mark", judged by eye."""
    unnoted_pours_per_day: float = 0.3
    drains_per_day: float = 0.002
    """How often water is lost suddenly without an explanation."""
    false_notes: float = 0.02
    """Share of noted pours that never happened (noted twice, wrong amount)."""
    sensor_fault: float = 1e-4
    slice_min: int = 10
    remember_days: float = 15.0
    """How far back windows can be asked for and late pours are taken."""
