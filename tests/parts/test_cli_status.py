"""Every screen about the tank begins with whether it is watched and ends with 3 when it is not;
`stillwell status` says how everything stands. The daemon is a real process; its stores are real."""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from command_line import STILLWELL, call, json_lines, tank
from real_broker import wait_until
from stillwell import __version__
from stillwell.cli import place
from stillwell.cli.place import store_place
from stillwell.notice import Message, Notice, Priority, Prose, State, Transition
from stillwell.ports import Refusal, Stream
from stillwell.reading import Flag, Moment, Reading, rfc3339
from stillwell.review_plan import PLAN, PLAN_KEY
from stillwell.settings import DEFAULT_PATH, load
from stillwell.store import Store, StoreError, StoreReader, Words, moved_ms
from stillwell.watching import KEY, RUN, Recipient, Run
from stillwell.wiring.plans.review import review_plan

SCREENS = ("status", "today", "alarms", "review", "book", "heater", "warm-up", "sinks")
DAY_MS = 86_400_000
TELLERS = """
[sink.niamh]
kind = "push"
url = "json://127.0.0.1:9/"
[sink.caretaker]
kind = "push"
url = "json://127.0.0.1:9/"
lowest = "high"
"""


def now() -> int:
    return time.time_ns() // 1_000_000


@contextmanager
def written(path: Path, newest_ms: int) -> Iterator[Store]:
    """A store as a daemon leaves it that last read at `newest_ms`; held as long as it is open."""
    with Store.open(path) as store:
        epoch = store.begin_epoch("boot", Moment(0, newest_ms - DAY_MS), trusted=True)
        for at in range(0, DAY_MS + 1, 600_000):
            moment = Moment(at, newest_ms - DAY_MS + at, epoch)
            store.put([Reading(f"water-{c}", moment, 25.3, Flag.PASS) for c in "ab"])
        store.describe(KEY, RUN.text(Run(Moment(0, newest_ms - DAY_MS, epoch), "0")))
        store.commit()
        yield store


@pytest.fixture
def died(tmp_path: Path) -> Path:
    """The configuration of a tank whose daemon died four days ago."""
    with written(tmp_path / "tank.db", now() - 4 * DAY_MS):
        pass
    return tank(tmp_path)


class TestEveryScreen:
    @pytest.mark.parametrize("screen", SCREENS)
    def test_says_first_that_nobody_watches_and_ends_with_3(self, died: Path, screen: str) -> None:
        done = call(screen, "-c", died)
        assert re.match(
            r"NOT WATCHING since \w{3} \d\d \w{3} \d\d:\d\d: stillwell run --config", done.stdout
        ), done.stdout
        assert done.exit_code == 3, done.stderr

    @pytest.mark.parametrize("screen", SCREENS)
    def test_programs_get_it_beside_their_json(self, died: Path, screen: str) -> None:
        done = call(screen, "-c", died, "--json")
        assert json.loads(done.stderr)["remark"].startswith("NOT WATCHING since ")
        assert done.exit_code == 3
        for line in done.stdout.splitlines():
            json.loads(line)

    @pytest.mark.parametrize("screen", SCREENS)
    def test_says_so_where_there_is_no_store_yet(self, tmp_path: Path, screen: str) -> None:
        done = call(screen, "-c", tank(tmp_path))
        assert done.stderr.startswith("NOT WATCHING: stillwell has never run with this store.")
        assert done.exit_code == 3

    @pytest.mark.parametrize("screen", SCREENS)
    def test_its_help_names_the_status(self, screen: str) -> None:
        said = " ".join(call(screen, "--help").stdout.split())
        assert "Ends with 3" in said

    def test_what_was_is_not_told_as_what_is(self, died: Path) -> None:
        assert "Nothing stands" not in call("alarms", "-c", died).stdout
        today = call("today", "-c", died).stdout
        assert "25.3" not in today
        assert "nothing seen just now" in today

    def test_the_command_to_start_it_is_that_of_the_service(
        self, died: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        unit = tmp_path / "stillwell.service"
        unit.touch()
        monkeypatch.setattr("stillwell.cli.watch_line.UNIT", unit)
        monkeypatch.setattr("stillwell.settings.loading.DEFAULT_PATH", died)
        done = call("alarms", env={"STILLWELL_CONFIG": ""})
        assert done.stdout.split(": ")[1].startswith("sudo systemctl enable --now stillwell")


class TestWatched:
    def test_a_writer_that_moves_shows_it_whatever_its_disk_does(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        path, lock = tmp_path / "tank.db", tmp_path / ".tank.db.lock"
        with Store.open(path) as store:
            store.begin_epoch("boot", Moment(0, now()), trusted=True)
            for failing in (None, Words("The disk is full.", "")):
                monkeypatch.setattr(store.disk, "failing", failing)
                os.utime(lock, (0, 0))
                store.tick(store.disk.mono_ms + 1_000)
                assert moved_ms(path) == 0, "twice a minute is enough for a card"
                store.tick(store.disk.mono_ms + 30_000)
                assert abs(now() - (moved_ms(path) or 0)) < 60_000

    def test_it_shows_so_at_once_when_the_clock_is_set(self, tmp_path: Path) -> None:
        path, lock = tmp_path / "tank.db", tmp_path / ".tank.db.lock"
        with Store.open(path) as store:
            os.utime(lock, (0, 0))
            store.begin_epoch("boot", Moment(0, now()), trusted=True)
            assert abs(now() - (moved_ms(path) or 0)) < 60_000

    def test_a_daemon_that_runs_hangs_and_dies(self, tmp_path: Path) -> None:
        config, store = tank(tmp_path), tmp_path / "tank.db"
        daemon = subprocess.Popen([STILLWELL, "run", "-c", config], stderr=subprocess.DEVNULL)
        try:
            wait_until(lambda: _has_readings(store), "readings on the disk")
            first = call("alarms", "-c", config)
            assert re.match(r"Watched since \w{3} \d\d \w{3} \d\d:\d\d\.\n", first.stdout)
            assert first.exit_code == 0
            # Where it does not run, no time is stamped on the lock's file any more.
            daemon.send_signal(signal.SIGSTOP)
            os.utime(tmp_path / ".tank.db.lock", (0, time.time() - 900))
            hung = call("alarms", "-c", config)
            assert "the daemon is there, but hangs" in hung.stdout
            assert hung.exit_code == 3
        finally:
            daemon.kill()
            daemon.wait(30)
        died = call("status", "-c", config, "--json")
        assert died.exit_code == 3
        [told] = json_lines(died)
        assert told["watch"]["state"] == "not watched"
        with StoreReader.open(store) as reader:
            newest = reader.newest_ms()
        assert newest is not None
        assert told["watch"]["since"] == rfc3339(newest)

    def test_a_reading_from_a_time_to_come_is_said(self, tmp_path: Path) -> None:
        config = tank(tmp_path)
        with written(tmp_path / "tank.db", now() + 6 * 3_600_000):
            held = call("status", "-c", config)
        assert (
            "is 6 h ahead of this clock: one of the two is wrong" in " ".join(held.stdout.split())
            or "5 h ahead" in held.stdout
        )


class TestStatus:
    def test_fits_on_a_screen_and_says_all(self, tmp_path: Path) -> None:
        config = tank(tmp_path, TELLERS)
        at_ms = now() - 3_600_000
        with written(tmp_path / "tank.db", now() - 10_000) as store:
            _introduce(store, config)
            at = Moment(0, at_ms, 1)
            _alarm(store, "water.low", State.UNACKNOWLEDGED, Priority.HIGH, at)
            _alarm(store, "top-up", State.SHELVED, Priority.LOW, at)
            _alarm(store, "water-b.silent", State.OUT_OF_SERVICE, Priority.LOW, at)
            store.put_notice(_notice("one", Priority.HIGH, at))
            store.put_notice(_notice("two", Priority.LOW, at))
            store.put_notice(_notice("three", Priority.HIGH, at))
            store.sinks.move_cursor("niamh", Stream.NOTICES, 3, [Refusal(3, "no such topic")])
            store.sinks.move_cursor("caretaker", Stream.NOTICES, 2)
            store.commit()
            done = call("status", "-c", config, env={"COLUMNS": "80"})
            [told] = json_lines(call("status", "-c", config, "--json"))
        lines = done.stdout.splitlines()
        assert done.exit_code == 0, done.stderr
        assert len(lines) <= 24
        assert lines[0].startswith("Watched since ")
        said = " ".join(done.stdout.split())
        assert "water.low (high, unacknowledged, since" in said
        assert "Kept quiet: top-up until" in said
        assert "water-b.silent is out of service" in said
        assert re.search(r"water-a 25\.3 °C \d+ s ago", said)
        assert "float-low never read" in said
        assert "niamh: not tried yet" in said
        assert "sound;" in said
        assert told["notice"]["title"] == "two"
        assert told["notice"]["to"] == ["niamh"], "it was not for the caretaker"
        assert [a["alarm"] for a in told["calling"]] == ["water.low"]
        assert {a["alarm"] for a in told["quiet"]} == {"top-up", "water-b.silent"}
        assert told["watch"]["state"] == "watched"
        assert all(t["time"] is None or t["time"].endswith("Z") for t in told["channels"])

    def test_nobody_to_tell_is_said(self, died: Path) -> None:
        assert "No recipient is configured" in call("status", "-c", died).stdout

    def test_a_mistake_elsewhere_in_the_configuration_does_not_keep_it_away(
        self, died: Path
    ) -> None:
        text = died.read_text(encoding="utf-8")
        died.write_text(text.replace('target = "25.3 degC"', 'target = "25.3 L"'), encoding="utf-8")
        assert "water-a" in call("status", "-c", died).stdout

    @pytest.mark.parametrize(
        "environ", [{}, {"STILLWELL__STORE__PATH": "elsewhere.db"}, {"STILLWELL_CONFIG": "x"}]
    )
    def test_it_looks_where_the_configuration_says(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, environ: dict[str, str]
    ) -> None:
        for name, value in environ.items():
            monkeypatch.setenv(name, value)
        for text in ('[store]\npath = "a/b.db"\n', '[store]\npath = "/a/b.db"\n', ""):
            config = tank(tmp_path)
            whole = config.read_text(encoding="utf-8")
            table = whole[whole.index("[store]") : whole.index("[source.tank]")]
            config.write_text(whole.replace(table, text), encoding="utf-8")
            assert store_place(config, None) == load(config).store_path
        monkeypatch.delenv("STILLWELL_CONFIG", raising=False)
        assert Path(place.CONFIG) == DEFAULT_PATH


def _introduce(store: Store, config: Path) -> None:
    """What a daemon that begins says of itself and its tank."""
    settings = load(config)
    with StoreReader.open(store.path) as reader:
        began = RUN.read(reader.described(KEY) or "").began
    recipients = Recipient("niamh"), Recipient("caretaker", Priority.HIGH)
    run = Run(began, __version__, False, tuple(settings.channel), recipients)
    store.describe(KEY, RUN.text(run))
    store.describe(PLAN_KEY, PLAN.text(review_plan(settings)))
    for name, channel in settings.channel.items():
        store.describe_channel(name, channel.quantity, channel.label)


def _alarm(store: Store, name: str, state: State, priority: Priority, at: Moment) -> None:
    said = Message("It is so.")
    store.put_transition(
        Transition(
            name, at, State.NORMAL, state, "raise", priority, True, said, at, shelved_for_ms=7200000
        ),
        [],
    )


def _notice(title: str, priority: Priority, at: Moment) -> Notice:
    return Notice(title, "water.low", "raised", priority, at, Prose(title, ""))


def _has_readings(store: Path) -> bool:
    try:
        with StoreReader.open(store) as reader:
            return reader.newest_ms() is not None
    except StoreError:
        return False
