"""Where a sink that is new in the configuration begins, and that a restart does not move it."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from command_line import tank
from stillwell.acquire.clock import FastClock
from stillwell.notice import Notice, Priority, Prose
from stillwell.ports import Stream
from stillwell.reading import Flag, Moment, Reading
from stillwell.settings import Settings, load
from stillwell.store import Store
from stillwell.supervise.inbox import Inbox
from stillwell.wiring.sinks import deliveries

BEGAN = 1_780_000_000_000
SINKS = """
[sink.niamh]
kind = "push"
url = "json://127.0.0.1:1/"
[sink.history]
kind = "influx"
url = "http://127.0.0.1:1"
"""


def notice(key: str) -> Notice:
    return Notice(
        key, "water.low", "raised", Priority.HIGH, Moment(0, BEGAN, 1), Prose("Low", "Low.")
    )


@pytest.fixture
def settings(tmp_path: Path) -> Settings:
    return load(tank(tmp_path, SINKS))


@pytest.fixture
def store(settings: Settings) -> Iterator[Store]:
    """One that has lived before anybody was told."""
    with Store.open(settings.store_path) as one:
        one.begin_epoch("boot", Moment(0, BEGAN, 0), True)
        one.put([Reading("water-a", Moment(n, BEGAN + n, 1), 25.0, Flag.PASS) for n in range(9)])
        one.put_notice(notice("last year's"))
        yield one


def begin(settings: Settings, store: Store) -> dict[str, dict[Stream, int]]:
    """What a start of the daemon makes of it: how far each sink is, by stream."""
    made = deliveries(settings, store, Inbox(), FastClock(BEGAN, 1.0))
    return {one.name: dict(one.sent) for one in made}


class TestANewSink:
    def test_tells_nobody_last_years_alarms_and_sends_a_server_everything(
        self, settings: Settings, store: Store
    ) -> None:
        found = begin(settings, store)
        assert found["niamh"] == {Stream.NOTICES: 1}
        assert found["history"][Stream.READINGS] == 0

    def test_that_was_not_reached_before_a_restart_loses_nothing_by_it(
        self, settings: Settings, store: Store
    ) -> None:
        begin(settings, store)
        store.put_notice(notice("tonight's"))
        store.close()
        with Store.open(settings.store_path) as again:
            assert begin(settings, again)["niamh"] == {Stream.NOTICES: 1}

    def test_has_a_place_that_can_be_shown_before_anything_is_sent(
        self, settings: Settings, store: Store
    ) -> None:
        begin(settings, store)
        store.commit()
        assert store.sinks.cursor("history", Stream.READINGS) == 0
        assert store.sinks.cursor("niamh", Stream.NOTICES) == 1
