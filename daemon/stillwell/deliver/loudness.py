"""How loudly a message arrives: a service's own levels, as Apprise describes them.

A service of Apprise lists the levels that it takes (`template_args`): numbers, names, or a switch
such as Telegram's ``silent``. They are sorted from quiet to loud, and each priority is mapped to
one: high to the loudest, which rings through do-not-disturb where the service can; medium to the
service's usual level; low to one that makes no sound but is still seen. So of five levels the
quietest is never used: ntfy, Pushover and Gotify show nothing at all with it, or fold it away.
Mails have no levels, but headers.

A level that the keeper wrote into the URL is used for high alarms, and no message is louder.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any
from urllib.parse import quote

from stillwell.notice import Priority

_SCALES = ("priority", "urgency", "level")
"""Apprise's names for the argument that takes a level; the first one with levels is used."""
_WORDS = (
    *("min", "silent", "passive", "info", "low"),
    *("normal", "default", "standard", "active", "medium", "warning"),
    *("time_sensitive", "time-sensitive", "timesensitive", "high", "urgent", "critical", "max"),
)
"""Names of levels, from quiet to loud; a service with others is left alone."""
_PLACES = {
    2: {Priority.LOW: 0, Priority.MEDIUM: 0, Priority.HIGH: 1},
    3: {Priority.LOW: 0, Priority.MEDIUM: 1, Priority.HIGH: 2},
    4: {Priority.LOW: 0, Priority.MEDIUM: 1, Priority.HIGH: 3},
    5: {Priority.LOW: 1, Priority.MEDIUM: 2, Priority.HIGH: 4},
}
"""By the number of levels: the level of each priority."""
_ON, _OFF = (True, "yes"), (False, "no")
_SWITCHES = {
    "silent": (_ON, _OFF, _OFF),
    "urgent": (_OFF, _OFF, _ON),
    "critical": (_OFF, _OFF, _ON),
}
"""A switch as three levels, two of which are the same."""
_DOWNWARDS = ("opsgenie", "jira")
"""Apprise's names for P1 to P5 rise, while P1 is the most urgent there (its documentation)."""
_INSISTS = "pover"
"""Pushover repeats a message of its loudest level until somebody answers there. stillwell
repeats an alarm itself, and stops when it is answered here. The level below rings through quiet
hours as well (its documentation)."""

_MAIL = ("mailto", "mailgun", "smtp2go", "sparkpost")
_HEADERS = {
    Priority.HIGH: {"Importance": "high", "X-Priority": "1"},
    Priority.MEDIUM: {},
    Priority.LOW: {"Importance": "low", "X-Priority": "5"},
}
"""The first is in RFC 2156; the second is no standard, but many programs look at it."""


@dataclass(frozen=True, slots=True)
class _Scale:
    """One service's levels, from quiet to loud."""

    argument: str
    levels: Sequence[tuple[object, str]]
    """Pairs of a level as the service's object holds it, and as a URL holds it."""


def at_loudness(url: str, service: Any, priority: Priority) -> str:
    """Returns the URL of a service for a message of a priority; unchanged where the service has no
    levels.

    Args:
        service: the object that Apprise has made of the URL.
    """
    scheme = url.partition(":")[0].lower()
    if scheme.removesuffix("s") in _MAIL or scheme in _MAIL:
        for header, value in _HEADERS[priority].items():
            if not _written(f"+{header}", url):
                url = with_parameter(url, f"+{header}", value)
        return url
    scale = _scale_of(service.template_args, scheme)
    if scale is None:
        return url
    place = _PLACES[len(scale.levels)][priority]
    if scheme == _INSISTS:
        place = min(place, len(scale.levels) - 2)
    if _written(scale.argument, url):
        held = getattr(service, scale.argument, None)
        places = [n for n, (value, _) in enumerate(scale.levels) if value == held]
        if not places:
            return url
        place = places[-1] if priority is Priority.HIGH else min(place, places[-1])
        url = _without(scale.argument, url)
    return with_parameter(url, scale.argument, scale.levels[place][1])


def with_parameter(url: str, name: str, value: str) -> str:
    """Returns a URL with one more parameter, in Apprise's own grammar."""
    return f"{url}{'&' if '?' in url else '?'}{name}={quote(value, safe='')}"


def _written(name: str, url: str) -> bool:
    return _without(name, url) != url


def _without(name: str, url: str) -> str:
    """Returns the URL without one of its parameters."""
    address, _, written = url.partition("?")
    parts = written.split("&")
    kept = [part for part in parts if part.partition("=")[0].lower() != name.lower()]
    return url if kept == parts else "?".join(filter(None, (address, "&".join(kept))))


def _scale_of(described: Mapping[str, Mapping[str, Any]], scheme: str) -> _Scale | None:
    for name in _SCALES:
        levels = _ordered(described.get(name, {}).get("values"))
        if len(levels) in _PLACES:
            return _Scale(name, levels[::-1] if scheme in _DOWNWARDS else levels)
    for name, levels in _SWITCHES.items():
        if described.get(name, {}).get("type") == "bool":
            return _Scale(name, levels)
    return None


def _ordered(values: object) -> Sequence[tuple[object, str]]:
    """Returns the levels of a list, or of numbers with their names, from quiet to loud; none
    where their order is not known."""
    if not isinstance(values, Mapping | Sequence | frozenset) or isinstance(values, str):
        return ()
    named = [(n, str(values[n] if isinstance(values, Mapping) else n)) for n in values]
    if all(isinstance(held, int) for held, _ in named):
        return sorted(named, key=lambda level: int(str(level[0])))
    if all(name.lower() in _WORDS for _, name in named):
        return sorted(named, key=lambda level: _WORDS.index(level[1].lower()))
    return ()
