"""The command line as the tests call it: in this process, or as a process of its own."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Sequence
from functools import cache
from pathlib import Path
from typing import Any

import jsonschema
from typer import testing
from typer.testing import CliRunner, Result

from stillwell.cli.main import app

# A runner makes all commands anew for each call, which takes longer than most of them do.
testing._get_command = cache(testing._get_command)  # type: ignore[attr-defined]

STILLWELL = Path(sys.executable).with_name("stillwell")
ROOT = Path(__file__).parents[2]

TANK = """
[tank]
name = "reading-room"
label = "Rock pool, village reading room"
zone = "Europe/Dublin"
volume = "68 L"

[store]
path = "{store}"
commit_every = "5 s"

[source.tank]
driver = "simulated"
every = "{every}"
deadline = "30 min"
seed = 7
[source.tank.channels]
water-a = {{ sees = "water", noise = "0.03 K" }}
water-b = {{ sees = "water-b", noise = "0.03 K" }}
float-low = {{ sees = "float", height = "-40 mm", differential = "2 mm" }}

[channel.water-a]
quantity = "temperature"
label = "probe A"
[channel.water-b]
quantity = "temperature"
[channel.float-low]
quantity = "float"
height = "-40 mm"
differential = "2 mm"

[band.water]
of = ["water-a", "water-b"]
target = "25.3 degC"
tolerance = "0.5 K"
deadband = "0.1 K"
on_delay = "5 min"
off_delay = "5 min"

[state.top-up]
of = "float-low"
wrong = "below"
on_delay = "30 min"
off_delay = "2 min"
says = "Top up with fresh water to the fill mark."
"""


def tank(folder: Path, more: str = "", every: str = "30 s") -> Path:
    """Writes a configuration of a simulated tank with this interval between readings; its store
    is ``tank.db`` beside it."""
    path = folder / "tank.toml"
    path.write_text(TANK.format(store=folder / "tank.db", every=every) + more, encoding="utf-8")
    return path


FORMS = json.loads((ROOT / "config" / "output.schema.json").read_text(encoding="utf-8"))


def held_to_its_form(arguments: Sequence[object], stdout: str, stderr: str = "") -> None:
    """Fails where a line that a command printed with --json does not match the schema."""
    if "--json" not in arguments:
        return
    for name, text in ((str(arguments[0]), stdout), ("error", stderr)):
        form = jsonschema.Draft202012Validator({**FORMS, "$ref": f"#/$defs/{name}"})
        for line in text.splitlines():
            form.validate(json.loads(line))


def call(*arguments: object, env: dict[str, str] | None = None) -> Result:
    """Runs a command in this process, and checks its JSON output against the form in config/."""
    result = CliRunner().invoke(app, [str(a) for a in arguments], env=env)
    held_to_its_form(arguments, result.stdout, result.stderr)
    return result


def json_lines(result: Result) -> list[dict[str, Any]]:
    return [json.loads(line) for line in result.stdout.splitlines()]


def process(
    *arguments: object, env: dict[str, str] | None = None, cwd: Path | None = None
) -> subprocess.CompletedProcess[str]:
    """Runs a command in a process of its own, and checks its JSON output as `call` does."""
    done = subprocess.run(
        [str(STILLWELL), *(str(a) for a in arguments)],
        capture_output=True,
        text=True,
        env=os.environ | (env or {}),
        cwd=cwd,
        timeout=120,
    )
    if arguments[:1] != ("run",):  # whose log is on standard error
        held_to_its_form(arguments, done.stdout, done.stderr)
    return done
