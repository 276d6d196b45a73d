"""Explains a broken TOML document: where it is broken, and what was most likely meant."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator
from typing import Any

from stillwell.settings.faults import ConfigError, Fault
from stillwell.settings.toml_lines import Path, key_lines
from stillwell.units import Dimension, UnitError, parse

_LARGEST = 1 << 20
_LONGEST_LINE = 1000
"""The most characters of a line that are searched for a hint; nobody writes one that long
by hand."""
_PLACE = re.compile(r" ?\(at (?:line (\d+), column (\d+)|end of document)\)$")
_KEY = re.compile(r"\((?:'[^']*'(?:, )?)+,?\)|(?<=key )'.*'")
"""A key as tomllib shows it: a tuple of its parts, or quoted."""
_ASSIGNMENT = re.compile(r"\s*([A-Za-z0-9_.-]+)\s*=\s*(.*?)\s*$")
_MEASURED = re.compile(r"[+-]?[0-9]{1,5}(?:[.,][0-9]{1,3})?\s*[°A-Za-z%/]+")


def _is_measured(value: str) -> bool:
    """Whether a value is a number with a unit that is known here; 1234abcd is none."""
    if not _MEASURED.fullmatch(value):
        return False
    for dimension in Dimension:
        try:
            parse(value.replace(",", "."), dimension)
        except UnitError:
            continue
        return True
    return False


def _line_of(text: str, number: int) -> str:
    lines = text.split("\n")
    return lines[number - 1][:_LONGEST_LINE] if 0 < number <= len(lines) else ""


def _hint(message: str, line: str, at_end: bool) -> str:
    """Returns what was most likely meant. Quotes no value but a measured one, and no key before a
    text: the line may hold a password, after the "=" or before it."""
    stripped = line.strip()
    if any(quote in line for quote in "“”„‘’«»"):
        return "The quotes are typographic ones; use the plain ones of the keyboard: \" or '."
    if (
        "twice" in message
        or "overwrite" in message
        or "mutate" in message
        or "Duplicate" in message
    ):
        return "The key or table stands twice in the file; keep one of them."
    if at_end:
        return (
            "Something is not closed before the end of the file: look for a missing ], } or quote."
        )
    if stripped.startswith("["):
        return "A table stands alone on its line, in brackets: [source.probes]."
    assigned = _ASSIGNMENT.match(line)
    if assigned is None:
        if ":" in stripped and "=" not in stripped:
            return 'A key and its value are joined by "=", not by ":".'
        return 'A line is a [table], or a key with "=" and a value, or a # comment.'
    key, value = assigned[1], assigned[2].split("#")[0].strip()
    if _is_measured(value):
        return f'A value with a unit stands in quotes: {key} = "{value}".'
    if value.lower() in ("true", "false", "yes", "no", "on", "off"):
        return f"Write {key} = true or {key} = false."
    if not value:
        return 'Write a value behind the "=", or put a # before the line.'
    if value.count('"') % 2 or value.count("'") % 2:
        return "A text is closed by the same quote that opened it, on the same line."
    if re.fullmatch(r"[0-9]+,[0-9]+", value):
        return "Numbers have a decimal point, not a comma."
    if re.match(r"[A-Za-z/]", value):
        return 'Text stands in quotes: "…".'
    if value.startswith("["):
        return 'A list looks like this: ["water-a", "water-b"].'
    if value.startswith("{"):
        return 'A table on one line looks like this: { probe = "28-0316a2794a1f" }.'
    return "Texts and values with units stand in quotes; numbers, true and false do not."


def _first_bad_line(text: str) -> int:
    """Returns the first line up to which the text fails to parse, for errors for which tomllib
    names no place."""
    lines = text.split("\n")
    low, high = 1, len(lines)
    while low < high:
        middle = (low + high) // 2
        try:
            tomllib.loads("\n".join(lines[:middle]))
        except tomllib.TOMLDecodeError:
            low = middle + 1
        except (ValueError, RecursionError):
            high = middle
        else:
            low = middle + 1
    return low


def _beyond_64_bits(value: Any, path: Path = ()) -> Iterator[Path]:
    """Yields the places of integers that TOML does not allow and `tomllib` accepts; those of
    thousands of digits cannot even be printed."""
    if isinstance(value, dict):
        for key, below in value.items():
            yield from _beyond_64_bits(below, (*path, key))
    elif isinstance(value, list):
        for index, below in enumerate(value):
            yield from _beyond_64_bits(below, (*path, index))
    elif isinstance(value, int) and not -(2**63) <= value < 2**63:
        yield path


def read_toml(content: bytes, file: str) -> tuple[dict[str, Any], str]:
    """Returns the document and its text. Raises `ConfigError` that names the line."""
    if len(content) > _LARGEST:
        what = f"The file has {len(content)} bytes; a configuration has a few thousand."
        raise ConfigError([Fault(file, 1, "", what, "Check that this is the right file.")])
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        what = f"Byte {error.start} (0x{content[error.start]:02x}) is not UTF-8 text."
        do = "Save the file as UTF-8, or write that sign in another way: degC for °C."
        raise ConfigError([Fault(file, line, "", what, do)]) from None
    text = text.replace("\r\n", "\n")
    try:
        tree = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        message = str(error)
        place = _PLACE.search(message)
        words = _KEY.sub("this", _PLACE.sub("", message))
        end = len(text.rstrip("\n").split("\n"))
        if place is None or place[1] is None:
            number, column = end, ""
        else:
            # An unclosed bracket is only noticed after the last line.
            number, column = min(int(place[1]), end), f", column {place[2]}"
        hint = _hint(words, _line_of(text, number), place is not None and place[1] is None)
        what = f"This is no valid TOML{column}: {words[:1].lower()}{words[1:80]}."
        raise ConfigError([Fault(file, number, "", what, hint)]) from None
    except RecursionError:
        what = "Lists or tables are nested too deep."
        do = "Nothing here needs more than a list of texts."
        raise ConfigError([Fault(file, _first_bad_line(text), "", what, do)]) from None
    except ValueError as error:
        # A number of thousands of digits: int() refuses it, and tomllib lets that error through.
        what = f"This value cannot be read: {error}."
        do = "Write a shorter number."
        raise ConfigError([Fault(file, _first_bad_line(text), "", what, do)]) from None
    beyond = list(_beyond_64_bits(tree))
    if beyond:
        lines = key_lines(text)
        what, do = "This whole number is larger than 64 bits hold.", "Write a shorter number."
        keys = [(lines[path], ".".join(map(str, path))) for path in beyond]
        raise ConfigError(Fault(file, line, key, what, do) for line, key in keys)
    return tree, text
