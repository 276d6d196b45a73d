"""Drivers of others that are asked what there is to read: one that knows, and some that fail."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from typing import Any

from pydantic import BaseModel

from stillwell.ports import Candidate, DriverError


class NoFinder:
    class Settings(BaseModel):
        channels: dict[str, Any] = {}


class Good(NoFinder):
    @classmethod
    def find(cls) -> Iterator[Candidate]:
        yield Candidate("good-1", "good sensor 1")


class Hangs(NoFinder):
    @classmethod
    def find(cls) -> Iterator[Candidate]:
        threading.Event().wait(60)
        yield Candidate("never", "never")


class Raises(NoFinder):
    @classmethod
    def find(cls) -> Iterator[Candidate]:
        raise ValueError("no")


class Exits(NoFinder):
    @classmethod
    def find(cls) -> Iterator[Candidate]:
        raise SystemExit(3)


class Endless(NoFinder):
    @classmethod
    def find(cls) -> Iterator[Candidate]:
        while True:
            yield Candidate("again", "again")


class Junk(NoFinder):
    @classmethod
    def find(cls) -> list[object]:
        return [3, Candidate("x", "x")]


class Unplugged(NoFinder):
    @classmethod
    def find(cls) -> Iterator[Candidate]:
        raise DriverError("It is not there.", "Plug it in.")
