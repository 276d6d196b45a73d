"""The Modbus driver against pymodbus's own servers, on a pseudo-terminal and on TCP."""

from __future__ import annotations

import itertools
import os
import pty
import subprocess
import sys
import threading
import time
import tty
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from pydantic import ValidationError
from pymodbus.pdu import ModbusPDU
from pymodbus.server import ModbusSerialServer, ModbusTcpServer

from far_modbus import Serving, instruments
from stillwell.ports import DriverError
from stillwell.reading import Failure, Sample
from stillwell.testing import DriverCase, DriverContract, within
from stillwell_drivers.modbus_rtu import Modbus, ModbusSettings


class Line:
    """Two pseudo-terminals with a wire between them: instruments at one end, the driver at the
    other."""

    def __init__(self, folder: Path) -> None:
        self.port = folder / "usb-reading_room_rs485-if00"
        self._masters: list[int] = []
        self._slaves: list[int] = []
        self.asked: list[int] = []
        """The unit of each request that the server has got."""
        self.plug()

    def plug(self) -> None:
        pairs = [pty.openpty() for _ in range(2)]
        self._masters, self._slaves = [list(ends) for ends in zip(*pairs, strict=True)]
        for slave in self._slaves:
            tty.setraw(slave)
        self.port.symlink_to(os.ttyname(self._slaves[0]))
        self.far = os.ttyname(self._slaves[1])
        near, far = self._masters
        for come, go in ((near, far), (far, near)):
            threading.Thread(target=self._carry, args=(come, go, near), daemon=True).start()

    @staticmethod
    def _carry(come: int, go: int, near: int) -> None:
        try:
            while data := os.read(come, 4096):
                # The server answers for every unit. The answers of 9 are lost: it is silent, as one
                # without power is.
                if come == near or data[0] != 9:
                    os.write(go, data)
        except OSError:
            return

    def serve(self) -> Serving:
        """A server at the far end, which counts what it is asked."""

        def asked(sending: bool, pdu: ModbusPDU) -> ModbusPDU:
            if not sending:
                self.asked.append(pdu.dev_id)
            return pdu

        return Serving(
            lambda: ModbusSerialServer(instruments(), port=self.far, baudrate=9600, trace_pdu=asked)
        )

    def babble(self, data: bytes) -> None:
        """What somebody else on the line says."""
        os.write(self._masters[0], data)

    def unplug(self) -> None:
        self.port.unlink(missing_ok=True)
        # The far end first: the thread that reads it must not meet a number that is used again.
        for end in (*self._slaves, *self._masters):
            os.close(end)
        self._slaves, self._masters = [], []


@pytest.fixture
def line(tmp_path: Path) -> Iterator[Line]:
    made = Line(tmp_path)
    server = made.serve()
    yield made
    server.stop()
    if made._slaves:
        made.unplug()


LEVEL = {"unit": 1, "register": 0, "scale": 0.1}


def settings(line: Line, channels: object = None, **more: object) -> ModbusSettings:
    return ModbusSettings.model_validate(
        {
            "channels": channels or {"level": LEVEL},
            "port": str(line.port),
            "timeout": "5 s",
            **more,
        }
    )


def read(driver: Modbus) -> dict[str, Sample]:
    samples = within(30, "Modbus.read", lambda: list(driver.read()))
    return {sample.channel: sample for sample in samples}


@pytest.fixture
def opened(line: Line) -> Iterator[Callable[..., Modbus]]:
    made: list[Modbus] = []

    def make(channels: object = None, **more: object) -> Modbus:
        made.append(Modbus(settings(line, channels, **more)))
        made[-1].open()
        return made[-1]

    yield make
    for each in made:
        each.close()


class TestModbusKeepsTheContract(DriverContract):
    @pytest.fixture
    def case(self, line: Line) -> DriverCase:
        given = {"channels": {"level": LEVEL}, "port": str(line.port), "timeout": "2 s"}
        return DriverCase(Modbus, given, {**given, "port": str(line.port) + "-away"})


class TestRegisters:
    def test_each_type_word_order_and_table(self, opened: Callable[..., Modbus]) -> None:
        got = read(
            opened(
                {
                    "level": LEVEL,
                    "water": {"unit": 1, "register": 1, "type": "float32"},
                    "count": {"unit": 1, "register": 3, "type": "int32", "words": "little"},
                    "room": {"unit": 2, "register": 0, "table": "input", "scale": 0.1},
                    "pump": {"unit": 2, "register": 0, "table": "coil"},
                    "leak": {"unit": 2, "register": 0, "table": "discrete"},
                }
            )
        )
        assert {name: sample.value for name, sample in got.items()} == {
            "level": -12.5,
            "water": 25.3125,
            "count": -70000.0,
            "room": 21.5,
            "pump": 1.0,
            "leak": 0.0,
        }
        assert got["water"].raw == "unit 1, holding 1: 41ca 8000"

    def test_what_is_no_number_is_garbage(self, opened: Callable[..., Modbus]) -> None:
        got = read(opened({"water": {"unit": 1, "register": 5, "type": "float32"}}))["water"]
        assert (got.value, got.failure) == (None, Failure.GARBAGE)

    def test_a_register_that_is_not_there_is_told_and_the_others_are_read(
        self, opened: Callable[..., Modbus]
    ) -> None:
        got = read(opened({"level": LEVEL, "room": {"unit": 1, "register": 4000}}))
        assert got["level"].value == -12.5
        assert (got["room"].value, got["room"].failure) == (None, Failure.GONE)
        assert got["room"].raw == "unit 1, holding 4000: it has no such register (2)"


class TestALine:
    def test_one_silent_unit_costs_one_wait_and_the_others_are_read(
        self, line: Line, opened: Callable[..., Modbus]
    ) -> None:
        away = {"unit": 9, "register": 0}
        got = read(opened({"a": away, "b": {**away, "register": 1}, "level": LEVEL}, timeout="2 s"))
        assert got["level"].value == -12.5
        assert got["a"] == Sample("a", None, Failure.SILENT, "unit 9 does not answer")
        assert got["b"].failure is Failure.SILENT
        assert line.asked == [9, 1]

    def test_a_clock_that_is_put_back_makes_no_wait_longer(
        self, opened: Callable[..., Modbus], monkeypatch: pytest.MonkeyPatch
    ) -> None:
        away = {"unit": 9, "register": 0}
        driver = opened({"a": away, "level": LEVEL}, timeout="500 ms")
        # The machine's own clock can't be set by a test: here each look finds it a minute earlier.
        right, looks = time.time, itertools.count()
        monkeypatch.setattr(time, "time", lambda: right() - 60 * next(looks))
        got = read(driver)
        assert got["a"].failure is Failure.SILENT
        assert got["level"].value == -12.5

    def test_where_none_answers_the_source_is_down(self, opened: Callable[..., Modbus]) -> None:
        driver = opened({"a": {"unit": 9, "register": 0}}, timeout="500 ms")
        with pytest.raises(DriverError, match="No instrument answers"):
            read(driver)

    def test_garbage_on_the_line_costs_no_later_reading(
        self, line: Line, opened: Callable[..., Modbus]
    ) -> None:
        driver = opened(timeout="2 s")
        for _ in range(3):
            line.babble(bytes(range(256)))
            try:
                got = read(driver)["level"]
            except DriverError:  # the answer came amid the garbage
                driver.open()
                continue
            assert got.value in (-12.5, None)
        assert read(driver)["level"].value == -12.5

    def test_unplugged_and_back(self, tmp_path: Path, line: Line) -> None:
        driver = Modbus(settings(line))
        driver.open()
        assert read(driver)["level"].value == -12.5
        line.unplug()
        with pytest.raises(DriverError):
            read(driver)
        with pytest.raises(DriverError, match="does not exist"):
            driver.open()
        line.plug()
        server = line.serve()
        driver.open()
        assert read(driver)["level"].value == -12.5
        driver.close()
        server.stop()


class TestByTcp:
    def test_a_server_that_goes_and_comes_back(self, free_ports: Callable[[], int]) -> None:
        at = ("127.0.0.1", free_ports())
        server = Serving(lambda: ModbusTcpServer(instruments(), address=at))
        given = {"channels": {"level": LEVEL}, "host": at[0], "tcp_port": at[1], "timeout": "2 s"}
        driver = Modbus(ModbusSettings.model_validate(given))
        driver.open()
        assert read(driver)["level"].value == -12.5
        server.stop()
        with pytest.raises(DriverError):
            read(driver)
        with pytest.raises(DriverError, match=r"Nothing answers at 127\.0\.0\.1"):
            driver.open()
        server = Serving(lambda: ModbusTcpServer(instruments(), address=at))
        driver.open()
        assert read(driver)["level"].value == -12.5
        driver.close()
        server.stop()


class TestSettings:
    def test_a_line_and_tcp_together_are_refused(self, line: Line) -> None:
        with pytest.raises(ValidationError, match="by a serial line or by TCP"):
            settings(line, host="192.0.2.7")

    def test_pymodbus_is_imported_by_open_alone(self) -> None:
        code = (
            "import sys; from stillwell_drivers.modbus_rtu import Modbus, ModbusSettings as S;"
            "Modbus(S(channels={'a': {'unit': 1, 'register': 0}}, host='x'));"
            "sys.exit('pymodbus' in sys.modules or 'serial' in sys.modules)"
        )
        assert subprocess.run([sys.executable, "-c", code]).returncode == 0
