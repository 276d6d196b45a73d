"""For authors of drivers and for our own tests: a clock turned by hand, and what every driver must
do.

A driver's test file needs pytest and these lines::

    class TestMyDriver(DriverContract):
        @pytest.fixture
        def case(self, tmp_path: Path) -> DriverCase:
            return DriverCase(MyDriver, settings={...}, absent={...})

``settings`` has the keys of ``[source.NAME]`` in the configuration file without ``driver``,
``every``, ``look`` and ``deadline``; ``absent`` is the same for hardware that is not there. The
hardware behind ``settings`` must answer while the tests run: a pseudo-terminal, a directory in the
shape of sysfs, a fake of the hardware package, or the real thing.
"""

from __future__ import annotations

import logging
import math
import os
import sys
import threading
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError

from stillwell import foreign
from stillwell.ports import Clock, Driver, DriverError, TellsTime
from stillwell.reading import Failure, Sample

T = TypeVar("T")

_LONGEST_RAW = 80
_POLL_S = 0.002


class ManualClock:
    """A `stillwell.ports.Clock` that stands still until a test turns it. Safe to use from many
    threads.

    Args:
        wall_ms: the wall time at the start, UTC milliseconds.
        mono_ns: the monotonic time at the start.
        trusted: whether the wall clock counts as set from outside.
        self_winding: `wait` moves the clock itself instead of blocking: for a test on one thread
            that should run through hours as fast as it can.
    """

    def __init__(
        self,
        wall_ms: int = 1_767_225_600_000,  # 2026-01-01T00:00:00Z
        mono_ns: int = 1_000_000_000,
        *,
        trusted: bool = True,
        self_winding: bool = False,
    ) -> None:
        self._changed = threading.Condition()
        self._mono_ns = mono_ns
        self._wall_offset_ns = wall_ms * 1_000_000 - mono_ns
        self._trusted = trusted
        self._self_winding = self_winding
        self._waiting = 0

    def monotonic_ns(self) -> int:
        """Nanoseconds since an arbitrary start; they never go back."""
        with self._changed:
            return self._mono_ns

    def wall_ms(self) -> int:
        """UTC milliseconds since 1970; runs with the monotonic clock, and may be stepped."""
        with self._changed:
            return (self._mono_ns + self._wall_offset_ns) // 1_000_000

    def trusted(self) -> bool:
        """Whether the wall clock counts as set from outside."""
        with self._changed:
            return self._trusted

    def advance(self, seconds: float) -> None:
        """Lets `seconds`, which are not negative, pass on both clocks; waits that end by then
        return."""
        if seconds < 0:
            raise ValueError("A monotonic clock does not run backwards; see step_wall.")
        with self._changed:
            self._mono_ns += round(seconds * 1e9)
            self._changed.notify_all()

    def step_wall(self, seconds: float) -> None:
        """Steps the wall clock alone, as NTP or a person does."""
        with self._changed:
            self._wall_offset_ns += round(seconds * 1e9)

    def trust(self, trusted: bool = True) -> None:
        """Says whether the wall clock counts as set from outside."""
        with self._changed:
            self._trusted = trusted

    def wait(self, event: threading.Event, seconds: float) -> bool:
        """Waits until `event` is set or `seconds` of this clock have passed; returns whether it was
        set."""
        if self._self_winding:
            if not event.is_set():
                self.advance(max(0.0, seconds))
            return event.is_set()
        with self._changed:
            ends_ns = self._mono_ns + round(max(0.0, seconds) * 1e9)
            self._waiting += 1
            self._changed.notify_all()
        try:
            while not event.is_set():
                if self.monotonic_ns() >= ends_ns:
                    return event.is_set()
                # A short real wait: an event cannot be waited for together with a condition.
                event.wait(_POLL_S)
            return True
        finally:
            with self._changed:
                self._waiting -= 1

    def until_waiting(self, threads: int = 1, within_s: float = 10.0) -> None:
        """Blocks (in real time) until this many threads are inside `wait`, so that a test turns the
        clock only when everybody is ready. Raises AssertionError after `within_s` real seconds."""
        with self._changed:
            if not self._changed.wait_for(lambda: self._waiting >= threads, within_s):
                raise AssertionError(
                    f"{self._waiting} of {threads} threads wait on the clock after {within_s} s"
                )


_: type[Clock] = ManualClock


def within(seconds: float, what: str, call: Callable[[], T]) -> T:
    """Returns what `call` returns, or raises what it raises; an AssertionError if it hangs.

    `call` runs on a daemon thread that is left behind if it does not return, so that a hung driver
    fails its test rather than stopping the run. `what` names the call in the error.
    """
    try:
        return foreign.within(seconds, call)
    except foreign.HangsError:
        raise AssertionError(f"{what} did not come back within {seconds} s") from None


@dataclass(frozen=True)
class DriverCase:
    """A driver with everything that its contract test needs.

    Args:
        driver: the class.
        settings: its part of the configuration; the hardware behind it answers.
        absent: the same for hardware that is not there: `open` must raise. None where a driver
            needs no hardware.
        deadline_s: longest time that one `open` or one `read` may take.
        reads: how many good reads in a row the hardware behind `settings` can give.
        before_read: makes the hardware ready for one more read, as by printing a line.
    """

    driver: type[Driver]
    settings: Mapping[str, Any]
    absent: Mapping[str, Any] | None = None
    deadline_s: float = 10.0
    reads: int = 20
    before_read: Callable[[], None] = lambda: None

    def parsed(self, settings: Mapping[str, Any] | None = None) -> BaseModel:
        """Returns the settings as the driver's own model."""
        return self.driver.Settings.model_validate(
            dict(self.settings if settings is None else settings)
        )

    def channels(self) -> set[str]:
        """Returns the names of the channels that the settings declare."""
        declared: Iterable[str] = self.parsed().channels  # type: ignore[attr-defined]
        return set(declared)

    def make(self, settings: Mapping[str, Any] | None = None) -> Driver:
        """Returns a new driver, not open; with a clock of its own if it tells time."""
        driver = self.driver(self.parsed(settings))
        if isinstance(driver, TellsTime):
            driver.use_clock(ManualClock(self_winding=True))
        return driver

    def open(self, driver: Driver) -> None:
        """Opens the driver, within the deadline."""
        within(self.deadline_s, f"{self.driver.__name__}.open", driver.open)

    def read(self, driver: Driver) -> list[Sample]:
        """Returns one complete read, made within the deadline."""
        self.before_read()
        return within(self.deadline_s, f"{self.driver.__name__}.read", lambda: list(driver.read()))


def check_samples(samples: Iterable[Sample], declared: set[str]) -> None:
    """Raises AssertionError unless the samples of one read are correct: one for each declared
    channel, each with a finite value or a failure, with evidence of at most 80 characters."""
    seen: list[str] = []
    for sample in samples:
        assert isinstance(sample, Sample), f"{sample!r} is no Sample"
        assert sample.channel in declared, f"sample for undeclared channel {sample.channel!r}"
        assert sample.value is None or (
            isinstance(sample.value, float) and math.isfinite(sample.value)
        ), f"{sample.channel}: the value must be a finite float or None, not {sample.value!r}"
        assert sample.failure is None or isinstance(sample.failure, Failure), (
            f"{sample.channel}: {sample.failure!r} is no Failure"
        )
        assert sample.value is not None or sample.failure is not None, (
            f"{sample.channel}: neither a value nor a failure"
        )
        assert isinstance(sample.raw, str), f"{sample.channel}: raw must be text"
        assert len(sample.raw) <= _LONGEST_RAW, (
            f"{sample.channel}: raw has {len(sample.raw)} characters, {_LONGEST_RAW} are allowed"
        )
        assert sample.looks is None or (type(sample.looks) is int and sample.looks > 0), (
            f"{sample.channel}: looks must be a whole number above 0 or None, not {sample.looks!r}"
        )
        seen.append(sample.channel)
    assert sorted(seen) == sorted(declared), (
        f"one read must give one sample a channel: wanted {sorted(declared)}, got {sorted(seen)}"
    )


def check_error(error: DriverError) -> None:
    """Raises AssertionError unless the error tells a person what is wrong and what to do."""
    for name, text in (("what", error.what), ("do", error.do)):
        assert text.strip(), f"DriverError.{name} is empty"
        assert text.rstrip()[-1] in ".!?", f"DriverError.{name} is no sentence: {text!r}"


def _expect_driver_error(what: str, call: Callable[[], object]) -> DriverError:
    try:
        call()
    except DriverError as error:
        check_error(error)
        return error
    except Exception as error:
        raise AssertionError(f"{what} raised {error!r}, not a DriverError") from error
    raise AssertionError(f"{what} raised nothing, a DriverError was due")


def _quiet_close(driver: Driver, when: str) -> None:
    try:
        driver.close()
    except Exception as error:
        raise AssertionError(f"close raised {error!r} {when}") from error


def _open_files() -> int:
    return len(os.listdir("/proc/self/fd"))


class DriverContract:
    """What every driver must do. Inherit from it and give a fixture `case` (see the module's
    text)."""

    def test_settings_are_a_model_with_channels(self, case: DriverCase) -> None:
        assert issubclass(case.driver.Settings, BaseModel)
        assert "channels" in case.driver.Settings.model_fields, "Settings has no field `channels`"
        assert case.channels(), "the case declares no channel"

    def test_an_unknown_key_in_the_settings_is_refused(self, case: DriverCase) -> None:
        try:
            case.parsed({**case.settings, "no-such-key": 1})
        except ValidationError as error:
            told = str(error)
        else:
            raise AssertionError("an unknown key passes: a typing mistake would go unseen")
        assert "no-such-key" in told, "the error does not name the unknown key"

    def test_the_bus_has_a_steady_name(self, case: DriverCase) -> None:
        name = case.driver.bus(case.parsed())
        assert name, "the bus has no name"
        assert isinstance(name, str)
        assert case.driver.bus(case.parsed()) == name, "the same settings give another bus"

    def test_making_one_touches_no_hardware(self, case: DriverCase) -> None:
        driver = case.make(case.settings if case.absent is None else case.absent)
        _quiet_close(driver, "on a driver that was never opened")

    def test_a_read_gives_one_sample_a_channel(self, case: DriverCase) -> None:
        driver = case.make()
        case.open(driver)
        try:
            for _ in range(min(3, case.reads)):
                check_samples(case.read(driver), case.channels())
        finally:
            _quiet_close(driver, "after reading")

    def test_it_opens_again_after_close(self, case: DriverCase) -> None:
        driver = case.make()
        for _ in range(2):
            case.open(driver)
            try:
                check_samples(case.read(driver), case.channels())
            finally:
                _quiet_close(driver, "after reading")

    def test_close_never_raises(self, case: DriverCase) -> None:
        driver = case.make()
        _quiet_close(driver, "before open")
        case.open(driver)
        _quiet_close(driver, "the first time")
        _quiet_close(driver, "the second time")

    def test_a_read_of_a_closed_driver_is_a_driver_error(self, case: DriverCase) -> None:
        driver = case.make()
        _expect_driver_error("read before open", lambda: case.read(driver))
        case.open(driver)
        _quiet_close(driver, "after open")
        _expect_driver_error("read after close", lambda: case.read(driver))

    def test_missing_hardware_is_told_in_words_each_time(self, case: DriverCase) -> None:
        if case.absent is None:
            import pytest

            pytest.skip("this driver needs no hardware")
        driver = case.make(case.absent)
        for attempt in ("first", "second"):
            _expect_driver_error(f"the {attempt} open without hardware", lambda: case.open(driver))
            _quiet_close(driver, f"after the {attempt} open failed")

    def test_it_starts_no_thread_and_leaves_logging_alone(self, case: DriverCase) -> None:
        root = logging.getLogger()
        before = (list(root.handlers), root.level, {t.ident for t in threading.enumerate()})
        driver = case.make()
        # Called without `within`, which starts a thread of its own.
        driver.open()
        try:
            case.before_read()
            list(driver.read())
            started = {t.ident for t in threading.enumerate()} - before[2]
            assert not started, "a driver must not start threads"
            assert (list(root.handlers), root.level) == before[:2], (
                "a driver must not set up logging"
            )
        finally:
            _quiet_close(driver, "after reading")

    def test_it_gives_back_every_file_that_it_opens(self, case: DriverCase) -> None:
        if not (sys.platform == "linux" and Path("/proc/self/fd").is_dir()):
            import pytest

            pytest.skip("counts open files in /proc, which is Linux's")
        driver = case.make()
        counts: list[int] = []
        for _ in range(min(8, case.reads)):
            case.open(driver)
            try:
                case.read(driver)
            finally:
                _quiet_close(driver, "after reading")
            counts.append(_open_files())
        # The first round may load modules that keep files of their own.
        assert max(counts[1:]) <= counts[0], f"open files after each round: {counts}"
