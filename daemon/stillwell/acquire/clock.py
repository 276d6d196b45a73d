"""The only place that reads the machine's clocks."""

from __future__ import annotations

import ctypes
import threading
import time
import uuid
from functools import cache
from pathlib import Path

BOOT_ID = Path("/proc/sys/kernel/random/boot_id")
_TIMESYNCD_MARK = Path("/run/systemd/timesync/synchronized")
_LARGEST_ERROR_US = 16_000_000
"""NTP_PHASE_LIMIT of the kernel's include/linux/timex.h, in µs: the value of `maxerror` when nobody
has synchronised the clock since the machine started, or for about nine hours."""


class _Timex(ctypes.Structure):
    """struct timex of adjtimex(2), as far as its size and the largest error matter: with modes = 0
    the call only reads."""

    _fields_ = (
        ("modes", ctypes.c_uint),
        ("offset", ctypes.c_long),
        ("freq", ctypes.c_long),
        ("maxerror", ctypes.c_long),
        ("rest", ctypes.c_byte * 512),
    )


@cache
def _libc() -> ctypes.CDLL:
    """Returns the C library, opened once; find_library would run a compiler to look for it."""
    return ctypes.CDLL(None)


def _kernel_says_synchronised() -> bool:
    """Returns whether the kernel's clock is synchronised. It goes by the largest error, as
    timedatectl does, and not by the flag STA_UNSYNC: chrony without `rtcsync` leaves that flag set.
    """
    libc = _libc()
    if not hasattr(libc, "adjtimex"):
        return False
    timex = _Timex()
    read = int(libc.adjtimex(ctypes.byref(timex))) >= 0
    return read and int(timex.maxerror) < _LARGEST_ERROR_US


class SystemClock:
    """The machine's own clocks (`ports.Clock`)."""

    def monotonic_ns(self) -> int:
        return time.monotonic_ns()

    def wall_ms(self) -> int:
        return time.time_ns() // 1_000_000

    def trusted(self) -> bool:
        """Whether the kernel or systemd-timesyncd says that the clock is synchronised: by
        adjtimex(2), or by the file that systemd-time-wait-sync waits for."""
        return _kernel_says_synchronised() or _TIMESYNCD_MARK.exists()

    def wait(self, event: threading.Event, seconds: float) -> bool:
        return event.wait(max(0.0, seconds))


class FastClock:
    """A clock that runs `speed` times as fast from `start_utc_ms` on, only for the simulated tank,
    where an hour's cooling is watched in seconds. It is always trusted, since it belongs to the
    simulation."""

    def __init__(self, start_utc_ms: int, speed: float) -> None:
        if not speed > 0:
            raise ValueError("the speed of a clock must be above zero")
        self._speed = speed
        self._origin_ns = time.monotonic_ns()
        self._start_utc_ms = start_utc_ms

    def monotonic_ns(self) -> int:
        return int((time.monotonic_ns() - self._origin_ns) * self._speed)

    def wall_ms(self) -> int:
        return self._start_utc_ms + self.monotonic_ns() // 1_000_000

    def trusted(self) -> bool:
        return True

    def wait(self, event: threading.Event, seconds: float) -> bool:
        return event.wait(max(0.0, seconds) / self._speed)


class SetClock:
    """A clock that stands still until it is set, for runs as fast as the machine can
    (`ports.Clock`). It is not for threads: nothing would end their `wait`."""

    def __init__(self, utc_ms: int) -> None:
        self._start_ms = utc_ms
        self._now_ms = utc_ms

    def set(self, utc_ms: int) -> None:
        """Moves to `utc_ms`, never back, because the monotonic time must not go back."""
        self._now_ms = max(self._now_ms, utc_ms)

    def monotonic_ns(self) -> int:
        return (self._now_ms - self._start_ms) * 1_000_000

    def wall_ms(self) -> int:
        return self._now_ms

    def trusted(self) -> bool:
        return True

    def wait(self, event: threading.Event, seconds: float) -> bool:
        self.set(self._now_ms + int(seconds * 1000))
        return event.is_set()


def boot_id() -> str:
    """The kernel's name for this boot. Where it gives none, a unique one: a boot that can't be told
    from others must not be taken for one of them."""
    try:
        return BOOT_ID.read_text(encoding="ascii").strip()
    except OSError:
        return f"unknown-{uuid.uuid4()}"
