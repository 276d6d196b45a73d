"""A fake of the Pi's 40-pin header, because no GPIO line is at hand where the tests run.

It stands at the edge of the `gpiod` package (its `Chip`, and the `LineRequest` that it gives), with
everything above it real, the package's own settings and enumerations included.
"""

from __future__ import annotations

import errno
import os
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import timedelta
from pathlib import Path
from types import SimpleNamespace

from gpiod.line import Direction, Value
from gpiod.line_settings import LineSettings


@dataclass
class FakeLine:
    """One line of the fake header: the level on its pin, and who holds it."""

    level: int = 1
    holder: str = ""
    direction: Direction = Direction.INPUT
    edges: int = 0
    unread: list[int] = field(default_factory=list)

    def move(self, level: int) -> None:
        if level != self.level:
            self.level = level
            self.edges += 1
            self.unread.append(self.edges)


class FakeRequest:
    def __init__(self, header: Header, config: Mapping[int, LineSettings]) -> None:
        self.header, self.config, self.released = header, dict(config), False
        self.polls = 0

    def get_values(self, lines: Iterable[int]) -> list[Value]:
        if self.header.broken:
            raise OSError(errno.ENODEV, os.strerror(errno.ENODEV))
        return [
            Value.ACTIVE
            if (self.header.lines[line].level == 0) == self.config[line].active_low
            else Value.INACTIVE
            for line in lines
        ]

    def wait_edge_events(self, timeout: float | timedelta | None = None) -> bool:
        assert timeout == 0, "a read must not wait for an edge"
        self.polls += 1
        return self.header.storm or any(self.header.lines[line].unread for line in self.config)

    def read_edge_events(self, max_events: int | None = None) -> list[SimpleNamespace]:
        events: list[SimpleNamespace] = []
        for line in self.config:
            fake = self.header.lines[line]
            if self.header.storm:
                fake.edges += 1
                fake.unread.append(fake.edges)
            while fake.unread and len(events) < (max_events or 16):
                events.append(SimpleNamespace(line_offset=line, line_seqno=fake.unread.pop(0)))
        return events

    def release(self) -> None:
        self.released = True
        for line in self.config:
            self.header.lines[line].holder = ""


class FakeChip:
    def __init__(self, header: Header) -> None:
        self.header, self.closed = header, False

    def get_info(self) -> SimpleNamespace:
        return SimpleNamespace(name="gpiochip0", label=self.header.label, num_lines=28)

    def line_offset_from_id(self, line: int | str) -> int:
        offset = line if isinstance(line, int) else self.header.names.get(line, -1)
        if offset not in self.header.lines:
            raise FileNotFoundError(errno.ENOENT, os.strerror(errno.ENOENT))
        return offset

    def get_line_info(self, line: int) -> SimpleNamespace:
        fake = self.header.lines[line]
        return SimpleNamespace(
            used=bool(fake.holder),
            consumer=fake.holder,
            name=next((name for name, at in self.header.names.items() if at == line), ""),
            direction=fake.direction,
        )

    def request_lines(self, config: Mapping[int, LineSettings], consumer: str) -> FakeRequest:
        self.header.asked.append(dict(config))
        if self.header.refuses is not None:
            raise self.header.refuses
        for line in config:
            if self.header.lines[line].holder:
                raise OSError(errno.EBUSY, os.strerror(errno.EBUSY))
        for line in config:
            self.header.lines[line].holder = consumer
        self.header.requests.append(FakeRequest(self.header, config))
        return self.header.requests[-1]

    def close(self) -> None:
        self.closed = True


class Header:
    """A fake 40-pin header with its lines GPIO0 … GPIO27."""

    def __init__(self) -> None:
        self.label = "pinctrl-bcm2711"
        self.lines = {number: FakeLine() for number in range(28)}
        self.names = {f"GPIO{number}": number for number in range(28)}
        self.chips: list[FakeChip] = []
        self.requests: list[FakeRequest] = []
        self.asked: list[dict[int, LineSettings]] = []
        self.refuses: OSError | None = None
        self.broken = False
        self.storm = False
        self.others: dict[str, str] = {}
        """Labels of further chips, by path."""

    def chip(self, path: str) -> FakeChip:
        if not Path(path).exists():
            raise FileNotFoundError(errno.ENOENT, os.strerror(errno.ENOENT), path)
        if path in self.others:
            other = Header()
            other.label = self.others[path]
            self.chips.append(FakeChip(other))
        else:
            self.chips.append(FakeChip(self))
        return self.chips[-1]
