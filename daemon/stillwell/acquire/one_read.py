"""One read of a driver: its sound samples, and what to say about it."""

from __future__ import annotations

import threading
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass

from stillwell.acquire.checked import checked
from stillwell.foreign import a, is_a, plain, said
from stillwell.ports import DriverError
from stillwell.reading import Failure, Sample

MOST_PER_CHANNEL = 10
"""A read gives one sample per channel; one that returns this many times as many counts as
endless."""
REPORT = "If it goes on, report it to whoever made the driver, with the log."


@dataclass(frozen=True, slots=True)
class Words:
    """What to say about a source, and what to do."""

    what: str
    do: str = ""


class ReadError(Exception):
    """A driver returned endless samples, or none at all. The text follows its name."""


class Read:
    """The sound samples of one read so far."""

    def __init__(self, channels: Sequence[str]) -> None:
        self._channels = tuple(channels)
        self._most = MOST_PER_CHANNEL * max(1, len(channels))
        self.samples: list[Sample] = []
        self.wrong = ""
        """The first mistake that costs a reading."""
        self.remark = ""

    def take(self, returned: object, over: threading.Event) -> None:
        """Consumes what `read` returned until its end, or until `over` is set: a generator that has
        been left behind must stop."""
        try:
            things = iter(returned)  # type: ignore[call-overload]
        except TypeError:
            raise ReadError(f"returned {a(returned)} instead of samples") from None
        for count, thing in enumerate(things):
            if over.is_set():
                return
            if count == self._most:
                raise ReadError(f"returned more than {self._most} samples in one read")
            sample, wrong, remark = checked(thing, self._channels)
            self.wrong = self.wrong or wrong
            self.remark = self.remark or remark
            if sample is not None:
                self.samples.append(sample)

    def filled(self, failure: Failure, raw: str) -> list[Sample]:
        """The newest sample of each channel, and `failure` for channels without one: one bad probe
        must not cost the readings of others."""
        newest = {sample.channel: sample for sample in tuple(self.samples)}
        return [newest.get(c) or Sample(c, None, failure, raw) for c in self._channels]


def words_of(who: str, error: BaseException) -> Words:
    """What to say about a read of `who` that ended with `error`. Never raises, whatever the error
    is made of."""
    with suppress(BaseException):
        if is_a(error, ReadError):
            return Words(f"{who} {error}.", REPORT)
        if is_a(error, DriverError):
            what = plain(error.what)
            if what:
                return Words(what, plain(error.do))
    return Words(f"{who} failed: {said(error)}.", REPORT)
