"""The dead-man's ping against an HTTP server of the test's own."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from pydantic import ValidationError

from far_sides import Receiver, Says
from stillwell.deliver.ping import RETRY_S, Ping, PingSettings
from stillwell.ports import Outcome, Row, Stream
from stillwell.reading import Flag, Moment, Reading

KEY = "uuid-51ab"


class Watched:
    def __init__(self, url: str) -> None:
        self.now_s = 0.0
        settings = PingSettings.model_validate({"url": url, "minutes": 5, "timeout": 1})
        self.ping = Ping("watcher", "rock-pool", settings, monotonic_s=lambda: self.now_s)
        self.ping.open()

    def measure(self, value: float | None = 25.0) -> None:
        body = Reading("water-a", Moment(0, 0), value, Flag.PASS)
        assert self.ping.send([Row(Stream.READINGS, 1, body)]) == Outcome(1)


@pytest.fixture
def server() -> Iterator[Receiver]:
    one = Receiver()
    one.answer = lambda asked: Says(200, {}, b"OK")
    yield one
    one.close()


@pytest.fixture
def watched(server: Receiver) -> Watched:
    return Watched(f"{server.url}/{KEY}?from=tank")


class TestAPing:
    def test_goes_out_every_five_minutes_while_readings_come(
        self, server: Receiver, watched: Watched
    ) -> None:
        for _ in range(11 * 60):
            watched.measure()
            assert watched.ping.tend() == Outcome(0)
            watched.now_s += 1
        assert [(a.method, a.path) for a in server.asked] == [("GET", f"/{KEY}?from=tank")] * 3

    def test_does_not_go_out_when_nothing_is_measured(
        self, server: Receiver, watched: Watched
    ) -> None:
        watched.measure()
        watched.ping.tend()
        for _ in range(20):
            watched.now_s += 60
            watched.measure(None)
            watched.ping.tend()
        assert len(server.asked) == 1

    def test_does_not_go_out_for_the_readings_of_the_last_run(
        self, server: Receiver, watched: Watched
    ) -> None:
        body = Reading("water-a", Moment(0, 0), 25.0, Flag.PASS)
        watched.ping.remember([Row(Stream.READINGS, 1, body)])
        watched.ping.tend()
        assert server.asked == []

    def test_that_fails_is_tried_again_soon_and_says_why_without_its_key(
        self, server: Receiver, watched: Watched
    ) -> None:
        server.answer = lambda asked: Says(404)
        watched.measure()
        outcome = watched.ping.tend()
        assert outcome.retry_after == RETRY_S
        assert "[sink.watcher] with 404" in outcome.reason
        assert KEY not in outcome.reason
        server.answer = lambda asked: Says(200)
        assert watched.ping.tend() == Outcome(0)

    def test_to_nobody_says_so(self, free_port: int) -> None:
        watched = Watched(f"http://127.0.0.1:{free_port}/{KEY}")
        watched.measure()
        outcome = watched.ping.tend()
        assert outcome.reason == f"Nothing listens at 127.0.0.1:{free_port}: is it running?"

    @pytest.mark.parametrize("url", ["ftp://h/x", "h/x", "http://", "http://u:p@h/", "http://h/ä"])
    def test_needs_a_web_address(self, url: str) -> None:
        with pytest.raises(ValidationError):
            PingSettings.model_validate({"url": url})
