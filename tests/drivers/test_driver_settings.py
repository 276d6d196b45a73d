"""Mistakes in the settings of each driver are told with file, line, key and what to write."""

from __future__ import annotations

from pathlib import Path

import pytest

from stillwell.settings import ConfigError, load

TANK = '[tank]\nname = "t"\nzone = "Europe/Dublin"\nvolume = "68 L"\n'
SAMPLES = Path(__file__).parents[2] / "config"
MISTAKES = [
    ("kernel-sensor", '"temp1_input" }', '"temp1_max" }', "room.value", '"temp1_input"'),
    ("kernel-sensor", 'device = "sht3x"', 'device = "hwmon2"', "room.device", '"sht3x"'),
    ("command", '"/usr/local/bin/read-air"', '"read-air"', "run", '"/usr/local/bin/level"'),
    ("modbus-rtu", "register = 0", "register = 70000", "level.register", "at most 65535"),
    ("modbus-rtu", '"int16"', '"int17"', "level.type", 'Did you mean "int16"?'),
    ("mqtt-in", '"/sht/humidity"', '"sht/humidity"', "humidity.pointer", "with a slash"),
    ("mqtt-in", '"gauge/level", senml', '"gauge/#", senml', "level.topic", "without + and #"),
    ("serial-frame", "CRC-16/MODBUS", "CRC16-MODBUS", "crc", '"CRC-16/MODBUS"'),
    ("serial-frame", '"<hH"', '"<hz"', "fields", '"<hHf"'),
]


@pytest.mark.parametrize(
    ("driver", "right", "wrong", "key", "fix"), MISTAKES, ids=lambda value: value[:20]
)
def test_a_mistake_is_told_on_its_line(
    tmp_path: Path, driver: str, right: str, wrong: str, key: str, fix: str
) -> None:
    text = TANK + (SAMPLES / f"sample-{driver}.toml").read_text(encoding="utf-8")
    assert right in text
    text = text.replace(right, wrong, 1)
    file = tmp_path / "stillwell.toml"
    file.write_text(text)
    with pytest.raises(ConfigError) as raised:
        load(file, environ={})
    (fault,) = raised.value.faults
    assert (fault.file, fault.line) == (str(file), text[: text.index(wrong)].count("\n") + 1)
    assert fault.key.startswith("source.")
    assert fault.key.endswith(key)
    assert fix in f"{fault.what} {fault.do}"
