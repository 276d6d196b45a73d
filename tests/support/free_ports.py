"""Free TCP ports of 127.0.0.1, for servers that a test is about to start."""

from __future__ import annotations

import random
import socket

FIRST, LAST = 20_000, 32_000
"""Ports below those that Linux gives to outgoing connections, one of which could take the port
before the test's own server listens on it."""


def free_port() -> int:
    """Returns a port that nobody listened on a moment ago. It is drawn, so that tests that run
    at the same time do not collide."""
    chance = random.SystemRandom()
    while True:
        port = chance.randint(FIRST, LAST)
        with socket.socket() as probe:
            try:
                probe.bind(("127.0.0.1", port))
            except OSError:
                continue
            return port
