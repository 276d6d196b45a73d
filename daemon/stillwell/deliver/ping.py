"""The dead-man's ping: a request to a URL every few minutes, which somebody else misses when it
stops.

It goes out only while readings come in, because a daemon that runs and sees nothing must not look
alive. The ping must be watched by another machine with its own way to a person: this one cannot
report its own death.
"""

from __future__ import annotations

import http.client
import time
from collections.abc import Callable, Sequence
from typing import Annotated, ClassVar
from urllib.parse import urlsplit

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, SecretStr

from stillwell import web
from stillwell.deliver.unreachable import reason_of
from stillwell.deliver.whole_limit import whole_limit
from stillwell.ports import Outcome, Row, Stream
from stillwell.reading import Reading

RETRY_S = 15.0


def _web_url(secret: SecretStr) -> SecretStr:
    parts = web.address(secret.get_secret_value())
    if parts is None or any(sign <= " " or sign > "~" for sign in secret.get_secret_value()):
        raise ValueError('write a web address: "https://host/path"')
    if parts.username is not None:
        raise ValueError("no user or password in the URL")
    return secret


class PingSettings(BaseModel):
    """Whom to ping, and how often."""

    model_config = ConfigDict(extra="forbid", frozen=True, hide_input_in_errors=True)

    url: Annotated[SecretStr, AfterValidator(_web_url)]
    """Gets a GET. Its path is often the key: keep it out of the file, as a credential
    ``sink.<name>.url``."""
    minutes: Annotated[float, Field(ge=0.1, le=1440)] = 5.0
    """Between pings. Whoever misses them should wait for three."""
    timeout: Annotated[float, Field(gt=0, le=60)] = 10.0


class Ping:
    """The sink. `tend` blocks for a few times `timeout` where the far side hangs, also where it
    sends a byte now and then."""

    Settings: ClassVar[type[BaseModel]] = PingSettings

    def __init__(
        self,
        name: str,
        tank: str,
        settings: PingSettings,
        *,
        monotonic_s: Callable[[], float] = time.monotonic,
    ) -> None:
        self._name = name
        self._settings = settings
        self._monotonic_s = monotonic_s
        self._next_s = 0.0
        self._seen = False

    def __repr__(self) -> str:
        return f"Ping({self._name!r})"

    def streams(self) -> frozenset[Stream]:
        return frozenset({Stream.READINGS})

    def latest_only(self) -> frozenset[Stream]:
        return self.streams()

    def answers_within_s(self) -> float:
        return 3 * self._settings.timeout + 30.0

    def remember(self, rows: Sequence[Row]) -> None:
        """Ignores readings of the last run, which prove nothing about this one."""

    def open(self) -> None:
        self._next_s = self._monotonic_s()

    def send(self, rows: Sequence[Row]) -> Outcome:
        """Notes that something is being measured."""
        self._seen = self._seen or any(
            isinstance(row.body, Reading) and row.body.value is not None for row in rows
        )
        return Outcome(len(rows))

    def tend(self) -> Outcome:
        now_s = self._monotonic_s()
        if not self._seen or now_s < self._next_s:
            return Outcome(0)
        why = self._ping()
        if why:
            return Outcome(0, (), RETRY_S, why)
        self._next_s = now_s + self._settings.minutes * 60.0
        self._seen = False
        return Outcome(0)

    def close(self) -> None:
        """Sends nothing: a stop is not a sign of life, and whoever watches should ask about it."""

    def _ping(self) -> str:
        """Makes one request; returns why it failed, in words without the URL's path, or an empty
        text."""
        parts = urlsplit(self._settings.url.get_secret_value())
        at = parts.netloc
        connection = web.connection(parts, self._settings.timeout)
        target = (parts.path or "/") + (f"?{parts.query}" if parts.query else "")
        try:
            connection.connect()
            sock = connection.sock
            with whole_limit(self._settings.timeout, lambda: sock):
                connection.request("GET", target, headers={"User-Agent": "stillwell"})
                status = connection.getresponse().status
        except (OSError, http.client.HTTPException) as error:
            return reason_of(error, at)
        finally:
            connection.close()
        if 200 <= status < 300:
            return ""
        return f"{at} answers the ping of [sink.{self._name}] with {status}: check its `url`."
