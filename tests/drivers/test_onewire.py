"""The 1-Wire driver on directories in the shape of the kernel's sysfs.

The files are real, in the format of Documentation/w1/slaves/w1_therm.rst and
Documentation/ABI/testing/sysfs-driver-w1_therm. What a file cannot do by itself (convert when read,
answer a bulk trigger) is done by `Bus`, which stands in for the kernel: it puts the contents in
place just before each file is read and acts on what was written, following
drivers/w1/slaves/w1_therm.c. No 1-Wire hardware was at hand.
"""

from __future__ import annotations

import errno
import logging
import os
import shlex
import shutil
import subprocess
from dataclasses import dataclass
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from stillwell.ports import DriverError
from stillwell.reading import Failure, Sample
from stillwell.testing import DriverCase, DriverContract
from stillwell_drivers import onewire
from stillwell_drivers.onewire import (
    OneWire,
    OneWireSettings,
    celsius,
    crc8,
    judge_temperature,
    judge_w1_slave,
    resolution,
)

A, B, C = "28-0316a2794a1f", "28-0316a27948c3", "28-0316a2794c07"
POWER_ON = bytes.fromhex("50054b467fff0c101c")


def bitwise_crc(data: bytes) -> int:
    """CRC-8/MAXIM bit by bit, to check the table against: polynomial 8C reflected, start 0."""
    crc = 0
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = crc >> 1 ^ (0x8C if crc & 1 else 0)
    return crc


def frame(sixteenths: int, bits: int = 12) -> bytes:
    """Nine bytes as a DS18B20 holds them after a conversion."""
    low, high = (sixteenths & 0xFFFF).to_bytes(2, "little")
    data = bytes((low, high, 0x4B, 0x46, (bits - 9) << 5 | 0x1F, 0xFF, 0x10 - (low & 0x0F), 0x10))
    return data + bytes((bitwise_crc(data),))


def two_lines(
    nine: bytes, crc: int | None = None, ok: bool = True, kept: bytes | None = None
) -> bytes:
    """What ``w1_slave`` prints: the bytes with the verdict, the bytes kept with the temperature."""
    shown = crc if crc is not None else bitwise_crc(nine[:8])
    millidegrees = int.from_bytes(nine[:2], "little", signed=True) * 1000 // 16
    first = f"{nine.hex(' ')} : crc={shown:02x} {'YES' if ok else 'NO'}"
    return f"{first}\n{(kept or nine).hex(' ')} t={millidegrees}\n".encode()


@dataclass
class ProbeModel:
    """A probe as the kernel's driver sees it."""

    water: int
    """What a conversion would find, in sixteenths of a degree."""
    ram: bytes = POWER_ON
    triggered: int = 0
    bits: int = 12
    deaf: bool = False
    """Does not hear a broadcast convert command, and answers all else."""
    mute: bool = False
    conversions: int = 0

    def convert(self) -> None:
        self.conversions += 1
        self.ram = frame(self.water, self.bits)


class Bus:
    """One bus master with its probes under a directory, and the kernel's part in it."""

    def __init__(self, folder: Path, master: str = "w1_bus_master1") -> None:
        self.root = folder / "sys/bus/w1/devices"
        self.home = folder / "sys/devices" / master
        self.probes: dict[str, ProbeModel] = {}
        self.stuck = False
        self.trigger_lost = False
        self.log: list[str] = []
        self.root.mkdir(parents=True, exist_ok=True)
        self.home.mkdir(parents=True)
        (self.root / master).symlink_to(self.home)
        (self.home / "therm_bulk_read").write_bytes(b"0\n")

    def plug(self, probe: str, degrees: float) -> ProbeModel:
        folder = self.home / probe
        folder.mkdir()
        for name in ("w1_slave", "temperature", "resolution"):
            (folder / name).write_bytes(b"")
        (self.root / probe).symlink_to(folder)
        self.probes[probe] = ProbeModel(round(degrees * 16))
        return self.probes[probe]

    def unplug(self, probe: str) -> None:
        (self.root / probe).unlink()
        shutil.rmtree(self.home / probe)
        del self.probes[probe]

    def before_read(self, path: Path) -> None:
        if path.name == "therm_bulk_read":
            if path.exists():
                flags = [probe.triggered for probe in self.probes.values()]
                path.write_bytes(b"%d\n" % (-1 if -1 in flags else 1 if 1 in flags else 0))
            return
        probe = self.probes.get(path.parent.name)
        if probe is None or not path.exists():
            return
        if path.name == "resolution":
            path.write_bytes(b"%d\n" % probe.bits)
            return
        self.log.append(f"{path.parent.name}/{path.name}")
        if probe.mute or probe.triggered < 0:
            path.write_bytes(b"")
            return
        if probe.triggered == 0:
            probe.convert()
        probe.triggered = 0
        if path.name == "w1_slave":
            path.write_bytes(two_lines(probe.ram))
        else:
            register = int.from_bytes(probe.ram[:2], "little", signed=True)
            path.write_bytes(b"%d\n" % (register * 1000 // 16))

    def after_write(self, path: Path, data: bytes) -> None:
        if path.name == "resolution":
            self.probes[path.parent.name].bits = int(data)
        elif path.name == "therm_bulk_read" and data == b"trigger\n":  # eight bytes or nothing
            self.log.append("trigger")
            for probe in self.probes.values():
                if not (probe.deaf or self.trigger_lost):
                    probe.convert()
                # The kernel sets this flag also when no probe heard the command.
                probe.triggered = -1 if self.stuck else 1


@pytest.fixture
def bus(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Bus:
    made = Bus(tmp_path)
    read, write = onewire._read_attribute, onewire._write_attribute

    def read_attribute(path: Path) -> bytes:
        made.before_read(path)
        return read(path)

    def write_attribute(path: Path, data: bytes) -> None:
        write(path, data)
        made.after_write(path, data)

    monkeypatch.setattr(onewire, "_read_attribute", read_attribute)
    monkeypatch.setattr(onewire, "_write_attribute", write_attribute)
    monkeypatch.setattr(onewire, "_STATUS_POLL_S", 0.0)
    return made


def opened(bus: Bus, **probes: str) -> OneWire:
    return opened_with(bus, {name.replace("_", "-"): {"probe": p} for name, p in probes.items()})


def opened_with(bus: Bus, channels: dict[str, dict[str, object]], **more: object) -> OneWire:
    driver = OneWire(
        OneWireSettings.model_validate({"channels": channels, "root": bus.root, **more})
    )
    driver.open()
    return driver


def read(driver: OneWire) -> dict[str, Sample]:
    return {sample.channel: sample for sample in driver.read()}


class TestOneWireKeepsTheContract(DriverContract):
    @pytest.fixture
    def case(self, bus: Bus, tmp_path: Path) -> DriverCase:
        bus.plug(A, 25.25)
        bus.plug(B, 25.5)
        channels = {"water-a": {"probe": A}, "water-b": {"probe": B}}
        return DriverCase(
            OneWire,
            {"channels": channels, "root": str(bus.root)},
            absent={"channels": channels, "root": str(tmp_path / "nothing")},
        )


class TestTheCheckWord:
    # Maxim application note 27 gives the ROM code and its check word.
    def test_the_rom_code_of_the_application_note(self) -> None:
        assert crc8(bytes.fromhex("021cb801000000")) == 0xA2

    # Check value of CRC-8/MAXIM-DOW in the catalogue of parametrised CRC algorithms (from memory).
    def test_the_catalogues_check_string(self) -> None:
        assert crc8(b"123456789") == 0xA1

    @pytest.mark.parametrize(
        ("eight", "word"),  # own arithmetic from the polynomial of application note 27
        [
            ("50054b467fff0c10", 0x1C),
            ("91014b467fff0c10", 0x70),
            ("0000000000000000", 0x00),
            ("ffffffffffffffff", 0xC9),
        ],
    )
    def test_scratchpads(self, eight: str, word: int) -> None:
        assert crc8(bytes.fromhex(eight)) == word

    @given(st.binary(max_size=40))
    def test_the_table_is_the_polynomial(self, data: bytes) -> None:
        assert crc8(data) == bitwise_crc(data)


class TestTheRegister:
    @pytest.mark.parametrize(
        ("register", "degrees"),
        # DS18B20 datasheet, table "Temperature/Data Relationship": from memory, and sixteenths by
        # arithmetic.
        [
            (0x07D0, 125.0),
            (0x0550, 85.0),
            (0x0191, 25.0625),
            (0x00A2, 10.125),
            (0x0008, 0.5),
            (0x0000, 0.0),
            (0xFFF8, -0.5),
            (0xFF5E, -10.125),
            (0xFE6F, -25.0625),
            (0xFC90, -55.0),
        ],
    )
    def test_the_datasheets_table(self, register: int, degrees: float) -> None:
        assert celsius(register.to_bytes(2, "little") + bytes.fromhex("4b467fff0c10")) == degrees

    @pytest.mark.parametrize(
        ("bits", "degrees"), [(9, 25.0), (10, 25.25), (11, 25.375), (12, 25.4375)]
    )
    def test_bits_below_the_resolution_are_cleared(self, bits: int, degrees: float) -> None:
        nine = frame(round(25.4375 * 16), bits)
        assert (resolution(nine), celsius(nine)) == (bits, degrees)

    def test_clearing_rounds_negative_values_down_as_the_chip_counts(self) -> None:
        assert celsius(frame(-round(0.4375 * 16), 9)) == -0.5


class TestOneProbesFile:
    def test_a_good_frame_gives_its_value(self) -> None:
        got = judge_w1_slave(two_lines(frame(402)))
        assert (got.value, got.failure) == (25.125, None)

    def test_the_kernels_example_line(self) -> None:
        # Written in the form that w1_slave_show prints, with the check word of TestTheCheckWord.
        got = judge_w1_slave(
            b"91 01 4b 46 7f ff 0c 10 70 : crc=70 YES\n91 01 4b 46 7f ff 0c 10 70 t=25062\n"
        )
        assert (got.value, got.failure) == (25.0625, None)
        assert got.raw == "91 01 4b 46 7f ff 0c 10 70 : crc=70 YES"

    def test_a_failed_crc_gives_no_value_and_not_the_one_kept_from_before(self) -> None:
        bad = frame(402)[:8] + b"\x00"
        got = judge_w1_slave(two_lines(bad, ok=False, kept=frame(320)))
        assert (got.value, got.failure) == (None, Failure.CRC)

    def test_a_yes_over_bytes_that_do_not_fit_is_not_believed(self) -> None:
        bad = bytearray(frame(402))
        bad[0] ^= 0x10
        got = judge_w1_slave(two_lines(bytes(bad), crc=bad[8]))
        assert (got.value, got.failure) == (None, Failure.CRC)

    def test_a_no_over_bytes_that_fit_is_believed(self) -> None:
        got = judge_w1_slave(two_lines(frame(402), ok=False))
        assert (got.value, got.failure) == (None, Failure.CRC)

    def test_all_ones_is_a_crc_failure(self) -> None:
        assert judge_w1_slave(two_lines(b"\xff" * 9, ok=False)).failure is Failure.CRC

    def test_all_zeros_passes_the_crc_and_is_an_empty_frame(self) -> None:
        got = judge_w1_slave(two_lines(bytes(9)))
        assert (got.value, got.failure) == (None, Failure.EMPTY_FRAME)

    def test_the_power_on_frame_keeps_its_value_and_says_what_it_is(self) -> None:
        got = judge_w1_slave(two_lines(POWER_ON))
        assert (got.value, got.failure) == (85.0, Failure.POWER_ON)

    def test_a_conversion_that_found_85_degrees_is_a_value(self) -> None:
        got = judge_w1_slave(two_lines(frame(85 * 16)))
        assert (got.value, got.failure) == (85.0, None)

    def test_the_value_of_a_supply_that_broke_down_is_told_as_power_on(self) -> None:
        data = bytes.fromhex("ff074b467fff0c10")
        got = judge_w1_slave(two_lines(data + bytes((bitwise_crc(data),))))
        assert (got.value, got.failure) == (127.9375, Failure.POWER_ON)

    def test_a_register_outside_the_chips_range_is_garbage(self) -> None:
        assert judge_w1_slave(two_lines(frame(-60 * 16))).failure is Failure.GARBAGE

    @pytest.mark.parametrize("content", [b"", b"\n", b"  \n"])
    def test_an_empty_read_means_gone(self, content: bytes) -> None:
        assert judge_w1_slave(content).failure is Failure.GONE

    @pytest.mark.parametrize(
        "content",
        [
            b"hello\n",
            b"91 01 4b : crc=70 YES\n",
            b"\xff\x00\xfe",
            two_lines(frame(402))[:30],
            b"zz" * 500,
        ],
    )
    def test_a_damaged_file_is_garbage(self, content: bytes) -> None:
        got = judge_w1_slave(content)
        assert (got.value, got.failure) == (None, Failure.GARBAGE)

    @given(st.binary(max_size=200))
    def test_no_content_raises(self, content: bytes) -> None:
        got = judge_w1_slave(content)
        assert (got.value is None) <= (got.failure is not None)
        assert judge_temperature(content) is not None

    @given(st.integers(-55 * 16, 125 * 16), st.integers(0, 71))
    def test_no_single_wrong_bit_passes_for_a_value(self, sixteenths: int, bit: int) -> None:
        nine = bytearray(frame(sixteenths))
        nine[bit // 8] ^= 1 << bit % 8
        assert judge_w1_slave(two_lines(bytes(nine), crc=nine[8])).failure is not None

    @given(st.integers(-55 * 16, 125 * 16))
    def test_every_register_gives_its_sixteenths(self, sixteenths: int) -> None:
        assert judge_w1_slave(two_lines(frame(sixteenths))).value == sixteenths / 16


class TestTheBareTemperatureFile:
    @pytest.mark.parametrize(
        ("content", "value"), [(b"25125\n", 25.125), (b"-62\n", -0.0625), (b"-10125\n", -10.125)]
    )
    def test_millidegrees_become_the_sixteenths_they_came_from(
        self, content: bytes, value: float
    ) -> None:
        assert judge_temperature(content)[:2] == (value, None)

    @given(st.integers(-55 * 16, 125 * 16))
    def test_every_register_survives_the_kernels_division(self, sixteenths: int) -> None:
        # C division truncates towards zero: (int)t * 1000 / 16 in w1_DS18B20_convert_temp.
        millidegrees = int(sixteenths * 1000 / 16)
        assert judge_temperature(b"%d\n" % millidegrees).value == sixteenths / 16

    def test_exactly_85_is_suspected_of_being_the_power_on_value(self) -> None:
        assert judge_temperature(b"85000\n")[:2] == (85.0, Failure.POWER_ON)

    def test_it_says_that_no_crc_stands_behind_it(self) -> None:
        assert "no CRC" in judge_temperature(b"25125\n").raw

    def test_bits_below_the_resolution_are_cleared(self) -> None:
        assert judge_temperature(b"25437\n", bits=9).value == 25.0

    def test_it_is_read_where_the_kernel_shows_no_w1_slave(self, bus: Bus) -> None:
        bus.plug(A, 25.4375).bits = 11
        (bus.home / A / "w1_slave").unlink()
        sample = read(opened(bus, water_a=A))["water-a"]
        assert (sample.value, sample.failure) == (25.375, None)


class TestProbesComeAndGo:
    def test_a_missing_probe_costs_only_its_own_channel(self, bus: Bus) -> None:
        bus.plug(B, 25.5)
        got = read(opened(bus, water_a=A, water_b=B))
        assert got["water-a"].failure is Failure.GONE
        assert (got["water-b"].value, got["water-b"].failure) == (25.5, None)

    def test_a_missing_probe_names_those_that_are_there(self, bus: Bus) -> None:
        bus.plug(B, 25.5)
        assert read(opened(bus, water_a=A))["water-a"].raw == f"not on the bus; there: {B}"

    def test_an_empty_bus_says_so(self, bus: Bus) -> None:
        assert read(opened(bus, water_a=A))["water-a"].raw == "not on the bus; there: no probe"

    def test_a_probe_that_is_unplugged_and_comes_back(self, bus: Bus) -> None:
        bus.plug(A, 25.25)
        driver = opened(bus, water_a=A)
        assert read(driver)["water-a"].value == 25.25
        bus.unplug(A)
        assert read(driver)["water-a"].failure is Failure.GONE
        bus.plug(A, 24.0)
        assert read(driver)["water-a"].value == 24.0

    def test_an_empty_read_is_a_probe_that_does_not_answer(self, bus: Bus) -> None:
        bus.plug(A, 25.25).mute = True
        bus.plug(B, 25.5)
        got = read(opened(bus, water_a=A, water_b=B))
        assert (got["water-a"].failure, got["water-b"].value) == (Failure.GONE, 25.5)

    @pytest.mark.parametrize(
        ("code", "failure"),
        [
            (errno.ENODEV, Failure.GONE),
            (errno.EIO, Failure.GONE),
            (errno.EACCES, Failure.DRIVER),
        ],
    )
    def test_an_error_of_the_file_is_told_by_its_name(
        self, bus: Bus, monkeypatch: pytest.MonkeyPatch, code: int, failure: Failure
    ) -> None:
        # The tests may run as root, whom no file refuses: the error is raised in its place.
        bus.plug(A, 25.25)
        bus.plug(B, 25.5)
        driver = opened(bus, water_a=A, water_b=B)
        ordinary = onewire._read_attribute

        def refuse(path: Path) -> bytes:
            if path == bus.root / A / "w1_slave":
                raise OSError(code, os.strerror(code))
            return ordinary(path)

        monkeypatch.setattr(onewire, "_read_attribute", refuse)
        got = read(driver)
        assert got["water-a"].failure is failure
        assert errno.errorcode[code] in got["water-a"].raw
        assert got["water-b"].value == 25.5

    def test_a_bus_that_goes_away_fails_the_source(self, bus: Bus) -> None:
        driver = opened(bus, water_a=A)
        shutil.rmtree(bus.root)
        with pytest.raises(DriverError, match="The 1-Wire bus is gone"):
            read(driver)


class TestOpening:
    def test_without_the_overlay_it_says_which_line_to_add(self, tmp_path: Path) -> None:
        settings = OneWireSettings.model_validate(
            {"channels": {"a": {"probe": A}}, "root": tmp_path / "none"}
        )
        with pytest.raises(DriverError) as caught:
            OneWire(settings).open()
        assert "dtoverlay=w1-gpio" in caught.value.do

    def test_without_a_master_it_says_the_same(self, tmp_path: Path) -> None:
        settings = OneWireSettings.model_validate(
            {"channels": {"a": {"probe": A}}, "root": tmp_path}
        )
        with pytest.raises(DriverError, match="No 1-Wire bus master") as caught:
            OneWire(settings).open()
        assert "dtoverlay=w1-gpio" in caught.value.do

    def test_a_wrong_master_is_told_with_those_that_are_there(self, bus: Bus) -> None:
        with pytest.raises(DriverError, match="there is w1_bus_master1"):
            opened_with(bus, {"a": {"probe": A}}, master="w1_bus_master2")

    def test_each_master_can_be_a_bus_of_its_own(self) -> None:
        settings = {"channels": {"a": {"probe": A}}}
        assert OneWire.bus(OneWireSettings.model_validate(settings)) == "w1"
        named = OneWireSettings.model_validate({**settings, "master": "w1_bus_master2"})
        assert OneWire.bus(named) == "w1/w1_bus_master2"


class TestBulkConversion:
    def test_probes_convert_together_and_once(self, bus: Bus) -> None:
        a, b = bus.plug(A, 25.25), bus.plug(B, 25.5)
        driver = opened(bus, water_a=A, water_b=B)
        read(driver)
        a.water, b.water = 400, 401
        a.conversions = b.conversions = 0
        bus.log.clear()
        got = read(driver)
        assert (got["water-a"].value, got["water-b"].value) == (25.0, 25.0625)
        assert (a.conversions, b.conversions) == (1, 1)
        assert bus.log == ["trigger", f"{A}/w1_slave", f"{B}/w1_slave"]

    def test_the_check_word_stands_behind_a_bulk_value(self, bus: Bus) -> None:
        a, b = bus.plug(A, 25.25), bus.plug(B, 25.5)
        driver = opened(bus, water_a=A, water_b=B)
        read(driver)
        a.water, b.water = 400, 401
        assert read(driver)["water-a"].raw == two_lines(frame(400)).splitlines()[0].decode()

    def test_one_probe_alone_is_not_converted_in_bulk(self, bus: Bus) -> None:
        bus.plug(A, 25.25)
        assert read(opened(bus, water_a=A))["water-a"].value == 25.25
        assert "trigger" not in bus.log

    def test_it_can_be_switched_off(self, bus: Bus) -> None:
        bus.plug(A, 25.25)
        bus.plug(B, 25.5)
        channels: dict[str, dict[str, object]] = {"a": {"probe": A}, "b": {"probe": B}}
        assert read(opened_with(bus, channels, bulk=False))["b"].value == 25.5
        assert "trigger" not in bus.log

    def test_a_kernel_without_it_is_read_probe_by_probe(self, bus: Bus) -> None:
        bus.plug(A, 25.25)
        bus.plug(B, 25.5)
        (bus.home / "therm_bulk_read").unlink()
        got = read(opened(bus, water_a=A, water_b=B))
        assert (got["water-a"].value, got["water-b"].value) == (25.25, 25.5)
        assert not (bus.home / "therm_bulk_read").exists()

    def test_two_masters_are_converted_each_for_itself(self, bus: Bus, tmp_path: Path) -> None:
        # Only the first master has a kernel behind it here; the second is plain files.
        bus.plug(A, 25.25)
        bus.plug(B, 25.5)
        other = Bus(tmp_path, "w1_bus_master2")
        other.plug(C, 20.0)
        (other.home / C / "w1_slave").write_bytes(two_lines(frame(320)))
        got = read(opened(bus, water_a=A, water_b=B, room=C))
        assert [got[name].value for name in ("water-a", "water-b", "room")] == [25.25, 25.5, 20.0]

    def test_a_conversion_that_never_ends_is_silence_and_bounded(self, bus: Bus) -> None:
        bus.plug(A, 25.25)
        bus.plug(B, 25.5)
        bus.stuck = True
        got = read(opened(bus, water_a=A, water_b=B))
        assert {sample.failure for sample in got.values()} == {Failure.SILENT}
        assert "bulk conversion does not end" in got["water-a"].raw


class TestAConversionThatNeverHappened:
    def test_the_first_round_after_opening_is_not_believed(self, bus: Bus) -> None:
        for probe, degrees in ((A, 25.25), (B, 25.5)):
            model = bus.plug(probe, degrees)
            model.ram = frame(20 * 16)  # from hours ago
            model.deaf = True
        got = read(opened(bus, water_a=A, water_b=B))
        assert [(s.value, s.stale) for s in got.values()] == [(25.25, False), (25.5, False)]

    def test_the_first_round_after_opening_again_is_not_believed_either(self, bus: Bus) -> None:
        a, b = bus.plug(A, 25.25), bus.plug(B, 25.5)
        driver = opened(bus, water_a=A, water_b=B)
        read(driver)
        driver.close()
        a.water, b.water, b.deaf = 384, 385, True
        driver.open()
        assert read(driver)["water-b"].value == 24.0625

    def test_a_lost_bulk_command_is_made_good_by_single_conversions(self, bus: Bus) -> None:
        a, b = bus.plug(A, 25.25), bus.plug(B, 25.5)
        driver = opened(bus, water_a=A, water_b=B)
        read(driver)
        a.water, b.water, bus.trigger_lost = 384, 385, True
        got = read(driver)
        assert [(s.value, s.stale) for s in got.values()] == [(24.0, False), (24.0625, False)]

    def test_a_probe_back_from_a_loss_of_supply_is_no_evidence_of_a_conversion(
        self, bus: Bus
    ) -> None:
        a, b = bus.plug(A, 25.25), bus.plug(B, 25.5)
        driver = opened(bus, water_a=A, water_b=B)
        read(driver)
        bus.trigger_lost = True
        a.water, b.ram = 384, POWER_ON
        got = read(driver)
        assert (got["water-a"].value, got["water-b"].value) == (24.0, 25.5)

    def test_nor_is_one_that_was_missing_in_between(self, bus: Bus) -> None:
        a = bus.plug(A, 25.25)
        bus.plug(B, 25.5)
        driver = opened(bus, water_a=A, water_b=B)
        read(driver)
        bus.unplug(B)
        read(driver)
        b = bus.plug(B, 25.5)
        bus.trigger_lost = True
        a.water, b.ram = 384, frame(320)
        got = read(driver)
        assert (got["water-a"].value, got["water-b"].value) == (24.0, 25.5)

    def test_where_that_fails_the_old_frame_is_given_as_stale(
        self, bus: Bus, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        a, b = bus.plug(A, 25.25), bus.plug(B, 25.5)
        driver = opened(bus, water_a=A, water_b=B)
        read(driver)
        bus.trigger_lost = True
        a.water, b.water = 384, 385
        ordinary = onewire._read_attribute

        def deaf_to_its_own_command(path: Path) -> bytes:
            if path.parent.name == A and a.triggered == 0:
                return b""
            return ordinary(path)

        monkeypatch.setattr(onewire, "_read_attribute", deaf_to_its_own_command)
        got = read(driver)
        assert (got["water-a"].value, got["water-a"].stale) == (25.25, True)
        assert (got["water-b"].value, got["water-b"].stale) == (24.0625, False)

    def test_steady_water_is_not_called_stale(self, bus: Bus) -> None:
        bus.plug(A, 25.25)
        bus.plug(B, 25.5)
        driver = opened(bus, water_a=A, water_b=B)
        for _ in range(5):
            assert not any(sample.stale for sample in read(driver).values())

    def test_anothers_pending_conversion_is_thrown_away(self, bus: Bus) -> None:
        model = bus.plug(A, 25.25)
        model.ram, model.triggered = frame(20 * 16), 1
        assert read(opened(bus, water_a=A))["water-a"].value == 25.25


class TestResolution:
    def test_it_is_set_where_the_configuration_asks(self, bus: Bus) -> None:
        model = bus.plug(A, 25.4375)
        driver = opened_with(bus, {"water-a": {"probe": A, "resolution": 10}})
        assert model.bits == 10
        assert read(driver)["water-a"].value == 25.25

    def test_it_is_left_alone_otherwise(self, bus: Bus) -> None:
        model = bus.plug(A, 25.4375)
        model.bits = 11
        assert read(opened(bus, water_a=A))["water-a"].value == 25.375
        assert model.bits == 11

    def test_it_is_set_again_after_the_probe_lost_its_supply(self, bus: Bus) -> None:
        bus.plug(A, 25.4375)
        driver = opened_with(bus, {"water-a": {"probe": A, "resolution": 10}})
        bus.unplug(A)
        read(driver)
        model = bus.plug(A, 25.4375)
        read(driver)
        assert model.bits == 10

    def test_it_is_set_again_however_often_that_happens(self, bus: Bus) -> None:
        model = bus.plug(A, 25.4375)
        driver = opened_with(bus, {"water-a": {"probe": A, "resolution": 10}})
        for _ in range(5):
            model.bits = 12
            read(driver)
            assert model.bits == 10
            read(driver)

    def test_a_copy_that_does_not_take_it_is_asked_three_times_and_named_once(
        self, bus: Bus, caplog: pytest.LogCaptureFixture, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        bus.plug(A, 25.4375)
        writes: list[Path] = []
        monkeypatch.setattr(onewire, "_write_attribute", lambda path, data: writes.append(path))
        with caplog.at_level(logging.WARNING):
            driver = opened_with(bus, {"water-a": {"probe": A, "resolution": 10}})
            for _ in range(6):
                assert read(driver)["water-a"].value == 25.4375
        assert len(writes) == 3
        assert [record.getMessage() for record in caplog.records] == [
            f"Probe {A} keeps its own resolution: 10 bits cannot be set "
            "(the probe does not take it)."
        ]


class TestSettings:
    @pytest.mark.parametrize("probe", ["28-xyz", "10-0316a2794a1f", "0316a2794a1f", "", "28-031"])
    def test_what_is_no_probe_is_refused_with_an_example(self, probe: str) -> None:
        with pytest.raises(ValidationError, match='as in "28-0316a2794a1f"'):
            OneWireSettings.model_validate({"channels": {"a": {"probe": probe}}})

    def test_capitals_are_taken_as_the_kernel_writes_them(self) -> None:
        settings = OneWireSettings.model_validate({"channels": {"a": {"probe": A.upper()}}})
        assert settings.channels["a"].probe == A

    def test_one_probe_for_two_channels_is_refused(self) -> None:
        with pytest.raises(ValidationError, match="Channels a and b have the same probe"):
            OneWireSettings.model_validate({"channels": {"a": {"probe": A}, "b": {"probe": A}}})

    def test_no_channel_is_refused(self) -> None:
        with pytest.raises(ValidationError):
            OneWireSettings.model_validate({"channels": {}})


class TestTheUdevRule:
    def test_its_command_opens_the_trigger_and_the_resolution_to_the_group(
        self, tmp_path: Path
    ) -> None:
        rules = Path(__file__).parents[2] / "deploy/systemd/99-stillwell.rules"
        (line,) = (text for text in rules.read_text("utf-8").splitlines() if 'EM=="w1"' in text)
        # As udev expands it (udev(7)): $sys, $devpath, and $$ for a dollar sign. The group is one
        # of our own, as the user of stillwell need not exist here.
        command = line.partition('RUN+="')[2].removesuffix('"')
        for name, value in {
            "$sys": str(tmp_path),
            "$devpath": f"/w1_bus_master1/{A}",
            "$$": "$",
            "chgrp stillwell": f"chgrp {os.getgid()}",
        }.items():
            assert name in command
            command = command.replace(name, value)
        probe = tmp_path / "w1_bus_master1" / A
        probe.mkdir(parents=True)
        opened_up = [probe / "resolution", probe.parent / "therm_bulk_read"]
        for path in [*opened_up, probe / "w1_slave"]:
            path.touch()
            path.chmod(0o644)
        subprocess.run(shlex.split(command), check=True)
        assert [oct(path.stat().st_mode & 0o777) for path in opened_up] == ["0o664", "0o664"]
        assert (probe / "w1_slave").stat().st_mode & 0o777 == 0o644
        opened_up[1].unlink()  # a kernel without bulk conversion
        subprocess.run(shlex.split(command), check=True)
