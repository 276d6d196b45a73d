"""What the samples and the drivers' own texts tell a keeper to write is what the drivers take."""

from __future__ import annotations

import importlib
import textwrap
import tomllib
from pathlib import Path
from typing import Any

import pytest

from stillwell.ports import Driver

ROOT = Path(__file__).parents[2]
OF_THE_SOURCE = {"driver", "every", "look", "deadline"}
"""Keys of a source that are not the driver's."""
DRIVERS: dict[str, str] = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"][
    "entry-points"
]["stillwell.drivers"]
OURS = (
    "onewire",
    "gpio_float",
    "serial_text",
    "kernel_sensor",
    "command",
    "modbus_rtu",
    "mqtt_in",
    "serial_frame",
)


def driver_named(name: str) -> type[Driver]:
    module, _, attribute = DRIVERS[name].partition(":")
    found: type[Driver] = getattr(importlib.import_module(module), attribute)
    return found


def validate(source: dict[str, Any]) -> set[str]:
    """The channels of a source, which its driver has taken."""
    driver = driver_named(source["driver"])
    own = {key: value for key, value in source.items() if key not in OF_THE_SOURCE}
    driver.bus(driver.Settings.model_validate(own))
    return set(own["channels"])


def stanza(name: str) -> dict[str, Any]:
    """The sample in the text of a driver's module."""
    text = importlib.import_module(DRIVERS[name].partition(":")[0]).__doc__ or ""
    block = text.partition("In the configuration::\n")[2].splitlines()
    lines = []
    for line in block:
        if line and not line.startswith("    "):
            break
        lines.append(line)
    return tomllib.loads(textwrap.dedent("\n".join(lines)))


class TestSamples:
    @pytest.mark.parametrize("name", OURS)
    def test_the_drivers_sample_is_taken_and_says_what_each_channel_is(self, name: str) -> None:
        path = ROOT / "config" / f"sample-{name.replace('_', '-')}.toml"
        sample = tomllib.loads(path.read_text("utf-8"))
        (source,) = sample["source"].values()
        assert source["driver"] == name
        assert validate(source) == set(sample["channel"])

    @pytest.mark.parametrize("name", OURS)
    def test_the_stanza_in_the_drivers_text_is_taken(self, name: str) -> None:
        (source,) = stanza(name)["source"].values()
        assert source["driver"] == name
        assert validate(source)
