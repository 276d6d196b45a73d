"""Damaged configurations: settings or a `ConfigError` with a line, never another exception."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, assume, example, given, settings
from hypothesis import strategies as st

from examples import examples
from stillwell.settings import ConfigError, load
from stillwell.settings.syntax import read_toml
from stillwell.settings.toml_lines import key_lines

CONFIG = Path(__file__).parents[2] / "config"
SAMPLES = sorted(CONFIG.glob("*.toml"))
READING_ROOM = (CONFIG / "stillwell.toml").read_bytes()
SIMULATED = (CONFIG / "reading-room-simulated.toml").read_bytes()

in_one_folder = settings(examples(150), suppress_health_check=[HealthCheck.function_scoped_fixture])


def loads_or_explains(folder: Path, content: bytes) -> None:
    file = folder / "stillwell.toml"
    file.write_bytes(content)
    lines = content.count(b"\n") + 1
    try:
        load(file, environ={})
    except ConfigError as error:
        faults = error.faults
    else:
        return
    assert faults
    for fault in faults:
        assert fault.file == str(file)
        assert fault.line is not None
        assert 1 <= fault.line <= lines
        assert fault.what
        assert "Traceback" not in str(fault)


class TestTruncated:
    @pytest.mark.parametrize("file", SAMPLES, ids=lambda file: file.name)
    def test_the_syntax_of_each_sample_cut_anywhere(self, file: Path, long_run: bool) -> None:
        """At every byte with --long, else at every 13th."""
        content = file.read_bytes()
        for end in range(0, len(content), 1 if long_run else 13):
            try:
                _, text = read_toml(content[:end], "tank.toml")
            except ConfigError as error:
                (fault,) = error.faults
                assert fault.line is not None
                assert 1 <= fault.line <= content.count(b"\n", 0, end) + 1
            else:
                key_lines(text)

    @pytest.mark.parametrize("content", [READING_ROOM, SIMULATED], ids=["real", "simulated"])
    def test_the_whole_of_a_sample_cut_anywhere(
        self, tmp_path: Path, content: bytes, long_run: bool
    ) -> None:
        """At every byte with --long, else at every 151st and behind every sixth line."""
        ends = set(range(0, len(content), 1 if long_run else 151))
        lines = [place + 1 for place, byte in enumerate(content) if byte == 10]
        ends |= set(lines[:: 1 if long_run else 6])
        for end in sorted(ends):
            loads_or_explains(tmp_path, content[:end])


class TestDamaged:
    @in_one_folder
    @given(st.binary(max_size=400))
    def test_random_bytes(self, tmp_path: Path, content: bytes) -> None:
        loads_or_explains(tmp_path, content)

    @in_one_folder
    @given(st.text(alphabet="[]{}=.,\"'#\\\n\r\t -_abtd019TZ:", max_size=200))
    def test_random_text_of_the_signs_that_mean_something(self, tmp_path: Path, text: str) -> None:
        loads_or_explains(tmp_path, text.encode())

    @in_one_folder
    @given(
        st.lists(st.tuples(st.integers(0, len(SIMULATED) - 1), st.binary(max_size=3)), max_size=5)
    )
    def test_a_sample_with_a_few_bytes_changed(
        self, tmp_path: Path, changes: list[tuple[int, bytes]]
    ) -> None:
        content = bytearray(SIMULATED)
        for place, piece in changes:
            content[place : place + 1] = piece
        loads_or_explains(tmp_path, bytes(content))

    @in_one_folder
    @given(st.randoms(use_true_random=False))
    def test_a_sample_with_its_lines_dropped_doubled_and_swapped(
        self, tmp_path: Path, random: Any
    ) -> None:
        lines = SIMULATED.split(b"\n")
        for _ in range(random.randint(1, 4)):
            place, other = random.randrange(len(lines)), random.randrange(len(lines))
            match random.randrange(3):
                case 0:
                    lines[place] = b""
                case 1:
                    lines[place] = lines[other]
                case _:
                    lines[place], lines[other] = lines[other], lines[place]
        loads_or_explains(tmp_path, b"\n".join(lines))


class TestAHugeLine:
    @pytest.mark.parametrize("line", ["a = b" + " " * 900_000 + "c", "a" * 900_000, "a=" * 400_000])
    def test_is_explained_at_once(self, tmp_path: Path, line: str) -> None:
        # A pattern that goes back over the blanks would take hours.
        loads_or_explains(tmp_path, line.encode())


# Values of every TOML type, some of them absurd.
VALUES = [
    "true", "0", "-1", "1e308", "inf", "-inf", "nan", "0x" + "f" * 5000, '""', '"x"', "[]", "{}",
    "[[]]", '["a", 1, {}]', "{ a = { b = 1 } }", "1979-05-27", "07:32:00", "1979-05-27T07:32:00Z",
    '"25.3 degC"', '"1e300 L"', '"-1 s"', '"\\u0000"', '"{0} {what} %s"', "[1]", '["2 K", "1 K"]',
]  # fmt: skip


def leaves(value: Any, path: tuple[str, ...] = ()) -> list[tuple[str, ...]]:
    """Every key path that leads to no table, and every table."""
    found = [path] if path else []
    if isinstance(value, dict):
        for key, below in value.items():
            found += leaves(below, (*path, key))
    return found


class TestAbsurdValues:
    def test_each_key_of_the_sample_with_a_value_of_every_type(
        self, tmp_path: Path, long_run: bool
    ) -> None:
        """Each key with each value with --long, else with two of them in turn."""
        tree = tomllib.loads(SIMULATED.decode())
        turn = 0
        for path in leaves(tree):
            for _ in range(len(VALUES) if long_run else 2):
                value = VALUES[turn % len(VALUES)]
                turn += 1
                text = written(tree, path, value)
                loads_or_explains(tmp_path, text.encode())

    @in_one_folder
    @given(st.text(max_size=30), st.sampled_from(VALUES))
    @example("__class__", "1")
    @example("model_config", "1")
    @example("", "1")
    def test_unknown_keys_of_any_name_in_every_table(
        self, tmp_path: Path, key: str, value: str
    ) -> None:
        quoted = "".join(f"\\U{ord(sign):08x}" for sign in key)
        table = ["tank", "night", "source.tank", "channel.water-a", "band.water", "source", "band"]
        chosen = table[len(key) % len(table)]
        text = SIMULATED.decode().replace(f"[{chosen}]\n", f'[{chosen}]\n"{quoted}" = {value}\n', 1)
        loads_or_explains(tmp_path, text.encode(errors="replace"))


TOKEN = st.text(alphabet="0123456789abcdefgh", min_size=8, max_size=14).map("zq".__add__)
RECIPIENTS = """
[sink.broker]
kind = "mqtt"
host = "localhost"
username = "tank"
[sink.history]
kind = "influx"
url = "http://localhost:8086"
[sink.niamh]
kind = "push"
url = "json://localhost"
[sink.watcher]
kind = "ping"
url = "http://localhost/a"
[page]
address = "http://tank.local:8080"
"""
WITH_RECIPIENTS = SIMULATED.decode() + RECIPIENTS
TREE = tomllib.loads(WITH_RECIPIENTS)
ADDRESS = st.sampled_from(
    ["mqtt://tank:{}@10.0.0.2", "https://u:{}@h/p", "tank:{}@host", "tgram://{}/12", "x://:a@{}@h"]
)
OWN_KEYS = [path for path in leaves(TREE) if path[0] == "sink" and len(path) == 3]


few = settings(in_one_folder, max_examples=examples(40).max_examples)


class TestASecretInTheWrongPlace:
    """Whatever is said of a configuration does not repeat it."""

    def says(self, folder: Path, text: str, secret: str, environ: Any = None) -> None:
        file = folder / "stillwell.toml"
        file.write_bytes(text.encode())
        try:
            loaded = load(file, environ=environ or {})
        except ConfigError as error:
            said = [str(error), repr(error), *map(repr, error.faults)]
        else:
            said = [*map(str, loaded.warnings)]
            said += [each.broken for each in loaded.sink.values()]
            said += [each.broken for each in loaded.source.values()]
        assert not any(secret in each for each in said), said

    @few
    @given(TOKEN, ADDRESS, st.sampled_from(leaves(TREE)))
    @example("zqhunter22", "mqtt://tank:{}@10.0.0.2", ("sink", "broker", "host"))
    def test_an_address_with_a_password_as_any_value(
        self, tmp_path: Path, token: str, address: str, path: tuple[str, ...]
    ) -> None:
        self.says(tmp_path, written(TREE, path, f'"{address.format(token)}"'), token)

    @few
    @given(TOKEN, ADDRESS, st.sampled_from([path[:-1] for path in leaves(TREE)]))
    def test_an_address_with_a_password_as_a_key(
        self, tmp_path: Path, token: str, address: str, table: tuple[str, ...]
    ) -> None:
        header = f"[{'.'.join(table)}]\n"
        line = f'"{address.format(token)}" = 1\n'
        text = (
            WITH_RECIPIENTS.replace(header, header + line, 1) if table else line + WITH_RECIPIENTS
        )
        self.says(tmp_path, text, token)

    @few
    @given(
        TOKEN,
        st.sampled_from(OWN_KEYS),
        st.sampled_from(['"{}"', '["{}"]', '"a {} b"', "{{ a = '{}' }}"]),
    )
    def test_anything_as_a_value_of_a_recipient(
        self, tmp_path: Path, token: str, path: tuple[str, ...], form: str
    ) -> None:
        self.says(tmp_path, written(TREE, path, form.format(token)), token)

    @few
    @given(
        TOKEN, st.sampled_from(leaves(TREE)), st.sampled_from(['"password"', '"token"', "1", '"x"'])
    )
    def test_as_a_key_where_its_name_stands_as_the_value(
        self, tmp_path: Path, token: str, path: tuple[str, ...], value: str
    ) -> None:
        header = f"[{'.'.join(path[:-1])}]\n"
        if path[0] != "sink":
            value = '"password"'
        assume("channels" not in path)  # what stands there are names
        text = WITH_RECIPIENTS.replace(header, f"{header}{token} = {value}\n", 1)
        self.says(tmp_path, text, token)

    @few
    @given(
        TOKEN,
        st.integers(0, WITH_RECIPIENTS.count("\n")),
        st.sampled_from(
            [
                "password = {}", "{} = password", 'password = "{}', "{} =", "{}", "password: {}",
                "password = [{}]", 'a = {{ {} = 1, {} = 2 }}', "{} = 1\n{} = 1", "[{}]\n[{}]",
                "= {}", "password = 12{}", 'password = “{}”', "{} = on it", "a.{}.b = 1\na.{} = 2",
            ]
        ),
    )  # fmt: skip
    def test_on_a_line_that_is_no_toml(
        self, tmp_path: Path, token: str, at: int, line: str
    ) -> None:
        lines = WITH_RECIPIENTS.split("\n")
        lines.insert(at, line.replace("{}", token).replace("{{", "{").replace("}}", "}"))
        self.says(tmp_path, "\n".join([*lines, "]"]), token)


def written(tree: Any, at: tuple[str, ...], value: str, path: tuple[str, ...] = ()) -> str:
    """The tree as inline TOML, with the value at one path replaced."""
    if path == at and path:
        return value
    if isinstance(tree, dict):
        pairs = [
            f'"{key}" = {written(below, at, value, (*path, key))}' for key, below in tree.items()
        ]
        return "\n".join(pairs) + "\n" if not path else "{ " + ", ".join(pairs) + " }"
    if isinstance(tree, list):
        return "[" + ", ".join(written(each, at, value, (*path, "[]")) for each in tree) + "]"
    if isinstance(tree, str):
        return f"'{tree}'" if "'" not in tree else f'"{tree}"'
    return str(tree).lower()
