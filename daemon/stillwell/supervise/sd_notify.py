"""Tells systemd how the daemon is: the protocol of sd_notify(3), one datagram per message.

Twenty lines instead of a package: those on PyPI are either unmaintained or need libsystemd's
headers and a compiler on the Pi.
"""

from __future__ import annotations

import os
import socket
from collections.abc import Mapping


def notify(message: str, environ: Mapping[str, str] = os.environ) -> bool:
    """Sends e.g. ``READY=1`` or ``WATCHDOG=1``. Returns whether systemd was there to receive it;
    never raises, because a daemon must not die when its supervisor is silent."""
    address = environ.get("NOTIFY_SOCKET", "")
    if not address.startswith(("/", "@")):
        return False
    if address[0] == "@":
        address = "\0" + address[1:]
    try:
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as channel:
            channel.connect(address)
            channel.sendall(message.encode())
    except OSError:
        return False
    return True


def watchdog_s(environ: Mapping[str, str] = os.environ) -> float | None:
    """How often systemd wants to hear ``WATCHDOG=1``, in seconds, or None when it doesn't ask."""
    try:
        pid = int(environ.get("WATCHDOG_PID", str(os.getpid())))
        microseconds = int(environ["WATCHDOG_USEC"])
    except (KeyError, ValueError):
        return None
    if pid != os.getpid() or microseconds <= 0:
        return None
    return microseconds / 1e6
