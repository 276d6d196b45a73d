"""Calls into code that others wrote: what they may do, and what comes of it."""

from __future__ import annotations

import threading

import pytest

from stillwell.foreign import (
    Aside,
    FailedError,
    Hand,
    HangsError,
    Patience,
    a,
    is_a,
    plain,
    said,
    within,
)

LONG_S = 20.0
"""Only ends a test that hangs."""


def leave() -> None:
    raise SystemExit(3)


class Silent(BaseException):
    def __str__(self) -> str:
        raise KeyboardInterrupt


class Liar:
    @property  # type: ignore[misc]
    def __class__(self) -> type:
        return str


class TestACall:
    def test_gives_what_it_returns(self) -> None:
        assert within(LONG_S, lambda: 41) == 41

    def test_raises_what_it_raises(self) -> None:
        with pytest.raises(ZeroDivisionError):
            within(LONG_S, lambda: 1 // 0)

    def test_that_would_end_the_process_is_a_failure(self) -> None:
        with pytest.raises(FailedError, match="SystemExit: 3"):
            within(LONG_S, leave)

    def test_that_never_returns_is_left_behind(self, caplog: pytest.LogCaptureFixture) -> None:
        release = threading.Event()
        with pytest.raises(HangsError, match=r"has not answered for 0\.05 s and hangs"):
            within(0.05, release.wait)
        release.set()
        # Whoever made it wants to know where.
        assert "is left behind in wait (threading.py" in caplog.text


class TestAHand:
    def test_makes_all_its_calls_on_one_thread(self) -> None:
        hand = Hand("test")
        assert len({hand.do(threading.get_ident, LONG_S) for _ in range(3)}) == 1
        hand.end()

    def test_goes_on_with_another_thread_and_counts_the_old_one(self) -> None:
        hand, release = Hand("test"), threading.Event()
        before = hand.do(threading.get_ident, LONG_S)
        with pytest.raises(HangsError):
            hand.do(release.wait, 0.05)
        assert hand.do(threading.get_ident, LONG_S) != before
        assert hand.left_behind == 1
        release.set()
        while hand.left_behind:
            pass
        hand.end()


class TestAside:
    def test_never_blocks_and_drops_what_is_too_much(self) -> None:
        aside, release, done = Aside("test", capacity=1), threading.Event(), threading.Event()
        started = threading.Event()

        def hang() -> None:
            started.set()
            release.wait()

        assert aside.call(hang)
        assert started.wait(LONG_S)
        assert aside.call(leave)
        assert not aside.call(done.set)
        release.set()
        while not aside.call(done.set):
            pass
        assert done.wait(LONG_S)


class TestPatience:
    def test_is_shared_and_leaves_everybody_a_little(self) -> None:
        patience, release = Patience(0.05, least_s=0.01), threading.Event()
        for left in (0.05, 0.01):
            with patience.share() as seconds:
                assert seconds <= left
                with pytest.raises(HangsError):
                    within(seconds, release.wait)
        release.set()


class TestWords:
    def test_are_printable_and_short(self) -> None:
        assert plain("\x1b[2Ja\u202eb\ud800") == "\\x1b[2Jab\\ud800"
        assert plain("x" * 5_000_000) == "x" * 300
        assert plain(12) == ""

    def test_of_an_exception_that_can_not_be_said_are_its_kind(self) -> None:
        assert said(Silent()) == "Silent"
        assert said(ValueError("no such pin.")) == "ValueError: no such pin"

    def test_name_the_kind_of_a_thing(self) -> None:
        assert (a("x"), a(1), a(None)) == ("a str", "an int", "None")

    def test_a_thing_is_what_its_type_says_and_not_what_it_claims(self) -> None:
        assert isinstance(Liar(), str)
        assert not is_a(Liar(), str)
