"""Opens every source once and reads every channel once, each within its source's deadline."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterable, Iterator
from contextlib import suppress
from dataclasses import replace

from stillwell.acquire.one_read import REPORT, Read, Words, words_of
from stillwell.acquire.source import Source
from stillwell.cli.checks.point import Grade, Point
from stillwell.cli.checks.readings import channel_point
from stillwell.ports import Clock, Driver, TellsTime
from stillwell.reading import Failure, Moment
from stillwell.settings import ConfigError, Settings
from stillwell.settings.layers import Layers, layers_of
from stillwell.settings.loading import content_of
from stillwell.settings.syntax import read_toml
from stillwell.wiring.plans.channels import from_above, judge_of
from stillwell.wiring.sources import sources

CLOSING_S = 2.0
LISTENS_S = 3.0
"""How long a silent channel is read again and again: a board that publishes speaks when it likes,
and nothing that it said before we listened counts."""


class Attempt:
    """Opens, reads and closes one source in a thread of its own.

    A driver that hangs can't be ended from outside; its thread is left behind and ends with the
    process.
    """

    def __init__(self, source: Source, clock: Clock) -> None:
        self.source = source
        self.read = Read(source.channels)
        self.error: Words | None = None
        self._over = threading.Event()
        self._clock = clock
        self._read = threading.Event()
        self._thread = threading.Thread(target=self._run, name=source.name, daemon=True)

    def run(self) -> bool:
        """Returns whether the attempt ended, well or not, within the source's deadline."""
        self._thread.start()
        if not self._read.wait(self.source.deadline_s):
            self._over.set()
            return False
        self._thread.join(CLOSING_S)
        return True

    def _run(self) -> None:
        driver: Driver | None = None
        try:
            driver = self.source.make()
            if isinstance(driver, TellsTime):
                driver.use_clock(self._clock)
            driver.open()
            until = time.monotonic() + min(LISTENS_S, self.source.deadline_s / 2)
            self.read.take(driver.read(), self._over)
            while self._silent() and time.monotonic() < until:
                self._over.wait(0.5)
                again = Read(self.source.channels)
                again.take(driver.read(), self._over)
                self.read = again
            if self.read.wrong:
                self.error = Words(f"{self.source.who} {self.read.wrong}.", REPORT)
        except BaseException as error:
            self.error = words_of(self.source.who, error)
        self._read.set()
        if driver is not None:
            with suppress(BaseException):
                driver.close()

    def _silent(self) -> bool:
        sound = not self.read.wrong and not self._over.is_set()
        return sound and any(s.failure is Failure.SILENT for s in self.read.samples)


def read_once(settings: Settings, clock: Clock) -> list[Point]:
    """Reads everything: the buses side by side, the sources of one bus one after the other."""
    by_bus = list(sources(settings).values())
    found: list[list[Point]] = [[] for _ in by_bus]

    def bus(index: int) -> None:
        found[index] = list(_one_bus(settings, by_bus[index], clock))

    threads = [threading.Thread(target=bus, args=(n,), daemon=True) for n in range(len(by_bus))]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    return _placed(settings, (point for points in found for point in points))


def _placed(settings: Settings, points: Iterable[Point]) -> list[Point]:
    """Returns the points; each one to be fixed gets the line of the file that it is about."""
    try:
        document, text = read_toml(content_of(settings.file), str(settings.file))
    except ConfigError:
        return list(points)  # it is being written just now
    layers = layers_of(document, text, settings.file.name)
    return [_on_its_line(point, layers) if point.grade is Grade.FIX else point for point in points]


def _on_its_line(point: Point, layers: Layers) -> Point:
    of = point.facts.get("source")
    path = ("source", of, "channels", point.name) if of else ("source", point.name)
    at = layers.fault(path, "")
    where = f"It stands in {at.file}, line {at.line}: {at.key}."
    return replace(point, do=f"{point.do} {where}".strip())


def _one_bus(settings: Settings, on_bus: Iterable[Source], clock: Clock) -> Iterator[Point]:
    hung = ""
    for source in on_bus:
        if hung:
            what = f"Not tried: it shares its bus with {hung}, which hangs."
            yield Point("source", source.name, Grade.FIX, what)
            for channel in source.channels:
                facts = {"source": source.name}
                yield Point("channel", channel, Grade.FIX, "No value.", facts=facts)
            continue
        attempt = Attempt(source, clock)
        if not attempt.run():
            hung = source.name
        yield from _points(settings, attempt, hung == source.name)


def _points(settings: Settings, attempt: Attempt, hung: bool) -> Iterator[Point]:
    source = attempt.source
    if hung:
        yield Point(
            "source",
            source.name,
            Grade.FIX,
            f"It has not answered for {source.deadline_s:g} s and hangs.",
            "Check its cable and plug. If it only is slow, give it a longer `deadline`.",
        )
    elif attempt.error is not None:
        yield Point("source", source.name, Grade.FIX, attempt.error.what, attempt.error.do)
    else:
        yield Point("source", source.name, Grade.WELL, "It opens and reads.")
    now = Moment(time.monotonic_ns() // 1_000_000, time.time_ns() // 1_000_000)
    came = {sample.channel: sample for sample in tuple(attempt.read.samples)}
    for channel in source.channels:
        sample = came.pop(channel, None)
        if sample is not None:
            (sample,) = from_above(settings).levels([sample], now.mono_ms)
            reading = judge_of(settings, channel).judge(sample, now)
            yield channel_point(settings, reading)
        elif attempt.error is None and not hung:
            what = "Its source read and said nothing about it."
            yield Point("channel", channel, Grade.FIX, what, "This is a fault of the driver.")
        else:
            facts = {"source": source.name}
            yield Point("channel", channel, Grade.FIX, "No value.", facts=facts)
    if attempt.read.remark:
        yield Point("source", source.name, Grade.NOTE, f"{source.who} {attempt.read.remark}.")
