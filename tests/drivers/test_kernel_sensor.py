"""The driver of the kernel's own sensors, on folders of a tree with the kernel's names and formats
(sysfs-interface.rst, sysfs-bus-iio). No chip was at hand: what a kernel does on I2C is not tested
here."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from pydantic import ValidationError

from stillwell.ports import DriverError
from stillwell.reading import Failure, Sample
from stillwell.testing import DriverCase, DriverContract
from stillwell_drivers.kernel_sensor import KernelSensor, KernelSensorSettings, found

AIR = {
    "room": {"device": "sht3x", "value": "temp1_input"},
    "humidity": {"device": "sht3x", "value": "humidity1_input"},
}


class Tree:
    """A tree like /sys."""

    def __init__(self, root: Path) -> None:
        self.root = root

    def hwmon(self, number: int, name: str, address: str = "1-0044", **files: str) -> Path:
        chip = self.root / "devices/i2c-1" / address
        return self._show(chip / f"hwmon/hwmon{number}", "class/hwmon", name, chip, files)

    def iio(self, number: int, name: str, address: str = "1-0029", **files: str) -> Path:
        chip = self.root / "devices/i2c-1" / address
        return self._show(chip / f"iio:device{number}", "bus/iio/devices", name, None, files)

    def _show(
        self, folder: Path, shown: str, name: str, chip: Path | None, files: dict[str, str]
    ) -> Path:
        folder.mkdir(parents=True)
        for file, text in {"name": f"{name}\n", **files}.items():
            (folder / file).write_text(text)
        if chip is not None:
            (folder / "device").symlink_to(chip)
        link = self.root / shown / folder.name
        link.parent.mkdir(parents=True, exist_ok=True)
        link.symlink_to(folder)
        return folder

    def unplug(self, folder: Path) -> None:
        shutil.rmtree(folder)
        for link in self.root.glob("*/hwmon/*"):
            if not link.exists():
                link.unlink()


@pytest.fixture
def tree(tmp_path: Path) -> Tree:
    return Tree(tmp_path)


@pytest.fixture
def air(tree: Tree) -> Path:
    return tree.hwmon(2, "sht3x", temp1_input="21345\n", humidity1_input="48210\n")


def settings(tree: Tree, channels: object = AIR) -> KernelSensorSettings:
    return KernelSensorSettings.model_validate({"channels": channels, "root": str(tree.root)})


def read(tree: Tree, channels: object = AIR) -> dict[str, Sample]:
    driver = KernelSensor(settings(tree, channels))
    driver.open()
    return {sample.channel: sample for sample in driver.read()}


class TestKernelSensorKeepsTheContract(DriverContract):
    @pytest.fixture
    def case(self, tree: Tree, air: Path) -> DriverCase:
        given = {"channels": AIR, "root": str(tree.root)}
        return DriverCase(KernelSensor, given, {**given, "root": str(tree.root / "nothing")})


class TestUnits:
    def test_thousandths_become_degrees_and_percent(self, tree: Tree, air: Path) -> None:
        got = read(tree)
        assert got["room"] == Sample("room", 21.345, None, "21345")
        assert got["humidity"] == Sample("humidity", 48.21, None, "48210")

    def test_a_raw_distance_becomes_millimetres_by_its_own_scale(self, tree: Tree) -> None:
        tree.iio(0, "vl53l0x", in_distance_raw="123\n", in_distance_scale="0.001000\n")
        got = read(tree, {"gap": {"device": "vl53l0x", "value": "in_distance_raw"}})
        assert got["gap"].value == pytest.approx(123.0)

    def test_a_raw_value_is_moved_by_its_offset_before_it_is_scaled(self, tree: Tree) -> None:
        tree.iio(0, "si7020", in_temp_raw="7500\n", in_temp_offset="-4368\n", in_temp_scale="10.72")
        got = read(tree, {"room": {"device": "si7020", "value": "in_temp_raw"}})
        assert got["room"].value == pytest.approx((7500 - 4368) * 10.72 / 1000)

    def test_channels_of_a_kind_share_a_scale(self, tree: Tree) -> None:
        tree.iio(0, "ads1015", in_voltage2_raw="1000\n", in_voltage_scale="3.000000\n")
        at = {"device": "ads1015", "value": "in_voltage2_raw", "scale": 14.0, "offset": 1.0}
        assert read(tree, {"ph": at})["ph"].value == pytest.approx(3.0 * 14 + 1)


class TestWhichDevice:
    def test_it_is_found_by_name_whatever_number_it_gets(self, tree: Tree, air: Path) -> None:
        driver = KernelSensor(settings(tree))
        driver.open()
        tree.unplug(air)
        assert {s.failure for s in driver.read()} == {Failure.GONE}
        tree.hwmon(7, "sht3x", temp1_input="22000\n", humidity1_input="50000\n")
        assert [s.value for s in driver.read()] == [22.0, 50.0]

    def test_of_two_with_one_name_the_path_tells_which(self, tree: Tree, air: Path) -> None:
        tree.hwmon(3, "sht3x", "1-0045", temp1_input="30000\n")
        both = read(tree, {"room": AIR["room"]})["room"]
        assert (both.value, both.failure) == (None, Failure.DRIVER)
        assert "two of that name" in both.raw
        path = str(tree.root / "devices/i2c-1/1-0045")
        got = read(tree, {"room": {"device": path, "value": "temp1_input"}})
        assert got["room"].value == 30.0

    def test_what_there_is_is_said_where_nothing_fits(self, tree: Tree, air: Path) -> None:
        driver = KernelSensor(settings(tree, {"room": {"device": "lm75", "value": "temp1_input"}}))
        with pytest.raises(DriverError) as raised:
            driver.open()
        assert "There is: sht3x (humidity1_input, temp1_input)." in raised.value.do

    def test_what_can_be_found_is_listed_with_its_values(self, tree: Tree, air: Path) -> None:
        (one,) = found(tree.root)
        assert (one.name, one.values) == ("sht3x", ("humidity1_input", "temp1_input"))
        assert one.device.endswith("/1-0044")

    def test_a_file_that_the_sensor_has_not_is_told_with_those_it_has(
        self, tree: Tree, air: Path
    ) -> None:
        got = read(tree, {"room": {"device": "sht3x", "value": "temp2_input"}})
        assert got["room"].raw == "sht3x has no temp2_input; it has humidity1_input, temp1_input"


class TestDamage:
    @pytest.mark.parametrize(
        ("text", "failure"),
        [
            ("", Failure.GONE),
            ("\n", Failure.GONE),
            ("nan\n", Failure.GARBAGE),
            ("21 345\n", Failure.GARBAGE),
            ("\x00\xff", Failure.GARBAGE),
            ("9" * 400, Failure.GARBAGE),
            ("1" * 5000, Failure.GARBAGE),
        ],
    )
    def test_is_no_value(self, tree: Tree, air: Path, text: str, failure: Failure) -> None:
        (air / "temp1_input").write_text(text)
        got = read(tree)
        assert (got["room"].value, got["room"].failure) == (None, failure)
        assert len(got["room"].raw) <= 80
        assert got["humidity"].value == 48.21

    def test_a_sensor_that_the_kernel_calls_faulty_gives_no_value(
        self, tree: Tree, air: Path
    ) -> None:
        (air / "temp1_fault").write_text("1\n")
        got = read(tree)["room"]
        assert (got.value, got.failure) == (None, Failure.GONE)

    def test_an_error_of_the_bus_is_named(self, tree: Tree, air: Path) -> None:
        (air / "temp1_input").unlink()
        (air / "temp1_input").mkdir()  # reading it gives EISDIR, as a bus gives EIO or ENXIO
        got = read(tree)["room"]
        assert (got.value, got.failure) == (None, Failure.GONE)
        assert "EISDIR" in got.raw


class TestSettings:
    @pytest.mark.parametrize("device", ["hwmon2", "iio:device0", "/sys/class/hwmon/hwmon2"])
    def test_a_number_that_moves_is_refused(self, tree: Tree, device: str) -> None:
        with pytest.raises(ValidationError, match="after the next restart"):
            settings(tree, {"room": {"device": device, "value": "temp1_input"}})

    @pytest.mark.parametrize("value", ["temp1_max", "in_accel_x_raw", "../name", "power1_input"])
    def test_a_file_of_something_else_is_refused(self, tree: Tree, value: str) -> None:
        with pytest.raises(ValidationError, match="is no file of a temperature"):
            settings(tree, {"room": {"device": "sht3x", "value": value}})
