"""What a pattern for lines may be: Python's own, in a time that grows with the line alone."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from stillwell.settings import ConfigError, load
from stillwell_drivers import line_pattern
from stillwell_drivers.line_pattern import LinePattern

CONFIG = Path(__file__).parents[2] / "config"
NEVER_ENDS = r"(\w+ ?)*level=(?P<mm>-?\d+)"

PIECES = [
    "a", "b", "-?", r"\d", r"\D", r"\w", r"\W", r"\s", r"\S", ".", r"\.", "[ab]", "[^a]", r"[\d.,]",
    r"[^\s,]", r"[\s\S]", "[^°]", "°", "µ", "x|y", "^", "$", r"\A", r"\Z", "(?i:Ab)", "(?a:\\w)",
    "\u0661", r"\u00b5", "(?s:.)", "", " ",
]  # fmt: skip
REPEATS = ["", "?", "*", "+", "*?", "+?", "??", "{2}", "{1,3}", "{0,2}?"]
LINE = st.text(alphabet="abAxy-.,19 \t°µé\u0661\u2003_\n", max_size=20)


@st.composite
def patterns(draw: st.DrawFn) -> str:
    """Patterns with up to three named groups, their repeats after groups only."""
    text = draw(st.sampled_from(["", "(?i)", "(?s)", "(?x)"]))
    for name in "pqr"[: draw(st.integers(1, 3))]:
        inner = "".join(draw(st.lists(st.sampled_from(PIECES), max_size=3)))
        repeat = draw(st.sampled_from(REPEATS))
        text += draw(st.sampled_from(PIECES)) + f"(?P<{name}>(?:{inner}){repeat})"
    return text


class TestAMatch:
    @given(patterns(), LINE)
    @example(r"level=(?P<p>-?\d+\.\d+) mm", "level=-12.5 mm")
    @example(r"(?P<p>\w+)/cm", "µS/cm")
    @example(r"(?P<p>a)|(?P<q>b)", "b")
    @example(r"(?P<p>\S+)(?P<q>.*)", "a\x1cb")
    def test_is_python_s(self, pattern: str, line: str) -> None:
        found = re.compile(pattern).fullmatch(line)
        groups = LinePattern(pattern).groups_of(line)
        assert groups == (None if found is None else found.groupdict())

    @pytest.mark.parametrize(
        "kind", [r"\d", r"\D", r"\s", r"\S", r"\w", r"[\d\s]", r"[^\s]", r"\W"]
    )
    def test_of_a_kind_of_sign_is_python_s(self, kind: str) -> None:
        ours, pythons = LinePattern(kind), re.compile(kind)
        for code in (*range(0x3100), 0xFF10, 0x1D7CE, 0x20000):
            taken = ours.groups_of(chr(code)) is not None
            assert taken == (pythons.fullmatch(chr(code)) is not None), hex(code)

    def test_of_a_pattern_with_ways_without_number_ends(self) -> None:
        # In a process of its own: an engine that tries them all would hold the lock of this one.
        code = (
            "from stillwell_drivers.line_pattern import LinePattern\n"
            f"pattern = LinePattern({NEVER_ENDS!r})\n"
            "print(pattern.groups_of('a' * 250), pattern.groups_of('the level=-5'))"
        )
        done = subprocess.run(
            [sys.executable, "-c", code], capture_output=True, text=True, check=True, timeout=60
        )
        assert done.stdout.split("\n")[0] == "None {'mm': '-5'}"

    def test_of_a_line_that_is_too_long_is_none(self) -> None:
        pattern = LinePattern("(?P<p>a+)")
        assert pattern.groups_of("a" * line_pattern.LONGEST_LINE)
        assert pattern.groups_of("a" * (line_pattern.LONGEST_LINE + 1)) is None


REFUSED = {
    "(?=a)a": "looks ahead",
    "(?<!a)b": "looks ahead or behind",
    r"(?P<p>a)(?P=p)": "refers back",
    r"(a)?(?(1)b|c)": "asks whether",
    "(?>a+)b": "never gives back",
    "a++b": "never gives back",
    "[": "no regular expression",
    "a" * 1001: "1001 characters",
    "(" * 450 + ")" * 450: "nested too deep",
    "((a{500}){500}){500}": "too much memory",
    "a{99999999999999999999}": "repeats too much",
    r"[^\W\d]": r"\W inside brackets",
}


class TestAPattern:
    @pytest.mark.parametrize(("pattern", "why"), REFUSED.items(), ids=lambda text: text[:20])
    def test_that_may_not_be_is_refused_with_file_line_key_and_what_to_write(
        self, pattern: str, why: str, tmp_path: Path
    ) -> None:
        sample = (CONFIG / "sample-serial-text.toml").read_text("utf-8")
        lines = sample.split("\n")
        (place,) = (n for n, line in enumerate(lines) if line.startswith("pattern"))
        lines[place] = f"pattern = '{pattern}'"
        file = tmp_path / "stillwell.toml"
        file.write_text("\n".join(lines), "utf-8")
        with pytest.raises(ConfigError) as caught:
            load(file, environ={})
        (fault,) = (each for each in caught.value.faults if each.key.endswith(".pattern"))
        assert (fault.file, fault.line) == (str(file), place + 1)
        assert why in fault.what
        assert fault.do.startswith(("Write", "In TOML write"))

    @given(st.text(alphabet=r"ab\dwsWZ()[]{}|?*+^$.,-<>=!:P0129xuN&~°", max_size=40))
    @example("(?P<p>[[a]&&b])")
    def test_of_any_signs_is_taken_or_refused_in_words(self, pattern: str) -> None:
        refusal = "The pattern"
        try:
            LinePattern(pattern)
        except ValueError as error:
            refusal = str(error)
        assert refusal.startswith("The pattern")


class TestWithoutRe2:
    @pytest.fixture(autouse=True)
    def _a_small_computer(self, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr(line_pattern, "re2", None)

    @pytest.mark.parametrize(
        "pattern",
        [
            r"level=(?P<mm>-?\d+\.\d+) mm",
            r"level=(?P<mm>[-+]?[0-9]+(?:\.[0-9]+)?)",
            r"(?P<a>-?\d{1,3}\.\d{1,2}) (?P<b>-?\d{1,3}\.\d{1,2}) (?P<c>\d{1,3})",
        ],
    )
    def test_a_pattern_with_few_ways_is_python_s(self, pattern: str) -> None:
        for line in ("level=-12.5 mm", "level=+3.5", "-1.5 22.25 100", "level=" + "1" * 250):
            found = re.fullmatch(pattern, line)
            groups = LinePattern(pattern).groups_of(line)
            assert groups == (None if found is None else found.groupdict())

    @pytest.mark.parametrize(
        "pattern", [NEVER_ENDS, ".*.*.*x", "(?:a|a)*x", "(?:a?){30}a{30}", "(?:(?:a{0,9}){0,9})x"]
    )
    def test_one_with_too_many_is_refused(self, pattern: str) -> None:
        with pytest.raises(ValueError, match="too many ways"):
            LinePattern(pattern)

    def test_what_re2_does_not_know_is_refused_as_well(self) -> None:
        with pytest.raises(ValueError, match="looks ahead"):
            LinePattern("(?=a)a")
