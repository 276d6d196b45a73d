"""Drivers that do what drivers must not do, to be registered by tests as a third party's would."""

from __future__ import annotations

import threading
from collections.abc import Iterable
from typing import Any, ClassVar

from pydantic import BaseModel

from stillwell.ports import DriverError
from stillwell.reading import Failure, Sample


class Channels(BaseModel):
    channels: dict[str, dict[str, str]]
    bus_name: str = "bad"


class Bad:
    Settings: ClassVar[type[BaseModel]] = Channels

    def __init__(self, settings: Any) -> None:
        self.names = list(settings.channels)

    @classmethod
    def bus(cls, settings: Any) -> str:
        return str(settings.bus_name)

    def open(self) -> None:
        pass

    def read(self) -> Iterable[Sample]:
        return [Sample(name, 25.3) for name in self.names]

    def close(self) -> None:
        pass


class Hangs(Bad):
    """Reports its first channel once and then nothing, for ever."""

    def read(self) -> Iterable[Sample]:
        yield Sample(self.names[0], 25.3)
        threading.Event().wait()


class Unplugged(Bad):
    def open(self) -> None:
        raise DriverError("The adapter is not plugged in.", "Plug it in.")


class Raises(Bad):
    def read(self) -> Iterable[Sample]:
        raise ZeroDivisionError("division by zero")


class Silent(Bad):
    """Reads well and forgets its channels."""

    def read(self) -> Iterable[Sample]:
        return [Sample("stranger", 1.0)]


class Damaged(Bad):
    """Its first channel arrives damaged, its second is far outside of every range."""

    def read(self) -> Iterable[Sample]:
        return [
            Sample(self.names[0], None, Failure.CRC, "50 05 4b 46"),
            Sample(self.names[1], 61.5),
        ]
