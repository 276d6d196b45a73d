"""The two ways of writing lines to a time-series server: one request, one answer, no retry.

InfluxDB 2 and servers that speak its protocol (VictoriaMetrics does) are reached through
influxdb-client, which is imported when a link is made; InfluxDB 1 (``/write?db=``) through the
standard library. Neither retries: the outbox does, and it knows what has been taken.
"""

from __future__ import annotations

import base64
import http.client
import json
import logging
import socket
from collections.abc import Sequence
from dataclasses import dataclass
from email.utils import parsedate_to_datetime
from pathlib import Path
from time import time
from typing import Any, Protocol
from urllib.parse import urlencode, urlsplit

from stillwell import web
from stillwell.deliver.unreachable import reason_of
from stillwell.deliver.whole_limit import whole_limit

LONGEST_ANSWER = 4096


class UnreachableError(Exception):
    """There was no answer; the text says why, without a secret in it."""


@dataclass(frozen=True, slots=True)
class Answer:
    """What the server answered."""

    status: int
    """The HTTP status."""
    text: str = ""
    """The server's own words."""
    retry_after: float | None = None
    """Seconds after which to try again, where the server says so."""


class InfluxLink(Protocol):
    """One server. Used from one thread."""

    renewed: int
    """How many connections there have been. One more means that the last one was lost, perhaps
    unnoticed because a new one took over at once."""

    def write(self, lines: Sequence[str]) -> Answer:
        """Writes the points. Raises `UnreachableError`."""
        ...

    def close(self) -> None: ...


class InfluxDb2:
    """A link through influxdb-client. Raises ImportError when that is not installed."""

    def __init__(
        self, url: str, org: str, bucket: str, token: str, timeout_s: float, ca: Path | None
    ) -> None:
        from influxdb_client.client.influxdb_client import InfluxDBClient
        from influxdb_client.client.write_api import SYNCHRONOUS
        from influxdb_client.rest import ApiException
        from urllib3.exceptions import HTTPError

        logging.getLogger().addFilter(_not_the_clients)
        self._failures = (HTTPError, OSError)
        self._refusal = ApiException
        self._url = url
        self._at = web.at(urlsplit(url))
        self._org, self._bucket = org, bucket
        self._timeout_s = timeout_s
        self._socket: socket.socket | None = None
        # An integer on purpose: the client ignores a float.
        self._client: Any = InfluxDBClient(
            url=url,
            token=token or "-",
            org=org,
            timeout=max(1, round(timeout_s * 1000)),
            retries=False,
            ssl_ca_cert=str(ca) if ca else None,
        )
        self._api: Any = self._client.write_api(write_options=SYNCHRONOUS)
        self.renewed = 0
        self._count_connections()

    def write(self, lines: Sequence[str]) -> Answer:
        try:
            with whole_limit(self._timeout_s, lambda: self._socket):
                self._api.write(
                    bucket=self._bucket,
                    org=self._org,
                    record="\n".join(lines),
                    write_precision="ms",
                )
        except self._refusal as error:
            if not error.status:
                raise UnreachableError(reason_of(error, self._at)) from None
            headers: Any = error.headers or {}
            body = error.body or b""
            text = body if isinstance(body, str) else bytes(body).decode("utf-8", "replace")
            return Answer(
                int(error.status),
                _words(text[:LONGEST_ANSWER]),
                _retry_after(headers.get("Retry-After")),
            )
        except self._failures as error:
            raise UnreachableError(reason_of(error, self._at)) from None
        return Answer(204)

    def _count_connections(self) -> None:
        """Makes each new connection count. urllib3 silently opens a dropped one again, and its
        own counter does not show that."""
        link = self
        pools = self._client.api_client.rest_client.pool_manager
        pool = pools.connection_from_url(self._url)

        class Counted(pool.ConnectionCls):  # type: ignore[misc, name-defined]
            def connect(self) -> None:
                super().connect()
                link._socket = self.sock
                link.renewed += 1

        pool.ConnectionCls = Counted

    def close(self) -> None:
        self._api.close()
        self._client.close()


class InfluxDb1:
    """InfluxDB 1: ``POST /write?db=…``, with basic authentication where a user is given."""

    def __init__(
        self,
        url: str,
        database: str,
        username: str,
        password: str,
        timeout_s: float,
        ca: Path | None,
    ) -> None:
        parts = urlsplit(url)
        self._at = web.at(parts)
        query = urlencode({"db": database, "precision": "ms"})
        self._timeout_s = timeout_s
        self._socket: socket.socket | None = None
        self._target = f"{parts.path.rstrip('/')}/write?{query}"
        self._headers = {"Content-Type": "text/plain; charset=utf-8"}
        if username:
            pair = base64.b64encode(f"{username}:{password}".encode()).decode()
            self._headers["Authorization"] = f"Basic {pair}"
        self._connection = web.connection(parts, timeout_s, ca)
        self.renewed = 0

    def write(self, lines: Sequence[str]) -> Answer:
        body = "\n".join(lines).encode()
        try:
            with whole_limit(self._timeout_s, lambda: self._socket):
                return self._write(body)
        except (OSError, http.client.HTTPException) as error:
            self._connection.close()
            raise UnreachableError(reason_of(error, self._at)) from None

    def _write(self, body: bytes) -> Answer:
        if self._connection.sock is None:
            self._connection.connect()
            self._socket = self._connection.sock
            self.renewed += 1
        self._connection.request("POST", self._target, body, self._headers)
        response = self._connection.getresponse()
        text = response.read(LONGEST_ANSWER).decode("utf-8", "replace")
        if response.read(1):
            self._connection.close()  # the answer is longer than anybody reads
        after = _retry_after(response.headers.get("Retry-After"))
        return Answer(response.status, _words(text), after)

    def close(self) -> None:
        self._connection.close()


def _not_the_clients(record: logging.LogRecord) -> bool:
    """Drops what influxdb-client logs on the root logger: unchanged answers, with whatever a
    proxy may have put into them."""
    return "influxdb_client" not in record.pathname


def _words(body: str) -> str:
    """Returns the server's sentence: InfluxDB 2 wraps it as ``message``, 1 as ``error``."""
    try:
        said: Any = json.loads(body)
    except (ValueError, RecursionError):
        return body
    if isinstance(said, dict):
        return str(said.get("message") or said.get("error") or "")
    return body


def _retry_after(text: str | None) -> float | None:
    """Returns the pause in seconds (RFC 9110, section 10.2.3: a number of seconds, or a date)."""
    if not text:
        return None
    if text.strip().isdecimal():
        return float(text)
    try:
        return max(0.0, parsedate_to_datetime(text).timestamp() - time())
    except (ValueError, TypeError, OverflowError):
        return None
