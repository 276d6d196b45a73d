"""What `--json` promises of every command: a form that config/ describes, and nothing else on
standard output; errors and remarks are JSON too, on standard error.

`command_line.call` and `process` hold each line to its form wherever a test uses --json.
"""

from __future__ import annotations

import json
from pathlib import Path

import jsonschema
import pytest
from typer.main import get_command

from command_line import FORMS, ROOT, call, held_to_its_form, json_lines, process, tank
from stillwell.cli import json_schema, printed
from stillwell.cli.main import app

COMMANDS = get_command(app).commands  # type: ignore[attr-defined]


class TestForms:
    def test_the_file_is_current(self) -> None:
        """Else: python -m stillwell.cli.json_schema"""
        there = (ROOT / "config" / "output.schema.json").read_text(encoding="utf-8")
        assert there == json_schema.text()

    def test_every_command_has_one(self) -> None:
        taking = {name for name, c in COMMANDS.items() if "as_json" in {p.name for p in c.params}}
        prints_nothing = {"page"}  # it serves; what it shows is for a browser, figures at /metrics
        assert taking == set(COMMANDS) - prints_nothing == set(printed.BY_COMMAND)

    def test_they_are_json_schema(self) -> None:
        jsonschema.Draft202012Validator.check_schema(FORMS)

    @pytest.mark.parametrize(
        "line",
        [
            '{"done": true, "text": "", "alarms": [], "more": 1}',
            '{"done": true, "text": ""}',
            "done",
        ],
    )
    def test_another_form_is_seen(self, line: str) -> None:
        with pytest.raises((jsonschema.ValidationError, json.JSONDecodeError)):
            held_to_its_form(["ack", "--json"], line)

    @pytest.mark.parametrize("time", ["2026-01-31T08:00+00:00", "2026-01-31T08:00:00+01:00"])
    def test_a_time_is_utc_with_a_z(self, time: str) -> None:
        backup = {"file": "a", "size_bytes": 1, "schema": 4, "newest": time}
        with pytest.raises(jsonschema.ValidationError):
            held_to_its_form(["backup", "--json"], json.dumps(backup))
        held_to_its_form(
            ["backup", "--json"], json.dumps(backup | {"newest": "2026-01-31T08:00:00Z"})
        )


@pytest.fixture(scope="module")
def config(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("tank")
    made = tank(folder, every="2 min")
    begun = ("--from", "2026-03-10T08:00Z", "--until", "2026-03-11T08:00Z")
    assert call("simulate", "-c", made, *begun, "--json").exit_code == 0
    return made


class TestResults:
    @pytest.mark.parametrize(
        "words",
        [
            ("alarms", "--report"),
            ("alarms", "--all"),
            ("check", "--deadman"),
            ("heater",),
            ("review",),
            ("status",),
            ("today",),
            ("book",),
            ("sinks",),
            ("note", "--list"),
        ],
    )
    def test_are_of_their_form(self, config: Path, words: tuple[str, ...]) -> None:
        assert not isinstance(call(*words, "-c", config, "--json").exception, Exception)

    def test_what_else_is_said_is_a_remark(self, config: Path) -> None:
        at = ("--at", "2026-03-11T08:00Z")
        result = call("warm-up", "-c", config, *at, "--record", "--by", "Niamh", "--json")
        [told] = json_lines(result)
        assert told["time"] == "2026-03-11T08:00:00Z"
        assert told["rate"]["unit"] == "K/h"
        assert "Noted as entry" in json.loads(result.stderr.splitlines()[-1])["remark"]

    def test_a_rate_has_its_unit_and_missing_water_its_one_name(self, config: Path) -> None:
        [told] = json_lines(call("today", "-c", config, "--json"))
        assert told["water"]["water"]["rate"]["unit"] == "K/h"
        assert "to_add" in told


class TestErrors:
    @pytest.mark.parametrize(
        ("words", "says"),
        [
            (("alarms", "-s", "/nowhere/tank.db"), "There is no store"),
            (("alarms", "-c", "/nowhere/tank.toml"), "There is no such file"),
            (("shelve", "top-up", "--for", "soon"), "soon"),
            (("mix", "0 L"), "stillwell mix 10 L"),
        ],
    )
    def test_are_json_on_standard_error(self, words: tuple[str, ...], says: str) -> None:
        result = call(*words, "--json")
        assert (result.exit_code, result.stdout) == (2, "")
        told = json.loads(result.stderr)
        assert says in told["error"] + told["do"]

    @pytest.mark.parametrize(
        ("words", "says"), [(("alrams",), "alrams"), (("alarms", "--log", "three"), "--log")]
    )
    def test_what_is_no_command_too(self, words: tuple[str, ...], says: str) -> None:
        done = process(*words, "--json")
        assert (done.returncode, done.stdout) == (2, "")
        assert says in json.loads(done.stderr)["error"]

    def test_a_fault_of_ours_too(self, tmp_path: Path) -> None:
        broken = tmp_path / "sitecustomize.py"
        broken.write_text("import stillwell.cli.options as o\no.load_settings = lambda _: 1 / 0\n")
        done = process("alarms", "--json", env={"PYTHONPATH": str(tmp_path)})
        assert done.returncode == 70
        assert json.loads(done.stderr)["error"].startswith("ZeroDivisionError")

    def test_exit_codes_are_those_of_the_other_form(self, config: Path) -> None:
        for more in ((), ("--json",)):
            assert process("unshelve", "no.such", "-c", config, *more).returncode == 1
            assert process("alarms", "-c", config, *more).returncode == 0
