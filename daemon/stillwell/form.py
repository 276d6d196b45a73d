"""The form in which a part keeps what it knows for its next run, or for readers of the store.

A dataclass of plain values is kept as JSON with the number of its form: every float is restored
exactly, NaN as well. Long texts are packed.
"""

from __future__ import annotations

import base64
import json
import logging
import zlib
from collections import deque
from typing import Any, Generic, TypeVar, get_args

import msgspec

log = logging.getLogger(__name__)

T = TypeVar("T")

_PACKED_FROM = 20_000
"""JSON of this many bytes or more is packed: to a fifth, in a few milliseconds."""


class Form(Generic[T]):
    """How values of one type are written and read.

    Args:
        kind: the type; its fields are written.
        version: counts up when texts written before can't be read any more. A new field with a
            default needs no new version.
        packs: False where the long part is already a text of another form.
    """

    def __init__(self, kind: type[T], version: int = 1, *, packs: bool = True) -> None:
        self._kind, self._version, self._packs = kind, version, packs

    def text(self, value: T) -> str:
        """Returns the value as text."""
        # Not by msgspec's own encoder, which writes NaN as nothing.
        found = json.dumps((self._version, plain(value)), separators=(",", ":"))
        if len(found) < _PACKED_FROM or not self._packs:
            return found
        return base64.b64encode(zlib.compress(found.encode(), 1)).decode()

    def read(self, text: str) -> T:
        """Returns the value from which `text` made this text. Raises ValueError for a text of
        another form, and for a damaged one."""
        try:
            if text[:1] not in ("[", "{", ""):
                text = zlib.decompress(base64.b64decode(text)).decode()
            if not text.startswith(f"[{self._version},"):
                raise ValueError(f"it is of another form than {self._version}")
            _, found = json.loads(text)
            return typed(found, self._kind)
        except (ValueError, RecursionError, zlib.error) as damage:
            why = str(damage).partition("\n")[0]
            raise ValueError(f"what was kept can't be used: {why}") from damage

    def known(self, text: str | None) -> T | None:
        """Returns the kept value; None if there is none, or none that can be read."""
        try:
            return None if text is None else self.read(text)
        except ValueError as error:
            log.warning("%s: %s", getattr(self._kind, "__name__", "a state"), error)
            return None


def plain(value: Any) -> Any:
    """Returns a value as JSON can hold it: a dataclass as an object, a deque as a list."""
    return msgspec.to_builtins(value, str_keys=True, enc_hook=list)


def typed(found: Any, kind: type[T]) -> T:
    """Returns what JSON has brought as a value of this type. Raises ValueError where it is none."""
    try:
        return msgspec.convert(found, kind, str_keys=True, strict=False, dec_hook=_row)
    except msgspec.ValidationError as error:
        raise ValueError(str(error)) from error


def _row(kind: Any, found: Any) -> deque[Any]:
    (part,) = get_args(kind)
    return deque(typed(found, list[part]))  # type: ignore[valid-type]
