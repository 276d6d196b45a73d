"""What a test may do with a machine, whether it is a booted container or a virtual machine."""

from __future__ import annotations

import json
import shlex
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Protocol, TypeVar

GENEROUS_S = 300.0
"""A limit, in s, that only ends a test whose condition never comes true; no time is judged."""
STILLWELL = "stillwell"
PYTHON = "/opt/stillwell/current/venv/bin/python"
Found = TypeVar("Found")


@dataclass(frozen=True)
class Done:
    """What became of a command: its exit status and all that it printed."""

    status: int
    said: str


class Machine(Protocol):
    """A running Debian."""

    def run(self, command: str, user: str = "root", timeout_s: float = GENEROUS_S) -> Done:
        """Runs a line of bash in it."""

    def put(self, path: str, text: str) -> None:
        """Writes a file in it, owned by root."""


class Hands:
    """What a keeper does with a machine, and looks at, all of it by commands."""

    def __init__(self, machine: Machine, limit_s: float = GENEROUS_S) -> None:
        """Args: limit_s: how long it waits at most for what must come."""
        self.machine = machine
        self.limit_s = limit_s

    def ok(self, command: str, user: str = "root") -> str:
        """Runs a command that must succeed; returns what it printed, without the last newline."""
        done = self.machine.run(command, user, self.limit_s)
        assert done.status == 0, f"{command}\nended with {done.status}:\n{done.said}"
        return done.said.rstrip("\n")

    def shown(self, key: str, unit: str = "stillwell") -> str:
        """A property of a unit."""
        return self.ok(f"systemctl show {unit} --property={key} --value")

    def until(self, condition: Callable[[], Found], what: str, pause_s: float = 1.0) -> Found:
        """Waits until a condition holds; returns what it was then."""
        ends = time.monotonic() + self.limit_s
        while not (found := condition()):
            if time.monotonic() > ends:
                status = self.machine.run(f"{STILLWELL} status").said
                raise AssertionError(f"it did not come true: {what}. Seen last:\n{status}")
            time.sleep(pause_s)
        return found

    def json(self, command: str) -> list[Any]:
        """What `stillwell COMMAND --json` prints; status 3, nobody watches, is well too."""
        done = self.machine.run(f"{STILLWELL} {command} --json 2>/dev/null")
        assert done.status in (0, 3), done.said
        return [json.loads(line) for line in done.said.splitlines()]

    def another(self, pid: str) -> str:
        """Waits until the service runs as another process than this one; returns its number."""

        def found() -> str:
            now = self.shown("MainPID")
            return now if now not in (pid, "0") and self.shown("ActiveState") == "active" else ""

        return self.until(found, f"another process than {pid} watches")

    def log(self, pid: str) -> list[dict[str, str]]:
        """The journal's lines of a process: MESSAGE, PRIORITY and the rest."""
        said = self.ok(f"journalctl _PID={pid} -o json")
        return [json.loads(line) for line in said.splitlines()]

    def now(self) -> str:
        """The machine's time, as journalctl takes it."""
        return "@" + self.ok("date +%s.%N")[:17]

    def sql(self, query: str, store: str = "/var/lib/stillwell/tank.db") -> list[list[Any]]:
        """Rows of the store, read beside the daemon."""
        program = (
            "import json,sqlite3;"
            f"c=sqlite3.connect('file:{store}?mode=ro',uri=True,timeout=20);"
            f"print(json.dumps(c.execute({query!r}).fetchall()))"
        )
        said = self.ok(f"python3 -IS -c {shlex.quote(program)}", user="stillwell")
        found: list[list[Any]] = json.loads(said)
        return found
