"""How often somebody may try a passphrase. Each address has an allowance of its own, so that
whoever guesses from one address locks out nobody at another. One passphrase is worked out at a
time, because that takes a small machine a second and 16 MB."""

from __future__ import annotations

import ipaddress
import threading

from stillwell.deliver.allowance import Allowance

AT_ONCE, PER_S = 6, 1 / 10
MOST_ADDRESSES = 1_000
WAITS_S = 5.0
"""How long somebody waits for their turn to have a passphrase worked out."""


class Tries:
    """Counts the tries of each address. Thread-safe."""

    def __init__(self) -> None:
        self._by_address: dict[str, Allowance] = {}
        self._lock = threading.Lock()
        self.turn = threading.Lock()
        """Held while a passphrase is worked out."""

    def take(self, address: str, now_s: float) -> bool:
        """Returns whether one more may be tried from an address; the time is of a clock that is
        never stepped."""
        key = household(address)
        with self._lock:
            found = self._by_address.pop(key, None) or Allowance(AT_ONCE, PER_S)
            if len(self._by_address) >= MOST_ADDRESSES:
                self._by_address.pop(next(iter(self._by_address)))
            self._by_address[key] = found
            return found.take(now_s)


def household(address: str) -> str:
    """Returns what counts as one place: for IPv6 the network, in which one machine has 2^64
    addresses."""
    try:
        ip = ipaddress.ip_address(address.partition("%")[0])
    except ValueError:
        return "?"
    if isinstance(ip, ipaddress.IPv4Address):
        return str(ip)
    return str(ip.ipv4_mapped or ipaddress.ip_network((ip, 64), strict=False))
