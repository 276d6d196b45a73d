"""Instruments that speak Modbus: pymodbus's own server in a thread."""

from __future__ import annotations

import asyncio
import struct
import threading
from collections.abc import Callable
from typing import Any

from pymodbus.simulator import DataType, SimData, SimDevice


def words(form: str, *numbers: float) -> list[int]:
    data = struct.pack(">" + form, *numbers)
    return list(struct.unpack(f">{len(data) // 2}H", data))


HOLDING = [*words("h", -125), *words("f", 25.3125), *reversed(words("i", -70000)), 0x7FC0, 0]
"""The values of the registers. 0: an int16; 1: a float32; 3: an int32, low word first; 5: a
float32 that is NaN."""


def instruments() -> list[SimDevice]:
    def cells(kind: DataType, *values: int | bool) -> list[SimData]:
        return [SimData(0, values=list(values), datatype=kind)]

    coils, discrete = cells(DataType.BITS, True), cells(DataType.BITS, False)
    holding = cells(DataType.REGISTERS, *HOLDING)
    tables = (coils, discrete, holding, cells(DataType.REGISTERS, 215))
    return [SimDevice(unit, tables) for unit in (1, 2)]


class Serving:
    """A server in a thread of its own."""

    def __init__(self, make: Callable[[], Any]) -> None:
        self._make = make
        self._ready = threading.Event()
        self._thread = threading.Thread(target=lambda: asyncio.run(self._serve()), daemon=True)
        self._thread.start()
        assert self._ready.wait(20)

    async def _serve(self) -> None:
        self._loop, self._server = asyncio.get_running_loop(), self._make()
        task = asyncio.ensure_future(self._server.serve_forever(background=True))
        await task
        self._over = asyncio.Event()
        self._ready.set()
        await self._over.wait()
        await self._server.shutdown()

    def stop(self) -> None:
        self._loop.call_soon_threadsafe(self._over.set)
        self._thread.join(20)
