"""Instruments that speak Modbus, on a serial line (RS-485) or by TCP.

In the configuration::

    [source.cabinet]
    driver = "modbus_rtu"
    port = "/dev/serial/by-id/usb-FTDI_USB-RS485_Cable-if00-port0"
    baud = 9600
    parity = "none"
    [source.cabinet.channels]
    level = { unit = 1, register = 0, type = "int16", scale = 0.1 }
    room = { unit = 2, register = 4, type = "float32", words = "little" }

For TCP, give `host` instead of `port`, `baud` and `parity`. Registers are counted from 0, as they
are sent: what a manual calls 40001 is holding register 0, and 30001 is input register 0. A value of
two or four registers has its high word first, unless `words` is "little".

Each channel takes one request. A unit that does not answer costs one `timeout` in a read, however
many channels it has; the others are still read. When none answers, the source is down.

Sources: MODBUS Application Protocol Specification V1.1b3, sections 6 and 7; MODBUS over Serial Line
V1.02; the documentation of pymodbus 3.
"""

from __future__ import annotations

import logging
from collections.abc import Iterable
from typing import TYPE_CHECKING, Annotated, Any, ClassVar, Literal

from annotated_types import Ge, Le
from pydantic import BaseModel, ConfigDict, Field, model_validator

from stillwell.ports import DriverError
from stillwell.reading import Failure, Sample
from stillwell.units import Seconds
from stillwell_drivers.evidence import printable
from stillwell_drivers.scaled import Scaled
from stillwell_drivers.serial_port import Port, opened, shut

if TYPE_CHECKING:
    from pymodbus.client import ModbusSerialClient, ModbusTcpClient

_EXCEPTIONS = {
    1: "does not know the function",
    2: "has no such register",
    3: "refuses the value",
    4: "has failed",
    6: "is busy",
    10: "is not to be reached by the gateway",
    11: "does not answer the gateway",
}
"""The exceptions that an instrument may answer with: V1.1b3, section 7."""
_SILENT_GATEWAY = 11


class Register(Scaled):
    """Where a channel finds its number."""

    unit: int = Field(ge=1, le=247)
    """The instrument's address on the bus."""
    register_: int = Field(ge=0, le=65535, alias="register")
    """The first register of the value, counted from 0."""
    table: Literal["holding", "input", "coil", "discrete"] = "holding"
    """Which of the instrument's tables; a coil and a discrete input are 1 or 0."""
    type: Literal["int16", "uint16", "int32", "uint32", "int64", "uint64", "float32", "float64"] = (
        "int16"
    )
    words: Literal["big", "little"] = "big"
    """Which word of a longer value comes first: the high or the low one."""


class ModbusSettings(BaseModel):
    """What may stand below a source with ``driver = "modbus_rtu"``."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    channels: dict[str, Register] = Field(min_length=1)
    port: Port | None = None
    """The serial device, by a name that stays."""
    baud: int = Field(default=9600, ge=50, le=4_000_000)
    parity: Literal["none", "even", "odd"] = "none"
    stop_bits: Literal[1, 2] = 1
    host: str | None = Field(default=None, min_length=1)
    """The instrument or gateway, by name or address, where it is reached by TCP."""
    tcp_port: int = Field(default=502, ge=1, le=65535)
    timeout: Annotated[Seconds, Ge(0.05), Le(60)] = 0.5
    """How long an instrument may take to answer. All units together must fit in the source's
    deadline."""

    @model_validator(mode="after")
    def _one_way(self) -> ModbusSettings:
        if (self.port is None) == (self.host is None):
            raise ValueError(
                "The instruments are reached by a serial line or by TCP. Write either port = "
                '"/dev/serial/by-id/…" or host = "192.0.2.7".'
            )
        return self

    @property
    def at(self) -> str:
        """The place of the instruments, for use in sentences."""
        return self.port or f"{self.host}:{self.tcp_port}"


def _serial_client() -> type[ModbusSerialClient]:
    """Returns pymodbus's client, waiting by pyserial's clock, which is never stepped. Its own wait
    goes by the wall clock: set back by an hour, that would wait an hour for a silent unit."""
    from pymodbus.client import ModbusSerialClient
    from pymodbus.exceptions import ConnectionException

    class Client(ModbusSerialClient):  # type: ignore[misc]  # its types are skipped
        def recv(self, size: int | None) -> bytes:
            if self.socket is None:
                raise ConnectionException(str(self))
            try:
                came: bytes = self.socket.read(1)
                return came + self.socket.read(self.socket.in_waiting) if came else came
            except OSError:
                self.close()
                raise ConnectionException(str(self)) from None

    return Client


class Modbus:
    """Reads registers; see the module's text."""

    Settings: ClassVar[type[BaseModel]] = ModbusSettings

    def __init__(self, settings: ModbusSettings) -> None:
        self._settings = settings
        self._client: ModbusSerialClient | ModbusTcpClient | None = None

    @classmethod
    def bus(cls, settings: ModbusSettings) -> str:
        """Returns ``serial:`` and the port, or ``modbus:``, host and port."""
        return f"serial:{settings.port}" if settings.port else f"modbus:{settings.at}"

    def open(self) -> None:
        """Opens the line or connects; raises `DriverError`."""
        from pymodbus.client import ModbusTcpClient

        self.close()
        # It logs each request without an answer, which the samples report already.
        logging.getLogger("pymodbus.logging").setLevel(logging.CRITICAL)
        given = self._settings
        if given.port is not None:
            parity = given.parity[0].upper()
            # If something is wrong with a port, pymodbus only logs it.
            shut(opened(given.port, given.baud, given.timeout, parity=parity))
            self._client = _serial_client()(
                given.port,
                baudrate=given.baud,
                parity=parity,
                stopbits=given.stop_bits,
                timeout=given.timeout,
                retries=0,
            )
        else:
            assert given.host is not None
            self._client = ModbusTcpClient(
                given.host, port=given.tcp_port, timeout=given.timeout, retries=0
            )
        if not self._client.connect():
            self.close()
            raise DriverError(
                f"Nothing answers at {given.at}.",
                "Look whether it is powered and on the network, or correct `host` and `tcp_port`.",
            )

    def read(self) -> Iterable[Sample]:
        """Reads every channel once."""
        if self._client is None:
            raise DriverError("The Modbus line is not open.", "Open it before reading.")
        silent: set[int] = set()
        samples = [
            self._sample(self._client, channel, at, silent)
            for channel, at in self._settings.channels.items()
        ]
        if all(at.unit in silent for at in self._settings.channels.values()):
            self.close()
            raise DriverError(
                f"No instrument answers at {self._settings.at}.",
                "Check its power and the wires A and B, and whether `unit`, `baud` and `parity` "
                "are those of the instrument.",
            )
        return samples

    def close(self) -> None:
        client, self._client = self._client, None
        if client is not None:
            try:
                client.close()
            except Exception:  # an unplugged device may refuse even this
                return

    def _sample(self, client: Any, channel: str, at: Register, silent: set[int]) -> Sample:
        """Makes one request; a unit that does not answer is added to `silent`."""
        from pymodbus.client import ModbusTcpClient
        from pymodbus.exceptions import ConnectionException, ModbusException

        no_answer = Sample(channel, None, Failure.SILENT, f"unit {at.unit} does not answer")
        if at.unit in silent:
            return no_answer
        kind = ModbusTcpClient.DATATYPE[at.type.upper()]
        bit = at.table in ("coil", "discrete")
        ask = {
            "holding": client.read_holding_registers,
            "input": client.read_input_registers,
            "coil": client.read_coils,
            "discrete": client.read_discrete_inputs,
        }[at.table]
        count = 1 if bit else kind.value[1]
        try:
            answer = ask(at.register_, count=count, device_id=at.unit)
        except ConnectionException as error:
            self.close()
            raise DriverError(
                f"{self._settings.at} stopped working.",
                "Look whether it is plugged in and powered; it is opened again by itself.",
            ) from error
        except ModbusException:
            silent.add(at.unit)
            return no_answer
        where = f"unit {at.unit}, {at.table} {at.register_}"
        if answer.isError():
            code = int(answer.exception_code)
            said = _EXCEPTIONS.get(code, "refuses")
            failure = Failure.SILENT if code == _SILENT_GATEWAY else Failure.GONE
            return Sample(channel, None, failure, printable(f"{where}: it {said} ({code})"))
        got = answer.bits[:1] if bit else answer.registers
        if len(got) != count:
            raw = printable(f"{where}: {len(got)} registers came")
            return Sample(channel, None, Failure.GARBAGE, raw)
        number = got[0] if bit else client.convert_from_registers(got, kind, word_order=at.words)
        value = at.scaled(float(number))
        shown = f"{where}: {number}" if bit else f"{where}: {' '.join(f'{r:04x}' for r in got)}"
        failure_ = None if value is not None else Failure.GARBAGE
        return Sample(channel, value, failure_, printable(shown))
