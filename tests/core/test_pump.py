"""A pump that stands, told from water that was poured."""

from __future__ import annotations

from stillwell.estimate.heater.pump import WINDOW_S, Pump

STEP_S = 30.0


def live(pump: Pump, begin_s: float, hours: float, level: float, gap: float) -> float:
    """The gauge and both probes for a while; returns when it ends."""
    t = begin_s
    while t < begin_s + hours * 3600:
        t += STEP_S
        pump.see_level(t, level)
        pump.see_gap(t, gap)
    return t


class TestAPumpThatStands:
    def test_is_told_when_the_chamber_is_up_and_the_probes_part(self) -> None:
        pump = Pump(8.0)
        at = live(pump, 0.0, 3, 0.0, 0.05)
        live(pump, at, 1, 20.0, 0.6)
        assert pump.stands
        assert pump.since_s == at + STEP_S

    def test_runs_again_when_they_meet(self) -> None:
        pump = Pump(8.0)
        at = live(pump, 0.0, 3, 0.0, 0.05)
        at = live(pump, at, 1, 20.0, 0.6)
        live(pump, at, 1, 0.0, 0.05)
        assert (pump.stands, pump.since_s) == (False, None)

    def test_is_not_water_that_was_poured(self) -> None:
        pump = Pump(8.0)
        at = live(pump, 0.0, 3, 0.0, 0.05)
        at = live(pump, at, WINDOW_S / 3600 + 0.5, 20.0, 0.05)
        assert (pump.stands, pump.since_s, pump.level) == (False, None, 20.0)

    def test_is_not_water_that_the_journal_knows_of_before_or_after_it_shows(self) -> None:
        for noted_first in (True, False):
            pump = Pump(8.0)
            at = live(pump, 0.0, 3, 0.0, 0.05)
            if noted_first:
                pump.pour(at)
            at = live(pump, at, 0.1, 20.0, 0.05)
            if not noted_first:
                pump.pour(at)
            assert pump.since_s is None

    def test_is_not_two_probes_that_part_while_the_chamber_is_where_it_was(self) -> None:
        pump = Pump(8.0)
        at = live(pump, 0.0, 3, 0.0, 0.05)
        live(pump, at, 2, 0.0, 0.6)
        assert not pump.stands

    def test_outlives_a_restart(self) -> None:
        pump = Pump(8.0)
        at = live(pump, 0.0, 3, 0.0, 0.05)
        at = live(pump, at, 1, 20.0, 0.6)
        again = Pump(8.0)
        again.restore(pump.to_json())
        live(again, at, 1, 20.0, 0.6)
        assert again.stands
        assert again.since_s == pump.since_s
