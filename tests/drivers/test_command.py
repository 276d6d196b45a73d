"""The driver that runs a program, with real programs."""

from __future__ import annotations

import os
import sys
import time
from pathlib import Path

import pytest
from pydantic import ValidationError

from stillwell.ports import DriverError
from stillwell.reading import Failure, Sample
from stillwell.testing import DriverCase, DriverContract, within
from stillwell_drivers.command import Command, CommandSettings


@pytest.fixture
def program(tmp_path: Path) -> Path:
    return tmp_path / "measure"


def write(program: Path, *lines: str, mode: int = 0o755) -> None:
    program.write_text("\n".join(["#!/bin/sh", *lines, ""]))
    program.chmod(mode)


def settings(program: Path, channels: object = None, **more: object) -> CommandSettings:
    return CommandSettings.model_validate(
        {"channels": channels or {"level": {}}, "run": (str(program),), **more}
    )


def read(program: Path, channels: object = None, **more: object) -> dict[str, Sample]:
    driver = Command(settings(program, channels, **more))
    driver.open()
    samples = within(30, "Command.read", lambda: list(driver.read()))
    return {sample.channel: sample for sample in samples}


def gone(pid: int) -> bool:
    """Whether a process has ended; one that nobody has waited for is a zombie."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] in ("Z", "X")
    except OSError:
        return True


def until_gone(pid: int) -> None:
    for _ in range(1000):
        if gone(pid):
            return
        time.sleep(0.01)
    pytest.fail(f"{pid} is still there")


class TestCommandKeepsTheContract(DriverContract):
    @pytest.fixture
    def case(self, program: Path) -> DriverCase:
        write(program, "echo -12.5")
        given = {"channels": {"level": {}}, "run": [str(program)]}
        return DriverCase(Command, given, {**given, "run": [str(program) + "-away"]})


class TestOutput:
    def test_one_number_is_the_value(self, program: Path) -> None:
        write(program, "echo ' -12.5 '")
        assert read(program)["level"] == Sample("level", -12.5, None, "-12.5")

    def test_lines_are_taken_by_name_and_the_latest_counts(self, program: Path) -> None:
        write(program, "echo started", "echo t=20", "echo 't = 21,5'", "echo rh=48")
        channels = {"room": {"name": "t"}, "humidity": {"name": "rh", "scale": 2.0, "offset": 1.0}}
        got = read(program, channels)
        assert {name: sample.value for name, sample in got.items()} == {
            "room": 21.5,
            "humidity": 97.0,
        }

    @pytest.mark.parametrize(
        "script", ["echo no number", "printf '\\000\\377\\n'", "echo nan", "echo 1e300", "echo 1 2"]
    )
    def test_what_is_no_number_is_garbage(self, program: Path, script: str) -> None:
        write(program, script)
        got = read(program)["level"]
        assert (got.value, got.failure) == (None, Failure.GARBAGE)
        assert got.raw.isprintable()

    def test_a_name_that_it_does_not_print_is_told(self, program: Path) -> None:
        write(program, "echo t=20")
        got = read(program, {"room": {"name": "temp"}})["room"]
        assert (got.failure, got.raw) == (Failure.GARBAGE, "no line temp=… in: t=20")

    def test_nothing_printed_is_silence(self, program: Path) -> None:
        write(program, "true")
        assert read(program)["level"].failure is Failure.SILENT

    def test_a_program_that_fails_is_told_with_its_last_words(self, program: Path) -> None:
        write(program, "echo 7", "echo first >&2", "echo no sensor >&2", "exit 3")
        got = read(program)["level"]
        assert (got.value, got.failure) == (None, Failure.DRIVER)
        assert got.raw == "exit status 3: no sensor"

    def test_no_shell_sees_its_arguments(self, tmp_path: Path) -> None:
        echo = settings(Path("/bin/echo"), run=("/bin/echo", "$HOME", ";", "touch", "x"))
        driver = Command(echo)
        driver.open()
        (sample,) = driver.read()
        assert sample.raw == "$HOME ; touch x"


class TestTime:
    def test_one_that_hangs_is_ended_with_all_that_it_has_started(
        self, program: Path, tmp_path: Path
    ) -> None:
        child = tmp_path / "child"
        write(program, "sleep 600 &", f"echo $! >{child}", "trap '' TERM", "wait", "sleep 600")
        got = read(program, time_limit="1 s")["level"]
        assert (got.value, got.failure) == (None, Failure.SILENT)
        assert got.raw == "no end within 1 s, ended"
        until_gone(int(child.read_text()))

    def test_a_child_that_outlives_it_is_ended_too(self, program: Path, tmp_path: Path) -> None:
        child = tmp_path / "child"
        write(program, "sleep 600 &", f"echo $! >{child}", "echo 5")
        assert read(program)["level"].value == 5.0
        until_gone(int(child.read_text()))

    def test_one_that_babbles_is_ended_and_costs_no_memory(self, program: Path) -> None:
        write(program, "yes")
        assert read(program, time_limit="500 ms")["level"].failure is Failure.SILENT


class TestMissing:
    def test_a_program_that_goes_and_comes_back(self, program: Path) -> None:
        write(program, "echo 1")
        driver = Command(settings(program))
        driver.open()
        program.unlink()
        with pytest.raises(DriverError, match="cannot be started"):
            list(driver.read())
        driver.close()
        with pytest.raises(DriverError, match="There is no program"):
            driver.open()
        write(program, "echo 2")
        driver.open()
        assert [sample.value for sample in driver.read()] == [2.0]

    def test_one_that_may_not_be_run_is_told(self, program: Path) -> None:
        write(program, "echo 1", mode=0o644)
        with pytest.raises(DriverError, match="chmod a\\+rx"):
            Command(settings(program)).open()

    def test_an_unknown_user_is_told(self, program: Path) -> None:
        write(program, "echo 1")
        with pytest.raises(DriverError, match="no user nosuch"):
            Command(settings(program, user="nosuch")).open()

    @pytest.mark.skipif(os.geteuid() != 0, reason="only root may become another user")
    def test_it_runs_as_the_user_of_the_settings(self) -> None:
        driver = Command(settings(Path("/usr/bin/id"), run=("/usr/bin/id", "-u"), user="nobody"))
        driver.open()
        assert [sample.value for sample in driver.read()] == [65534.0]


class TestSettings:
    def test_a_program_without_its_path_is_refused_with_the_path(self) -> None:
        name = Path(sys.executable).name
        with pytest.raises(ValidationError, match=r'no whole path.* Write "/.*/python'):
            settings(Path("x"), run=(name,))

    def test_two_channels_of_one_number_are_refused(self, program: Path) -> None:
        with pytest.raises(ValidationError, match="name of its own"):
            settings(program, {"room": {}, "level": {}})
