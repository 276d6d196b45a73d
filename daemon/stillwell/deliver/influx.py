"""The time-series sink: readings, alarms and estimates as points, to InfluxDB 2, InfluxDB 1, or a
server that speaks one of their protocols (VictoriaMetrics).

How far a server is trusted: a 204 says that it has the points, not that it has written them down,
and a VictoriaMetrics that is killed forgets the last seconds. A point that is sent again is the
same point. So the kept cursor stays `resend` behind, and anything newer than that is sent again
when the connection was lost, and after a restart.

InfluxDB refuses a whole batch for one bad point and names only the first. So a refused batch is
halved until the bad point is alone; that one goes to the dead letters, and the others get through.
VictoriaMetrics drops a bad line without an error: `line_protocol` makes none.
"""

from __future__ import annotations

import logging
import ssl
import time
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Annotated, ClassVar, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, SecretStr, model_validator

from stillwell import web
from stillwell.deliver.influx_link import (
    Answer,
    InfluxDb1,
    InfluxDb2,
    InfluxLink,
    UnreachableError,
)
from stillwell.deliver.line_protocol import line_of, line_of_ten_minutes
from stillwell.ports import Outcome, Refusal, Row, Stream
from stillwell.reading import Quantity
from stillwell.shown import plain, without_passwords

log = logging.getLogger(__name__)

TRUST_SETTLES_S = 10.0
"""How long it may take, after the clock has become trusted, until rows show the earlier times
that the store puts right."""
ASK_KEEPER_S = 60.0
"""Between attempts when only a person can help: a token, a bucket, a missing package."""
LONGEST_WORDS = 300
MOST_IN_VAIN = 15
"""How many requests it takes to find one bad point in the largest batch and send it alone."""


def _plain_url(url: str) -> str:
    parts = web.address(url)
    if parts is None:
        raise ValueError('write the server as "http://host:8086"')
    if parts.username is not None or parts.password is not None or parts.query or parts.fragment:
        raise ValueError("no user, password or query in the URL: they have keys of their own")
    return url.rstrip("/")


class InfluxSettings(BaseModel):
    """How to reach the server."""

    model_config = ConfigDict(extra="forbid", frozen=True, hide_input_in_errors=True)

    url: Annotated[str, AfterValidator(_plain_url)] = "http://localhost:8086"
    """The server, without the path of its write API. VictoriaMetrics listens on 8428."""
    protocol: Literal["1", "2"] = "2"
    """``2`` is InfluxDB 2 and VictoriaMetrics, ``1`` is InfluxDB 1."""
    org: str = ""
    """InfluxDB 2: the organisation."""
    bucket: str = ""
    """InfluxDB 2: the bucket."""
    token: SecretStr | None = None
    """InfluxDB 2: an API token that may write to the bucket."""
    database: str = ""
    """InfluxDB 1: the database, which must exist."""
    username: str = ""
    """InfluxDB 1."""
    password: SecretStr | None = None
    ca: Path | None = None
    """The certificate of the authority that signed the server's; the system's own without."""
    timeout: Annotated[float, Field(gt=0, le=60)] = 10.0
    """Seconds within which the server must answer."""
    resend: Annotated[float, Field(ge=0, le=3600)] = 300.0
    """Seconds of points to send again after the connection was lost; 0: none."""
    wait_for_clock: Annotated[float, Field(ge=0, le=86400)] = 600.0
    """Seconds to wait, after a start, for the machine's clock to be set: a point with a wrong time
    stays at the server."""
    batch: Annotated[int, Field(ge=1, le=10_000)] = 1000
    """Points in one request."""

    @model_validator(mode="after")
    def _belongs_together(self) -> InfluxSettings:
        if self.protocol == "1" and not self.database:
            raise ValueError('`protocol = "1"` needs `database`')
        if self.protocol == "1" and (self.org or self.bucket or self.token):
            raise ValueError('`org`, `bucket` and `token` belong to `protocol = "2"`')
        if self.protocol == "2" and (self.database or self.username or self.password):
            raise ValueError('`database`, `username` and `password` belong to `protocol = "1"`')
        if self.password and not self.username:
            raise ValueError("`password` needs `username`")
        if self.ca and not self.url.startswith("https:"):
            raise ValueError("`ca` needs an https URL")
        return self


class Influx:
    """The sink. `send` blocks for at most `timeout` where the server hangs, also where it sends
    a byte now and then."""

    Settings: ClassVar[type[BaseModel]] = InfluxSettings

    def __init__(
        self,
        name: str,
        tank: str,
        settings: InfluxSettings,
        *,
        monotonic_s: Callable[[], float] = time.monotonic,
    ) -> None:
        self._name = name
        self._tank = tank
        self._settings = settings
        self._monotonic_s = monotonic_s
        self._channels: dict[str, Quantity] = {}
        self._trusted: Callable[[], bool] = lambda: True
        self._opened_s = 0.0
        self._trusted_since_s: float | None = None
        self._doubtful: dict[Stream, int] = {}
        """By stream of which rows went out while the clock was not trusted: the number before
        the first of them."""
        self._link: InfluxLink | None = None
        self._connections = 0
        self._writes = 0
        self._forgave_s: float | None = None

    def __repr__(self) -> str:
        return f"Influx({self._name!r}, {self._settings.url})"

    # -- the seams --

    def streams(self) -> frozenset[Stream]:
        return frozenset({Stream.READINGS, Stream.TRANSITIONS, Stream.ESTIMATES})

    def use_channels(self, channels: Mapping[str, Quantity]) -> None:
        self._channels = dict(channels)

    def use_trust(self, trusted: Callable[[], bool]) -> None:
        self._trusted = trusted

    @property
    def batch(self) -> int:
        return self._settings.batch

    def overlap_s(self) -> float:
        return self._settings.resend

    def answers_within_s(self) -> float:
        return (MOST_IN_VAIN + 2) * self._settings.timeout

    def open(self) -> None:
        """Prepares the sink. Needs no server: the first `send` connects."""
        self._opened_s = self._monotonic_s()
        if self._trusted():
            # Trusted from the start: nothing is going to be put right.
            self._trusted_since_s = self._opened_s - TRUST_SETTLES_S

    def tend(self) -> Outcome:
        if not self._settled() or not self._doubtful:
            return Outcome(0)
        again, self._doubtful = self._doubtful, {}
        log.info("%s: the clock is set; what went out before is sent again.", self._name)
        return Outcome(0, again=again)

    def send(self, rows: Sequence[Row]) -> Outcome:
        settled = self._settled()
        waited = self._monotonic_s() - self._opened_s
        if not settled and waited < self._settings.wait_for_clock:
            return Outcome(0, waits=True, reason="Waits for the clock to be set.")
        why = self._connect()
        if why:
            return Outcome(0, (), ASK_KEEPER_S, why)
        outcome = self._send(rows)
        if outcome.accepted and not settled:
            self._doubtful.setdefault(rows[0].stream, rows[0].seq - 1)
        return outcome

    def lines_of(self, rows: Sequence[Row]) -> list[str]:
        """Returns the points of those rows that have one."""
        found = []
        for row in rows:
            try:
                line = line_of(row, self._tank, self._channels)
            except ValueError:
                continue
            if line is not None:
                found.append(line)
        return found

    def ten_minutes(
        self, channel: str, start_ms: int, mean: float, low: float, high: float, count: int
    ) -> str:
        """Returns the point of ten minutes of a channel: see `line_of_ten_minutes`."""
        quantity = self._channels.get(channel)
        return line_of_ten_minutes(self._tank, channel, quantity, start_ms, mean, low, high, count)

    def write(self, lines: Sequence[str]) -> Outcome:
        """Writes points at once, for whoever sends a history; refusals have their line's place."""
        why = self._connect()
        if why:
            return Outcome(0, (), ASK_KEEPER_S, why)
        return self._write(list(enumerate(lines)), range(len(lines)), [])

    def try_out(self) -> str:
        # A comment is no point: the line protocol's reference has lines that begin with #.
        outcome = self.write(["# stillwell asks whether it may write"])
        return "" if outcome.accepted else outcome.reason

    def close(self) -> None:
        if self._link is not None:
            self._link.close()
            self._link = None

    # -- inside --

    def _settled(self) -> bool:
        """Whether the times of rows are final."""
        now_s = self._monotonic_s()
        if not self._trusted():
            self._trusted_since_s = None
        elif self._trusted_since_s is None:
            self._trusted_since_s = now_s
        since_s = self._trusted_since_s
        return since_s is not None and now_s - since_s >= TRUST_SETTLES_S

    def _connect(self) -> str:
        """Makes the link; returns why there is none, or an empty text."""
        if self._link is not None:
            return ""
        settings = self._settings
        section = f"[sink.{self._name}]"
        try:
            if settings.ca is not None:
                # A bad file is reported now and in words, not with the first request.
                ssl.create_default_context(cafile=str(settings.ca))
            if settings.protocol == "1":
                self._link = InfluxDb1(
                    settings.url,
                    settings.database,
                    settings.username,
                    _secret(settings.password),
                    settings.timeout,
                    settings.ca,
                )
            else:
                self._link = InfluxDb2(
                    settings.url,
                    settings.org,
                    settings.bucket,
                    _secret(settings.token),
                    settings.timeout,
                    settings.ca,
                )
        except ImportError:
            return (
                f"{section} needs the Python package influxdb-client: "
                f'install it with pip install "stillwell[influx]", then restart.'
            )
        except (OSError, ValueError) as error:
            return (
                f"The certificate file `ca` of {section} cannot be used "
                f"({type(error).__name__}): check that it exists and may be read by us."
            )
        return ""

    def _send(self, rows: Sequence[Row]) -> Outcome:
        lines: list[tuple[int, str]] = []
        refusals: list[Refusal] = []
        for place, row in enumerate(rows):
            try:
                line = line_of(row, self._tank, self._channels)
            except ValueError as error:
                refusals.append(Refusal(row.seq, f"{error}."))
                continue
            if line is not None:
                lines.append((place, line))
        return self._write(lines, [row.seq for row in rows], refusals)

    def _write(
        self, lines: list[tuple[int, str]], seqs: Sequence[int], refusals: list[Refusal]
    ) -> Outcome:
        """Returns the verdict on points, each with its row's place among all rows' numbers."""
        assert self._link is not None
        waiting = [lines] if lines else []
        lost = False
        ends_s = self._monotonic_s() + self._settings.timeout
        while waiting:
            part = waiting.pop()
            first = part[0][0]
            if first and self._monotonic_s() > ends_s:
                # A slow server: what it has taken counts now, the rest is offered again.
                return self._came_to(seqs, first, refusals, Outcome(0), lost)
            try:
                answer = self._link.write([line for _, line in part])
            except UnreachableError as error:
                # The connection that takes over does not count as another loss.
                self._forgave_s = self._monotonic_s()
                return self._came_to(seqs, first, refusals, Outcome(0, (), 1.0, str(error)), True)
            lost = self._was_lost() or lost
            if 200 <= answer.status < 300:
                continue
            if answer.status in (400, 413, 422):
                # About the points: together they may be too many, one of them may be bad.
                if len(part) > 1:
                    middle = len(part) // 2
                    waiting += [part[middle:], part[:middle]]
                else:
                    refusals.append(Refusal(seqs[first], self._words(answer)))
                continue
            return self._came_to(seqs, first, refusals, self._not_now(answer), lost)
        return Outcome(len(seqs), tuple(refusals), lost=lost)

    def _came_to(
        self, seqs: Sequence[int], first: int, refusals: list[Refusal], why: Outcome, lost: bool
    ) -> Outcome:
        """Returns the verdict when the row at `first` and those after it must be tried again."""
        done = set(seqs[:first])
        kept = tuple(refusal for refusal in refusals if refusal.seq in done)
        return Outcome(first, kept, why.retry_after, why.reason, lost=lost)

    def _was_lost(self) -> bool:
        """Whether the last successful write used a new connection although the earlier one had
        worked for more than one write: the server may have been restarted unseen.

        True at most once in `resend`, so that a proxy that hangs up now and then does not make us
        send the same rows for ever.
        """
        assert self._link is not None
        renewed = self._link.renewed
        self._writes += 1
        if renewed == self._connections:
            return False
        first, served = self._connections == 0, self._writes
        self._connections, self._writes = renewed, 0
        now_s = self._monotonic_s()
        early = self._forgave_s is not None and now_s - self._forgave_s < 2 * self._settings.resend
        if first or served < 2 or early:
            return False
        self._forgave_s = now_s
        return True

    def _not_now(self, answer: Answer) -> Outcome:
        section, url = f"[sink.{self._name}]", self._settings.url
        one = self._settings.protocol == "1"
        match answer.status:
            case 401 | 403:
                key = "`username` and `password`" if one else "`token`"
                return Outcome(
                    0,
                    (),
                    ASK_KEEPER_S,
                    f"{url} does not let us write ({answer.status}): check {key} of {section}.",
                )
            case 404:
                what = "database" if one else "org or bucket"
                return Outcome(
                    0,
                    (),
                    ASK_KEEPER_S,
                    f"{url} does not know the {what} of {section} (404): create it, or "
                    f"check the name and `protocol`.",
                )
            case 429 | 503:
                return Outcome(
                    0, (), answer.retry_after or 1.0, f"{url} is too busy ({answer.status})."
                )
            case status if 300 <= status < 400:
                return Outcome(
                    0, (), ASK_KEEPER_S, f"{url} sends us elsewhere ({status}): check `url`."
                )
            case status:
                after = answer.retry_after or 1.0
                return Outcome(0, (), after, f"{url} fails with {status}.")

    def _words(self, answer: Answer) -> str:
        """Returns the server's reason for a refusal, without any of our secrets that it repeats."""
        text = answer.text
        for secret in (self._settings.token, self._settings.password):
            if secret is not None and secret.get_secret_value():
                text = text.replace(secret.get_secret_value(), "…")
        said = plain(without_passwords(text)).strip()
        return f"{answer.status}: {said[:LONGEST_WORDS] or 'no reason given'}"


def _secret(secret: SecretStr | None) -> str:
    return "" if secret is None else secret.get_secret_value()
