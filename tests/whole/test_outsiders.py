"""What others bring into the daemon: drivers and sinks of other packages that can't be had, brokers
that forget, deny or demand."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from authority import Authority
from stillwell.notice import State
from stillwell.store import StoreReader
from stillwell.words import Reader

Make = Callable[..., Any]
NAME = "stillwell/reading-room"

THIRD_PARTY = """
[source.shim]
driver = "shim"
every = "30 s"
[source.shim.channels]
shim-water = { pin = 4 }
[channel.shim-water]
quantity = "temperature"
[sink.shim]
kind = "shim_sink"
"""


class TestOtherPackages:
    @pytest.fixture
    def package(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        """A package with a driver and a sink whose own requirement is not installed."""
        site = tmp_path / "site"
        info = site / "shim-1.0.dist-info"
        info.mkdir(parents=True)
        (info / "METADATA").write_text("Metadata-Version: 2.1\nName: shim\nVersion: 1.0\n")
        (info / "entry_points.txt").write_text(
            "[stillwell.drivers]\nshim = shim_drivers:Shim\n"
            "[stillwell.sinks]\nshim_sink = shim_drivers:Sink\n"
        )
        (site / "shim_drivers.py").write_text("import shim_wire_library\n")
        monkeypatch.setenv("PYTHONPATH", str(site), prepend=":")

    @pytest.mark.usefixtures("package")
    def test_that_fail_to_import_are_alarms_and_the_rest_runs(self, daemon: Make) -> None:
        tank = daemon(more=THIRD_PARTY)
        # At the pace of the wall clock: time can't run faster for what is not simulated.
        tank.start(speed=1)
        tank.until(lambda: tank.has("source.shim.down", "raise"), "the driver is told as down")
        said = Reader().alarm(tank.transitions("source.shim.down")[0])
        assert "shim_wire_library" in said.seen
        assert said.do
        assert "shim_wire_library" in tank.said(), "the log does not name it"
        assert tank.stop() == 0
        assert tank.readings("water-a"), "the other source was not read"
        assert "Traceback" not in tank.said()


def heard(phone: Any, topic: str) -> list[Any]:
    return [json.loads(each.payload) for each in phone.on(f"{NAME}/{topic}")]


class TestBroker:
    def test_that_was_killed_is_given_all_retained_state_again(
        self, daemon: Make, broker: Make, listen: Make, fault: Make
    ) -> None:
        mosquitto = broker()
        tank = daemon(port=mosquitto.port, faults=[fault("probe-gone", -60, target="water-b")])
        tank.start()
        tank.until(lambda: tank.has("water-b.silent", "raise"), "the silent probe is told")
        mosquitto.kill()
        mosquitto.start()
        # Nothing but what is retained reaches somebody who subscribes only afterwards; a probe
        # that is gone changes nothing, so that its alarm's state can only have come again.
        late = listen(mosquitto.port, f"{NAME}/#")
        alarm = f"{NAME}/alarm/water-b.silent"
        tank.until(lambda: late.on(alarm), "the alarm's state is there again")
        tank.until(lambda: late.on(f"{NAME}/reading/water-a"), "the readings are there again")
        tank.until(lambda: late.on(f"{NAME}/alive"), "it says that it is alive")
        assert json.loads(late.on(alarm)[-1].payload)["state"] == State.UNACKNOWLEDGED

    def test_that_denies_the_notices_gets_the_rest_and_the_store_says_what_was_refused(
        self, daemon: Make, broker: Make, listen: Make, fault: Make
    ) -> None:
        mosquitto = broker(start=False)
        acl = mosquitto.folder / "acl"
        acl.write_text(
            f"topic read #\ntopic write {NAME}/alive\ntopic write {NAME}/reading/#\n"
            f"topic write {NAME}/alarm/#\n"
        )
        mosquitto.configure([f"acl_file {acl}"])
        mosquitto.start()
        phone = listen(mosquitto.port, f"{NAME}/#")
        tank = daemon(port=mosquitto.port, faults=[fault("probe-gone", -60, target="water-b")])
        tank.start()

        def refused() -> list[str]:
            with tank.reader() as reader:
                return [dead.reason for dead in reader.dead_letters()] if reader else []

        tank.until(refused, "the notice is among the dead letters")
        assert "access list" in refused()[0]
        tank.until(lambda: phone.on(f"{NAME}/alarm/water-b.silent"), "the alarm's state goes out")
        seen = len(phone.on(f"{NAME}/reading/water-a"))
        tank.until(lambda: len(phone.on(f"{NAME}/reading/water-a")) > seen, "readings go out")
        assert not phone.on(f"{NAME}/notice")

    def test_that_demands_tls_is_told_away_and_heard_with_the_right_settings(
        self, daemon: Make, broker: Make, tmp_path: Path
    ) -> None:
        tmp_path.chmod(0o755)  # the broker may read it as another user
        ours = Authority(tmp_path, "ours")
        certificate, key = ours.sign("broker")
        mosquitto = broker(start=False)
        mosquitto.configure([f"certfile {certificate}", f"keyfile {key}"])
        mosquitto.start()
        plain = daemon(port=mosquitto.port)
        plain.start(speed=400)
        plain.until(lambda: plain.has("sink.broker.away", "raise"), "without TLS it is away")
        assert plain.stop() == 0
        secure = daemon(
            port=mosquitto.port, more=f'tls = true\nca = "{ours.certificate}"\n', store=plain.store
        )
        secure.start(speed=400)
        secure.until(lambda: secure.has("sink.broker.away", "clear"), "with TLS it is reached")

        def moved() -> bool:
            with StoreReader.open(secure.store) as reader:
                return bool(reader.cursors())

        secure.until(moved, "the broker takes rows")


class TestThreads:
    def test_are_fewer_than_twelve(self, daemon: Make, broker: Make) -> None:
        mosquitto = broker()
        tank = daemon(port=mosquitto.port)
        tank.start()
        tank.until(lambda: tank.readings("water-a"), "it reads")
        tasks = list(Path(f"/proc/{tank.process.pid}/task").iterdir())
        assert 4 < len(tasks) < 12
