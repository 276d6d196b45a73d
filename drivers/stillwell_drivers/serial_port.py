"""A serial port: the name that stays with its device, and its faults in a person's words.

Sources: the documentation of pyserial 3.5; termios(3).
"""

from __future__ import annotations

import errno
import os
import re
from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, field_validator

from stillwell.ports import DriverError
from stillwell.reading import Sample
from stillwell.units import Seconds

if TYPE_CHECKING:
    import serial

_BARE = re.compile(r"/dev/tty(?:USB|ACM)[0-9]+")
_NAMES = Path("/dev/serial")
POLL_S = 0.1
"""How long one look at the port waits for a byte."""


def _lasting(folder: Path) -> list[str]:
    """Returns the names that stay with a device whatever number it gets, by-id before by-path."""
    return [str(name) for kind in ("by-id", "by-path") for name in sorted(folder.glob(f"{kind}/*"))]


def stable_names(port: str) -> list[str]:
    """Returns the lasting names that lead to `port` now, or all of them if none does."""
    found, target = _lasting(_NAMES), os.path.realpath(port)
    return [name for name in found if os.path.realpath(name) == target] or found


def devices(names: Path | None = None) -> list[str]:
    """Returns one lasting name of each serial device that is plugged in."""
    found: dict[str, str] = {}
    for name in _lasting(_NAMES if names is None else names):
        found.setdefault(os.path.realpath(name), name)
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


class PortSettings(BaseModel):
    """What may stand below a source on a serial port."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    port: Port
    """The serial device, by a name that stays: /dev/serial/by-id/… or by-path/…, or
    /dev/serial0."""
    baud: int = Field(default=9600, ge=50, le=4_000_000)
    silent_after: Seconds = 4.0
    """How long one read waits: longer than the pause between two lines or frames, shorter than the
    source's deadline."""

    @field_validator("silent_after")
    @classmethod
    def _bounded(cls, seconds: float) -> float:
        if not POLL_S <= seconds <= 600:
            raise ValueError('One read must wait from "100 ms" to "10 min".')
        return seconds

    @property
    def polls(self) -> int:
        """How often one read looks: a driver has no clock, so the time is counted in polls."""
        return max(1, round(self.silent_after / POLL_S))


class OnAPort:
    """A driver of what sends by itself on a serial port."""

    def __init__(self, settings: PortSettings) -> None:
        self._port_settings = settings
        self._port: serial.Serial | None = None

    @classmethod
    def bus(cls, settings: PortSettings) -> str:
        """Returns ``serial:`` and the port."""
        return f"serial:{settings.port}"

    def open(self) -> None:
        """Opens the port for this process alone; raises `DriverError`."""
        self.close()
        self._port = opened(self._port_settings.port, self._port_settings.baud, POLL_S)

    def read(self) -> Iterable[Sample]:
        """Waits for a value of each channel, up to `silent_after`; see `Driver.read`."""
        if self._port is None:
            raise DriverError("The serial port is not open.", "Open it before reading.")
        try:
            return self.read_from(self._port)
        # pyserial raises SerialException, OSError, termios.error and, on a port that is unplugged
        # while in use, TypeError; all mean that the device is gone.
        except Exception as error:
            self.close()
            raise stopped(self._port_settings.port, error) from error

    def read_from(self, port: serial.Serial) -> Iterable[Sample]:
        """Returns a sample of each channel; raises whatever pyserial does."""
        raise NotImplementedError

    def close(self) -> None:
        """Closes the port, whatever state it is in."""
        port, self._port = self._port, None
        if port is not None:
            shut(port)


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
