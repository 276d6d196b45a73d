"""Drivers and sinks of other packages: found by name, and a broken one harms only itself.

The packages are real ones as far as Python can tell: a module and a dist-info folder on the path.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from stillwell.settings import ConfigError, Settings, load

MODULE = """\
from pydantic import BaseModel, ConfigDict, model_validator
from stillwell.ports import DriverError
from stillwell.units import Seconds

class Where(BaseModel):
    model_config = ConfigDict(extra="forbid")
    pin: int

class Good:
    class Settings(BaseModel):
        model_config = ConfigDict(extra="forbid")
        channels: dict[str, Where]
        settle: Seconds = 1.0

class Says(Good):
    class Settings(BaseModel):
        channels: dict[str, Where]
        @model_validator(mode="after")
        def _check(self):
            raise DriverError("There is no such thing.", "Write another thing.")

class Bug(Good):
    class Settings(BaseModel):
        channels: dict[str, Where]
        @model_validator(mode="after")
        def _check(self):
            return {}["oops"]

class NoSettings:
    pass
"""

ENTRY_POINTS = """\
[stillwell.drivers]
shim = shim_drivers:Good
shim_says = shim_drivers:Says
shim_bug = shim_drivers:Bug
shim_bare = shim_drivers:NoSettings
shim_gone = shim_no_such_module:Good
shim_lacks = shim_drivers:NotThere
shim_raises = shim_raises:Good

[stillwell.sinks]
shim_sink = shim_no_such_module:Sink
"""

TEXT = """\
[tank]
name = "reading-room"
zone = "Europe/Dublin"
volume = "68 L"
[source.shim]
driver = "shim"
[source.shim.channels]
water-a = {{ pin = {pin} }}
[channel.water-a]
quantity = "temperature"
[band.water]
of = ["water-a"]
target = "25.3 degC"
tolerance = "0.5 K"
"""


@pytest.fixture
def package(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """A package of drivers, installed beside ours."""
    site = tmp_path / "site"
    info = site / "shim-1.0.dist-info"
    info.mkdir(parents=True)
    (info / "METADATA").write_text("Metadata-Version: 2.1\nName: shim\nVersion: 1.0\n")
    (info / "entry_points.txt").write_text(ENTRY_POINTS)
    (site / "shim_drivers.py").write_text(MODULE)
    (site / "shim_raises.py").write_text("raise RuntimeError('no such chip')\n")
    monkeypatch.syspath_prepend(site)
    yield site
    for name in ("shim_drivers", "shim_raises"):
        sys.modules.pop(name, None)


def settings_of(folder: Path, text: str) -> Settings:
    file = folder / "stillwell.toml"
    file.write_text(text)
    return load(file, environ={})


class TestOtherPackages:
    def test_a_driver_is_found_by_its_name_and_gets_its_own_settings(
        self, tmp_path: Path, package: Path
    ) -> None:
        source = settings_of(tmp_path, TEXT.format(pin=4)).source["shim"]
        assert source.broken == ""
        assert source.made is not None
        assert source.made.__name__ == "Good"
        assert source.settings is not None
        assert source.settings.model_dump() == {"channels": {"water-a": {"pin": 4}}, "settle": 1.0}
        assert (source.every, source.deadline, source.look) == (30.0, 10.0, None)

    def test_its_errors_have_line_and_key_like_ours(self, tmp_path: Path, package: Path) -> None:
        with pytest.raises(ConfigError) as raised:
            settings_of(tmp_path, TEXT.format(pin='"four"'))
        (fault,) = raised.value.faults
        assert (fault.line, fault.key) == (8, "source.shim.channels.water-a.pin")

    def test_a_driver_that_speaks_of_its_settings_is_heard(
        self, tmp_path: Path, package: Path
    ) -> None:
        with pytest.raises(ConfigError) as raised:
            settings_of(tmp_path, TEXT.format(pin=4).replace('"shim"', '"shim_says"'))
        (fault,) = raised.value.faults
        assert fault[1:] == (5, "source.shim", "There is no such thing.", "Write another thing.")


class TestBrokenOnes:
    @pytest.mark.parametrize(
        ("driver", "words"),
        [
            ("shim_gone", "shim_no_such_module"),
            ("shim_lacks", "NotThere"),
            ("shim_raises", "no such chip"),
            ("shim_bare", "no Settings"),
            ("shim_bug", "oops"),
        ],
    )
    def test_a_driver_that_cannot_be_had_is_kept_as_data(
        self, tmp_path: Path, package: Path, driver: str, words: str
    ) -> None:
        settings = settings_of(tmp_path, TEXT.format(pin=4).replace('"shim"', f'"{driver}"'))
        source = settings.source["shim"]
        assert words in source.broken
        assert source.made is None
        assert source.channels == ("water-a",)

    def test_a_sink_that_cannot_be_had_is_kept_as_data(self, tmp_path: Path, package: Path) -> None:
        settings = settings_of(tmp_path, TEXT.format(pin=4) + '[sink.s]\nkind = "shim_sink"\n')
        assert "shim_no_such_module" in settings.sink["s"].broken

    def test_a_package_that_describes_itself_wrongly_hides_no_other(
        self, tmp_path: Path, package: Path
    ) -> None:
        info = package / "odd-1.0.dist-info"
        info.mkdir()
        (info / "METADATA").write_text("Metadata-Version: 2.1\nName: odd\nVersion: 1.0\n")
        (info / "entry_points.txt").write_text("[stillwell.drivers]\nno entry point\n")
        settings = settings_of(tmp_path, TEXT.format(pin=4))
        assert settings.source["shim"].made is not None

    def test_only_the_drivers_that_are_named_are_imported(
        self, tmp_path: Path, package: Path
    ) -> None:
        settings_of(tmp_path, TEXT.format(pin=4))
        assert "shim_raises" not in sys.modules
