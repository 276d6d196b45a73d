"""What is under way in an estimator, as text and back."""

from __future__ import annotations

import base64
import json
import zlib
from typing import Any

import pytest

from stillwell.estimate.heat_balance.judge import Verdict
from stillwell.estimate.imprint import imprint, take_up
from stillwell.estimate.noise import Noise
from stillwell.reading import Moment


def packed(body: Any) -> str:
    return base64.b85encode(zlib.compress(json.dumps(body).encode())).decode()


class Root:
    """Of the test's own: what an estimator may hold."""

    def __init__(self) -> None:
        self.noise = Noise()
        self.same = self.noise
        self.shared = {"doubted": [1.0, (2, None)]}
        self.also = self.shared
        self.condition = Verdict.NOT_HEATING
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
        assert other.condition is Verdict.NOT_HEATING
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
