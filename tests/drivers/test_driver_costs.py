"""What a driver needs is imported where it is configured, and what it opens with when it opens."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

SAMPLES = Path(__file__).parents[2] / "config"
NEEDED = ("pymodbus", "serial", "paho", "crccheck", "cobs", "jsonpointer", "gpiod", "re2")
TANK = '[tank]\nname = "t"\nzone = "Europe/Dublin"\nvolume = "68 L"\n'
CODE = """\
import sys
from pathlib import Path
import stillwell.cli.main, stillwell.wiring.assemble
from stillwell.settings import load
load(Path(sys.argv[1]), environ={})
print(*(name for name in sys.argv[2:] if name in sys.modules))
"""


def imported(folder: Path, driver: str) -> set[str]:
    """What of `NEEDED` the settings of a driver's sample have imported."""
    file = folder / "stillwell.toml"
    text = (SAMPLES / f"sample-{driver}.toml").read_text(encoding="utf-8")
    file.write_text(text if "[tank]" in text else TANK + text)
    ours = [f"stillwell_drivers.{path.stem}" for path in DRIVERS]
    code = [sys.executable, "-c", CODE, str(file), *NEEDED, *ours]
    ran = subprocess.run(code, capture_output=True, text=True, check=True)
    return set(ran.stdout.split())


DRIVERS = [
    path
    for path in (Path(__file__).parents[2] / "drivers/stillwell_drivers").glob("*.py")
    if (SAMPLES / f"sample-{path.stem.replace('_', '-')}.toml").exists()
]


@pytest.mark.parametrize(
    ("driver", "allowed"),
    [
        ("onewire", set()),
        ("kernel-sensor", set()),
        ("command", set()),
        ("modbus-rtu", set()),
        ("mqtt-in", {"jsonpointer"}),
        ("serial-frame", {"crccheck"}),
    ],
)
def test_the_settings_of_a_driver_import_it_and_no_other(
    tmp_path: Path, driver: str, allowed: set[str]
) -> None:
    own = f"stillwell_drivers.{driver.replace('-', '_')}"
    assert imported(tmp_path, driver) == allowed | {own}
