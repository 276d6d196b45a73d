"""What all commands have in common: help, completion, exit codes, and that no traceback reaches a
person. In processes of their own, as a shell calls them."""

from __future__ import annotations

import json
import os
import signal
import subprocess
from pathlib import Path

import pytest
from typer.main import get_command

from command_line import STILLWELL, call, process, tank
from stillwell.cli.main import app
from stillwell.settings import load
from stillwell.wiring.assemble import open_store, pipeline

COMMANDS = sorted(get_command(app).commands)  # type: ignore[attr-defined]
PRINT = [command for command in COMMANDS if command != "page"]
"""The page serves: it prints nothing for a program to read."""

BREAK = """
import sys
from stillwell.cli import main, options
def broken(*_): raise {error}
options.load_settings = broken
import stillwell.cli.review
sys.argv = ["stillwell", "review"]
main.main()
"""


def broken(error: str, **env: str) -> subprocess.CompletedProcess[str]:
    """`stillwell review` in a process where something raises what nobody expects."""
    return subprocess.run(
        [STILLWELL.with_name("python"), "-c", BREAK.format(error=error)],
        capture_output=True,
        text=True,
        env=os.environ | env,
    )


class TestTheStart:
    @pytest.mark.parametrize(
        ("module", "later"),
        [
            # Each command imports what it needs when it runs.
            ("stillwell.cli.main", {"stillwell.words", "stillwell.store", "pydantic"}),
            ("stillwell.words", {"stillwell.store", "stillwell.run", "pydantic"}),
            # Whoever comes first waits for all of it, and it stays in memory.
            (
                "stillwell.page.__main__",
                {
                    *("pydantic", "rich", "numpy", "prometheus_client", "matplotlib", "segno"),
                    *("stillwell.settings", "stillwell.supervise", "stillwell.wiring"),
                    *("stillwell.estimate.heat_balance", "stillwell.observe.flow"),
                },
            ),
        ],
    )
    def test_loads_only_what_it_needs(self, module: str, later: set[str]) -> None:
        code = f"import sys, {module}; print(*({later} & set(sys.modules)))"
        python = STILLWELL.with_name("python")
        assert subprocess.check_output([python, "-c", code], text=True).split() == []


class TestHelp:
    @pytest.mark.parametrize("command", PRINT)
    def test_every_command_has_an_example_and_json(self, command: str) -> None:
        said = call(command, "--help", env={"COLUMNS": "100", "TERM": "dumb"}).stdout
        assert f"Example: stillwell {command}" in " ".join(said.split())
        assert "--json" in said

    @pytest.mark.parametrize("command", PRINT)
    def test_every_command_names_the_keys_of_its_json(self, command: str) -> None:
        assert "With --json" in (get_command(app).commands[command].help or "")  # type: ignore[attr-defined]

    @pytest.mark.parametrize("command", sorted(get_command(app).commands))  # type: ignore[attr-defined]
    def test_shows_every_word_of_its_help(self, command: str) -> None:
        """What stands in square brackets is a style to what prints it, and is left out."""
        for parameter in get_command(app).commands[command].params:  # type: ignore[attr-defined]
            assert "[" not in (parameter.help or ""), parameter.name

    def test_an_unknown_command_is_exit_2(self) -> None:
        done = process("rewiew")
        assert done.returncode == 2
        assert "No such command" in done.stderr

    def test_the_version_is_said(self) -> None:
        assert process("--version").stdout.startswith("stillwell 0.")


class TestUnexpected:
    def test_is_a_sentence_and_exit_70(self) -> None:
        done = broken("ZeroDivisionError('by\\nnothing')")
        assert done.returncode == 70
        assert done.stderr.splitlines() == [
            "ZeroDivisionError: by nothing",
            "This is a fault of stillwell: run again with STILLWELL_DEBUG=1 and report it.",
        ]
        assert done.stdout == ""

    def test_shows_the_traceback_to_whoever_asks_for_it(self) -> None:
        done = broken("ZeroDivisionError('by nothing')", STILLWELL_DEBUG="1")
        assert "Traceback" in done.stderr
        assert done.returncode != 0

    def test_a_file_of_somebody_else_says_how_to_be_allowed(self) -> None:
        done = broken("PermissionError(13, 'Permission denied', '/nowhere/tank.db')")
        assert done.returncode == 2
        assert done.stderr == "This user may not open /nowhere/tank.db.\nAsk with sudo.\n"

    def test_an_interrupt_is_130_without_a_word(self) -> None:
        done = broken("KeyboardInterrupt")
        assert (done.returncode, done.stdout, done.stderr) == (130, "", "")

    def test_ctrl_c_in_the_middle_of_work_is_130_without_a_traceback(self, tmp_path: Path) -> None:
        config = tank(tmp_path)
        work = subprocess.Popen(
            [
                *(STILLWELL, "simulate", "-c", config, "--days", "3000", "--json"),
                *("--fault", "not-heating", "--after", "1 h"),
            ],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            # Tests that run in the background of a shell ignore Ctrl-C, and so do their children.
            preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),  # noqa: PLW1509
        )
        assert work.stdout is not None
        assert work.stdout.readline(), "it is at work"  # the first alarm
        work.send_signal(signal.SIGINT)
        _, said = work.communicate(timeout=60)
        assert work.returncode == 130
        assert said == ""


class TestSurroundings:
    def test_a_terminal_without_unicode_gets_question_marks_and_no_fault(
        self, tmp_path: Path
    ) -> None:
        done = process("check", "-c", tank(tmp_path), env={"PYTHONIOENCODING": "ascii"})
        assert done.returncode == 1, "nobody would hear an alarm"
        assert done.stderr == ""
        assert "water-a: 25" in done.stdout

    def test_the_configuration_may_come_from_the_environment(self, tmp_path: Path) -> None:
        done = process("check", env={"STILLWELL_CONFIG": str(tank(tmp_path))})
        assert "water-a: 25" in done.stdout, done.stdout + done.stderr

    def test_a_configuration_that_is_not_there_is_told(self, tmp_path: Path) -> None:
        done = process("alarms", "-c", tmp_path / "no.toml")
        assert done.returncode == 2
        assert "There is no such file" in done.stderr

    def test_what_is_mistyped_is_told_with_a_command_that_works_here(self) -> None:
        said = process("alarms", "--nonsense", env={"PATH": "/usr/bin:/bin"}).stderr
        assert f"Try '{STILLWELL} alarms -h'" in said


class TestCompletion:
    def complete(self, config: Path, line: str) -> str:
        return process(
            env={
                "_STILLWELL_COMPLETE": "complete_bash",
                "COMP_WORDS": line,
                "COMP_CWORD": str(len(line.split()) - (0 if line.endswith(" ") else 1)),
                "STILLWELL_CONFIG": str(config),
            }
        ).stdout

    def test_names_the_commands(self, tmp_path: Path) -> None:
        assert self.complete(tank(tmp_path), "stillwell un").split() == ["unshelve"]

    def test_names_the_alarms_that_the_store_knows(self, tmp_path: Path) -> None:
        config = tank(tmp_path)
        settings = load(config)
        line = pipeline(settings, open_store(settings))
        line.begin("boot", 0, 1_767_268_800_000, trusted=True)
        line.sink_changed("broker", True, "Nobody answers.", 0)
        line.end()
        assert self.complete(config, "stillwell ack si").split() == ["sink.broker.away"]

    def test_is_silent_where_there_is_no_store(self, tmp_path: Path) -> None:
        assert self.complete(tank(tmp_path), "stillwell ack w").strip() == ""

    def test_can_be_installed_in_bash(self, tmp_path: Path) -> None:
        # A shell in between, because it is recognised as the parent process.
        done = subprocess.run(
            ["bash", "-c", f"'{STILLWELL}' --install-completion; true"],
            capture_output=True,
            text=True,
            env=os.environ | {"HOME": str(tmp_path)},
        )
        assert "completion installed" in done.stdout, done.stderr
        scripts = list(tmp_path.rglob("stillwell.sh"))
        assert [("_STILLWELL_COMPLETE" in path.read_text()) for path in scripts] == [True]


class TestMistyped:
    @pytest.mark.parametrize(
        ("word", "hint"),
        [
            ("statsu", 'Did you mean "status"?'),
            ("acknowledge", 'Did you mean "ack"?'),
            ("rev", 'Did you mean "review"?'),
            ("frobnicate", "All of them: stillwell --help"),
        ],
    )
    def test_a_command_is_told_the_nearest(self, word: str, hint: str) -> None:
        result = call(word, "water")
        assert result.exit_code == 2
        said = " ".join(result.stderr.replace("│", " ").split())
        assert f'No such command "{word}". {hint}' in said

    def test_an_option_is_told_the_nearest(self) -> None:
        result = call("check", "--setings")
        assert result.exit_code == 2
        assert "--settings" in result.stderr


class TestFaults:
    def test_the_list_is_json_on_request(self) -> None:
        lines = call("simulate", "--faults", "--json").stdout.splitlines()
        assert "not-heating" in {json.loads(line)["fault"] for line in lines}

    def test_an_unknown_one_is_told_with_the_nearest(self, tmp_path: Path) -> None:
        result = call("simulate", "-c", tank(tmp_path), "--fault", "not-heatng")
        assert result.exit_code == 2
        assert "Did you mean not-heating?" in result.stderr

    def test_real_sensors_are_not_simulated(self, tmp_path: Path) -> None:
        more = """
[source.probes]
driver = "onewire"
[source.probes.channels]
room = { probe = "28-0316a2794a1f" }
[channel.room]
quantity = "temperature"
"""
        for arguments in (("simulate",), ("run", "--speed", "60")):
            result = call(*arguments, "-c", tank(tmp_path, more))
            assert result.exit_code == 2
            assert "probes" in result.stderr
            assert not (tmp_path / "tank.db").exists()
