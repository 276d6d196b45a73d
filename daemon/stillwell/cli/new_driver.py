"""``stillwell new-driver``: a package for a driver of your own."""

from __future__ import annotations

import re
import sys
from pathlib import Path
from typing import Annotated

import typer

from stillwell.cli.console import print_json
from stillwell.cli.options import JsonOption, fail

_WORD = re.compile("MODULE|CLASS|NAME")
_NAME = re.compile(r"[a-z][a-z0-9]*(?:[-_][a-z0-9]+)*")

_PROJECT = """\
[build-system]
requires = ["hatchling"]
build-backend = "hatchling.build"

[project]
name = "stillwell-NAME"
version = "0.1.0"
description = "A driver of stillwell"
dependencies = ["stillwell"]

[project.entry-points."stillwell.drivers"]
MODULE = "MODULE:CLASS"

[tool.hatch.build.targets.wheel]
only-include = ["MODULE.py"]
"""
_DRIVER = '''\
"""A device that prints a number: its latest line is the value.

In the configuration::

    [source.mine]
    driver = "MODULE"
    path = "/dev/serial/by-id/…"
    [source.mine.channels]
    room = {}
"""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import ClassVar

from pydantic import BaseModel, ConfigDict, Field

from stillwell.ports import DriverError
from stillwell.reading import Failure, Sample


class CLASSSettings(BaseModel):
    """What may stand below a source with this driver."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    channels: dict[str, dict[str, float]] = Field(min_length=1)
    path: Path


class CLASS:
    """See the module's text. What may be asked of it says `stillwell.ports.Driver`."""

    Settings: ClassVar[type[BaseModel]] = CLASSSettings

    def __init__(self, settings: CLASSSettings) -> None:
        self._settings = settings
        self._open = False

    @classmethod
    def bus(cls, settings: CLASSSettings) -> str:
        return f"MODULE:{settings.path}"

    def open(self) -> None:
        if not self._settings.path.exists():
            what = f"{self._settings.path} does not exist."
            raise DriverError(what, "Plug the device in, or correct `path`.")
        self._open = True

    def read(self) -> Iterable[Sample]:
        if not self._open:
            raise DriverError("The device is not open.", "Open it before reading.")
        try:
            with self._settings.path.open(encoding="utf-8", errors="replace") as device:
                line = device.readline(80).strip()
        except OSError as error:
            what = f"{self._settings.path} cannot be read ({error.strerror})."
            raise DriverError(what, "Look at its cable.") from error
        value, failure = measured(line)
        return [Sample(channel, value, failure, line) for channel in self._settings.channels]

    def close(self) -> None:
        self._open = False


def measured(line: str) -> tuple[float | None, Failure | None]:
    """Returns the value in the channel's unit, or why there is none. This is yours to change."""
    if not line:
        return None, Failure.SILENT
    try:
        return float(line), None
    except ValueError:
        return None, Failure.GARBAGE
'''
_TEST = '''\
"""What every driver must do, and what is special about this one."""

from __future__ import annotations

from pathlib import Path

import pytest
from MODULE import CLASS, measured

from stillwell.reading import Failure
from stillwell.testing import DriverCase, DriverContract


class TestCLASS(DriverContract):
    @pytest.fixture
    def case(self, tmp_path: Path) -> DriverCase:
        device = tmp_path / "device"
        device.write_text("21.5\\n")
        given = {"channels": {"room": {}}, "path": str(device)}
        return DriverCase(CLASS, given, absent={**given, "path": str(tmp_path / "away")})


@pytest.mark.parametrize(
    ("line", "wanted"),
    [
        ("21.5", (21.5, None)),
        ("", (None, Failure.SILENT)),
        ("?", (None, Failure.GARBAGE)),
    ],
)
def test_what_a_line_says(line: str, wanted: object) -> None:
    assert measured(line) == wanted
'''


def new_driver(
    name: Annotated[str, typer.Argument(help="What the driver is called, as rain-gauge.")],
    folder: Annotated[
        Path | None, typer.Option(help="Where to write it; a folder of its name here without.")
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Write a package for a driver of your own: it reads one number, and its test passes.

    With --json: files.

    Example: stillwell new-driver rain-gauge
    """
    if not _NAME.fullmatch(name):
        fail(
            f'"{name}" is no name for a driver.', "Write it like rain-gauge: a-z, 0-9 and hyphens."
        )
    module = name.replace("-", "_")
    words = {
        "MODULE": module,
        "CLASS": "".join(part.capitalize() for part in module.split("_")),
        "NAME": name,
    }
    where = folder or Path(name)
    files = {"pyproject.toml": _PROJECT, f"{module}.py": _DRIVER, f"test_{module}.py": _TEST}
    try:
        where.mkdir(parents=True)
        for file, text in files.items():
            filled = _WORD.sub(lambda found: words[found[0]], text)
            (where / file).write_text(filled, encoding="utf-8")
    except FileExistsError:
        fail(f"{where} is there already.", "Remove it, or write it elsewhere with --folder.")
    except OSError as error:
        fail(f"{where} cannot be written: {error.strerror}.", "Name another place with --folder.")
    written = [str(where / file) for file in files]
    if as_json:
        print_json({"files": written})
        return
    typer.echo(
        f"Written: {', '.join(written)}\n"
        f"Try it:      cd {where} && {sys.executable} -m pytest\n"
        f"Change it:   measured() in {module}.py\n"
        f"Install it:  {sys.executable} -m pip install {where.resolve()}\n"
        f"Keep it:     on the Pi also write {where.resolve()} on a line of "
        "/etc/stillwell/packages.txt, so that each update installs it again\n"
        f'Use it:      driver = "{module}" in [source.…]; then stillwell check'
    )
