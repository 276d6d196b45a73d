"""Every attack of a driver or a sink on the watch, all at once in one daemon on a fast clock: a
healthy source on the same bus goes on being read, its alarm goes through to a healthy recipient,
and each hostile one is told by name."""

from __future__ import annotations

import logging
import sys
import time
from collections.abc import Callable, Iterator

import pytest

import hostile_plugins
from hostile_plugins import (
    ELSEWHERE,
    QUIET_READS,
    QUIET_SINKS,
    READS,
    SENDS,
    SINKS_ELSEWHERE,
    Phone,
)
from in_words import what
from live_daemon import Live, SteppedClock
from stillwell.reading import Flag
from stillwell.settings import load, plugins
from stillwell.store import Store, StoreReader

# What a generator that can't be closed says when it is let go.
pytestmark = pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")

TANK = """\
[tank]
name = "reading-room"
zone = "Europe/Dublin"
volume = "68 L"
[store]
path = "tank.db"
commit_every = "1 min"
[source.good]
driver = "steady"
every = "10 s"
deadline = "3000 s"
[source.good.channels]
water-a = {}
[channel.water-a]
quantity = "temperature"
[band.water]
of = ["water-a"]
target = "25.3 degC"
tolerance = "0.5 K"
on_delay = "2 min"
[sink.phone]
kind = "phone"
"""

DRIVER = """
[source.{name}]
driver = "{driver}"
every = "10 s"
deadline = "{deadline}"
attack = "{attack}"
bus_name = "{bus}"
[source.{name}.channels]
{name}-probe = {{}}
[channel.{name}-probe]
quantity = "temperature"
"""

SINK = """
[sink.{name}]
kind = "{kind}"
attack = "{attack}"
"""

BAD_DRIVERS = {name: words for name, (_, words) in READS.items()} | ELSEWHERE
BAD_IMPORTS = {
    "exits_on_import": "SystemExit: goodbye",
    "hangs_on_import": "it has not answered for 1 s and hangs",
    "no_class": "has no Settings model",
}
BAD_SINKS = {name: words for name, (_, words) in SENDS.items()} | SINKS_ELSEWHERE


def called(attack: str) -> str:
    """The name of the source or sink that does it."""
    return "".join(sign if sign.isalnum() else "-" for sign in attack.lower())


def source(attack: str, driver: str = "hostile") -> str:
    # One that hangs holds its bus up until its deadline: it has one of its own.
    bus, deadline = (called(attack), "60 s") if "hang" in attack else ("shared", "3000 s")
    return DRIVER.format(
        name=called(attack), driver=driver, attack=attack, bus=bus, deadline=deadline
    )


class Attacked(Live):
    """The daemon with everything hostile in it."""

    def until(self, condition: Callable[[], object], what: str) -> None:
        end = time.monotonic() + 60.0
        while not condition():
            assert self._thread.is_alive(), f"the daemon has ended: {what}"
            assert time.monotonic() < end, f"waited in vain: {what}"
            time.sleep(0.01)

    def says(self, alarm: str) -> str:
        """The first words of an alarm."""
        self.until(lambda: any(t.alarm == alarm for t in tuple(self.told)), f"{alarm} is told")
        return next(what(t) for t in self.told if t.alarm == alarm)

    def goes_on(self) -> None:
        """The neighbour is read, and its alarm has reached somebody."""
        self.until(
            lambda: any(getattr(row.body, "subject", "") == "water.low" for row in Phone.heard),
            "an alarm reaches the phone",
        )
        seen = self.newest("water-a")
        self.until(lambda: self.newest("water-a") > seen, "the neighbour is read")

    def newest(self, channel: str) -> int:
        store: Store = self.daemon._pipeline.store
        rows = store.tail.latest_readings()
        return max((r.seq for r in rows if getattr(r.body, "channel", "") == channel), default=0)


class Heard(logging.Handler):
    """What is logged."""

    def __init__(self) -> None:
        super().__init__()
        self.lines: list[str] = []

    def emit(self, record: logging.LogRecord) -> None:
        self.lines.append(record.getMessage())


@pytest.fixture(scope="module")
def log() -> Iterator[Heard]:
    heard = Heard()
    logging.getLogger("stillwell").addHandler(heard)
    yield heard
    logging.getLogger("stillwell").removeHandler(heard)


@pytest.fixture(scope="module")
def tank(tmp_path_factory: pytest.TempPathFactory, log: Heard) -> Iterator[Attacked]:
    folder = tmp_path_factory.mktemp("hostile")
    hostile_plugins.RELEASE.clear()
    Phone.heard.clear()
    parts = [
        TANK,
        *(source(attack) for attack in (*BAD_DRIVERS, *QUIET_READS)),
        *(source(driver, driver) for driver in (*BAD_IMPORTS, "errs")),
        *(
            SINK.format(name=called(a), kind="hostile_sink", attack=a)
            for a in (*BAD_SINKS, *QUIET_SINKS)
        ),
        SINK.format(name="import", kind="sink_exits_on_import", attack=""),
    ]
    file = folder / "stillwell.toml"
    file.write_text("".join(parts), encoding="utf-8")
    with pytest.MonkeyPatch.context() as patch:
        patch.syspath_prepend(hostile_plugins.install(folder / "site"))
        patch.setattr("stillwell.acquire.bus_name.BUSES_NAMED_WITHIN_S", 1.0)
        patch.setattr("stillwell.supervise.delivery.SINKS_MADE_WITHIN_S", 1.0)
        patch.setattr(plugins, "LOADS_WITHIN_S", 1.0)
        settings = load(file, environ={})
        live = Attacked(settings, SteppedClock(round(time.time() * 1000)))
        yield live
        hostile_plugins.RELEASE.set()
        live.stop()
    for name in ("exits_on_import", "hangs_on_import"):
        sys.modules.pop(name, None)


class TestADriver:
    @pytest.mark.parametrize("attack", BAD_DRIVERS)
    def test_is_a_source_down_by_name_and_the_rest_goes_on(
        self, tank: Attacked, attack: str
    ) -> None:
        what = tank.says(f"source.{called(attack)}.down")
        assert BAD_DRIVERS[attack] in what
        assert "hostile" in what
        tank.goes_on()

    @pytest.mark.parametrize("driver", BAD_IMPORTS)
    def test_that_cannot_be_imported_is_told_and_the_rest_goes_on(
        self, tank: Attacked, driver: str
    ) -> None:
        what = tank.says(f"source.{called(driver)}.down")
        assert BAD_IMPORTS[driver] in what
        assert driver in what
        tank.goes_on()

    @pytest.mark.parametrize("attack", QUIET_READS)
    def test_may_bring_what_costs_no_reading(self, tank: Attacked, log: Heard, attack: str) -> None:
        tank.goes_on()
        assert not any(t.alarm == f"source.{called(attack)}.down" for t in tank.told)
        said = [line for line in log.lines if f"of {called(attack)} " in line]
        assert len(said) <= 1, said[:5]

    def test_that_errs_in_every_other_read_is_one_alarm_and_half_of_its_readings(
        self, tank: Attacked
    ) -> None:
        what = tank.says("source.errs.down")
        assert what.endswith("The driver errs gave a str instead of a number for errs-probe.")
        tank.goes_on()
        events = [str(t.event) for t in tank.told if t.alarm == "source.errs.down"]
        assert events == ["raise"]
        with StoreReader.open(tank.path) as reader:
            flags = {r.flag for r in reader.readings("errs-probe", -(2**50), 2**50)}
        assert {Flag.PASS, Flag.MISSING} <= flags


class TestASink:
    @pytest.mark.parametrize("attack", BAD_SINKS)
    def test_is_away_by_name_and_the_rest_goes_on(self, tank: Attacked, attack: str) -> None:
        what = tank.says(f"sink.{called(attack)}.away")
        assert BAD_SINKS[attack] in what
        assert f"sink {called(attack)}" in what
        tank.goes_on()

    @pytest.mark.parametrize("attack", QUIET_SINKS)
    def test_may_do_what_harms_nobody(self, tank: Attacked, attack: str) -> None:
        tank.goes_on()
        assert not any(t.alarm == f"sink.{called(attack)}.away" for t in tank.told)

    def test_that_cannot_be_imported_is_away(self, tank: Attacked) -> None:
        what = tank.says("sink.import.away")
        assert "SystemExit: goodbye" in what
        assert "sink_exits_on_import" in what
