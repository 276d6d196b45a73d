"""A channel that an alarm says not to believe."""

from __future__ import annotations

from stillwell.alarm.plan import Band, ChannelWatch, WatchPlan
from stillwell.alarm.watch import Watch
from stillwell.finding import Finding
from stillwell.notice import Message, Priority
from stillwell.reading import Flag, Moment, Quantity, Reading

PLAN = WatchPlan(
    channels=tuple(ChannelWatch(n, "tank", Quantity.TEMPERATURE, 180.0) for n in ("a", "b")),
    bands=(Band("water", ("a", "b"), 24.8, 25.8, 25.3, 0.1, 300.0, 300.0, Priority.HIGH),),
    probes=("a", "b"),
)


def at(s: float) -> Moment:
    return Moment(round(s * 1000), round(s * 1000), 1)


def doubt(active: bool) -> Finding:
    return Finding("b.doubtful", active, Priority.MEDIUM, Message("b hangs in the air."))


def run(watch: Watch, begin_s: float, end_s: float, a: float, b: float) -> set[str]:
    raised = set()
    s = begin_s
    while s < end_s:
        for name, value in (("a", a), ("b", b)):
            reading = Reading(name, at(s), value, Flag.PASS, "")
            raised |= {t.alarm for t in watch.see(reading, at(s)) if t.event == "raise"}
        raised |= {t.alarm for t in watch.tick(at(s)) if t.event == "raise"}
        s += 30.0
    return raised


class TestAChannelInDoubt:
    def test_moves_no_band(self) -> None:
        watch = Watch(PLAN)
        run(watch, 0, 600, 25.3, 25.3)
        watch.find(doubt(True), at(600))
        assert run(watch, 600, 3600, 25.3, 20.0) == set()

    def test_leaves_the_other_to_judge_the_water(self) -> None:
        watch = Watch(PLAN)
        run(watch, 0, 600, 25.3, 25.3)
        watch.find(doubt(True), at(600))
        assert run(watch, 600, 3600, 24.0, 25.3) == {"water.low"}

    def test_counts_again_when_that_is_over(self) -> None:
        watch = Watch(PLAN)
        run(watch, 0, 600, 25.3, 25.3)
        watch.find(doubt(True), at(600))
        run(watch, 600, 1200, 25.3, 20.0)
        watch.find(doubt(False), at(1200))
        assert run(watch, 1200, 3600, 25.3, 20.0) == {"water.low"}

    def test_is_in_doubt_after_a_restart_too(self) -> None:
        watch = Watch(PLAN)
        run(watch, 0, 600, 25.3, 25.3)
        told = watch.find(doubt(True), at(600))
        again = Watch(PLAN)
        again.restore(told, at(700))
        assert run(again, 700, 3600, 25.3, 20.0) == set()
