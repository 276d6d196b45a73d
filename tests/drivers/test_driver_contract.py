"""The contract test for drivers passes a good driver and catches each kind of bad one."""

from __future__ import annotations

import logging
import os
import threading
from collections.abc import Iterable
from typing import ClassVar

import pytest
from pydantic import BaseModel, ConfigDict

from stillwell.ports import Clock, DriverError
from stillwell.reading import Failure, Sample
from stillwell.testing import DriverCase, DriverContract, ManualClock, within


class ShelfSettings(BaseModel):
    model_config = ConfigDict(extra="forbid")

    channels: dict[str, dict[str, int]]
    there: bool = True


class Shelf:
    """A driver without hardware that does everything right."""

    Settings: ClassVar[type[BaseModel]] = ShelfSettings

    def __init__(self, settings: ShelfSettings) -> None:
        self.settings = settings
        self.is_open = False

    @classmethod
    def bus(cls, settings: ShelfSettings) -> str:
        return "shelf"

    def open(self) -> None:
        if not self.settings.there:
            raise DriverError("The shelf is empty.", "Fill it.")
        self.is_open = True

    def read(self) -> Iterable[Sample]:
        if not self.is_open:
            raise DriverError("The shelf is closed.", "Open it before reading.")
        return [Sample(channel, 1.0) for channel in self.settings.channels]

    def close(self) -> None:
        self.is_open = False


SETTINGS: dict[str, object] = {"channels": {"a": {}, "b": {}}}
ABSENT = {**SETTINGS, "there": False}


class TestAGoodDriver(DriverContract):
    @pytest.fixture
    def case(self) -> DriverCase:
        return DriverCase(Shelf, SETTINGS, ABSENT)


class TestADriverWithoutHardware(DriverContract):
    @pytest.fixture
    def case(self) -> DriverCase:
        return DriverCase(Shelf, SETTINGS, absent=None)

    def test_missing_hardware_is_told_in_words_each_time(self, case: DriverCase) -> None:
        with pytest.raises(pytest.skip.Exception, match="needs no hardware"):
            super().test_missing_hardware_is_told_in_words_each_time(case)


class LaxSettings(BaseModel):
    channels: dict[str, dict[str, int]]
    there: bool = True


class Lax(Shelf):
    Settings: ClassVar[type[BaseModel]] = LaxSettings


class NoChannelSettings(BaseModel):
    model_config = ConfigDict(extra="allow")


class NoChannels(Shelf):
    Settings: ClassVar[type[BaseModel]] = NoChannelSettings


class Nameless(Shelf):
    @classmethod
    def bus(cls, settings: ShelfSettings) -> str:
        return ""


class Restless(Shelf):
    turns: ClassVar[list[int]] = []

    @classmethod
    def bus(cls, settings: ShelfSettings) -> str:
        cls.turns.append(1)
        return f"shelf{len(cls.turns)}"


class Eager(Shelf):
    def __init__(self, settings: ShelfSettings) -> None:
        super().__init__(settings)
        self.open()


class Returns(Shelf):
    """Gives whatever samples a test wants."""

    samples: ClassVar[list[Sample]] = []

    def read(self) -> Iterable[Sample]:
        super().read()
        return self.samples


class Stray(Returns):
    samples: ClassVar = [Sample("a", 1.0), Sample("b", 1.0), Sample("c", 1.0)]


class Short(Returns):
    samples: ClassVar = [Sample("a", 1.0)]


class Twice(Returns):
    samples: ClassVar = [Sample("a", 1.0), Sample("a", 1.0), Sample("b", 1.0)]


class NotANumber(Returns):
    samples: ClassVar = [Sample("a", float("nan")), Sample("b", 1.0)]


class Mute(Returns):
    samples: ClassVar = [Sample("a", None), Sample("b", 1.0)]


class Wordy(Returns):
    samples: ClassVar = [Sample("a", None, Failure.GARBAGE, "x" * 81), Sample("b", 1.0)]


class OnlyOnce(Shelf):
    opened = 0

    def open(self) -> None:
        self.opened += 1
        if self.opened > 1:
            raise DriverError("The shelf was opened before.", "Buy a new one.")
        super().open()


class LoudClose(Shelf):
    def close(self) -> None:
        if not self.is_open:
            raise OSError("nothing to close")
        super().close()


class ReadsClosed(Shelf):
    def read(self) -> Iterable[Sample]:
        return [Sample(channel, 1.0) for channel in self.settings.channels]


class WrongError(Shelf):
    def read(self) -> Iterable[Sample]:
        if not self.is_open:
            raise AttributeError("NoneType has no read")
        return super().read()


class NoAdvice(Shelf):
    def open(self) -> None:
        if not self.settings.there:
            raise DriverError("The shelf is empty.")
        super().open()


class SaysNothing(Shelf):
    def open(self) -> None:
        self.is_open = True


class Threaded(Shelf):
    def open(self) -> None:
        super().open()
        self.stop = threading.Event()
        threading.Thread(target=self.stop.wait, daemon=True).start()

    def close(self) -> None:
        if self.is_open:
            self.stop.set()
        super().close()


class Logs(Shelf):
    def open(self) -> None:
        super().open()
        self.handler = logging.NullHandler()
        logging.getLogger().addHandler(self.handler)

    def close(self) -> None:
        if self.is_open:
            logging.getLogger().removeHandler(self.handler)
        super().close()


class Leaks(Shelf):
    left: ClassVar[list[int]] = []

    def open(self) -> None:
        super().open()
        self.left.append(os.open("/dev/null", os.O_RDONLY))


class Hangs(Shelf):
    never = threading.Event()

    def read(self) -> Iterable[Sample]:
        super().read()
        self.never.wait()
        return []


READ = "test_a_read_gives_one_sample_a_channel"
THREAD = "test_it_starts_no_thread_and_leaves_logging_alone"


class TestTheContractCatches:
    @pytest.mark.parametrize(
        ("driver", "clause", "told"),
        [
            (NoChannels, "test_settings_are_a_model_with_channels", "no field `channels`"),
            (Lax, "test_an_unknown_key_in_the_settings_is_refused", "typing mistake"),
            (Nameless, "test_the_bus_has_a_steady_name", "no name"),
            (Restless, "test_the_bus_has_a_steady_name", "another bus"),
            (Stray, READ, "undeclared channel 'c'"),
            (Short, READ, "one sample a channel"),
            (Twice, READ, "one sample a channel"),
            (NotANumber, READ, "finite float"),
            (Mute, READ, "neither a value nor a failure"),
            (Wordy, READ, "81 characters"),
            (Hangs, READ, "did not come back"),
            (LoudClose, "test_close_never_raises", "before open"),
            (ReadsClosed, "test_a_read_of_a_closed_driver_is_a_driver_error", "raised nothing"),
            (WrongError, "test_a_read_of_a_closed_driver_is_a_driver_error", "AttributeError"),
            (NoAdvice, "test_missing_hardware_is_told_in_words_each_time", "do is empty"),
            (SaysNothing, "test_missing_hardware_is_told_in_words_each_time", "raised nothing"),
            (Threaded, THREAD, "must not start threads"),
            (Logs, THREAD, "must not set up logging"),
            (Leaks, "test_it_gives_back_every_file_that_it_opens", "open files"),
        ],
    )
    def test_each_kind_of_bad_driver(self, driver: type[Shelf], clause: str, told: str) -> None:
        deadline_s = 0.2 if driver is Hangs else 10.0
        case = DriverCase(driver, SETTINGS, ABSENT, deadline_s=deadline_s)
        try:
            with pytest.raises(AssertionError, match=told):
                getattr(DriverContract(), clause)(case)
        finally:
            while Leaks.left:
                os.close(Leaks.left.pop())

    def test_a_driver_that_opens_hardware_when_it_is_made(self) -> None:
        with pytest.raises(DriverError, match="The shelf is empty"):
            DriverContract().test_making_one_touches_no_hardware(
                DriverCase(Eager, SETTINGS, ABSENT)
            )

    def test_a_driver_that_cannot_be_opened_again(self) -> None:
        with pytest.raises(DriverError, match="opened before"):
            DriverContract().test_it_opens_again_after_close(DriverCase(OnlyOnce, SETTINGS, ABSENT))


class TestWithin:
    def test_it_hands_on_the_result(self) -> None:
        assert within(10, "a sum", lambda: 1 + 1) == 2

    def test_it_hands_on_what_was_raised(self) -> None:
        def fail() -> None:
            raise KeyError("x")

        with pytest.raises(KeyError):
            within(10, "a failure", fail)


class TestTheManualClock:
    def test_it_is_a_clock_that_stands_still(self) -> None:
        clock: Clock = ManualClock(wall_ms=5_000, mono_ns=7)
        assert (clock.monotonic_ns(), clock.wall_ms(), clock.trusted()) == (7, 5_000, True)

    def test_both_clocks_advance_together(self) -> None:
        clock = ManualClock(wall_ms=5_000, mono_ns=0)
        clock.advance(1.5)
        assert (clock.monotonic_ns(), clock.wall_ms()) == (1_500_000_000, 6_500)

    def test_a_step_moves_the_wall_alone(self) -> None:
        clock = ManualClock(wall_ms=5_000, mono_ns=0)
        clock.step_wall(-3600)
        assert (clock.monotonic_ns(), clock.wall_ms()) == (0, 5_000 - 3_600_000)

    def test_it_never_runs_backwards(self) -> None:
        with pytest.raises(ValueError, match="backwards"):
            ManualClock().advance(-1)

    def test_trust_is_given_and_taken(self) -> None:
        clock = ManualClock(trusted=False)
        assert not clock.trusted()
        clock.trust()
        assert clock.trusted()

    def test_a_wait_ends_when_its_time_has_passed_and_not_before(self) -> None:
        clock = ManualClock()
        ended: list[bool] = []
        waiter = threading.Thread(target=lambda: ended.append(clock.wait(threading.Event(), 60)))
        waiter.start()
        clock.until_waiting(1)
        clock.advance(59.999)
        clock.until_waiting(1)
        assert ended == []
        clock.advance(0.001)
        waiter.join(10)
        assert ended == [False]

    def test_a_wait_ends_at_once_when_the_event_is_set(self) -> None:
        clock, event = ManualClock(), threading.Event()
        ended: list[bool] = []
        waiter = threading.Thread(target=lambda: ended.append(clock.wait(event, 60)))
        waiter.start()
        clock.until_waiting(1)
        event.set()
        waiter.join(10)
        assert ended == [True]

    def test_a_self_winding_one_passes_an_hour_without_waiting(self) -> None:
        clock = ManualClock(mono_ns=0, self_winding=True)
        assert not clock.wait(threading.Event(), 3600)
        assert clock.monotonic_ns() == 3600 * 10**9

    def test_until_waiting_says_when_nobody_comes(self) -> None:
        with pytest.raises(AssertionError, match="0 of 1 threads"):
            ManualClock().until_waiting(1, within_s=0.01)
