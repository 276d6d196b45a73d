"""What drivers and sinks hand over, as it is looked at where it comes in: whatever passes is made
of plain values."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hostile_plugins import Trap, TrapFloat
from stillwell.acquire.checked import LONGEST_RAW, checked, checked_note
from stillwell.deliver.checked import MistakeError, checked_request
from stillwell.deliver.checked import checked as checked_outcome
from stillwell.ports import Outcome, Refusal
from stillwell.reading import Failure, Sample
from stillwell.request import Command, NoteRequest, Request


class OwnText(str):
    """A text of a plugin's own."""

    __slots__ = ()

    def __hash__(self) -> int:
        raise SystemExit(1)


ANYTHING = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(),
    st.floats(),
    st.complex_numbers(),
    st.text(),
    st.binary(),
    st.lists(st.integers()),
    st.sampled_from([10**400, "\ud800", *Failure]),
)


@given(st.tuples(ANYTHING, ANYTHING, ANYTHING, ANYTHING, ANYTHING, ANYTHING))
def test_a_sample_is_made_of_plain_values_or_is_none(parts: tuple[Any, ...]) -> None:
    is_plain(parts)


@pytest.mark.parametrize("place", range(1, 6))
@pytest.mark.parametrize("kind", [Trap, lambda: TrapFloat(1.5), lambda: OwnText("x")])
def test_a_sample_with_a_trap_is_too(place: int, kind: Any) -> None:
    parts: list[Any] = ["", None, None, "", False, None]
    parts[place] = kind()
    is_plain(tuple(parts))


def is_plain(parts: tuple[Any, ...]) -> None:
    sample, wrong, remark = checked(Sample("water-a", *parts[1:]), ("water-a",))
    assert sample is not None
    assert type(sample.channel) is str
    assert sample.value is None or type(sample.value) is float
    assert sample.failure is None or type(sample.failure) is Failure
    assert type(sample.raw) is str
    assert len(sample.raw) <= LONGEST_RAW
    assert sample.raw.isprintable()
    assert type(sample.stale) is bool
    assert sample.looks is None or type(sample.looks) is int
    assert wrong.isprintable()
    assert remark.isprintable()


def test_a_text_of_the_driver_s_own_is_its_channel_all_the_same() -> None:
    sample = checked(Sample(OwnText("water-a"), 25), ("water-a",)).sample
    assert sample == Sample("water-a", 25.0)


@pytest.mark.parametrize("looks", [0, -3, True, 2.0, "20", 10**30])
def test_a_number_of_looks_that_is_none_costs_no_reading(looks: Any) -> None:
    found = checked(Sample("float-low", 0.5, looks=looks), ("float-low",))
    assert found.sample == Sample("float-low", 0.5)
    assert "looks" in found.remark
    assert not found.wrong


def test_a_number_of_looks_passes() -> None:
    said = Sample("float-low", 0.5, looks=20)
    assert checked(said, ("float-low",)) == (said, "", "")


@given(ANYTHING, ANYTHING)
def test_a_note_is_made_of_plain_values_or_is_none(value: Any, unit: Any) -> None:
    class Line:
        utc_ms, kind = 1, "pour"

    line = Line()
    line.value, line.unit = value, unit  # type: ignore[attr-defined]
    note = checked_note(line)
    assert note is None or (note.value is None or type(note.value) is float)
    assert note is None or type(note.unit) is str


@given(ANYTHING, ANYTHING, ANYTHING, ANYTHING)
def test_a_verdict_is_made_of_plain_values_or_a_mistake(
    accepted: Any, refused: Any, after: Any, reason: Any
) -> None:
    try:
        made = checked_outcome(Outcome(accepted, (Refusal(refused, reason),), after, reason))
    except MistakeError:
        return
    assert type(made.accepted) is int
    assert type(made.reason) is str
    assert made.retry_after is None or made.retry_after >= 0


@pytest.mark.parametrize("after", [10**400, float("nan"), float("inf"), -1.0, "1"], ids=range(5))
def test_a_pause_that_is_none_is_a_mistake(after: Any) -> None:
    with pytest.raises(MistakeError, match="retry_after"):
        checked_outcome(Outcome(0, (), after))


@pytest.mark.parametrize(
    "asked",
    [
        "reset",
        None,
        Request(Trap()),  # type: ignore[arg-type]
        Request(Command.RESET, Trap()),  # type: ignore[arg-type]
        Request(Command.RESET, seconds=[1]),  # type: ignore[arg-type]
        Request(Command.NOTE, to_note=NoteRequest(Trap())),  # type: ignore[arg-type]
        Request(Command.NOTE, to_note=Trap()),  # type: ignore[arg-type]
        Request(Command.NOTE, text="x" * 10**6),
    ],
    ids=range(8),
)
def test_a_request_of_anything_else_is_refused(asked: Any) -> None:
    # Made here where it is a trap: pytest itself falls into it.
    with pytest.raises(MistakeError):
        checked_request(Trap() if asked is None else asked)


def test_a_sound_request_passes() -> None:
    sound = Request(Command.NOTE, by="Niamh", to_note=NoteRequest("pour", "1 L"))
    assert checked_request(sound) is sound
