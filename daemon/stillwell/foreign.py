"""Calls code that others wrote so that no call can hang, end or confuse the watch.

In Python a call that never returns can't be ended from outside. So it is made on a thread that can
be left behind; the number of such threads is limited, which also bounds what they hold.
"""

from __future__ import annotations

import logging
import queue
import sys
import threading
import time
import traceback
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TypeGuard, TypeVar

from stillwell import shown

T = TypeVar("T")

log = logging.getLogger(__name__)

MOST_LEFT_BEHIND = 4
"""The most threads of one driver or sink that may hang at once. Beyond that it is left alone until
one of them has come back."""

_LONGEST_PAUSE_S = 3600.0


class HangsError(Exception):
    """A call has not returned within its time; its thread has been left behind."""


class FailedError(Exception):
    """Foreign code raised something that is no `Exception` (SystemExit and the like); the text says
    what."""

    def __init__(self, error: BaseException) -> None:
        super().__init__(said(error))
        self.kind = plain(type(error).__name__, 60)


def pause_after_hang_s(hangs: int) -> float:
    """Returns the seconds to leave something alone that has hung `hangs` times: none after the
    first, which may be chance, then a minute, ten, an hour."""
    return 0.0 if hangs < 2 else min(_LONGEST_PAUSE_S, 60.0 * 10.0 ** min(hangs - 2, 9))


class _Job:
    """One call on its way to a thread and back."""

    def __init__(self, call: Callable[[], object]) -> None:
        self.call = call
        self.done = threading.Event()
        self.result: object = None
        self.error: Exception | None = None

    def run(self) -> None:
        try:
            self.result = self.call()
        except Exception as error:
            self.error = error
        except BaseException as error:
            self.error = FailedError(error)
        finally:
            self.done.set()


_Jobs = queue.SimpleQueue[_Job | None] | queue.Queue[_Job | None]


class Hand:
    """A thread that makes one call after the other, and is left behind when a call doesn't return:
    the next call gets a new thread. Owned by the one thread that asks it."""

    def __init__(self, name: str) -> None:
        self._name = name
        self._jobs: queue.SimpleQueue[_Job | None] = queue.SimpleQueue()
        self._thread: threading.Thread | None = None
        self._left: list[threading.Thread] = []

    @property
    def left_behind(self) -> int:
        """How many of its threads hang now."""
        self._left = [thread for thread in self._left if thread.is_alive()]
        return len(self._left)

    def do(self, call: Callable[[], T], seconds: float) -> T:
        """Returns what `call` returns, or raises the `Exception` that it raises.

        Raises `FailedError` if `call` raises something else, and `HangsError` if it has not
        returned after `seconds`; what it returns later is lost.
        """
        if self._thread is None:
            self._jobs = queue.SimpleQueue()
            self._thread = _started(self._name, self._jobs)
        job = _Job(call)
        self._jobs.put(job)
        if not job.done.wait(seconds):
            log.warning("The thread %s is left behind in %s.", self._name, _place(self._thread))
            self._left.append(self._thread)
            self.end()
            raise HangsError(f"has not answered for {seconds:g} s and hangs")
        error, job.error = job.error, None
        if error is not None:
            raise error
        return job.result  # type: ignore[return-value]

    def end(self) -> None:
        """Lets the thread end after its present call."""
        self._jobs.put(None)
        self._thread = None


def _started(name: str, jobs: _Jobs) -> threading.Thread:
    thread = threading.Thread(target=_work, args=(jobs,), name=name, daemon=True)
    thread.start()
    return thread


def _place(thread: threading.Thread) -> str:
    """Returns where a thread is now: its innermost calls, the last one first."""
    innermost = sys._current_frames().get(thread.ident or 0)
    if innermost is None:
        return "nothing: it has just ended"
    frames = traceback.extract_stack(innermost)[:-4:-1]
    return ", called by ".join(f"{f.name} ({Path(f.filename).name}:{f.lineno})" for f in frames)


def _work(jobs: _Jobs) -> None:
    while (job := jobs.get()) is not None:
        job.run()
        del job  # an idle thread must not hold on to the last call's values


class Patience:
    """Time that several calls share: what a hanging call uses up is missing for the next ones."""

    def __init__(self, seconds: float, least_s: float = 1.0) -> None:
        self._left_s = seconds
        self._least_s = least_s

    @contextmanager
    def share(self) -> Iterator[float]:
        """Yields how long a call may take; the time spent inside counts."""
        began_s = time.monotonic()
        try:
            yield max(self._least_s, self._left_s)
        finally:
            self._left_s -= time.monotonic() - began_s


class Aside:
    """Makes calls into foreign code that nobody waits for, in order, on a thread of its own. Never
    blocks: while `capacity` calls wait, further ones are dropped."""

    def __init__(self, name: str, capacity: int = 100) -> None:
        self._name = name
        self._jobs: queue.Queue[_Job | None] = queue.Queue(capacity)
        self._thread: threading.Thread | None = None
        self._lock = threading.Lock()

    def call(self, call: Callable[[], object]) -> bool:
        """Returns whether the call was taken. Safe from any thread."""
        with self._lock:
            if self._thread is None:
                self._thread = _started(self._name, self._jobs)
        try:
            self._jobs.put_nowait(_Job(call))
        except queue.Full:
            return False
        return True


def within(seconds: float, call: Callable[[], T]) -> T:
    """Makes one call like `Hand.do`, on a thread of its own."""
    hand = Hand("one call")
    try:
        return hand.do(call, seconds)
    finally:
        hand.end()


def is_a(thing: object, kind: type[T]) -> TypeGuard[T]:
    """Returns what isinstance would, without calling any code of `thing`."""
    return issubclass(type(thing), kind)


def plain(text: object, longest: int = 300) -> str:
    """Returns at most `longest` characters of a text, in plain characters; empty for what is no
    text."""
    if not is_a(text, str):
        return ""
    return shown.plain(str.__getitem__(text, slice(longest)))[:longest].strip()


def a(thing: object) -> str:
    """Returns the kind of a thing: ``a str``, ``an int``, ``None``."""
    if thing is None:
        return "None"
    name = plain(type(thing).__name__, 60)
    return f"{'an' if name[:1].lower() in tuple('aeiou') else 'a'} {name}"


def said(error: BaseException) -> str:
    """Returns the kind of an exception and its text, even if making the text fails: ``ValueError:
    no such pin``."""
    name = plain(type(error).__name__, 60)
    try:
        words = plain(str(error)).rstrip(".")
    except BaseException:
        return name
    return f"{name}: {words}" if words else name


def reason_of(error: Exception) -> str:
    """Returns why a call into foreign code failed, whatever the exception itself does."""
    if isinstance(error, HangsError):
        return f"it {error}"
    return plain(str(error)) if isinstance(error, FailedError) else said(error)
