r"""Which patterns for lines are allowed, and a match that takes time in proportion to the line.

Python's own engine tries one way through a pattern after the other, and holds the interpreter's
lock meanwhile: ``(\w+ ?)*x`` on a line of 250 letters never ends. So lines are matched with RE2,
which follows all ways at once; the pattern is still Python's. It is parsed by Python's parser, and
rewritten for RE2 with the meaning that its signs have in Python: ``\d``, ``\w`` and ``\s`` know all
of Unicode. Only ``\b`` knows just the letters of ASCII.

RE2 has no wheel for 32-bit Pis. Where it is missing, Python's engine matches, and a pattern with
more than `MOST_WAYS` ways through a line is refused: that bounds the time as well.

Sources: https://github.com/google/re2/wiki/Syntax; Cox, "Regular Expression Matching Can Be Simple
And Fast", 2007; CPython's Lib/re/_parser.py, 3.11 to 3.13.
"""

from __future__ import annotations

import re
import re._constants as sign  # type: ignore[import-not-found]
import re._parser as parser  # type: ignore[import-not-found]
import warnings
from collections.abc import Iterable
from typing import Any

try:
    import re2
except ImportError:
    re2 = None

LONGEST_LINE = 256
"""The most bytes of a line that can match."""
LONGEST_PATTERN = 1000
MOST_WAYS = 1 << 18
"""The most ways through a line without RE2: two plain numbers with sign and decimals have about
130,000; as many take a few milliseconds."""
_LARGEST_MACHINE = 2 << 20
"""The most bytes that RE2 may use for one pattern."""

_DO = r"Write it as in 'level=(?P<mm>-?\d+\.\d+) mm'."
_REFUSED = {
    sign.ASSERT: "looks ahead or behind ((?=…), (?!…), (?<=…), (?<!…))",
    sign.ASSERT_NOT: "looks ahead or behind ((?=…), (?!…), (?<=…), (?<!…))",
    sign.GROUPREF: r"refers back to a group (\1, (?P=name))",
    sign.GROUPREF_EXISTS: "asks whether a group matched ((?(name)…))",
    sign.ATOMIC_GROUP: "has a group that never gives back ((?>…))",
    sign.POSSESSIVE_REPEAT: "has a repeat that never gives back (*+, ++, ?+)",
}
_PLACES = {
    sign.AT_BEGINNING: "^",
    sign.AT_BEGINNING_STRING: r"\A",
    sign.AT_END: "$",
    sign.AT_END_STRING: r"\z",
    sign.AT_BOUNDARY: r"\b",
    sign.AT_NON_BOUNDARY: r"\B",
}
# str.isspace, and so \s, is true of these (Python's documentation of `re`).
_SPACE = (
    r"\t-\r\x{1c}-\x{20}\x{85}\x{a0}\x{1680}\x{2000}-\x{200a}\x{2028}\x{2029}\x{202f}"
    r"\x{205f}\x{3000}"
)
_NO_SPACE = (
    r"\x{0}-\x{8}\x{e}-\x{1b}\x{21}-\x{84}\x{86}-\x{9f}\x{a1}-\x{167f}\x{1681}-\x{1fff}"
    r"\x{200b}-\x{2027}\x{202a}-\x{202e}\x{2030}-\x{205e}\x{2060}-\x{2fff}\x{3001}-\x{10ffff}"
)
_KINDS = {
    sign.CATEGORY_DIGIT: r"\p{Nd}",
    sign.CATEGORY_NOT_DIGIT: r"\P{Nd}",
    sign.CATEGORY_SPACE: _SPACE,
    sign.CATEGORY_NOT_SPACE: _NO_SPACE,
    sign.CATEGORY_WORD: r"\p{L}\p{N}_",
}
_ASCII_KINDS = {
    sign.CATEGORY_DIGIT: r"\d",
    sign.CATEGORY_NOT_DIGIT: r"\D",
    sign.CATEGORY_SPACE: r"\s\v",
    sign.CATEGORY_NOT_SPACE: r"\x{0}-\x{8}\x{e}-\x{1f}\x{21}-\x{10ffff}",
    sign.CATEGORY_WORD: r"\w",
    sign.CATEGORY_NOT_WORD: r"\W",
}


class LinePattern:
    """A pattern that a whole line must match, with its named groups.

    Raises ValueError, with two sentences for whoever wrote it, for a text that is no pattern or not
    an allowed one.
    """

    def __init__(self, pattern: str) -> None:
        if len(pattern) > LONGEST_PATTERN:
            raise ValueError(
                f"The pattern has {len(pattern)} characters, and may have {LONGEST_PATTERN}. {_DO}"
            )
        try:
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")
                tree = parser.parse(pattern)
            ways = _ways(tree)
            again = "" if re2 is None else _Rewriting(tree).text
        except re.error as error:
            raise ValueError(
                f"The pattern is no regular expression: {error}. In TOML write it in single "
                "quotes, as in 'level=(?P<mm>[0-9.]+)'."
            ) from error
        except (RecursionError, OverflowError):
            raise ValueError(f"The pattern is nested too deep or repeats too much. {_DO}") from None
        self.groups: tuple[str, ...] = tuple(tree.state.groupdict)
        if re2 is not None:
            self._machine: Any = _machine(again)
        elif ways > MOST_WAYS:
            raise ValueError(
                "The pattern has too many ways through one line, and this computer lacks the "
                r"program that follows them all at once (google-re2). Write how often a sign may "
                r"come, as \d{1,4} in place of \d+, and no repeat inside a repeat."
            )
        else:
            self._machine = re.compile(pattern)

    def groups_of(self, line: str) -> dict[str, str | None] | None:
        """Returns the text of each named group of a line, None for a group that took no part;
        returns None if the whole line does not match."""
        if len(line) > LONGEST_LINE:
            return None
        found = self._machine.fullmatch(line)
        return None if found is None else {name: found[name] for name in self.groups}


def _machine(pattern: str) -> Any:
    options = re2.Options()
    options.max_mem = _LARGEST_MACHINE
    options.log_errors = False
    try:
        return re2.compile(pattern, options)
    except re2.error:
        # RE2's own error is about the rewritten pattern, which nobody has seen.
        raise ValueError(
            "The pattern needs too much memory, or has signs that cannot stand in a line. "
            rf"Write smaller repeats, as \d{{1,4}}. {_DO}"
        ) from None


def _ways(tree: Iterable[Any]) -> int:
    """Returns the most ways through a line that a search may have to try; `MOST_WAYS` + 1 for more.
    Raises ValueError for signs that no engine of linear time knows."""
    ways = 1
    for code, about in tree:
        if code in _REFUSED:
            raise ValueError(
                f"The pattern {_REFUSED[code]}, which has no limit in time. Write out "
                "what stands around the number, and name only the number's group: "
                r"'level=(?P<mm>-?\d+\.\d+) mm'."
            )
        if code is sign.BRANCH:
            ways *= sum(map(_ways, about[1]))
        elif code is sign.SUBPATTERN:
            ways *= _ways(about[3])
        elif code in (sign.MAX_REPEAT, sign.MIN_REPEAT):
            least, most, inner = about
            ways *= _times(
                _ways(inner), min(int(least), LONGEST_LINE), min(int(most), LONGEST_LINE)
            )
        ways = min(ways, MOST_WAYS + 1)
    return ways


def _times(ways: int, least: int, most: int) -> int:
    """Returns the ways of something that is repeated `least` to `most` times and has `ways` each
    time."""
    if ways == 1:
        return most - least + 1
    total = 0
    for times in range(least, most + 1):
        total += ways ** min(times, 20)  # two to the 20th is more than is counted
        if total > MOST_WAYS:
            break
    return total


class _Rewriting:
    """A parsed pattern as RE2's text with the same meaning."""

    def __init__(self, tree: Any) -> None:
        self._names = {number: name for name, number in tree.state.groupdict.items()}
        self.text = self._with_flags(tree.state.flags, 0, self._all(tree, tree.state.flags))

    def _all(self, tree: Iterable[Any], flags: int) -> str:
        return "".join(self._one(code, about, flags) for code, about in tree)

    def _one(self, code: Any, about: Any, flags: int) -> str:
        if code is sign.LITERAL:
            return _letter(about)
        if code is sign.NOT_LITERAL:
            return f"[^{_letter(about)}]"
        if code is sign.ANY:
            return "."
        if code is sign.AT:
            return _PLACES[about]
        if code is sign.IN:
            return _set(about, _ASCII_KINDS if flags & re.ASCII else _KINDS)
        if code is sign.BRANCH:
            return f"(?:{'|'.join(self._all(each, flags) for each in about[1])})"
        if code is sign.SUBPATTERN:
            number, add, remove, inner = about
            text = self._with_flags(add, remove, self._all(inner, (flags | add) & ~remove))
            name = self._names.get(number)
            return text if number is None else f"(?P<{name}>{text})" if name else f"({text})"
        if code in (sign.MAX_REPEAT, sign.MIN_REPEAT):
            least, most, inner = about
            upper = "" if most is sign.MAXREPEAT else most
            lazy = "?" if code is sign.MIN_REPEAT else ""
            return f"(?:{self._all(inner, flags)}){{{least},{upper}}}{lazy}"
        raise ValueError(f"The pattern has a part that is not known here ({code}). {_DO}")

    @staticmethod
    def _with_flags(add: int, remove: int, text: str) -> str:
        letters = {re.IGNORECASE: "i", re.MULTILINE: "m", re.DOTALL: "s"}
        on = "".join(letter for flag, letter in letters.items() if add & flag)
        off = "".join(letter for flag, letter in letters.items() if remove & flag)
        return f"(?{on}{f'-{off}' if off else ''}:{text})"


def _letter(code: int) -> str:
    return f"\\x{{{code:x}}}"


def _set(items: list[Any], kinds: dict[Any, str]) -> str:
    if items == [(sign.CATEGORY, sign.CATEGORY_NOT_WORD)] and sign.CATEGORY_NOT_WORD not in kinds:
        return f"[^{kinds[sign.CATEGORY_WORD]}]"
    text = ""
    for code, about in items:
        if code is sign.NEGATE:
            text = "^"
        elif code is sign.LITERAL:
            text += _letter(about)
        elif code is sign.RANGE:
            text += f"{_letter(about[0])}-{_letter(about[1])}"
        elif about in kinds:
            text += kinds[about]
        else:
            raise ValueError(
                r"The pattern has \W inside brackets. Write the signs that are meant: "
                "[^A-Za-z0-9_]."
            )
    return f"[{text}]"
