"""Drivers and sinks that do everything that a plugin must not do, each by the name of its attack:
``driver = "hostile"`` with ``attack = "..."`` and ``kind = "hostile_sink"`` likewise. `install`
makes them a package of their own, as a third party's would be.

What hangs here hangs until `RELEASE` is set, so that a test leaves no thread behind.
"""

from __future__ import annotations

import atexit
import contextlib
import itertools
import threading
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from pathlib import Path
from types import SimpleNamespace
from typing import Any, ClassVar

from pydantic import BaseModel

from stillwell.ports import DriverError, Outcome, Refusal, Row, Stream
from stillwell.reading import Failure, Sample
from stillwell.request import Command, Request

RELEASE = threading.Event()

ENTRY_POINTS = """\
[stillwell.drivers]
hostile = hostile_plugins:Hostile
steady = hostile_plugins:Steady
leaves_threads = hostile_plugins:LeavesThreads
exits_on_import = exits_on_import:Hostile
hangs_on_import = hangs_on_import:Hostile
no_class = hostile_plugins:RELEASE
errs = hostile_plugins:Errs

[stillwell.sinks]
hostile_sink = hostile_plugins:HostileSink
phone = hostile_plugins:Phone
sink_exits_on_import = exits_on_import:HostileSink
"""


def install(site: Path) -> Path:
    """Writes the package's description and the modules that can't be imported. Returns the
    folder, which must be on the path together with the folder of this file."""
    info = site / "hostile-1.0.dist-info"
    info.mkdir(parents=True)
    (info / "METADATA").write_text("Metadata-Version: 2.1\nName: hostile\nVersion: 1.0\n")
    (info / "entry_points.txt").write_text(ENTRY_POINTS)
    (site / "exits_on_import.py").write_text("raise SystemExit('goodbye')\n")
    (site / "hangs_on_import.py").write_text(
        "from hostile_plugins import RELEASE\nRELEASE.wait()\n"
    )
    return site


class Odd(BaseException):
    """An exception that is no `Exception`, and whose text can't even be read."""

    def __str__(self) -> str:
        raise SystemExit(3)


class OddError(DriverError):
    """A driver's error whose texts are not text."""

    def __init__(self) -> None:
        super().__init__("")
        self.what, self.do = 10**400, ["no", "text"]  # type: ignore[assignment]


class Trap:
    """An object on which every operation raises."""

    def __float__(self) -> float:
        raise SystemExit(4)

    __repr__ = __str__ = __hash__ = __bool__ = __iter__ = __float__  # type: ignore[assignment]

    @property  # type: ignore[misc]
    def __class__(self) -> type:
        raise SystemExit(5)


class TrapFloat(float):
    def __float__(self) -> float:
        raise SystemExit(6)

    __le__ = __ge__ = __lt__ = __gt__ = __sub__ = __rsub__ = __float__  # type: ignore[assignment]


def fail(error: BaseException) -> Any:
    raise error


def deep() -> Any:
    return deep()


def endless(name: str) -> Iterator[Sample]:
    while True:
        yield Sample(name, 25.0, raw="x" * 1000)


def endless_and_silent() -> Iterator[Sample]:
    while not RELEASE.wait(0.001):
        pass
    yield from ()


def midway(name: str, error: BaseException) -> Iterator[Sample]:
    yield Sample(name, 25.0)
    raise error


def stubborn(name: str) -> Iterator[Any]:
    """A generator that can't be closed."""
    while not RELEASE.is_set():
        try:
            yield "no sample"
        except GeneratorExit:
            continue


READS: dict[str, tuple[Callable[[str], Any], str]] = {
    "returns None": (lambda n: None, "returned None instead of samples"),
    "returns a number": (lambda n: 25.3, "returned a float instead of samples"),
    "returns a text": (lambda n: "25.3", "returned a str instead of a Sample"),
    "returns one Sample": (lambda n: Sample(n, 25.0), "instead of a Sample"),
    "returns a dict": (lambda n: {n: 25.0}, "returned a str instead of a Sample"),
    "returns texts": (lambda n: [n, "25.3"], "returned a str instead of a Sample"),
    "returns a tuple": (lambda n: [(n, 25.3)], "returned a tuple instead of a Sample"),
    "returns a trap": (lambda n: [Trap()], "returned a Trap instead of a Sample"),
    "returns its own trap": (lambda n: Trap(), "failed: SystemExit: 4"),
    "half a Sample": (lambda n: [tuple.__new__(Sample, (n, 1.0))], "a Sample of 2 parts"),
    "channel None": (lambda n: [Sample(None, 1.0)], "None as its channel"),  # type: ignore[arg-type]
    "channel a list": (lambda n: [Sample([n], 1.0)], "a list as its channel"),  # type: ignore[arg-type]
    "channel a trap": (lambda n: [Sample(Trap(), 1.0)], "a Trap as its channel"),  # type: ignore[arg-type]
    "value a text": (lambda n: [Sample(n, "25.3")], "gave a str instead of a number"),  # type: ignore[arg-type]
    "value a list": (lambda n: [Sample(n, [25.3])], "gave a list instead of a number"),  # type: ignore[arg-type]
    "value a bool": (lambda n: [Sample(n, True)], "gave a bool instead of a number"),
    "value a complex": (lambda n: [Sample(n, 1j)], "gave a complex instead of a number"),  # type: ignore[arg-type]
    "value 10**400": (lambda n: [Sample(n, 10**400)], "a whole number of more than 300 digits"),
    "value a trap": (lambda n: [Sample(n, Trap())], "gave a Trap instead of a number"),  # type: ignore[arg-type]
    "failure a text": (lambda n: [Sample(n, None, "broken")], "gave a str instead of a Failure"),  # type: ignore[arg-type]
    "failure a trap": (lambda n: [Sample(n, None, Trap())], "gave a Trap instead of a Failure"),  # type: ignore[arg-type]
    "endless": (endless, "returned more than 10 samples in one read"),
    "can't be closed": (stubborn, "returned more than 10 samples in one read"),
    "raises midway": (lambda n: midway(n, ValueError("x" * 10**6)), "failed: ValueError: xxx"),
    "exits midway": (lambda n: midway(n, SystemExit(1)), "failed: SystemExit: 1"),
    "raises SystemExit": (lambda n: fail(SystemExit(70)), "failed: SystemExit: 70"),
    "raises KeyboardInterrupt": (lambda n: fail(KeyboardInterrupt()), "failed: KeyboardInterrupt"),
    "raises GeneratorExit": (lambda n: fail(GeneratorExit()), "failed: GeneratorExit"),
    "raises MemoryError": (lambda n: fail(MemoryError()), "failed: MemoryError"),
    "raises RecursionError": (lambda n: deep(), "failed: RecursionError"),
    "raises what can't be said": (lambda n: fail(Odd()), "failed: Odd"),
    "raises a wordless DriverError": (lambda n: fail(OddError()), "failed: OddError"),
    "hangs": (lambda n: RELEASE.wait(), "has not answered for"),
    "hangs midway": (lambda n: endless_and_silent(), "has not answered for"),
}
"""By attack: what `read` does, and what is said about it."""

QUIET_READS: dict[str, Callable[[str], Any]] = {
    "value NaN": lambda n: [Sample(n, float("nan"))],
    "value infinite": lambda n: [Sample(n, float("inf"))],
    "value a trapped float": lambda n: [Sample(n, TrapFloat(25.0))],
    "raw of 5 MB": lambda n: [Sample(n, None, Failure.GARBAGE, "x" * 5_000_000)],
    "raw no text": lambda n: [Sample(n, None, Failure.GARBAGE, Trap())],  # type: ignore[arg-type]
    "raw a half character": lambda n: [Sample(n, None, Failure.GARBAGE, "\ud800\x1b[2J")],
    "strangers": lambda n: [Sample(f"stranger{i}", 1.0) for i in range(9)],
    "nothing": lambda n: [],
}
"""Reads that are no mistake or cost no reading, so that the source is not down."""

ELSEWHERE: dict[str, str] = {
    "bus raises": "can't name its bus: SystemExit: 2",
    "bus hangs": "can't name its bus: it has not answered",
    "bus returns None": "returned None as the name of its bus",
    "settings raise": "cannot be checked: SystemExit: 8",
    "settings hang": "cannot be checked: it has not answered",
    "init raises": "failed: SystemExit: 9",
    "init hangs": "has not answered for",
    "open raises": "failed: KeyboardInterrupt",
    "open hangs": "has not answered for",
    "close hangs": "has not answered for",
    "close raises": "failed: ValueError",
    "journal of garbage": "keeps a journal with a line that is none",
    "journal raises": "failed: SystemExit: 11",
    "journal hangs": "has not answered for",
}
"""By attack: what else a driver does wrong, and what is said about it."""


class HostileSettings(BaseModel):
    channels: dict[str, dict[str, str]]
    attack: str
    bus_name: str = "shared"

    def model_post_init(self, _: Any) -> None:
        if self.attack == "settings raise":
            raise SystemExit(8)
        if self.attack == "settings hang":
            RELEASE.wait()


class Errs:
    """A driver whose value is a text in every other read."""

    Settings: ClassVar[type[BaseModel]] = HostileSettings

    def __init__(self, settings: Any) -> None:
        self.name = next(iter(settings.channels))
        self.reads = 0

    @classmethod
    def bus(cls, settings: Any) -> str:
        return str(settings.bus_name)

    def open(self) -> None: ...

    def read(self) -> Any:
        self.reads += 1
        return [Sample(self.name, "25.3" if self.reads % 2 else 25.3)]  # type: ignore[arg-type]

    def close(self) -> None: ...


class Steady:
    """A driver that works: each channel at the temperature in `at`."""

    class Settings(BaseModel):
        channels: dict[str, dict[str, str]]
        at: float = 20.0
        bus_name: str = "shared"

    def __init__(self, settings: Any) -> None:
        self.settings = settings

    @classmethod
    def bus(cls, settings: Any) -> str:
        return str(settings.bus_name)

    def open(self) -> None: ...

    def read(self) -> Iterable[Sample]:
        return [Sample(name, self.settings.at) for name in self.settings.channels]

    def close(self) -> None: ...


class Hostile:
    Settings: ClassVar[type[BaseModel]] = HostileSettings

    def __init__(self, settings: Any) -> None:
        self.attack = settings.attack
        self.name = next(iter(settings.channels))
        if self.attack == "init raises":
            raise SystemExit(9)
        if self.attack == "init hangs":
            RELEASE.wait()

    @classmethod
    def bus(cls, settings: Any) -> str:
        if settings.attack == "bus raises":
            raise SystemExit(2)
        if settings.attack == "bus hangs":
            RELEASE.wait()
        return None if settings.attack == "bus returns None" else settings.bus_name  # type: ignore[return-value]

    def open(self) -> None:
        if self.attack == "open raises":
            raise KeyboardInterrupt
        if self.attack == "open hangs":
            RELEASE.wait()

    def read(self) -> Any:
        if self.attack.startswith("close"):
            raise ValueError("to be closed")
        act = READS[self.attack][0] if self.attack in READS else QUIET_READS.get(self.attack)
        return act(self.name) if act else [Sample(self.name, 25.0)]

    def close(self) -> None:
        if self.attack in ("close hangs", "hangs at the end"):
            RELEASE.wait()
        if self.attack == "close raises":
            raise SystemExit(10)

    def __getattr__(self, name: str) -> Any:
        if name == "journal_since" and "journal" in self.__dict__.get("attack", ""):
            return self._journal
        raise AttributeError(name)

    def _journal(self, after_ms: int) -> Any:
        if self.attack == "journal raises":
            raise SystemExit(11)
        if self.attack == "journal hangs":
            RELEASE.wait()
        line = SimpleNamespace(utc_ms=after_ms + 1, kind="note", value=10**400, unit=Trap())
        return itertools.repeat(line)


class LeavesThreads(Hostile):
    """A driver that leaves a thread and an exit handler behind that both hang."""

    def open(self) -> None:
        threading.Thread(target=time.sleep, args=(3600,), daemon=False).start()
        atexit.register(time.sleep, 3600)


SENDS: dict[str, tuple[Callable[[Sequence[Row]], Any], str]] = {
    "send returns None": (lambda rows: None, "answered with None instead of an Outcome"),
    "send returns a trap": (lambda rows: Trap(), "answered with a Trap instead of an Outcome"),
    "accepted a text": (lambda rows: Outcome("x"), "gave a str as `accepted`"),  # type: ignore[arg-type]
    "accepted a bool": (lambda rows: Outcome(True), "gave a bool as `accepted`"),
    "retry NaN": (lambda rows: Outcome(0, (), float("nan")), "a number out of range"),
    "refused texts": (lambda rows: Outcome(1, ("no",)), "a str instead of a Refusal"),  # type: ignore[arg-type]
    "refused a trap": (lambda rows: Outcome(1, Trap()), "gave a Trap as `refused`"),  # type: ignore[arg-type]
    "refused oddly": (lambda rows: Outcome(1, (Refusal("x", Trap()),)), "gave a str as `seq`"),  # type: ignore[arg-type]
    "ahead 10**400": (lambda rows: Outcome(0, ahead=10**400), "a number out of range"),
    "again a list": (lambda rows: Outcome(0, again=["x"]), "gave a str among `again`"),  # type: ignore[arg-type]
    "send raises SystemExit": (lambda rows: fail(SystemExit(1)), "failed: SystemExit"),
    "send raises what can't be said": (lambda rows: fail(Odd()), "failed: Odd"),
    "send hangs": (lambda rows: RELEASE.wait(), "has not answered for"),
}
"""By attack: what `send` does, and what is said about it."""

SINKS_ELSEWHERE: dict[str, str] = {
    "made raises": "can't be made: SystemExit",
    "made hangs": "can't be made: it has not answered",
    "streams raise": "can't be made: SystemExit",
    "streams of texts": "gave a str among `streams`",
    "streams endless": "can't be made",
    "limit a text": "gave a str as `answers_within_s`",
    "open raises": "cannot be opened: KeyboardInterrupt",
    "open hangs": "has not answered for",
    "tend raises": "",
    "tend hangs": "has not answered for",
}
"""By attack: what else a sink does wrong, and what is said about it."""


QUIET_SINKS = ("accepts too much", "asks garbage", "stuck in answers", "raises in an answer")
"""By name: what a sink may do without counting as away."""


class HostileSink:
    """A sink that takes notices, and may take 0.3 s for each call; in some calls it hangs."""

    class Settings(BaseModel):
        attack: str

    def __init__(self, name: str, tank: str, settings: Any) -> None:
        self.attack = settings.attack
        if self.attack == "made raises":
            raise SystemExit(1)
        if self.attack == "made hangs":
            RELEASE.wait()

    def on_request(self, submit: Any) -> None:
        self.submit = submit

    def streams(self) -> Any:
        if self.attack == "streams raise":
            raise SystemExit(2)
        if self.attack == "streams endless":
            return iter(lambda: fail(MemoryError()) if RELEASE.is_set() else Stream.NOTICES, None)
        return {"notices"} if self.attack == "streams of texts" else frozenset({Stream.NOTICES})

    def answers_within_s(self) -> Any:
        if self.attack == "limit a text":
            return "soon"
        return 0.3 if "hangs" in self.attack else 60.0

    def open(self) -> None:
        if self.attack == "open raises":
            raise KeyboardInterrupt
        if self.attack == "open hangs":
            RELEASE.wait()

    def tend(self) -> Any:
        if self.attack == "tend raises":
            raise SystemExit(3)
        if self.attack == "tend hangs":
            RELEASE.wait()
        if self.attack == "asks garbage":
            for asked in ("reset", Request(Trap()), Request(Command.RESET, Trap())):  # type: ignore[arg-type]
                with contextlib.suppress(Exception):
                    self.submit(asked, print)
        if self.attack == "stuck in answers":
            self.submit(Request(Command.UNSHELVE), lambda reply: RELEASE.wait())
        if self.attack == "raises in an answer":
            self.submit(Request(Command.UNSHELVE), lambda reply: fail(SystemExit(1)))
        return Outcome(10**9 if self.attack == "accepts too much" else 0)

    def send(self, rows: Sequence[Row]) -> Any:
        act = SENDS.get(self.attack)
        return act[0](rows) if act else Outcome(self.attack.count("too much") * 10**9 or len(rows))

    def close(self) -> None:
        if "hangs" in self.attack:
            RELEASE.wait()


class Phone:
    """A sink that works; what it takes is in `heard`."""

    heard: ClassVar[list[Row]] = []

    class Settings(BaseModel):
        pass

    def __init__(self, name: str, tank: str, settings: Any) -> None: ...

    def streams(self) -> frozenset[Stream]:
        return frozenset({Stream.NOTICES})

    def open(self) -> None: ...

    def send(self, rows: Sequence[Row]) -> Outcome:
        self.heard.extend(rows)
        return Outcome(len(rows))

    def close(self) -> None: ...
