"""A store, rows to put into it, and disks that misbehave for real."""

from __future__ import annotations

import contextlib
import os
import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from stillwell.notice import Message, Notice, Priority, Prose, State, Transition
from stillwell.reading import Flag, Moment, Reading
from stillwell.store import Store

BOOT = "5b1b2a52"
NOON = 1_767_268_800_000  # 2026-01-01T12:00:00Z


class Rows:
    """Makes rows of one boot whose clock is `offset_ms` ahead of its monotonic time."""

    def __init__(self, epoch: int = 1, offset_ms: int = NOON) -> None:
        self.epoch = epoch
        self.offset_ms = offset_ms

    def at(self, mono_ms: int) -> Moment:
        return Moment(mono_ms, mono_ms + self.offset_ms, self.epoch)

    def reading(
        self,
        mono_ms: int,
        value: float | None = 25.3,
        channel: str = "water-a",
        flag: Flag = Flag.PASS,
        tests: str = "",
        raw: str = "",
        looks: int | None = None,
    ) -> Reading:
        return Reading(channel, self.at(mono_ms), value, flag, tests, raw, looks)

    def transition(
        self, mono_ms: int, alarm: str = "water.low", event: str = "raise"
    ) -> Transition:
        raised = event == "raise"
        return Transition(
            alarm=alarm,
            moment=self.at(mono_ms),
            before=State.NORMAL if raised else State.UNACKNOWLEDGED,
            after=State.UNACKNOWLEDGED if raised else State.ACKNOWLEDGED,
            event=event,
            priority=Priority.HIGH,
            active=True,
            facts=Message("Water 24.3 °C.", "The heater.", "Unplug it first.", "Dry hands."),
            since=self.at(mono_ms - 1000),
            by="" if raised else "Maeve",
        )

    def notice(self, mono_ms: int, key: str) -> Notice:
        return Notice(
            key,
            "water.low",
            "raised",
            Priority.HIGH,
            self.at(mono_ms),
            Prose("Water cold", "Look at it."),
        )


@pytest.fixture
def rows() -> Rows:
    return Rows()


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "tank.db"


@pytest.fixture
def open_store(path: Path) -> Iterator[Callable[..., Store]]:
    """Opens the store at `path` with an epoch begun; closes what a test leaves open."""
    opened: list[Store] = []

    def open_it(**options: object) -> Store:
        store = Store.open(path, **options)  # type: ignore[arg-type]
        opened.append(store)
        store.begin_epoch(BOOT, Moment(0, NOON), True)
        return store

    yield open_it
    for store in opened:
        store.close()


@pytest.fixture
def store(open_store: Callable[..., Store]) -> Store:
    return open_store()


class SmallDisk:
    """A real file system of 2 MiB in memory that can be filled, emptied and made read-only."""

    def __init__(self, root: Path) -> None:
        self.root = root
        self._ballast = root / "ballast"

    def fill(self) -> None:
        with self._ballast.open("ab", buffering=0) as out, contextlib.suppress(OSError):
            while True:
                out.write(b"\0" * 4096)
        with self._ballast.open("ab", buffering=0) as out, contextlib.suppress(OSError):
            while True:
                out.write(b"\0")

    def empty(self) -> None:
        self._ballast.unlink()

    def free(self) -> int:
        status = os.statvfs(self.root)
        return status.f_bavail * status.f_frsize

    def remount(self, mode: str) -> None:
        subprocess.run(["mount", "-o", f"remount,{mode}", str(self.root)], check=True)


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[SmallDisk]:
    """Needs root and mount(8); skipped elsewhere, where the page limit of SQLite stands in."""
    root = tmp_path / "card"
    root.mkdir()
    mounted = (
        os.geteuid() == 0
        and subprocess.run(
            ["mount", "-t", "tmpfs", "-o", "size=2m", "tmpfs", str(root)], capture_output=True
        ).returncode
        == 0
    )
    if not mounted:
        pytest.skip("a file system can't be mounted here: needs root")
    yield SmallDisk(root)
    subprocess.run(["umount", "-l", str(root)], check=True)
