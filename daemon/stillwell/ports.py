"""The seams: what a driver, a sink and a clock must do. Third parties import this, `reading`,
`notice`, `request`, `units` and `testing`, and nothing else of ours."""

from __future__ import annotations

import threading
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Any, ClassVar, Protocol, runtime_checkable

from stillwell.notice import Notice, Said, Told, Transition
from stillwell.reading import Quantity, Reading, Sample
from stillwell.request import Reply, Request
from stillwell.units import System

if TYPE_CHECKING:
    from pydantic import BaseModel  # takes 0.1 s, which reading the store does not need


class DriverError(Exception):
    """A driver cannot open or read its hardware.

    Args:
        what: what is wrong, naming the device, in a sentence for the person beside the tank.
        do: what to do about it.
    """

    def __init__(self, what: str, do: str = "") -> None:
        super().__init__(f"{what} {do}".strip())
        self.what = what
        self.do = do


class Clock(Protocol):
    """The only way in which code outside the edge learns the time."""

    def monotonic_ns(self) -> int:
        """Nanoseconds that only ever go forward, from an arbitrary start within this boot."""
        ...

    def wall_ms(self) -> int:
        """UTC milliseconds since 1970 as the machine believes them now: may be wrong, may step."""
        ...

    def trusted(self) -> bool:
        """Whether the wall clock has been set from outside since boot (NTP, RTC)."""
        ...

    def wait(self, event: threading.Event, seconds: float) -> bool:
        """Waits until `event` is set or `seconds` of this clock have passed; returns whether it
        was set."""
        ...


class Driver(Protocol):
    """Turns one kind of hardware into samples.

    Each configured source has one object. `open`, `read` and `close` are called from one thread at
    a time, the thread of its bus, never concurrently. After `close`, `open` may be called again. A
    driver starts no thread, sets up no logging, knows no store, and reads no clock (see
    `TellsTime`).
    """

    Settings: ClassVar[type[BaseModel]]
    """The pydantic model of its part of the configuration. It has a field `channels`, a mapping
    from channel name to whatever the driver needs to find that channel."""

    def __init__(self, settings: Any) -> None: ...

    @classmethod
    def bus(cls, settings: Any) -> str:
        """Names what two drivers must not use at once, such as ``w1`` or
        ``serial:/dev/serial/by-id/x``."""
        ...

    def open(self) -> None:
        """Opens the hardware. Raises `DriverError`; called again with back-off after that."""
        ...

    def read(self) -> Iterable[Sample]:
        """Reads every channel once and returns one sample per channel.

        May block up to the source's deadline. A channel that cannot be read is a sample with a
        failure; `DriverError` means that the whole source has failed: it is closed and opened again
        later.
        """
        ...

    def close(self) -> None:
        """Lets go of the hardware. Must not raise, not even when `open` failed or was never
        called."""
        ...


@runtime_checkable
class TellsTime(Protocol):
    """An ability of drivers that live on the daemon's clock (the simulated tank, a trace):
    `use_clock` is called once, before `open`."""

    def use_clock(self, clock: Clock) -> None: ...


@runtime_checkable
class ReadsInTurn(Protocol):
    """An ability of drivers whose channels can hang one by one: a channel that hangs is left out,
    and the others are still read."""

    def watch_turns(self, begins: Callable[[str], None]) -> None:
        """Called once, before `open`, with a function that the driver calls from `open` and `read`
        with the name of the channel that it uses from then on; "" for none."""
        ...

    def read_only(self, channels: Collection[str]) -> None:
        """Called before each `open` and `read` with the channels to use. The others are left alone
        and get no sample."""
        ...


@dataclass(frozen=True, slots=True)
class Candidate:
    """A sensor that a driver could read on this machine: what stays with it (a number, a path), the
    same for people (``GPIO17 (pin 11)``), what it most likely is (water, room, humidity, level,
    distance, float), the keys of its source, what stands for it in the source's `channels`, and
    there if it is a float that opens as the water rises. Not `sure`: nothing may be connected. A
    device that must be opened first has `listen`: it may take half a minute, and is called only
    when a person has agreed."""

    name: str
    what: str
    role: str = ""
    source: Mapping[str, Any] = field(default_factory=dict)
    channel: Mapping[str, Any] = field(default_factory=dict)
    opposite: Mapping[str, Any] | None = None
    sure: bool = True
    listen: Callable[[], Iterable[Candidate]] | None = None


@runtime_checkable
class FindsSensors(Protocol):
    """An ability of drivers that can tell what there is to read: `find` looks, and opens or
    switches no device. Raises `DriverError` where there is none, with what to do about it."""

    @classmethod
    def find(cls) -> Iterable[Candidate]: ...


class JournalLine(Protocol):
    """One line of a journal that a driver keeps."""

    @property
    def utc_ms(self) -> int: ...
    @property
    def kind(self) -> str: ...
    @property
    def value(self) -> float | None: ...
    @property
    def unit(self) -> str: ...


@runtime_checkable
class KeepsJournal(Protocol):
    """An ability of drivers with a keeper of their own (the simulated tank): after each read it is
    asked for the lines written since a time, in order, to be put into the tank's journal."""

    def journal_since(self, after_utc_ms: int) -> Sequence[JournalLine]: ...


class Stream(StrEnum):
    """The kinds of rows that sinks follow through the store, each with a cursor of its own."""

    READINGS = "readings"
    TRANSITIONS = "transitions"
    NOTICES = "notices"
    ESTIMATES = "estimates"


@dataclass(frozen=True, slots=True)
class Published:
    """One estimate as sinks send it: already named, in SI, with its 95 % interval."""

    name: str
    time_ms: int
    unit: str
    value: float | None
    low: float | None
    high: float | None
    basis: str


@dataclass(frozen=True, slots=True)
class Row:
    """One row of the store on its way to a sink. `seq` orders the rows of a stream."""

    stream: Stream
    seq: int
    body: Reading | Transition | Notice | Published


@dataclass(frozen=True, slots=True)
class Refusal:
    """A row that the far side will never take, and why."""

    seq: int
    reason: str


@dataclass(frozen=True, slots=True)
class Outcome:
    """A sink's verdict on the rows that it was given.

    `accepted` counts rows from the front that are finished, refused ones included; the cursor moves
    past exactly these. `retry_after` (seconds) and `reason` are set when the rest must be tried
    again later; without them it is offered again at once.
    """

    accepted: int
    refused: tuple[Refusal, ...] = ()
    retry_after: float | None = None
    reason: str = ""
    waits: bool = False
    """The rest waits for something on our side, such as a set clock or the end of quiet hours: the
    far side is not away, and the rest is offered again within a second or so."""
    lost: bool = False
    """The connection broke: the far side may have forgotten what it took just before (see
    `MayForget`)."""
    again: Mapping[Stream, int] = field(default_factory=dict)
    """Streams whose rows after this number must be sent once more, because their times were
    corrected."""
    ahead: int = 0
    """For a sink that `SendsAhead`: every urgent row up to this number has been sent."""


class Sink(Protocol):
    """Where rows go. Each configured sink has one object; `open`, `send` and `close` are called
    from the sink's own thread only. `send` answers with a verdict and never raises for anything
    that the far side does."""

    Settings: ClassVar[type[BaseModel]]

    def __init__(self, name: str, tank: str, settings: Any) -> None: ...

    def streams(self) -> frozenset[Stream]:
        """Which rows it wants."""
        ...

    def open(self) -> None: ...

    def send(self, rows: Sequence[Row]) -> Outcome:
        """Sends rows of one stream, in order, and returns how far it came."""
        ...

    def close(self) -> None: ...


@runtime_checkable
class TakesRequests(Protocol):
    """An ability of sinks through which people answer: `on_request` is called once, before `open`,
    with a function that may be called from any thread, returns at once, and later calls back with
    the reply. Requests that come too fast are refused. Without `about` and `age_s` a request can do
    little: see `stillwell.alarm.annunciate.announced`."""

    def on_request(self, submit: Callable[[Request, Callable[[Reply], None]], None]) -> None: ...


@runtime_checkable
class KnowsChannels(Protocol):
    """An ability of sinks that send units: `use_channels` is called once, before `open`, with what
    each configured channel measures."""

    def use_channels(self, channels: Mapping[str, Quantity]) -> None: ...


@runtime_checkable
class KnowsPlan(Protocol):
    """An ability of sinks that say beforehand what may come: `use_plan` is called once, before
    `open`, with the names of all alarms that the tank has by its settings, and the names of all
    estimates with their units."""

    def use_plan(self, alarms: Collection[str], estimates: Mapping[str, str]) -> None: ...


@runtime_checkable
class Retains(Protocol):
    """An ability of sinks whose far side shows the latest of each thing (a broker's retained
    messages)."""

    def latest_only(self) -> frozenset[Stream]:
        """Streams of which only the latest row of each name needs to be sent after a backlog."""
        ...

    def remember(self, rows: Sequence[Row]) -> None:
        """Takes the store's latest row of each name, of any stream, once after `open`, so that the
        far side can be sent everything again after it has forgotten."""
        ...


@runtime_checkable
class Tends(Protocol):
    """An ability of sinks that hold a connection: `tend` is called about twice a second from the
    sink's thread between sends, even when there is nothing to send. Its verdict is read like that
    of `send` with no rows: `retry_after` set means that the far side is away."""

    def tend(self) -> Outcome: ...


@runtime_checkable
class KnowsZone(Protocol):
    """An ability of sinks that show times or keep quiet hours: `use_zone` is called once, before
    `open`, with the IANA name of the tank's zone."""

    def use_zone(self, zone: str) -> None: ...


class Words(Protocol):
    """Puts what was found into words, for one reader: `stillwell.words.Reader`."""

    def notice(self, notice: Notice) -> Told: ...
    def alarm(self, transition: Transition) -> Said: ...
    def in_units(self, units: System | None) -> Words:
        """Returns the words for a reader who wants these units; None: those of the tank."""
        ...


@runtime_checkable
class TellsPeople(Protocol):
    """An ability of sinks that send messages to people: `use_words` is called once, before `open`,
    with what puts notices and alarms into words, in the tank's units and zone."""

    def use_words(self, words: Words) -> None: ...


@runtime_checkable
class CarriesLinks(Protocol):
    """An ability of sinks whose messages can hold a link: `use_links` is called once, before
    `open`, with a function that makes a fresh link through which a notice can be answered; empty
    for a notice that needs no answer."""

    def use_links(self, link: Callable[[Notice], str]) -> None: ...


@runtime_checkable
class AttachesPictures(Protocol):
    """An ability of sinks whose messages can hold a file: `use_pictures` is called once, before
    `open`, with a function that returns the path of the picture that goes with a notice, if there
    is one."""

    def use_pictures(self, picture: Callable[[Notice], Path | None]) -> None: ...


@runtime_checkable
class CanBeTried(Protocol):
    """An ability of sinks that take no notices: `try_out` asks the far side whether it would take
    what it is sent, and sends nothing. Returns why it would not; empty when all is well."""

    def try_out(self) -> str: ...


@runtime_checkable
class WaitsForClock(Protocol):
    """An ability of sinks that a wrong time harms for good: `use_trust` is called once, before
    `open`, with a function that says whether the clock is trusted now."""

    def use_trust(self, trusted: Callable[[], bool]) -> None: ...


@runtime_checkable
class ChoosesBatch(Protocol):
    """An ability of sinks that know how many rows they want at once."""

    @property
    def batch(self) -> int: ...


@runtime_checkable
class KnowsItsLimit(Protocol):
    """An ability of sinks that know how long one call into them may take, `open` and `close`
    included: seconds, at most 1200. Without it the limit is a minute. A sink that takes longer is
    left behind with its thread, and a fresh object is made in its place."""

    def answers_within_s(self) -> float: ...


@runtime_checkable
class MayForget(Protocol):
    """An ability of sinks whose far side acknowledges rows before they are safe, and takes a row
    that it already has without harm. The kept cursor stays this far behind what has been sent, and
    rows after it are sent again when the connection was lost, or after a restart."""

    def overlap_s(self) -> float: ...


@runtime_checkable
class SendsAhead(Protocol):
    """An ability of sinks that send urgent rows while others before them wait: `resume` is called
    once after `open` with the last `Outcome.ahead` of each stream, across restarts."""

    def resume(self, ahead: Mapping[Stream, int]) -> None: ...
