"""One text for people who read different units: figures that stand in it twice, and what is made of
them."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stillwell.alarm.annunciate.escalation import EscalationPlan, Unanswered, due
from stillwell.alarm.notices import in_both, notice_in_both, notices, reopened
from stillwell.alarm.wording import Wording
from stillwell.notice import Message, Notice, Priority, State, Transition
from stillwell.reading import Moment, Quantity
from stillwell.units import Dimension, System, differ, read_in, show

NOW = Moment(0, 1_780_000_000_000, 1)
READ = (System.METRIC, System.US)


def raised(message: Message) -> Transition:
    return Transition(
        "water.low",
        NOW,
        State.NORMAL,
        State.UNACKNOWLEDGED,
        "raise",
        Priority.HIGH,
        True,
        message,
        NOW,
    )


def cold() -> Transition:
    """As the watch makes it: 24.4 °C, too low."""
    shown = show(24.4, Dimension.TEMPERATURE, System.BOTH)
    limit = show(24.8, Dimension.TEMPERATURE, System.BOTH)
    return raised(Message(f"Water {shown}, below {limit}.", "Cold.", "Add 1 L of care."))


class TestAFigure:
    @given(
        st.floats(min_value=-1e6, max_value=1e6),
        st.sampled_from(list(Dimension)),
        st.one_of(st.none(), st.integers(0, 3)),
        st.sampled_from(READ),
    )
    def test_reads_as_if_it_had_been_made_for_one_reader(
        self, value: float, dimension: Dimension, digits: int | None, system: System
    ) -> None:
        text = f"a {show(value, dimension, System.BOTH, digits)}, {show(1, dimension, System.BOTH)}"
        wanted = f"a {show(value, dimension, system, digits)}, {show(1, dimension, system)}"
        assert read_in(text, system) == wanted
        assert read_in(wanted, system) == wanted

    def test_that_is_no_number_is_unknown_to_everybody(self) -> None:
        assert show(math.nan, Dimension.VOLUME, System.BOTH) == "unknown"

    def test_is_told_from_its_limit_in_both_systems(self) -> None:
        # 25.26 and 25.34 °C: one and the same with one digit in degrees Celsius, not in Fahrenheit.
        one, other = (show(t, Dimension.TEMPERATURE, System.BOTH) for t in (25.26, 25.34))
        assert not differ(one, other)
        shown = Wording("UTC", System.BOTH).pair(25.26, 25.34, Quantity.TEMPERATURE)
        assert [read_in(text, System.METRIC) for text in shown] == ["25.26 °C", "25.34 °C"]
        assert [read_in(text, System.US) for text in shown] == ["77.47 °F", "77.61 °F"]

    def test_a_difference_of_temperatures_is_no_temperature(self) -> None:
        text = Wording("UTC", System.BOTH).difference(0.5, Quantity.TEMPERATURE)
        assert [read_in(text, system) for system in READ] == ["0.5 °C", "0.9 °F"]


class TestATransition:
    @pytest.mark.parametrize(
        ("units", "here", "there"),
        [(System.METRIC, "24.4 °C", "75.9 °F"), (System.US, "75.9 °F", "24.4 °C")],
    )
    def test_is_worded_in_the_tanks_units_and_its_notice_in_both(
        self, units: System, here: str, there: str
    ) -> None:
        told = in_both(cold(), units)
        assert told.message.what.startswith(f"Water {here}, ")
        assert told.also is not None
        assert told.also.what.startswith(f"Water {there}, ")
        (notice,) = notices(told)
        (other,) = set(READ) - {units}
        assert notice.in_units(None) is notice.in_units(units) is notice
        assert here in notice.title
        assert here in notice.text
        assert there not in notice.text
        read = notice.in_units(other)
        assert there in read.title
        assert there in read.text
        assert here not in read.text
        assert read.key == notice.key

    @pytest.mark.parametrize("units", READ)
    def test_that_was_kept_is_worded_the_same_when_it_is_said_again(self, units: System) -> None:
        told = in_both(cold(), units)
        for now in READ:
            again = in_both(reopened(told), now)
            assert again == in_both(cold(), now)
        plain = in_both(raised(Message("The float is stuck.")), units)
        assert reopened(plain) == plain

    def test_without_a_figure_is_worded_once(self) -> None:
        told = in_both(raised(Message("The float is stuck.")), System.METRIC)
        assert told.also is None
        assert notices(told)[0].also is None

    def test_is_repeated_in_both(self) -> None:
        told = in_both(cold(), System.METRIC)
        later = Moment(600_000, NOW.utc_ms + 600_000, 1)
        notice = due(Unanswered(told, 0), EscalationPlan(), later)[1]
        assert notice is not None
        assert "24.4 °C" in notice.title
        assert "75.9 °F" in notice.in_units("us").title
        assert "Nobody has answered this for 10 min" in notice.in_units("us").text

    @given(st.floats(-50, 200), st.text(max_size=120))
    def test_has_titles_of_a_line_however_long_it_is(self, value: float, rest: str) -> None:
        shown = show(value, Dimension.TEMPERATURE, System.BOTH)
        (notice,) = notices(in_both(raised(Message(f"{rest} {shown} {rest}")), System.METRIC))
        for system in READ:
            assert len(notice.in_units(system).title) <= 80


class TestANotice:
    def test_is_made_for_both_with_the_figures_of_others_in_it(self) -> None:
        def made(units: System) -> Notice:
            own = show(244, Dimension.VOLUME, units)
            theirs = show(24.4, Dimension.TEMPERATURE, System.BOTH)
            return Notice("k", "review", "review", Priority.LOW, NOW, own, f"{own}, {theirs}")

        notice = notice_in_both(made, System.METRIC)
        assert notice.text == "244 mL, 24.4 °C"
        assert notice.in_units("us").text == "8.3 fl oz, 75.9 °F"
        assert notice.in_units("us").title == "8.3 fl oz"
