"""A serial port: the name that stays with its device, and its faults in a person's words.

Sources: the documentation of pyserial 3.5; termios(3).
"""

from __future__ import annotations

import errno
import os
import re
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

from pydantic import AfterValidator

from stillwell.ports import DriverError

if TYPE_CHECKING:
    import serial

_BARE = re.compile(r"/dev/tty(?:USB|ACM)[0-9]+")
_NAMES = Path("/dev/serial")


def stable_names(port: str, names: Path | None = None) -> list[str]:
    """Returns the names under /dev/serial/by-id and by-path that stay with a device whatever number
    it gets: those that lead to `port` now, or all of them if none does."""
    folder = _NAMES if names is None else names
    found = sorted(folder.glob("by-id/*")) + sorted(folder.glob("by-path/*"))
    target = os.path.realpath(port)
    same = [str(name) for name in found if os.path.realpath(name) == target]
    return same or [str(name) for name in found]


def devices(names: Path | None = None) -> list[str]:
    """Returns one lasting name of each serial device that is plugged in, by-id before by-path."""
    folder = _NAMES if names is None else names
    found: dict[str, str] = {}
    for name in [*sorted(folder.glob("by-id/*")), *sorted(folder.glob("by-path/*"))]:
        found.setdefault(os.path.realpath(name), str(name))
    return list(found.values())


def _stays(port: str) -> str:
    if not port.startswith("/"):
        raise ValueError(
            f'"{port}" is no path. Write the device\'s name from /dev/serial/by-id, in full.'
        )
    if _BARE.fullmatch(port):
        names = stable_names(port)
        paste = (
            " or ".join(f'"{name}"' for name in names[:4])
            if names
            else "the name that /dev/serial/by-id shows once the device is plugged in"
        )
        raise ValueError(
            f"{port} may be another device after the next restart or unplugging. "
            f"Write instead: {paste}."
        )
    return port


Port = Annotated[str, AfterValidator(_stays)]
"""The path of a serial device that stays the same after a restart."""


def opened(path: str, baud: int, timeout_s: float, **more: Any) -> serial.Serial:
    """Returns the port, opened for this process alone. Raises `DriverError`.

    Args:
        more: what else `serial.Serial` takes, such as ``parity``.
    """
    import serial

    port: serial.Serial | None = None
    try:
        port = serial.Serial(path, baud, timeout=timeout_s, exclusive=True, **more)
        moved = os.fstat(port.fileno()).st_rdev != os.stat(path).st_rdev
    except Exception as error:
        if port is not None:
            shut(port)
        raise _cannot_open(path, error) from error
    if moved:
        shut(port)
        raise DriverError(
            f"{path} was plugged over to another device while it was being opened.",
            "Nothing to do: it is opened again by itself.",
        )
    return port


def shut(port: serial.Serial) -> None:
    """Closes a port, whatever state it is in."""
    try:
        port.close()
    except Exception:  # an unplugged device may refuse even this; the handle is gone with it
        return


def stopped(path: str, error: Exception) -> DriverError:
    """Returns the error to raise for a port that was unplugged while it was in use."""
    return DriverError(
        f"{path} stopped working ({_words(error)}).",
        "Look whether the device is plugged in and powered; it is opened again by itself.",
    )


def _cannot_open(path: str, error: Exception) -> DriverError:
    code = getattr(error, "errno", None)
    if not os.path.exists(path):
        names = stable_names(path)
        there = f"There is: {', '.join(names)}." if names else "No other serial device is there."
        return DriverError(
            f"{path} does not exist.",
            f"Plug the device in, or correct `port`. {there}",
        )
    if code == errno.EPERM:
        return DriverError(
            f"{path} is of a kind that the service's unit does not allow it.",
            f'Run "sudo systemctl edit stillwell", write [Service] and DeviceAllow={path} rw '
            'into it, then "sudo systemctl restart stillwell".',
        )
    if code == errno.EACCES or isinstance(error, PermissionError):
        return DriverError(
            f"{path} may not be opened by this user.",
            'The service is in the group dialout: look with "ls -lL" whether the device is, '
            "too. For a command of your own: sudo adduser $USER dialout, then log in again.",
        )
    if code in (errno.EBUSY, errno.EAGAIN) or "lock" in str(error).lower():
        return DriverError(
            f"{path} is in use by another program.",
            f'Find it with "fuser -v {path}" and stop it: a terminal program, ModemManager, a '
            "login console on the serial line.",
        )
    return DriverError(
        f"{path} cannot be opened as a serial port ({_words(error)}).",
        "Look whether it is a serial device, and whether it can do this baud rate.",
    )


def _words(error: Exception) -> str:
    text = getattr(error, "strerror", None) or str(error) or type(error).__name__
    return str(text).rstrip(".")
