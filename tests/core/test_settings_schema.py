"""The JSON Schema in config/ is current and agrees with what loads; every sample loads."""

from __future__ import annotations

import json
import subprocess
import sys
import tomllib
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from stillwell.settings import Settings, load
from stillwell.settings.json_schema import text as schema_text

CONFIG = Path(__file__).parents[2] / "config"
SCHEMA = CONFIG / "stillwell.schema.json"
WHOLE = ["stillwell.toml", "reading-room-simulated.toml"]
SAMPLES = sorted(file.name for file in CONFIG.glob("sample-*.toml"))

TANK = """\
[tank]
name = "sample"
zone = "Europe/Dublin"
volume = "68 L"
"""
SOMETHING_TO_WATCH = """\
[source.other]
driver = "simulated"
[source.other.channels]
other = { sees = "room" }
[channel.other]
quantity = "temperature"
"""


def completed(name: str) -> str:
    """A sample put beside what it leaves out: a tank, and something to watch."""
    text = (CONFIG / name).read_text(encoding="utf-8")
    tree = tomllib.loads(text)
    if "tank" not in tree:
        text = TANK + text
    if "source" not in tree:
        text += "\n" + SOMETHING_TO_WATCH
    return text


def errors(tree: Any) -> list[str]:
    schema = json.loads(SCHEMA.read_text(encoding="utf-8"))
    validator = jsonschema.Draft202012Validator(schema)
    return [f"{list(error.path)}: {error.message[:200]}" for error in validator.iter_errors(tree)]


def loaded(folder: Path, text: str) -> Settings:
    file = folder / "stillwell.toml"
    file.write_text(text, encoding="utf-8")
    file.chmod(0o640)
    return load(file, environ={})


class TestSchema:
    def test_the_file_in_config_is_what_the_models_say(self) -> None:
        assert SCHEMA.read_text(encoding="utf-8") == schema_text(), (
            "Write it again: python -m stillwell.settings.json_schema"
        )

    def test_the_command_writes_it(self, tmp_path: Path) -> None:
        target = tmp_path / "schema.json"
        command = [sys.executable, "-m", "stillwell.settings.json_schema", str(target)]
        subprocess.run(command, check=True, capture_output=True)
        assert target.read_text(encoding="utf-8") == schema_text()

    def test_it_is_a_schema_by_the_meta_schema_of_its_dialect(self) -> None:
        """JSON Schema draft 2020-12, as the jsonschema package carries it."""
        jsonschema.Draft202012Validator.check_schema(json.loads(schema_text()))

    def test_every_reference_leads_somewhere_and_nothing_is_left_over(self) -> None:
        schema = json.loads(schema_text())
        text = schema_text()
        named = {name for name in schema["$defs"] if f'"#/$defs/{name}"' in text}
        assert named == set(schema["$defs"])
        for part in text.split('"$ref": "#/$defs/')[1:]:
            assert part.split('"')[0] in schema["$defs"]

    def test_defaults_are_written_as_a_person_writes_them(self) -> None:
        store = json.loads(schema_text())["$defs"]["Store"]["properties"]
        assert store["keep_raw"]["default"] == "90 d"

    @pytest.mark.parametrize("name", WHOLE)
    def test_a_whole_configuration_fits(self, name: str) -> None:
        assert errors(tomllib.loads((CONFIG / name).read_text(encoding="utf-8"))) == []

    @pytest.mark.parametrize("name", SAMPLES)
    def test_a_sample_fits(self, name: str) -> None:
        assert errors(tomllib.loads(completed(name))) == []

    @pytest.mark.parametrize(
        ("old", "new"),
        [
            ('every = "30 s"', "every = 30"),
            ('every = "30 s"', 'evry = "30 s"'),
            ("seed = 1", 'seed = "one"'),
            ('quantity = "humidity"', 'quantity = "humidty"'),
            ('quantity = "humidity"', 'quantity = "humidity"\nheight = "1 mm"'),
            ('priority = "high"', 'priority = "hi"'),
            ("[state.top-up]", "[state.Top_Up]"),
            ('name = "reading-room"', ""),
            ("[night]", "[nigth]"),
        ],
    )
    def test_what_does_not_load_does_not_fit_either(self, old: str, new: str) -> None:
        text = (CONFIG / "reading-room-simulated.toml").read_text(encoding="utf-8")
        assert old in text
        assert errors(tomllib.loads(text.replace(old, new, 1)))

    def test_a_driver_of_another_package_is_let_through(self) -> None:
        text = TANK + SOMETHING_TO_WATCH.replace('"simulated"', '"theirs"\nmystery = 1')
        assert errors(tomllib.loads(text)) == []


class TestSamples:
    def test_there_is_a_sample_for_each_of_our_drivers_and_sinks(self) -> None:
        from stillwell.settings import plugins

        for group in ("stillwell.drivers", "stillwell.sinks"):
            for point in plugins.ours(plugins.registered(group).values()):
                assert f"sample-{point.name.replace('_', '-')}.toml" in SAMPLES

    @pytest.mark.parametrize("name", SAMPLES)
    def test_it_loads_beside_a_tank_and_its_driver_is_there(
        self, tmp_path: Path, name: str
    ) -> None:
        settings = loaded(tmp_path, completed(name))
        for source in settings.source.values():
            assert source.broken == ""
            assert source.made is not None
            assert isinstance(source.settings, source.made.Settings)
        for sink in settings.sink.values():
            assert sink.broken == ""

    @pytest.mark.parametrize("name", WHOLE)
    def test_the_reading_room_loads_without_a_warning(self, tmp_path: Path, name: str) -> None:
        settings = loaded(tmp_path, (CONFIG / name).read_text(encoding="utf-8"))
        assert settings.warnings == ()
        assert all(not source.broken for source in settings.source.values())

    def test_the_reading_room_is_the_one_that_is_spoken_of(self, tmp_path: Path) -> None:
        """68 L, a chamber of 18 x 9 cm, 75 W, lamp from 12 to 22 o'clock, Dublin."""
        real, simulated = (
            loaded(tmp_path, (CONFIG / name).read_text(encoding="utf-8")) for name in WHOLE
        )
        for tank in (real.tank, simulated.tank):
            assert (tank.volume, tank.zone) == (68_000.0, "Europe/Dublin")
            assert tank.chamber is not None
            assert tank.chamber.area_mm2 == 16_200.0
            assert tank.heater is not None
            assert tank.heater.power == (75.0,)
            assert tank.lamp is not None
            assert (tank.lamp.on.hour, tank.lamp.off.hour) == (12, 22)
        assert real.band["water"] == simulated.band["water"]
        # Common practice: 25.0 to 25.6 degC, alarm on +- 0.5 to 1 K.
        assert 25.0 <= real.band["water"].target <= 25.6
        assert 0.5 <= real.band["water"].tolerance <= 1.0
