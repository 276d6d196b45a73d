"""How often somebody may try a passphrase. Each address has an allowance of its own, so that who
guesses from one shuts out nobody at another; and one is worked out at a time, which takes a small
machine a second and 16 MB."""

from __future__ import annotations

import ipaddress
import threading

from stillwell.deliver.allowance import Allowance

AT_ONCE, PER_S = 6, 1 / 10
MOST_ADDRESSES = 1_000
WAITS_S = 5.0
"""So long somebody waits for their turn to have a passphrase worked out."""


class Tries:
    """Thread-safe."""

    def __init__(self) -> None:
        self._by_address: dict[str, Allowance] = {}
        self._lock = threading.Lock()
        self.turn = threading.Lock()
        """Whose passphrase is worked out."""

    def take(self, address: str, now_s: float) -> bool:
        """Whether one more may be tried from an address, by a clock that is never stepped."""
        key = household(address)
        with self._lock:
            found = self._by_address.pop(key, None) or Allowance(AT_ONCE, PER_S)
            if len(self._by_address) >= MOST_ADDRESSES:
                self._by_address.pop(next(iter(self._by_address)))
            self._by_address[key] = found
            return found.take(now_s)


def household(address: str) -> str:
    """Returns what counts as one place: of IPv6 the network, of which one machine has 2^64
    addresses."""
    try:
        ip = ipaddress.ip_address(address.partition("%")[0])
    except ValueError:
        return "?"
    if isinstance(ip, ipaddress.IPv4Address):
        return str(ip)
    return str(ip.ipv4_mapped or ipaddress.ip_network((ip, 64), strict=False))
