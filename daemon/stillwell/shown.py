"""How much of a text from outside may be shown: from the settings, a sensor, a broker, a driver, a
file's name. Pure.

A terminal obeys ESC, a line of a log ends at a newline, and invisible characters turn a text around
or hide in it (Unicode Standard Annex 9; CVE-2021-42574). So what is kept as evidence or shown to
people goes through `plain`. And a password that was typed into the wrong place is not repeated:
what is quoted from the settings goes through `shown`.
"""

from __future__ import annotations

import re
import unicodedata

_PASSWORD = re.compile(r"://\S*@")


def plain(text: str) -> str:
    """Returns the text in one line and of printable signs alone (str.isprintable): control
    characters are written out as ``\\x1b``, those that nobody sees are left out."""
    return text if text.isprintable() else "".join(map(_sign, text))


def plain_lines(text: str) -> str:
    """Like `plain`, but keeps newlines: for texts of our own that have several lines."""
    return text if text.isprintable() else "\n".join(map(plain, text.split("\n")))


def _sign(sign: str) -> str:
    kind = unicodedata.category(sign)
    if kind == "Cf":
        return ""
    if kind == "Zs" or sign == "\t":
        return " "
    if sign.isprintable():
        return sign
    code = ord(sign)
    return f"\\x{code:02x}" if code < 256 else f"\\u{code:04x}"


def looks_secret(text: str) -> bool:
    """Returns whether a text may be an address with a password or a key in it."""
    return "://" in text or 0 <= text.find(":") < text.rfind("@")


def without_passwords(text: str) -> str:
    """Returns the text with user and password taken out of each address in it."""
    return _PASSWORD.sub("://…@", text) if "://" in text else text


def shown(value: object, longest: int = 60) -> str:
    """Returns how a value that somebody typed is quoted to them: in quotes if it is a text,
    shortened, plain, and not at all if it may be a secret."""
    if value is None:
        return "this"
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        if looks_secret(value):
            return '"…"'
        text = plain(value)
        return f'"{text}"' if len(text) <= longest else f'"{text[: longest - 3]}…"'
    if isinstance(value, int | float):
        return str(value)
    return "a list" if isinstance(value, list) else "a table" if isinstance(value, dict) else "this"


def shortened(text: str, longest: int) -> str:
    """Returns a text as one line that fits, cut between words."""
    text = " ".join(text.split())
    if len(text) <= longest:
        return text
    cut = text[: longest - 1]
    space = cut.rfind(" ")
    return (cut[:space] if space > longest // 2 else cut).rstrip(",;: ") + "…"
