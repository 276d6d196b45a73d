"""Points in line protocol, against influxdb-client's own writer and against what may not be in a
line."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stillwell.deliver.line_protocol import line_of
from stillwell.notice import Message, Notice, Priority, Prose, State, Transition
from stillwell.ports import Published, Row, Stream
from stillwell.reading import Flag, Moment, Quantity, Reading

MS = 1_790_000_000_123
NOW = Moment(5, MS, 1)
CHANNELS = {"water-a": Quantity.TEMPERATURE}


def reading(value: float | None, channel: str = "water-a", flag: Flag = Flag.PASS) -> Row:
    return Row(Stream.READINGS, 1, Reading(channel, NOW, value, flag))


def estimate(value: float | None, name: str = "level", low: float | None = None) -> Row:
    return Row(Stream.ESTIMATES, 1, Published(name, MS, "mm", value, low, None, "float"))


def alarm(after: State, active: bool = True) -> Row:
    body = Transition(
        "water.low", NOW, State.NORMAL, after, "raise", Priority.HIGH, active, Message("x"), NOW
    )
    return Row(Stream.TRANSITIONS, 1, body)


class TestALine:
    def test_of_a_reading(self) -> None:
        assert line_of(reading(25.3), "rock-pool", CHANNELS) == (
            "reading,channel=water-a,quantity=temperature,tank=rock-pool,unit=Cel "
            f"value=25.3,flag=1i {MS}"
        )

    def test_of_a_missed_reading_has_its_flag_alone(self) -> None:
        line = line_of(reading(None, flag=Flag.MISSING), "t", CHANNELS)
        assert line is not None
        assert " flag=9i " in line

    def test_of_a_channel_that_is_no_longer_configured_has_no_unit(self) -> None:
        assert (
            line_of(reading(1.0, "old"), "t", {})
            == f"reading,channel=old,tank=t value=1.0,flag=1i {MS}"
        )

    @pytest.mark.parametrize(
        ("state", "active", "fields"),
        [
            (State.UNACKNOWLEDGED, True, "active=1i,unanswered=1i,withheld=0i,urgency=3i"),
            (State.SHELVED, True, "active=1i,unanswered=0i,withheld=1i,urgency=3i"),
            (State.NORMAL, False, "active=0i,unanswered=0i,withheld=0i,urgency=3i"),
        ],
    )
    def test_of_an_alarm(self, state: State, active: bool, fields: str) -> None:
        line = line_of(alarm(state, active), "t", {})
        assert line == f"alarm,alarm=water.low,tank=t {fields} {MS}"

    def test_of_an_estimate_has_the_numbers_that_there_are(self) -> None:
        line = line_of(estimate(-3.0, low=-4.5), "t", {})
        assert line == f"estimate,name=level,tank=t,unit=mm value=-3.0,low=-4.5 {MS}"

    def test_of_an_estimate_without_a_number_there_is_none(self) -> None:
        for value in (None, math.nan, math.inf):
            assert line_of(estimate(value), "t", {}) is None

    def test_cannot_be_made_of_a_notice(self) -> None:
        body = Notice("k", "s", "raised", Priority.LOW, NOW, Prose("", ""))
        with pytest.raises(ValueError, match="no point"):
            line_of(Row(Stream.NOTICES, 1, body), "t", {})

    def test_cannot_have_a_time_beyond_64_bits_of_nanoseconds(self) -> None:
        body = Reading("water-a", Moment(0, 2**53), 1.0, Flag.PASS)
        with pytest.raises(ValueError, match="no time"):
            line_of(Row(Stream.READINGS, 1, body), "t", {})


class TestAgainstInfluxdbClient:
    @given(
        value=st.floats(allow_nan=False, allow_infinity=False),
        channel=st.text(
            st.characters(codec="utf-8", exclude_categories=("Cc", "Zl", "Zp")), min_size=1
        ).filter(lambda text: text.strip() == text and not text.endswith("\\")),
    )
    def test_writes_what_the_client_would(self, value: float, channel: str) -> None:
        from influxdb_client.client.write.point import Point
        from influxdb_client.domain.write_precision import WritePrecision

        point = (
            Point("reading")
            .tag("channel", channel)
            .tag("tank", "t")
            .field("value", value)
            .field("flag", 1)
            .time(MS, WritePrecision.MS)
        )
        ours = line_of(reading(value, channel), "t", {})
        assert ours is not None
        tags, fields, at = ours.rsplit(" ", 2)
        theirs_tags, theirs_fields, theirs_at = point.to_line_protocol().rsplit(" ", 2)
        assert (tags, at) == (theirs_tags, theirs_at)
        assert sorted(map(_number, fields.split(","))) == sorted(
            map(_number, theirs_fields.split(","))
        )

    @given(st.text())
    def test_no_name_makes_a_second_line_or_a_second_point(self, name: str) -> None:
        line = line_of(reading(1.0, name or "x"), "t", {})
        assert line is not None
        assert len(line.splitlines()) == 1
        assert line.endswith(f" value=1.0,flag=1i {MS}")


def _number(field: str) -> tuple[str, float | str]:
    """Theirs writes 5 where ours writes 5.0: the same float."""
    key, _, text = field.partition("=")
    return key, text if text.endswith("i") else float(text)
