"""The text of the settings: tables put into a file that may be there already, which keeps its
comments, its order and every key that is not ours."""

from __future__ import annotations

import json
import re
import tomllib
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from stillwell.commissioning.section import Line, Section

HEAD = """\
# Written by "stillwell init". Change it as you like: run again, to add a sensor or a recipient,
# it keeps what stands here. After a change: sudo stillwell check, sudo systemctl restart stillwell
# What else can be set: /opt/stillwell/current/share/config/stillwell.toml
"""
_HEADER = re.compile(r"\s*\[")
_COMMENTS_AT = 38
"""The column in which comments begin."""


class CannotMergeError(Exception):
    """A table cannot be put into the file as it is written; the text names the table."""


def written(text: str, sections: Sequence[Section]) -> str:
    """Returns the text with these tables in it. Raises `CannotMergeError`.

    Args:
        text: valid TOML; empty if there is no file.
    """
    if not text.strip():
        return HEAD + _rendered(each for each in sections if not each.gone)
    import tomlkit
    from tomlkit.exceptions import TOMLKitError

    document = tomlkit.parse(_without(text, [each.path for each in sections if each.gone]))
    missing: list[Section] = []
    try:
        for each in sections:
            _put(document, each, missing)
    except (TOMLKitError, TypeError, AttributeError, ValueError) as error:
        raise CannotMergeError(".".join(each.path)) from error
    made = tomlkit.dumps(document).rstrip("\n") + "\n" + _rendered(missing)
    try:
        kept = tomllib.loads(made)
    except tomllib.TOMLDecodeError as error:
        raise CannotMergeError(".".join(missing[0].path) if missing else "") from error
    for each in sections:
        if each.gone is _holds(kept, each):
            raise CannotMergeError(".".join(each.path))
    return made


def _put(document: Any, new: Section, missing: list[Section]) -> None:
    above, table = None, document
    for step in new.path:
        above, table = table, table.get(step)
        if table is None:
            break
    if new.gone:
        if above is not None and table is not None:
            del above[new.path[-1]]
        return
    if table is None:
        missing.append(new)
        return
    for line in new.lines:
        if line.key not in table or table[line.key] != line.value:
            table[line.key] = line.value


def _without(text: str, paths: Sequence[tuple[str, ...]]) -> str:
    """Returns the text without these tables; comments that stand apart from their lines stay."""
    headers = {f"[{'.'.join(path)}]" for path in paths}
    kept: list[str] = []
    lines = text.splitlines(keepends=True)
    while lines:
        if lines[0].partition("#")[0].replace(" ", "").strip() not in headers:
            kept.append(lines.pop(0))
            continue
        end = next((n for n, line in enumerate(lines) if n and _HEADER.match(line)), len(lines))
        of_keys = (n for n in range(end) if lines[n].strip() and lines[n].lstrip()[0] != "#")
        del lines[: max(of_keys) + 1]
    return "".join(kept)


def _holds(kept: Mapping[str, Any], new: Section) -> bool:
    table: Any = kept
    for step in new.path:
        if step not in table:
            return False
        table = table[step]
    return all(table.get(line.key) == line.value for line in new.lines)


def _rendered(sections: Iterable[Section]) -> str:
    text = ""
    for each in sections:
        text += "\n" + _commented(f"[{'.'.join(each.path)}]", each.comment)
        text += "".join(_line(line) for line in each.lines)
    return text


def _line(line: Line) -> str:
    return _commented(f"{line.key} = {literal(line.value)}", line.comment)


def _commented(code: str, comment: str) -> str:
    return f"{code.ljust(_COMMENTS_AT - 1)} # {comment}\n" if comment else f"{code}\n"


def literal(value: Any) -> str:
    """Returns a value as TOML: a text, a number, a bool, or a list or flat mapping of these."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, Mapping):
        inside = ", ".join(f"{key} = {literal(below)}" for key, below in value.items())
        return f"{{ {inside} }}"
    if isinstance(value, list | tuple):
        return f"[{', '.join(literal(below) for below in value)}]"
    if isinstance(value, str):
        # A pattern is easier to read, and to change, without its backslashes doubled.
        plain = "\\" in value and "'" not in value and value.isprintable()
        return f"'{value}'" if plain else json.dumps(value, ensure_ascii=False)
    return str(value)
