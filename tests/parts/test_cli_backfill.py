"""A whole history sent to a server that has lost it: a real VictoriaMetrics, and a server of the
test's own for what that one does not do."""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path

import pytest

from command_line import call, json_lines, tank
from far_sides import VICTORIA, Asked, Receiver, Says, Victoria
from stillwell.notice import Message, Priority, State, Transition
from stillwell.ports import Published
from stillwell.reading import Flag, Moment, Reading
from stillwell.settings import load
from stillwell.store import Store, StoreReader

BEGAN = 1_780_000_200_000
"""At a whole ten minutes."""
DAYS = 100
DAY_MS = 86_400_000
STEP_MS = 240_000
ALWAYS, FOREVER = -(2**50), 2**50


def sink(url: str, batch: int = 1000) -> str:
    return f'[sink.history]\nkind = "influx"\nurl = "{url}"\nbatch = {batch}\n'


@pytest.fixture(scope="module")
def old(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store of a hundred days, of which single readings are kept for the last ten."""
    path = load(tank(tmp_path_factory.mktemp("old"))).store_path
    with Store.open(path, bulk=True) as store:
        store.begin_epoch("boot", Moment(0, BEGAN, 0), True)
        for at in range(0, DAYS * DAY_MS, STEP_MS):
            moment = Moment(at, BEGAN + at, 1)
            store.put([Reading("water-a", moment, 25.0 + at // STEP_MS % 8 / 8, Flag.PASS)])
        now = Moment(5 * DAY_MS, BEGAN + 5 * DAY_MS, 1)
        normal, called = State.NORMAL, State.UNACKNOWLEDGED
        told = Message("Water low.")
        store.put_transition(
            Transition("water.low", now, normal, called, "raise", Priority.HIGH, True, told, now)
        )
        store.put_estimates([Published("night.loss", now.utc_ms, "mL", 250.0, 240.0, 260.0, "")])
        store.commit()
    with Store.open(path) as store:
        store.begin_epoch("boot", Moment(DAYS * DAY_MS, BEGAN + DAYS * DAY_MS, 0), True)
        while store.disk.apply_retention(10 * DAY_MS).more:
            pass
    return path


@pytest.fixture
def config(tmp_path: Path, old: Path) -> Callable[[str], Path]:
    def make(more: str) -> Path:
        (tmp_path / "tank.db").write_bytes(old.read_bytes())
        return tank(tmp_path, more)

    return make


@pytest.mark.skipif(VICTORIA is None, reason="needs victoria-metrics (apt-get install)")
class TestAServerThatWasReplaced:
    def test_has_all_that_is_kept_and_the_same_when_it_is_sent_again(
        self, tmp_path: Path, free_port: int, config: Callable[[str], Path]
    ) -> None:
        server = Victoria(tmp_path / "victoria", free_port)
        server.start()
        try:
            path = config(sink(server.url))
            with StoreReader.open(tmp_path / "tank.db") as reader:
                span = reader.span()
                assert span is not None
                assert BEGAN + 85 * DAY_MS < span[0] < BEGAN + 95 * DAY_MS, "most is dropped"
                cells = reader.ten_minutes("water-a", ALWAYS, span[0])
                raw = [(r.moment.utc_ms, r.value) for r in reader.all_readings()]
            for _ in range(2):
                told = call("backfill", "history", "-c", path, "--json")
                assert told.exit_code == 0, told.output
                (line,) = json_lines(told)
                assert line["sent"] == len(cells) + len(raw) + 2
                assert server.points("reading_value", channel="water-a", unit="Cel") == raw
                for name, part in (("mean", "mean"), ("low", "min"), ("high", "max")):
                    found = server.points(f"ten_minutes_{name}", channel="water-a", unit="Cel")
                    assert [at for at, _ in found] == [c.start_ms for c in cells]
                    # It keeps 15 digits.
                    kept = [getattr(c, part) for c in cells]
                    assert [value for _, value in found] == pytest.approx(kept, rel=1e-13)
                assert len(server.points("alarm_active")) == 1
                assert server.points("estimate_value", name="night.loss") == [
                    (BEGAN + 5 * DAY_MS, 250.0)
                ]
        finally:
            server.kill()


class TestAHistory:
    def test_can_begin_on_a_day(self, server: Receiver, config: Callable[[str], Path]) -> None:
        path = config(sink(server.url))
        told = call("backfill", "history", "-c", path, "--from", "2026-09-04", "--json")
        (line,) = json_lines(told)
        lines = [part for asked in server.asked for part in asked.body.splitlines()]
        assert line["sent"] == len(lines) > 0
        first_ms = min(int(part.rsplit(b" ", 1)[1]) for part in lines)
        assert 0 <= first_ms - 1_788_480_000_000 < STEP_MS

    def test_waits_for_a_server_that_is_busy_and_goes_on_where_it_was(
        self,
        server: Receiver,
        config: Callable[[str], Path],
        monkeypatch: pytest.MonkeyPatch,
    ) -> None:
        monkeypatch.setattr(time, "sleep", lambda s: None)

        def busy(asked: Asked) -> Says:
            return Says(503 if len(server.asked) in (2, 3) else 204)

        server.answer = busy
        told = call("backfill", "history", "-c", config(sink(server.url)), "--json")
        assert told.exit_code == 0
        taken = [a.body for n, a in enumerate(server.asked, 1) if n not in (2, 3)]
        assert sum(body.count(b"\n") + 1 for body in taken) == json_lines(told)[0]["sent"]

    def test_gives_up_on_one_that_stays_away_and_says_how_far_it_came(
        self,
        server: Receiver,
        config: Callable[[str], Path],
        monkeypatch: pytest.MonkeyPatch,
    ) -> None:
        monkeypatch.setattr(time, "sleep", lambda s: None)
        server.answer = lambda asked: Says(204 if len(server.asked) <= 2 else 401)
        told = call("backfill", "history", "-c", config(sink(server.url)))
        assert told.exit_code == 2
        assert "2,000 points were sent" in " ".join(told.stderr.split())
        assert "`token`" in told.stderr

    def test_says_what_was_refused_for_good_and_sends_the_rest(
        self, server: Receiver, config: Callable[[str], Path]
    ) -> None:
        bad = str(BEGAN + 99 * DAY_MS).encode()
        server.answer = lambda asked: Says(400 if bad in asked.body else 204, {}, b"{}")
        told = call("backfill", "history", "-c", config(sink(server.url)), "--json")
        assert told.exit_code == 1
        assert json_lines(told)[0]["refused"] == 1

    def test_of_nothing_is_nothing(self, server: Receiver, tmp_path: Path) -> None:
        path = tank(tmp_path, sink(server.url))
        Store.open(load(path).store_path).close()
        told = call("backfill", "history", "-c", path)
        assert told.exit_code == 0
        assert "0 points" in told.stdout
        assert not server.asked

    @pytest.mark.parametrize(
        ("name", "words"), [("nobody", "No sink is called nobody"), ("niamh", "no time-series")]
    )
    def test_goes_to_no_other_sink(self, tmp_path: Path, name: str, words: str) -> None:
        path = tank(tmp_path, '[sink.niamh]\nkind = "push"\nurl = "json://127.0.0.1:1"\n')
        told = call("backfill", name, "-c", path)
        assert told.exit_code == 2
        assert words in " ".join(told.stderr.split())
