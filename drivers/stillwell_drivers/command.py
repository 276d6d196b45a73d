"""A program of yours that prints what it measures.

In the configuration::

    [source.scale]
    driver = "command"
    run = ["/usr/local/bin/chamber-level", "--mm"]
    [source.scale.channels]
    level = {}

It prints one number, or a line ``name=value`` for each channel that has a `name`; the latest line
of a name counts. It is started for every reading, without a shell and without input, in a process
group of its own. After `time_limit`, and also when it has ended by itself, whatever is left of that
group is ended. Its output may be as long as a pipe holds: a program that writes more is stopped
until its time is over.

Sources: the documentation of Python's subprocess; pipe(7), "Pipe capacity"; setsid(2).
"""

from __future__ import annotations

import contextlib
import os
import pwd
import shutil
import signal
import subprocess
from collections.abc import Iterable
from typing import IO, Annotated, Any, ClassVar

from annotated_types import Ge, Le
from pydantic import BaseModel, ConfigDict, Field, field_validator, model_validator

from stillwell.ports import DriverError
from stillwell.reading import Failure, Sample
from stillwell.units import Seconds
from stillwell_drivers.evidence import printable
from stillwell_drivers.scaled import Scaled

_MOST = 65_536
"""The most bytes of output: the usual capacity of a pipe."""
_KILLED_WITHIN_S = 1.0


class Printed(Scaled):
    """Which number a channel takes."""

    name: str = ""
    """What stands before the "=" on its line; empty where one number is all that is printed."""


class CommandSettings(BaseModel):
    """What may stand below a source with ``driver = "command"``."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    channels: dict[str, Printed] = Field(min_length=1)
    run: tuple[str, ...] = Field(min_length=1)
    """The program with its whole path, and its arguments, each for itself."""
    time_limit: Annotated[Seconds, Ge(0.1), Le(600)] = 5.0
    """How long it may take: shorter than the source's deadline."""
    user: str | None = None
    """The user as whom it runs, where the daemon may become another: else the daemon's own."""

    @field_validator("run")
    @classmethod
    def _whole_path(cls, run: tuple[str, ...]) -> tuple[str, ...]:
        if not run[0].startswith("/"):
            found = shutil.which(run[0])
            do = f'Write "{found}".' if found else 'Write it in full, as "/usr/local/bin/level".'
            raise ValueError(f'"{run[0]}" is no whole path, and no shell looks for it. {do}')
        return run

    @model_validator(mode="after")
    def _names_fit(self) -> CommandSettings:
        names = [where.name for where in self.channels.values()]
        if len(set(names)) < len(names) or ("" in names and len(names) > 1):
            raise ValueError(
                "Several channels would take the same number. Give each a name of its own, as in "
                'room = { name = "t" }, and let the program print a line t=21.5 for it.'
            )
        return self


class Command:
    """Runs the program; see the module's text."""

    Settings: ClassVar[type[BaseModel]] = CommandSettings

    def __init__(self, settings: CommandSettings) -> None:
        self._settings = settings
        self._as_user: dict[str, Any] | None = None

    @classmethod
    def bus(cls, settings: CommandSettings) -> str:
        """Returns ``command:`` and the program with its arguments."""
        return "command:" + " ".join(settings.run)

    def open(self) -> None:
        """Checks that there is such a program and such a user; raises `DriverError`."""
        program = self._settings.run[0]
        if not os.path.isfile(program):
            raise DriverError(f"There is no program {program}.", "Install it, or correct `run`.")
        if not os.access(program, os.X_OK):
            do = f"Write: sudo chmod a+rx {program}. A script also needs its first line, #!."
            raise DriverError(f"{program} may not be run by this user.", do)
        self._as_user = self._identity()

    def _identity(self) -> dict[str, Any]:
        user = self._settings.user
        if user is None:
            return {}
        try:
            known = pwd.getpwnam(user)
        except KeyError:
            do = f"Correct `user`, or make it: sudo adduser --system {user}."
            raise DriverError(f"This machine has no user {user}.", do) from None
        return {"user": known.pw_uid, "group": known.pw_gid, "extra_groups": []}

    def read(self) -> Iterable[Sample]:
        """Runs the program once and takes the numbers from its output."""
        if self._as_user is None:
            raise DriverError("The program is not open.", "Open it before reading.")
        channels = self._settings.channels
        try:
            status, out, err = self._run(self._as_user)
        except subprocess.TimeoutExpired:
            raw = f"no end within {self._settings.time_limit:g} s, ended"
            return [Sample(name, None, Failure.SILENT, raw) for name in channels]
        if status:
            said = err.strip().rpartition("\n")[2]
            raw = printable(f"exit status {status}: {said}" if said else f"exit status {status}")
            return [Sample(name, None, Failure.DRIVER, raw) for name in channels]
        return [_sample(channel, where, out) for channel, where in channels.items()]

    def close(self) -> None:
        self._as_user = None

    def _run(self, as_user: dict[str, Any]) -> tuple[int, str, str]:
        """The exit status, the output and the errors of one run."""
        try:
            process = subprocess.Popen(
                self._settings.run,
                stdin=subprocess.DEVNULL,
                stdout=subprocess.PIPE,
                stderr=subprocess.PIPE,
                cwd="/",
                env={"PATH": os.defpath, "LANG": "C.UTF-8"},
                start_new_session=True,
                **as_user,
            )
        except OSError as error:
            program = self._settings.run[0]
            do = f"Try it by hand: {' '.join(self._settings.run)}"
            if isinstance(error, PermissionError) and as_user:
                do = (
                    "The service may not become another user: leave `user` out, or give the unit "
                    "the capabilities CAP_SETUID and CAP_SETGID."
                )
            raise DriverError(f"{program} cannot be started ({error.strerror}).", do) from error
        with process.stdout as out, process.stderr as err:  # type: ignore[union-attr]
            try:
                status = process.wait(self._settings.time_limit)
                return status, _waiting(out), _waiting(err)
            finally:
                with contextlib.suppress(OSError):
                    os.killpg(process.pid, signal.SIGKILL)
                with contextlib.suppress(subprocess.TimeoutExpired):
                    process.wait(_KILLED_WITHIN_S)


def _waiting(pipe: IO[bytes]) -> str:
    """Returns what is in the pipe now, without waiting for its end: a child may hold it open."""
    os.set_blocking(pipe.fileno(), False)
    try:
        return os.read(pipe.fileno(), _MOST).decode("utf-8", "backslashreplace")
    except BlockingIOError:
        return ""


def _sample(channel: str, where: Printed, out: str) -> Sample:
    if not out.strip():
        return Sample(channel, None, Failure.SILENT, "it printed nothing")
    line = out.strip()
    if where.name:
        pairs = (each.partition("=") for each in out.splitlines())
        lines = [value for name, sign, value in pairs if sign and name.strip() == where.name]
        if not lines:
            raw = printable(f"no line {where.name}=… in: {line}")
            return Sample(channel, None, Failure.GARBAGE, raw)
        line = lines[-1].strip()
    value = where.read(line)
    return Sample(channel, value, None if value is not None else Failure.GARBAGE, printable(line))
