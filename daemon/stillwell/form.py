"""The form in which a part keeps what it knows for its next run, or for readers of the store.

A dataclass of plain values is kept as JSON with the number of its form: every float is restored
exactly, NaN as well. Long texts are packed.
"""

from __future__ import annotations

import base64
import logging
import zlib
from functools import cached_property
from typing import TYPE_CHECKING, Generic, TypeVar

if TYPE_CHECKING:
    from pydantic import TypeAdapter

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

    @cached_property
    def _adapter(self) -> TypeAdapter[tuple[int, T]]:
        # Built when it is first needed, because that takes some milliseconds.
        from pydantic import ConfigDict, TypeAdapter

        exact = ConfigDict(ser_json_inf_nan="constants")
        return TypeAdapter(tuple[int, self._kind], config=exact)  # type: ignore[name-defined]

    def text(self, value: T) -> str:
        """Returns the value as text."""
        plain = self._adapter.dump_json((self._version, value))
        if len(plain) < _PACKED_FROM or not self._packs:
            return plain.decode()
        return base64.b64encode(zlib.compress(plain, 1)).decode()

    def read(self, text: str) -> T:
        """Returns the value from which `text` made this text. Raises ValueError for a text of
        another form, and for a damaged one."""
        try:
            plain = text if text[:1] in ("[", "{", "") else zlib.decompress(base64.b64decode(text))
            if isinstance(plain, bytes):
                plain = plain.decode()
            if not plain.startswith(f"[{self._version},"):
                raise ValueError(f"it is of another form than {self._version}")
            _, value = self._adapter.validate_json(plain)
        except (ValueError, zlib.error) as damage:
            why = str(damage).partition("\n")[0]
            raise ValueError(f"what was kept can't be used: {why}") from damage
        return value

    def known(self, text: str | None) -> T | None:
        """Returns the kept value; None if there is none, or none that can be read."""
        try:
            return None if text is None else self.read(text)
        except ValueError as error:
            log.warning("%s: %s", getattr(self._kind, "__name__", "a state"), error)
            return None
