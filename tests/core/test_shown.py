"""What may be shown of a text that came from outside."""

from __future__ import annotations

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from stillwell.shown import looks_secret, plain, plain_lines, shown, without_passwords


class TestPlain:
    @given(st.text(st.characters(), max_size=30))
    @example("\ud800\x1b[2J\u202e\u200b\x9b\r\n\u2028\xa0\U000e0041\U0010ffff")
    def test_has_no_sign_that_a_terminal_obeys_or_nobody_sees(self, text: str) -> None:
        assert plain(text).isprintable()
        assert all(line.isprintable() for line in plain_lines(text).split("\n"))
        assert plain(plain(text)) == plain(text)

    @given(st.text(st.characters(), max_size=30).filter(str.isprintable))
    def test_changes_nothing_else(self, text: str) -> None:
        assert plain(text) is text

    def test_writes_out_what_a_terminal_obeys(self) -> None:
        assert plain("25\x1b[31m °C\n\tlow") == "25\\x1b[31m °C\\x0a low"
        assert plain("water\u202e\u200b-a\u2028") == "water-a\\u2028"
        assert plain_lines("two\nlines\r") == "two\nlines\\x0d"


class TestWhatMayBeASecret:
    @pytest.mark.parametrize("text", ["mqtt://u:p@h", "tgram://key/1", "u:p@h", "https://h/key"])
    def test_is_not_quoted(self, text: str) -> None:
        assert looks_secret(text)
        assert shown(text) == '"…"'

    @pytest.mark.parametrize(
        ("value", "said"),
        [
            ("25,3 degC", '"25,3 degC"'),
            ("22:00", '"22:00"'),
            ("a\nb", '"a\\x0ab"'),
            ("x" * 61, '"' + "x" * 57 + '…"'),
            (True, "true"),
            (1.5, "1.5"),
            (["p"], "a list"),
            (None, "this"),
        ],
    )
    def test_and_what_is(self, value: object, said: str) -> None:
        assert shown(value) == said

    def test_is_taken_out_of_an_address_in_a_sentence(self) -> None:
        said = without_passwords("mqtt://tank:pa/ss@h:1 refuses; see http://h/x and a@b.")
        assert said == "mqtt://…@h:1 refuses; see http://h/x and a@b."
