"""Lists what a configuration sets, as it was written, without what is or may be secret. Pure."""

from __future__ import annotations

import re
from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from stillwell.settings.schema.machine import SinkKeys, SourceKeys
from stillwell.shown import plain, shown, without_passwords

HIDDEN = "…"
_LONGEST = 120
_SECRET_NAME = re.compile(r"passw|secret|token|credential|key$", re.IGNORECASE)
_PLUGINS: Mapping[str, Collection[str]] = {
    "source": SourceKeys.model_fields,
    "sink": SinkKeys.model_fields,
}
"""The keys of each table that are ours; only the driver or the sink knows what the others mean."""


@dataclass(frozen=True, slots=True)
class Given:
    """One key that the file, a variable or a credential sets."""

    table: str
    """The table's name, such as ``band.water``."""
    key: str
    """The key; with a dot if it is in an inner table: ``channels.water-a``."""
    value: str
    """The value as it was written: ``"25.5 degC"``; `HIDDEN` in place of a secret."""


def given(tree: Mapping[str, Any], secret: Collection[tuple[str, ...]]) -> tuple[Given, ...]:
    """Returns every key that is set, in the order of the file.

    Args:
        tree: all layers merged.
        secret: paths at and below which no value is shown.
    """
    return tuple(_below(tree, (), frozenset(secret)))


def _below(
    node: Mapping[str, Any], path: tuple[str, ...], secret: Collection[tuple[str, ...]]
) -> Iterator[Given]:
    for name, value in node.items():
        here = (*path, str(name))
        if here in secret or (len(here) > 1 and _SECRET_NAME.search(here[-1])):
            yield _named(here, node, HIDDEN)
        elif isinstance(value, dict):
            yield from _below(value, here, secret)
        else:
            yield _named(here, node, _said(value, _by_plugin(here)))


def _by_plugin(path: tuple[str, ...]) -> bool:
    return len(path) > 2 and path[0] in _PLUGINS and path[2] not in _PLUGINS[path[0]]


def _named(path: tuple[str, ...], node: Mapping[str, Any], said: str) -> Given:
    """A table is named by two parts, such as ``band.water``, or by one, such as ``tank``."""
    names = 1 if len(path) < 3 else 2
    parts = [plain(part) for part in path]
    return Given(".".join(parts[:names]), ".".join(parts[names:]) or parts[0], said)


def _said(value: object, by_plugin: bool) -> str:
    if isinstance(value, list):
        # The arguments of a command may be secrets, and only the program that it starts knows
        # which.
        if by_plugin:
            return f"a list of {len(value)}"
        return f"[{', '.join(_said(each, by_plugin) for each in value)}]"
    if isinstance(value, str) and not by_plugin:
        value = without_passwords(value)
        return f'"{plain(value)}"' if "://" in value else shown(value, _LONGEST)
    return HIDDEN if (text := shown(value, _LONGEST)) == f'"{HIDDEN}"' else text
