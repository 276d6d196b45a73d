"""A time limit for a whole request.

The limits of sockets are for each receive: a far side that sends a byte now and then never reaches
them.
"""

from __future__ import annotations

import socket
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress

_AGAIN_S = 0.5


@contextmanager
def whole_limit(seconds: float, socket_of: Callable[[], socket.socket | None]) -> Iterator[None]:
    """Shuts the connection down when the body of the context takes longer than `seconds`, and then
    raises `TimeoutError`, whatever the result was.

    Args:
        socket_of: returns the connection, once there is one. Looking up a name has no socket yet,
            and can't be cut off.
    """
    done, over = threading.Event(), threading.Event()

    def watch() -> None:
        if done.wait(seconds):
            return
        over.set()
        while not done.is_set():
            sock = socket_of()
            if sock is not None:
                with suppress(OSError):
                    # Not the TLS socket's own, which would take its state from under the reader.
                    socket.socket.shutdown(sock, socket.SHUT_RDWR)
            done.wait(_AGAIN_S)

    threading.Thread(target=watch, name="whole limit", daemon=True).start()
    try:
        yield
    except Exception as error:
        if over.is_set():
            raise TimeoutError from error
        raise
    finally:
        done.set()
    if over.is_set():
        raise TimeoutError
