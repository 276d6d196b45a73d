"""The push sink: one recipient's phone, mailbox or chat, over Apprise.

One sink is one recipient, so that each has a cursor of its own: nobody is told twice because
somebody else could not be reached. A recipient has a lowest priority, quiet hours, and a turn (see
`stillwell.alarm.annunciate.escalation`).

During quiet hours less urgent notices wait in the store, and urgent ones go ahead of them. How far
they went ahead is kept like a cursor, so that a restart does not wake anybody again for the same
thing. What has become old news becomes one message.

A message is handed over at least once: when the process dies between the service's answer and the
kept cursor, that one message is sent again. So the cursor is kept after each message, and where
Apprise allows it (`keyed`) a message carries its key, which is the same when it is sent again.
"""

from __future__ import annotations

import logging
import re
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from datetime import UTC, datetime
from datetime import time as time_of_day
from functools import partial
from pathlib import Path
from typing import Annotated, Any, ClassVar, Literal
from urllib.parse import quote
from zoneinfo import ZoneInfo

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, SecretStr, model_validator

from stillwell.alarm.annunciate.escalation import is_for
from stillwell.alarm.annunciate.old_news import is_old, merged
from stillwell.alarm.annunciate.quiet_hours import QuietHours
from stillwell.alarm.annunciate.state import URGENCY
from stillwell.alarm.notices import rings_as
from stillwell.deliver.apprise_log import status_only
from stillwell.deliver.loudness import at_loudness, with_parameter
from stillwell.notice import Notice, Priority, Told
from stillwell.ports import Outcome, Row, Stream, Words
from stillwell.shown import shortened
from stillwell.units import System

log = logging.getLogger(__name__)

ASK_KEEPER_S = 60.0
LONGEST_TITLE = 80
"""The longest title, in characters, with the tank's name."""
MOST_AT_ONCE = 5
"""More notices than this at one time become one message, however fresh they are: a phone that
beeps twenty times tells less."""
BATCH = 1000


MAIL_HEADER = "X-Stillwell-Key"
_CARRIES_KEY = {
    "json": ":key",
    "form": ":key",
    "xml": ":key",
    "mailto": f"+{MAIL_HEADER}",
    "ntfy": "xtags",
}
"""By the scheme of a URL: the parameter with which Apprise adds one field to a message. It is
part of a web hook's body, a header of a mail (which Sieve's `duplicate` test knows, RFC 7352),
or a tag of ntfy's. Apprise passes no sequence id on to ntfy."""
_TAGS = re.compile(r"(?<=[?&])x?tags=([^&]*)")


def keyed(url: str, key: str) -> str:
    """Returns the URL of a service with the key of one message in it, in Apprise's own grammar;
    unchanged where the service has no place for a key."""
    scheme = url.partition(":")[0].lower()
    name = _CARRIES_KEY.get(scheme) or _CARRIES_KEY.get(scheme.removesuffix("s"))
    if name is None:
        return url
    # A tag ends at a space or a comma.
    value = re.sub(r"[\s,]", "-", key) if name == "xtags" else key
    if name == "xtags" and _TAGS.search(url):
        return _TAGS.sub(lambda tags: f"xtags={tags[1]},{quote(value, safe='')}", url, count=1)
    return with_parameter(url, name, value)


def _time(value: object) -> object:
    """Returns a time of day from text such as ``22:00``; passes TOML's own times through."""
    if isinstance(value, str):
        try:
            return time_of_day.fromisoformat(value.strip())
        except ValueError:
            raise ValueError('write a time of day: "22:00"') from None
    return value


TimeOfDay = Annotated[time_of_day, BeforeValidator(_time)]


class PushSettings(BaseModel):
    """One recipient."""

    model_config = ConfigDict(extra="forbid", frozen=True, hide_input_in_errors=True)

    url: SecretStr
    """Where to, as Apprise writes it: ``mailto://…``, ``ntfy://…``, ``json://…``. It holds
    passwords and tokens: keep it out of the file, as a credential ``sink.<name>.url``. A level in
    it (``?priority=high``) is that of high alarms, and nothing is louder."""
    units: Literal[System.METRIC, System.US] | None = None
    """In which units this recipient reads figures; without it in those of the tank."""
    several_tanks: bool = False
    """Whether this recipient hears of several tanks: each title then begins with the tank's
    name."""
    lowest: Priority = Priority.LOW
    """Alarms of this priority and higher ones; reviews and reminders are low."""
    quiet_from: TimeOfDay | None = None
    quiet_to: TimeOfDay | None = None
    """In between, by the tank's clock on the wall, only `wakes` and higher is told; the rest comes
    afterwards, in one message."""
    pictures: bool = True
    """Whether the night's picture goes along, where there is one and the service takes files."""
    wakes: Priority = Priority.HIGH
    turn: Annotated[int, Field(ge=1, le=9)] = 1
    """1 hears alarms at once; 2 hears the high ones that 1 has not answered; and so on."""

    @model_validator(mode="after")
    def _belongs_together(self) -> PushSettings:
        if (self.quiet_from is None) != (self.quiet_to is None):
            raise ValueError("`quiet_from` and `quiet_to` go together")
        return self


class Push:
    """The sink. `send` blocks for as long as the service's own time limits (some 15 s a message).

    Args:
        wall_ms: returns UTC milliseconds, for quiet hours and old news. Neither stops a high alarm,
            so that a wrong clock does no harm.
    """

    Settings: ClassVar[type[BaseModel]] = PushSettings

    def __init__(
        self,
        name: str,
        tank: str,
        settings: PushSettings,
        *,
        wall_ms: Callable[[], int] = lambda: time.time_ns() // 1_000_000,
    ) -> None:
        self._name = name
        self._tank = tank
        self._settings = settings
        self._wall_ms = wall_ms
        self._zone = ZoneInfo("UTC")
        self._quiet: QuietHours | None = None
        self._ahead = 0
        self._service: Any = None
        self._asset: Any = None
        self._apprise: Any = None
        self._words: Words | None = None
        self._link: Callable[[Notice], str] = lambda notice: ""
        self._picture: Callable[[Notice], Path | None] = lambda notice: None
        self._takes_files = False
        self.use_zone("UTC")

    def __repr__(self) -> str:
        return f"Push({self._name!r})"

    # -- the seams --

    def streams(self) -> frozenset[Stream]:
        return frozenset({Stream.NOTICES})

    @property
    def batch(self) -> int:
        return BATCH

    def use_zone(self, zone: str) -> None:
        self._zone = ZoneInfo(zone)
        from_, to = self._settings.quiet_from, self._settings.quiet_to
        if from_ is not None and to is not None:
            self._quiet = QuietHours(from_, to, self._zone, self._settings.wakes)

    def use_words(self, words: Words) -> None:
        self._words = words.in_units(self._settings.units)

    def use_links(self, link: Callable[[Notice], str]) -> None:
        self._link = link

    def use_pictures(self, picture: Callable[[Notice], Path | None]) -> None:
        if self._settings.pictures:
            self._picture = picture

    def resume(self, ahead: Mapping[Stream, int]) -> None:
        self._ahead = ahead.get(Stream.NOTICES, 0)

    def open(self) -> None:
        """Imports Apprise now, so that the first alarm does not have to wait for it."""
        self._begin()

    def tend(self) -> Outcome:
        why = self._begin()
        return Outcome(0, (), ASK_KEEPER_S, why) if why else Outcome(0)

    def send(self, rows: Sequence[Row]) -> Outcome:
        why = self._begin()
        if why:
            return Outcome(0, (), ASK_KEEPER_S, why)
        now_ms = self._wall_ms()
        held, todo = self._sorted(rows, now_ms)
        if held and len(rows) >= BATCH:
            # Too many wait to look past them: somebody must see what goes on here.
            held, todo = [], sorted([*held, *todo], key=lambda pair: pair[0])
        barrier = held[0][0] if held else len(rows)
        ahead = 0
        messages = list(self._messages(todo, now_ms))
        if messages:
            places, notice = messages[0]
            reason = self._tell(notice)
            if reason:
                return Outcome(min(barrier, places[0]), (), 1.0, reason, ahead=ahead)
            ahead = self._ahead = max(self._ahead, rows[places[-1]].seq)
        if len(messages) > 1:
            done = min(barrier, messages[1][0][0])
            return Outcome(done, waits=done == 0, ahead=ahead)
        if not held:
            return Outcome(len(rows), ahead=ahead)
        until = f"{self._settings.quiet_to:%H:%M}"
        what = f"Quiet until {until}; messages that wait: {len(held)}."
        return Outcome(barrier, waits=True, reason=what, ahead=ahead)

    def close(self) -> None:
        self._service = None

    # -- inside --

    def _sorted(
        self, rows: Sequence[Row], now_ms: int
    ) -> tuple[list[tuple[int, Notice]], list[tuple[int, Notice]]]:
        """Returns (place, notice) of those that wait for the end of the quiet hours, and of
        those to be sent now. The rest is not for this recipient, or was sent ahead."""
        held, todo = [], []
        for place, row in enumerate(rows):
            said = self._settings
            if not isinstance(row.body, Notice) or not is_for(row.body, said.lowest, said.turn):
                continue
            notice = row.body
            if self._quiet is not None and self._quiet.holds(notice, now_ms):
                held.append((place, notice))
            elif row.seq > self._ahead or not self._is_urgent(notice):
                todo.append((place, notice))
        return held, todo

    def _is_urgent(self, notice: Notice) -> bool:
        """Whether a notice may have gone ahead of others because quiet hours never hold it."""
        urgent = URGENCY[notice.priority] >= URGENCY[self._settings.wakes]
        return self._quiet is not None and (urgent or notice.kind == "drill")

    def _messages(
        self, todo: Sequence[tuple[int, Notice]], now_ms: int
    ) -> Iterator[tuple[list[int], Notice]]:
        """Yields the messages that the notices become, each with the places that it covers."""
        old = len(todo) if len(todo) > MOST_AT_ONCE else 0
        while old < len(todo) and is_old(todo[old][1], now_ms):
            old += 1
        if old:
            notice = merged([notice for _, notice in todo[:old]], self._local, self._told)
            yield [place for place, _ in todo[:old]], notice
        for place, notice in todo[old:]:
            yield [place], notice

    def _told(self, notice: Notice) -> Told:
        assert self._words is not None, "a sink that tells people is told how"
        return self._words.notice(notice)

    def _late(self, notice: Notice, told: Told) -> Told:
        """Returns the words of old news, with the time when it was new."""
        at = self._local(notice.moment.utc_ms)
        late, title = f"This is from {at} and could not be sent earlier.", told.title
        if notice.kind in ("review", "reminder"):
            late += " What it says to do was so then: see first what has been done since."
            title = f"{at}: {title}"
        return Told(title, f"{late}\n{told.text}")

    def _local(self, utc_ms: int) -> str:
        return f"{datetime.fromtimestamp(utc_ms / 1000, UTC).astimezone(self._zone):%a %H:%M}"

    def _begin(self) -> str:
        """Makes the service; returns why there is none, or an empty text."""
        if self._service is not None:
            return ""
        try:
            with status_only():
                import apprise
        except ImportError:
            return (
                f"[sink.{self._name}] needs the Python package apprise: "
                f'install it with pip install "stillwell[push]", then restart.'
            )
        with status_only():
            asset = apprise.AppriseAsset(
                app_id="stillwell",
                app_desc="stillwell",
                app_url="",
                image_url_mask="",
                image_url_logo="",
                async_mode=False,
                # Its own limit would make the call in a pool of a few threads that all recipients
                # share: those of one that hangs use it up, and nobody hears anything any more. The
                # outbox has a limit for the whole call, and a thread that it can leave behind.
                service_timeout=0,
            )
        self._apprise, self._asset = apprise, asset
        service = self._at(self._settings.url.get_secret_value())
        if service is None:
            return (
                f"`url` of [sink.{self._name}] is not one that Apprise knows: check its first "
                f"word and that no part is missing."
            )
        self._takes_files = bool(getattr(service[0], "attachment_support", False))
        self._service = service
        return ""

    def _at(self, url: str) -> Any:
        """Returns Apprise's service at a URL; None where it knows none."""
        with status_only():
            found = self._apprise.Apprise.instantiate(url, asset=self._asset)
        if found is None:
            return None
        service = self._apprise.Apprise(asset=self._asset)
        service.add(found)
        return service

    def _tell(self, notice: Notice) -> str:
        """Hands one message over; returns why it could not, or an empty text."""
        kinds = self._apprise.NotifyType
        kind = {
            Priority.HIGH: kinds.FAILURE,
            Priority.MEDIUM: kinds.WARNING,
            Priority.LOW: kinds.INFO,
        }[notice.priority]
        told = self._told(notice)
        if notice.kind != "merged" and is_old(notice, self._wall_ms()):
            told = self._late(notice, told)
        body = told.text or told.title
        # The title of the morning's review already begins with the tank's name.
        named = self._settings.several_tanks and notice.kind != "review"
        called = f"{self._tank}: " if named else ""
        link = self._link(notice)
        if link:
            body += f"\nAcknowledge: {link}"
        picture = self._picture(notice) if self._takes_files else None
        url = self._settings.url.get_secret_value()
        loud = at_loudness(url, self._service[0], rings_as(notice))
        service = self._at(keyed(loud, notice.key))
        with status_only() as status:
            tell = partial(
                (service or self._service).notify,
                title=shortened(f"{called}{told.title}", LONGEST_TITLE),
                body=body,
                notify_type=kinds.SUCCESS if notice.kind == "returned" else kind,
                body_format=self._apprise.NotifyFormat.TEXT,
                interpret_escapes=False,
            )
            taken = picture is not None and tell(attach=f"file://{quote(str(picture))}")
            # A service may refuse the picture, its size or its kind: the words matter more, even if
            # some service then shows them twice.
            taken = taken or tell()
        if taken:
            return ""
        said = f" and answers {status[-1]}" if status else ""
        hint = (
            ": check the key or password in its `url`" if status[-1:] in (["401"], ["403"]) else ""
        )
        return f"The service of [sink.{self._name}] does not take the message{said}{hint}."
