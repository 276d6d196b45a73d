"""What people send back, and what strangers send: every payload is a request or a refusal, never an
error."""

from __future__ import annotations

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stillwell.deliver.mqtt import commands
from stillwell.deliver.mqtt.commands import LARGEST_BYTES, LONGEST_SHELF_S, Refused
from stillwell.request import Command, NoteRequest, Request

ALARMS = frozenset({"water.low", "water.high", "top-up"})
NOW = 1_780_000_000_000  # 2026-05-28T20:26:40Z

json_values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=20),
    lambda inner: (
        st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=8), inner, max_size=4)
    ),
    max_leaves=12,
)
near_commands = st.dictionaries(
    st.sampled_from(["alarm", "about", "sent", "for", "by", "text", "Alarm", "fro"]),
    st.one_of(
        st.sampled_from(["water.low", "30 min", "2 h", "7 d", "8 d", "0 s", "1e9 h", "-1 h", ""]),
        json_values,
    ),
    max_size=4,
)


def parse(word: str, payload: bytes, alarms: frozenset[str] | None = None) -> Request | Refused:
    return commands.parse(word, payload, NOW, alarms)


def refusal(word: str, payload: bytes) -> str:
    answer = parse(word, payload, ALARMS)
    assert isinstance(answer, Refused), answer
    return answer.text


class TestGoodCommands:
    def test_an_acknowledgement_of_one_alarm(self) -> None:
        payload = b'{"alarm": "water.low", "by": "Niamh", "text": "on my way"}'
        assert parse("acknowledge", payload, ALARMS) == Request(
            Command.ACKNOWLEDGE, "water.low", "Niamh", 0.0, "on my way"
        )

    @pytest.mark.parametrize("payload", [b"", b"  \n", b"{}"])
    def test_an_acknowledgement_without_details_is_for_all(self, payload: bytes) -> None:
        assert parse("acknowledge", payload, ALARMS) == Request(Command.ACKNOWLEDGE)

    @pytest.mark.parametrize(
        ("text", "seconds"),
        [("90 s", 90), ("30 min", 1800), ("1.5 h", 5400), ("7 d", 604800), ("2h", 7200)],
    )
    def test_a_shelf_has_a_length(self, text: str, seconds: float) -> None:
        payload = json.dumps({"alarm": "top-up", "for": text}).encode()
        assert parse("shelve", payload, ALARMS) == Request(
            Command.SHELVE, "top-up", seconds=seconds
        )

    @pytest.mark.parametrize(
        ("sent", "age_s"),
        [
            ("2026-05-28T20:26:30Z", 10.0),
            ("2026-05-28T22:26:39.5+02:00", 0.5),
            ("2026-05-29T20:26:40Z", 0.0),
            ("", None),
        ],
    )
    def test_it_says_which_occurrence_it_is_about_and_how_old_it_is(
        self, sent: str, age_s: float | None
    ) -> None:
        payload = json.dumps({"alarm": "water.low", "about": "3:1200", "sent": sent}).encode()
        assert parse("acknowledge", payload) == Request(
            Command.ACKNOWLEDGE, "water.low", about="3:1200", age_s=age_s
        )

    def test_who_knows_no_alarms_leaves_the_judgement_to_the_daemon(self) -> None:
        assert parse("reset", b'{"alarm": "heater.dead"}') == Request(Command.RESET, "heater.dead")


class TestRefusals:
    @pytest.mark.parametrize(
        ("word", "payload", "words"),
        [
            ("aknowledge", b"", "There is no command"),
            ("", b"", "There is no command"),
            ("acknowledge", b"\xff\xfe", "not UTF-8"),
            ("acknowledge", b"x" * (LARGEST_BYTES + 1), "more than 2048 bytes"),
            ("acknowledge", b"[" * LARGEST_BYTES, "not JSON"),
            ("acknowledge", b'{"alarm":' * 200, "not JSON"),
            ("acknowledge", b"{'alarm': 'x'}", "not JSON"),
            ("acknowledge", b"[]", "one JSON object"),
            ("acknowledge", b"17", "one JSON object"),
            ("acknowledge", b'{"alarm": NaN}', "NaN"),
            ("acknowledge", b'{"alarm": -Infinity}', "-Infinity"),
            ("acknowledge", b'{"alarm": 1}', "in quotation marks"),
            ("acknowledge", b'{"alarm": null}', "in quotation marks"),
            ("acknowledge", b'{"alarm": {"alarm": "water.low"}}', "in quotation marks"),
            ("acknowledge", b'{"alarm": "water.lwo"}', "Did you mean water.low?"),
            ("acknowledge", b'{"alrm": "water.low"}', "Did you mean alarm?"),
            ("acknowledge", b'{"alarm": "water.low", "alarm": "top-up"}', "twice"),
            ("acknowledge", b'{"by": "\\u0007"}', "control characters"),
            ("acknowledge", b'{"by": "\\ud800"}', "control characters"),
            ("acknowledge", json.dumps({"by": "n" * 81}).encode(), "80 characters"),
            ("acknowledge", b'{"about": "3:1200"}', "which alarm"),
            ("acknowledge", b'{"sent": "18:30"}', "no time with its zone"),
            ("acknowledge", b'{"sent": "2026-05-28T18:30:00"}', "no time with its zone"),
            ("acknowledge", b'{"sent": 1780000000}', "in quotation marks"),
            ("shelve", b'{"for": "30 min"}', "which alarm"),
            ("shelve", b'{"alarm": "top-up"}', "for how long"),
            ("shelve", b'{"alarm": "top-up", "for": "30"}', "no length of time"),
            ("shelve", b'{"alarm": "top-up", "for": "0 s"}', "at most 7 d"),
            ("shelve", b'{"alarm": "top-up", "for": "8 d"}', "at most 7 d"),
            ("shelve", b'{"alarm": "top-up", "for": 1800}', "in quotation marks"),
            ("out-of-service", b"", "which alarm"),
        ],
    )
    def test_each_mistake_is_named(self, word: str, payload: bytes, words: str) -> None:
        assert words in refusal(word, payload)

    def test_a_strangers_words_come_back_short_and_printable(self) -> None:
        text = refusal("\x1b[2J" + "z" * 500, b"")
        assert text.isprintable()
        assert len(text) < 250


class TestNothingGetsThrough:
    @given(word=st.sampled_from(Command) | st.text(max_size=20), payload=st.binary(max_size=300))
    def test_any_bytes(self, word: str, payload: bytes) -> None:
        self._sane(word, payload)

    @given(
        word=st.sampled_from(Command),
        body=near_commands | json_values,
    )
    def test_any_json(self, word: str, body: object) -> None:
        self._sane(word, json.dumps(body).encode())

    @staticmethod
    def _sane(word: str, payload: bytes) -> None:
        answer = parse(word, payload, ALARMS)
        if isinstance(answer, Refused):
            assert answer.text.isprintable()
            answer.text.encode()
            return
        assert answer.command == word
        assert answer.subject in ALARMS | {""}
        assert 0 <= answer.seconds <= LONGEST_SHELF_S
        assert answer.command is not Command.SHELVE or (answer.subject and answer.seconds > 0)
        for text in (answer.by, answer.text):
            text.encode()
            assert "\0" not in text


near_notes = st.dictionaries(
    st.sampled_from(
        ["kind", "value", "unit", "at", "for", "text", "by", "sure", "strike", "key", "knd"]
    ),
    st.one_of(st.sampled_from(["pour", "1.2 L", "18:30", 1.2, 12, True, ""]), json_values),
    max_size=5,
)


class TestNotes:
    def test_a_number_and_a_text_with_its_unit_are_both_a_value(self) -> None:
        whole = parse(
            "note", b'{"kind": "pour", "value": "1.2 L", "by": "Niamh", "text": "old can"}'
        )
        assert whole == Request(
            Command.NOTE, by="Niamh", text="old can", to_note=NoteRequest("pour", "1.2 L")
        )
        parts = parse("note", b'{"kind": "pour", "value": 1.2, "unit": "L"}')
        assert parts == Request(Command.NOTE, to_note=NoteRequest("pour", "1.2", "L"))

    def test_may_say_how_long_it_took(self) -> None:
        asked = parse("note", b'{"kind": "water-change", "value": "10 L", "for": "25 min"}')
        to_note = NoteRequest("water-change", "10 L", lasted="25 min")
        assert asked == Request(Command.NOTE, to_note=to_note)

    @pytest.mark.parametrize(
        ("payload", "words"),
        [
            (b"", "not JSON"),
            (b"{}", "Say what was done"),
            (b'{"value": "1.2 L"}', "Say what was done"),
            (b'{"kind": 7}', "quotation marks"),
            (b'{"kind": "pour", "value": true}', "quotation marks"),
            (b'{"kind": "pour", "sure": "yes"}', "true or false"),
            (b'{"kind": "pour", "strike": "12"}', "the number of an entry"),
            (b'{"kind": "pour", "strike": true}', "the number of an entry"),
            (b'{"kind": "pour", "knd": "x"}', "Did you mean kind"),
            (b'{"kind": "pour", "value": ' + b"9" * 60 + b"}", "40 characters"),
        ],
    )
    def test_that_can_not_be_read_are_refused_with_the_reason(
        self, payload: bytes, words: str
    ) -> None:
        assert words in refusal("note", payload)

    @given(near_notes)
    def test_of_any_shape_are_a_request_or_a_refusal(self, body: dict[str, object]) -> None:
        answer = parse("note", json.dumps(body).encode())
        assert isinstance(answer, Refused) or answer.to_note is not None
