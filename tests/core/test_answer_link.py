"""Links that answer an alarm: what a token allows, and that nobody can make one."""

from __future__ import annotations

import hashlib
import hmac
from collections.abc import Container
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stillwell.alarm.answer_link import (
    Answer,
    Rejected,
    holds,
    occurrence,
    request_of,
    sign,
    signed,
)
from stillwell.notice import Message, Priority, State, Transition
from stillwell.reading import Moment
from stillwell.request import Command

KEY = bytes(range(32))
ANSWER = Answer(Command.ACKNOWLEDGE, "water.low", "3:120000", 2_000, "c2FsdA", 0)


def check(token: str, key: bytes, now_utc_ms: int, used: Container[str]) -> Answer | Rejected:
    """What a token allows at a time: first its signature, then its term."""
    answer = signed(token, key)
    return answer if isinstance(answer, Rejected) else holds(answer, now_utc_ms, used)


def rejected(text: str, **changes: object) -> None:
    arguments: dict[str, object] = {"token": sign(ANSWER, KEY), "key": KEY, "now_utc_ms": 1_000}
    arguments |= {"used": frozenset(), **changes}
    verdict = check(**arguments)  # type: ignore[arg-type]
    assert isinstance(verdict, Rejected)
    assert text in verdict.text


class TestAToken:
    def test_allows_what_was_signed(self) -> None:
        assert check(sign(ANSWER, KEY), KEY, 1_999, frozenset()) == ANSWER

    def test_can_shelve_for_a_time(self) -> None:
        shelve = replace(ANSWER, command=Command.SHELVE, shelve_s=3600)
        assert check(sign(shelve, KEY), KEY, 0, frozenset()) == shelve

    def test_is_good_once(self) -> None:
        rejected("used already", used={"c2FsdA"})

    def test_expires(self) -> None:
        rejected("expired", now_utc_ms=2_000)

    def test_is_about_one_occurrence(self) -> None:
        assert request_of(ANSWER, "Niamh").about == "3:120000"

    def test_is_refused_under_another_key(self) -> None:
        rejected("not made here", key=bytes(32))

    def test_is_never_made_with_a_short_key_nor_believed_under_one(self) -> None:
        with pytest.raises(ValueError, match="32 bytes"):
            sign(ANSWER, b"short")
        rejected("not made here", key=b"")

    @pytest.mark.parametrize(
        "command", sorted(set(Command) - {Command.ACKNOWLEDGE, Command.SHELVE})
    )
    def test_does_nothing_that_lasts(self, command: Command) -> None:
        with pytest.raises(ValueError, match="acknowledges or shelves"):
            sign(replace(ANSWER, command=command), KEY)

    def test_fits_a_url_and_says_nothing_of_the_key(self) -> None:
        token = sign(ANSWER, KEY)
        assert set(token) <= set(
            "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-_."
        )
        assert KEY.hex() not in token

    def test_has_the_mac_that_the_standard_library_computes_step_by_step(self) -> None:
        # RFC 2104, section 2: H(K xor opad, H(K xor ipad, text)), with K padded to 64 bytes.
        token = sign(ANSWER, KEY)
        _, body, mac = token.split(".")
        text = f"stillwell.answer.1.{body}".encode()
        padded = KEY.ljust(64, b"\0")
        inner = hashlib.sha256(bytes(b ^ 0x36 for b in padded) + text).digest()
        outer = hashlib.sha256(bytes(b ^ 0x5C for b in padded) + inner).digest()
        assert outer == hmac.digest(KEY, text, "sha256")
        import base64

        assert base64.urlsafe_b64decode(mac + "=") == outer


class TestAStranger:
    @given(st.integers(0, 300), st.characters(codec="utf-8"))
    def test_cannot_change_one_sign_of_it(self, place: int, sign_: str) -> None:
        token = sign(ANSWER, KEY)
        place %= len(token)
        changed = token[:place] + sign_ + token[place + 1 :]
        verdict = check(changed, KEY, 0, frozenset())
        assert isinstance(verdict, Rejected) or changed == token

    @given(st.text(max_size=600))
    def test_gets_a_sentence_for_whatever_he_sends(self, token: str) -> None:
        verdict = check(token, KEY, 0, frozenset())
        assert isinstance(verdict, Rejected)
        assert verdict.text.endswith(".")

    @given(st.binary(max_size=80))
    def test_with_the_key_but_another_form_is_refused_too(self, body: bytes) -> None:
        import base64

        part = base64.urlsafe_b64encode(body).rstrip(b"=").decode()
        mac = hmac.digest(KEY, f"stillwell.answer.1.{part}".encode(), "sha256")
        token = f"1.{part}.{base64.urlsafe_b64encode(mac).rstrip(b'=').decode()}"
        assert isinstance(check(token, KEY, 0, frozenset()), Rejected)


class TestAnOccurrence:
    def test_has_the_same_name_after_the_clock_was_put_right(self) -> None:
        moment = Moment(120_000, 10**12, 3)
        state = (State.NORMAL, State.UNACKNOWLEDGED, "raise", Priority.HIGH, True, Message("x"))
        one = Transition("water.low", moment, *state, moment)
        assert occurrence(one) == occurrence(replace(one, moment=moment._replace(utc_ms=0)))
