"""Web addresses and plain connections to them."""

from __future__ import annotations

import http.client
import ssl
from pathlib import Path
from urllib.parse import SplitResult, urlsplit


def address(url: str) -> SplitResult | None:
    """Returns the parts of a web address; None where it is none."""
    try:
        parts = urlsplit(url)
        good = parts.scheme in ("http", "https") and parts.hostname and parts.port != 0
    except ValueError:
        return None
    return parts if good else None


def at(parts: SplitResult) -> str:
    """Returns host and port of an address, as a person may see them."""
    return f"{parts.hostname}:{parts.port or (443 if parts.scheme == 'https' else 80)}"


def connection(
    parts: SplitResult, timeout_s: float, ca: Path | None = None
) -> http.client.HTTPConnection:
    """Returns a connection to an address, not yet made.

    Args:
        ca: the certificate of the authority that signed the server's; the system's own without.
    """
    host = parts.hostname or ""
    if parts.scheme == "http":
        return http.client.HTTPConnection(host, parts.port, timeout=timeout_s)
    context = ssl.create_default_context(cafile=str(ca) if ca else None)
    return http.client.HTTPSConnection(host, parts.port, timeout=timeout_s, context=context)
