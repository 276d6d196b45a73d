"""Each key's line is found, whatever the TOML looks like; broken TOML names line and hint."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stillwell.settings import ConfigError, Fault
from stillwell.settings.syntax import read_toml
from stillwell.settings.toml_lines import key_lines

CONFIG = Path(__file__).parents[2] / "config"

TRICKY = '''\
# a comment with [brackets] and = signs
top = 1
"quoted key" = 2
'lit.eral' = 3
a.b.c = 4
a . "d e" = 5

[table]   # behind a header
x = "text with # and ] and = and \\" in it"
y = """
several
lines = 1 ""\\"
[no.table]
""""
z = \'\'\'
[nor.this]
it\'s = 2\'\'\'
list = [
  1,  # one

  [2, { in = "line", deep.er = [3] }],
]
inline = { p = 1, "q r" = { s = [ {t = 1}, {t = 2} ] } }
when = 2026-11-25 09:00:00
[table.below]
k = true
[["many"]]
n = 1
[many.sub]
m = 1
[[many]]
n = 2
[[many.deep]]
o = 1
[[many.deep]]
o = 2
[later.sub]
u = 1
[later]
v = 1
'''


def paths(value: Any, path: tuple[str | int, ...] = ()) -> set[tuple[str | int, ...]]:
    """Every key path of a parsed document, the empty one left out."""
    found = {path} if path else set()
    if isinstance(value, dict):
        for key, below in value.items():
            found |= paths(below, (*path, key))
    elif isinstance(value, list):
        for index, below in enumerate(value):
            found |= paths(below, (*path, index))
    return found


def fault_of(text: str | bytes) -> Fault:
    content = text.encode() if isinstance(text, str) else text
    with pytest.raises(ConfigError) as raised:
        read_toml(content, "tank.toml")
    (fault,) = raised.value.faults
    return fault


class TestLines:
    def test_every_form_of_a_key_has_the_line_it_stands_on(self) -> None:
        lines = key_lines(TRICKY)
        numbered = TRICKY.split("\n")
        for path, start in {
            ("top",): "top =",
            ("quoted key",): '"quoted key"',
            ("lit.eral",): "'lit.eral'",
            ("a", "b", "c"): "a.b.c",
            ("a", "d e"): 'a . "d e"',
            ("table",): "[table] ",
            ("table", "y"): 'y = """',
            ("table", "z"): "z = '''",
            ("table", "list"): "list = [",
            ("table", "list", 0): "  1,",
            ("table", "list", 1, 1, "deep", "er", 0): "  [2,",
            ("table", "inline", "q r", "s", 1, "t"): "inline =",
            ("table", "below", "k"): "k = true",
            ("many", 0, "n"): "n = 1",
            ("many", 0, "sub", "m"): "m = 1",
            ("many", 1, "n"): "n = 2",
            ("many", 1, "deep", 1, "o"): "o = 2",
            ("later",): "[later]",
            ("later", "sub", "u"): "u = 1",
        }.items():
            assert numbered[lines[path] - 1].startswith(start), path

    def test_exactly_the_keys_of_the_document_are_found(self) -> None:
        assert set(key_lines(TRICKY)) == paths(tomllib.loads(TRICKY))

    @pytest.mark.parametrize("file", sorted(CONFIG.glob("*.toml")), ids=lambda file: file.name)
    def test_exactly_the_keys_of_each_sample_are_found(self, file: Path) -> None:
        text = file.read_text(encoding="utf-8")
        assert set(key_lines(text)) == paths(tomllib.loads(text))

    @given(
        st.lists(
            st.sampled_from(
                [*TRICKY.split("\n"), "b = [", "]", "c = {", "}", "d.e = ''", '"""', "'''"]
            ),
            max_size=12,
        )
    )
    def test_whatever_tomllib_takes_the_walk_takes_alike(self, lines: list[str]) -> None:
        text = "\n".join(lines)
        try:
            tree = tomllib.loads(text)
        except tomllib.TOMLDecodeError:
            return
        assert set(key_lines(text)) == paths(tree)

    def test_windows_line_ends_change_no_line(self) -> None:
        assert key_lines(TRICKY.replace("\n", "\r\n")) == key_lines(TRICKY)


class TestBrokenSyntax:
    @pytest.mark.parametrize(
        ("line", "hint"),
        [
            ("every = 30 s", 'every = "30 s"'),
            ("target = 25.3 °C", 'target = "25.3 °C"'),
            ("tolerance = 0,5", "decimal point"),
            ("latching = True", "latching = true or latching = false"),
            ("label = probe A", "quotes"),
            ('label = "probe A', "closed by the same quote"),
            ("label = “probe A”", "typographic"),
            ("label: 1", '"="'),
            ("label =", "Write a value"),
            ("[night", "in brackets"),
            ("label", "a key with"),
        ],
    )
    def test_the_line_is_named_and_what_was_most_likely_meant(self, line: str, hint: str) -> None:
        fault = fault_of(f"[tank]\nname = 'a'\n{line}\nzone = 'UTC'\n")
        assert fault.line == 3
        assert "column" in fault.what
        assert hint in fault.do

    @pytest.mark.parametrize("twice", ["a = 1\na = 2", "[t]\n[u]\n[t]", "t = {}\n[t.u]"])
    def test_a_key_that_stands_twice_is_called_so(self, twice: str) -> None:
        fault = fault_of(twice)
        assert "twice" in fault.do
        assert "('" not in fault.what

    def test_an_unclosed_list_is_found_at_the_end(self) -> None:
        fault = fault_of("a = [\n1,\n")
        assert fault.line == 2
        assert "not closed" in fault.do or "]" in fault.do

    def test_bytes_that_are_no_utf8_name_their_line(self) -> None:
        fault = fault_of(b"a = 1\nb = '25.3 \xb0C'\n")
        assert fault.line == 2
        assert "0xb0" in fault.what
        assert "degC" in fault.do

    def test_a_byte_order_mark_is_no_error(self) -> None:
        assert read_toml(b"\xef\xbb\xbfa = 1\n", "tank.toml")[0] == {"a": 1}

    def test_nesting_without_end_names_its_line(self) -> None:
        fault = fault_of("a = 1\nb = " + "[" * 100_000 + "\nc = 1\n")
        assert fault.line == 2
        assert "nested" in fault.what

    @pytest.mark.parametrize("line", range(1, 9))
    def test_a_number_of_thousands_of_digits_names_its_line(self, line: int) -> None:
        lines = [f"a{number} = 1" for number in range(1, 9)]
        lines[line - 1] = "b = " + "9" * 5000
        fault = fault_of("\n".join(lines))
        assert fault.line == line
        assert "9" * 100 not in fault.what

    @pytest.mark.parametrize("number", ["9223372036854775808", "0x" + "f" * 5000])
    def test_a_number_beyond_64_bits_names_its_line_and_key(self, number: str) -> None:
        """TOML 1.0.0, Integer: an error where 64 bits cannot hold it."""
        fault = fault_of(f"a = 1\n[b]\nc = [1, {number}]\n")
        assert (fault.line, fault.key) == (3, "b.c.1")

    def test_a_file_of_megabytes_is_not_even_read_as_toml(self) -> None:
        assert "bytes" in fault_of(b"#" * (1 << 21)).what

    def test_no_hint_shows_what_may_be_a_password(self) -> None:
        for line in ("password = hunter2 x", 'password = "hunter2', "password hunter2"):
            fault = fault_of(f"[sink.broker]\n{line}\n")
            assert "hunter2" not in fault.what + fault.do
