"""What is under way in an estimator, as text and back."""

from __future__ import annotations

import base64
import json
import zlib
from dataclasses import replace
from typing import Any

import pytest

from stillwell.estimate.heat import HeaterPlan
from stillwell.estimate.heat.standing import Condition
from stillwell.estimate.imprint import imprint, take_up
from stillwell.estimate.noise import Noise
from stillwell.observe.heat.watch import PUMP_RESTS, HeaterWatch
from stillwell.reading import Flag, Moment, Reading

PLAN = HeaterPlan(probes=("a", "b"), room="room")


def packed(body: Any) -> str:
    return base64.b85encode(zlib.compress(json.dumps(body).encode())).decode()


class Root:
    """Of the test's own: what an estimator may hold."""

    def __init__(self) -> None:
        self.noise = Noise()
        self.same = self.noise
        self.shared = {"doubted": [1.0, (2, None)]}
        self.also = self.shared
        self.condition = Condition.NOT_HEATING
        self.deed = lambda: 1
        self.foreign = Moment(1, 2, 3)


class TestAnImprint:
    def test_keeps_values_and_what_is_one_object(self) -> None:
        root, other = Root(), Root()
        root.noise.add(1.0, 25.0)
        root.noise.add(2.0, 25.1)
        root.shared["doubted"].append(0.5)
        other.foreign = Moment(7, 8, 9)
        deed = other.deed
        take_up(imprint(root), other)
        assert other.noise == root.noise
        assert other.same is other.noise
        assert other.also is other.shared
        assert other.shared == {"doubted": [1.0, (2, None), 0.5]}
        assert other.condition is Condition.NOT_HEATING
        assert other.deed is deed, "functions stay as they are"
        assert other.foreign == Moment(7, 8, 9), "and so does what is another part's"

    @pytest.mark.parametrize(
        "text",
        [
            "",
            "no imprint",
            packed([]),
            packed([{"noise": ["object", 1, "os:system", {}]}]),
            packed([{"noise": ["object", 1, "stillwell.store.writer:Store", {}]}]),
            packed([{"noise": ["object", 1, "stillwell.estimate.noise:json", {}]}]),
            packed([{"noise": ["again", 9]}]),
            packed([{"noise": ["what", 9]}]),
        ],
    )
    def test_takes_up_nothing_else(self, text: str) -> None:
        root = Root()
        before = root.noise
        with pytest.raises((ValueError, KeyError, TypeError, AttributeError)):
            take_up(text, root)
        assert root.noise is before

    def test_of_the_heaters_watch_sees_the_same_as_if_it_had_gone_on(self) -> None:
        straight, broken = HeaterWatch(PLAN), HeaterWatch(PLAN)
        told: set[str] = set()
        for step in range(2400):
            mono_ms = 20_000 + step * 30_000
            now = Moment(mono_ms, 1_768_478_400_000 + mono_ms, 1)
            # Half a kelvin up and down in two hours; then it should come on, and does not.
            way = abs((step / 120) % 2 - 1)
            value = 25.0 + 0.5 * way if step < 2040 else 25.0 - (step - 2040) / 240
            for name, c in (("room", 20.0), ("a", value), ("b", value + 0.1)):
                reading = Reading(name, now, c + 0.01 * (step % 3), Flag.PASS)
                seen = [list(watch.see(reading)) for watch in (straight, broken)]
                assert seen[0] == seen[1], step
                told |= {finding.alarm for finding in seen[0] if finding.active}
            if step % 25 == 0:
                kept = broken.state()
                broken = HeaterWatch(PLAN)
                broken.restore(kept)
                # A run begins by saying how everything stands.
                list(straight.tick(now))
                list(broken.tick(now))
        assert "heater.not-heating" in told

    def test_of_a_pump_that_rests_is_told_to_the_next_run(self) -> None:
        """What else would be raised keeps still because of it, and the alarm log knows nothing of
        it."""
        plan = replace(PLAN, level="level")
        first = HeaterWatch(plan)
        first._rests = True
        again = HeaterWatch(plan)
        again.restore(first.state())
        found = [f for f in again.tick(Moment(0, 0, 1)) if f.alarm == PUMP_RESTS]
        assert [f.active for f in found] == [True]
