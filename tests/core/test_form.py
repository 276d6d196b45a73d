"""What is kept for the next run comes back as it was, or not at all."""

from __future__ import annotations

import logging
import math
from dataclasses import dataclass, field

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stillwell.form import Form
from stillwell.notice import Priority
from stillwell.reading import Moment


@dataclass(frozen=True, slots=True)
class Inner:
    values: tuple[float, ...] = ()
    at: Moment | None = None


@dataclass(frozen=True, slots=True)
class Maybe:
    values: tuple[float | None, ...]


@dataclass(slots=True)
class Known:
    by: dict[str, Inner] = field(default_factory=dict)
    priority: Priority = Priority.LOW
    _last: float = math.nan


FORM = Form(Known, 7)


@given(st.lists(st.floats(allow_nan=False), max_size=5), st.integers(0, 2**53))
def test_every_float_and_every_type_comes_back(values: list[float], mono_ms: int) -> None:
    known = Known({"a": Inner(tuple(values), Moment(mono_ms, 5, 1))}, Priority.HIGH, 0.5)
    assert FORM.read(FORM.text(known)) == known


def test_no_number_is_none_afterwards() -> None:
    assert math.isnan(FORM.read(FORM.text(Known()))._last)


def test_nothing_and_no_number_are_not_the_same() -> None:
    many = Form(Maybe).read(Form(Maybe).text(Maybe((None, math.nan, math.inf, 1.5))))
    assert many.values[0] is None
    assert math.isnan(many.values[1] or 0.0)
    assert many.values[2:] == (math.inf, 1.5)


def test_what_is_long_is_packed() -> None:
    known = Known({str(n): Inner((n / 7,)) for n in range(2000)}, _last=1.0)
    assert len(FORM.text(known)) < 60_000
    assert FORM.read(FORM.text(known)) == known


def test_a_new_field_with_a_default_needs_no_new_form() -> None:
    assert Form(Inner, 7).read('[7,{"values":[1.5]}]') == Inner((1.5,))


@pytest.mark.parametrize(
    "text",
    ["", "[]", "{}", "x", "AAAA", "null", '[6,{"by":{}}]', '[7,{"by":3}]', '[7,{"by":{}', "[7,[]]"],
)
def test_another_form_and_damage_are_dropped_with_one_line(
    text: str, caplog: pytest.LogCaptureFixture
) -> None:
    with pytest.raises(ValueError, match="can't be used"):
        FORM.read(text)
    with caplog.at_level(logging.WARNING):
        assert FORM.known(text) is None
    assert len(caplog.records) == 1
    assert "\n" not in caplog.messages[0]


def test_nothing_kept_is_nothing_known(caplog: pytest.LogCaptureFixture) -> None:
    assert FORM.known(None) is None
    assert not caplog.records


@given(st.text(max_size=30))
def test_no_text_raises_anything_but_a_value_error(text: str) -> None:
    try:
        FORM.read(text)
    except ValueError:
        return
