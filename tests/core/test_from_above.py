"""Gauges above the water: distances become levels, and sound is corrected by the room's air."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stillwell.acquire.clock import SystemClock
from stillwell.acquire.source import Batch
from stillwell.cli.checks.sensors import read_once
from stillwell.quality.from_above import FromAbove, Mounted
from stillwell.reading import Failure, Flag, Moment, Reading, Sample
from stillwell.settings import ConfigError, load
from stillwell.store import Store, StoreReader
from stillwell.wiring.assemble import pipeline

SPEED = {0: 331.30, 15: 340.28, 20: 343.21, 25: 346.13, 30: 349.02}
"""Speed of sound in dry air, m/s, 331.3 sqrt(1 + t / 273.15)."""


def air(value: float, mono_ms: int = 0, flag: Flag = Flag.PASS) -> Reading:
    return Reading("room", Moment(mono_ms, mono_ms), value, flag)


def heard(gauges: FromAbove, value: float | None = 130.0, mono_ms: int = 0) -> float | None:
    (sample,) = gauges.levels([Sample("level", value)], mono_ms)
    return sample.value


class TestMounted:
    def test_it_reads_downwards_from_its_place(self) -> None:
        assert Mounted(120.0).level(120.0, None) == 0.0
        assert Mounted(120.0).level(132.5, 26.0) == -12.5

    @pytest.mark.parametrize("at", SPEED)
    def test_sound_is_corrected_by_the_air(self, at: int) -> None:
        wanted = 1000.0 - 500.0 * SPEED[at] / SPEED[20]
        assert Mounted(1000.0, 20.0).level(500.0, float(at)) == pytest.approx(wanted, abs=0.02)

    def test_six_kelvin_are_a_millimetre_and_a_half_in_150(self) -> None:
        # A 150 mm gap by a gauge made for 20 °C, used at 26 °C.
        assert Mounted(150.0, 20.0).level(150.0, 26.0) == pytest.approx(-1.5, abs=0.05)

    @given(st.floats(1, 2000), st.floats(-10, 50))
    def test_without_the_airs_temperature_the_gauge_is_believed(
        self, distance: float, at: float
    ) -> None:
        level = Mounted(120.0, at).level(distance, None)
        assert level == Mounted(120.0).level(distance, at) == Mounted(120.0, at).level(distance, at)


class TestFromAbove:
    def test_other_channels_and_failures_are_left_alone(self) -> None:
        gauges = FromAbove({"level": Mounted(120.0)}, "room")
        failed = Sample("level", None, Failure.SILENT, "nothing")
        other = Sample("water-a", 25.0)
        assert list(gauges.levels([failed, other], 0)) == [failed, other]

    def test_the_rooms_last_believed_temperature_counts_for_an_hour(self) -> None:
        gauges = FromAbove({"level": Mounted(150.0, 20.0)}, "room")
        assert heard(gauges, 150.0) == 0.0
        gauges.see([air(26.0)])
        gauges.see([air(85.0, flag=Flag.FAIL), Reading("water-a", Moment(0, 0), 25.0, Flag.PASS)])
        assert heard(gauges, 150.0, 3_600_000) == pytest.approx(-1.5, abs=0.05)
        assert heard(gauges, 150.0, 3_600_001) == 0.0


TANK = """\
[tank]
name = "reading-room"
zone = "Europe/Dublin"
volume = "68 L"
[store]
path = "tank.db"
[source.gauge]
driver = "command"
run = ["/bin/echo", "132.5"]
[source.gauge.channels]
level = {}
[channel.level]
quantity = "level"
mounted = "12 cm"
"""
ROOM = """\
[source.air]
driver = "command"
run = ["/bin/echo", "26"]
[source.air.channels]
room = {}
[channel.room]
quantity = "temperature"
"""


def written(folder: Path, text: str) -> Path:
    file = folder / "stillwell.toml"
    file.write_text(text)
    return file


class TestInTheSettings:
    def test_the_pipeline_keeps_levels(self, tmp_path: Path) -> None:
        file = written(tmp_path, TANK + 'sound_at = "20 degC"\noffset = "0.5 mm"\n' + ROOM)
        settings = load(file, environ={})
        store = Store.open(settings.store_path)
        line = pipeline(settings, store)
        line.begin("boot", 1000, 1_768_478_400_000, True)
        line.take(Batch("gauge", 2000, (Sample("level", 132.5),)))
        line.take(Batch("air", 3000, (Sample("room", 26.0),)))
        line.take(Batch("gauge", 4000, (Sample("level", 132.5),)))
        store.commit()
        with StoreReader.open(settings.store_path) as reader:
            kept = list(reader.readings("level", -(2**50), 2**50))
        store.close()
        warm = 120.0 - 132.5 * (299.15 / 293.15) ** 0.5 + 0.5
        assert [reading.value for reading in kept] == pytest.approx([-12.0, warm], abs=1e-3)

    def test_check_shows_the_level(self, tmp_path: Path) -> None:
        points = read_once(load(written(tmp_path, TANK), environ={}), SystemClock())
        (point,) = [point for point in points if point.part == "channel"]
        assert point.facts["value"] == -12.5

    @pytest.mark.parametrize(
        ("text", "words"),
        [
            (TANK.replace('mounted = "12 cm"', 'sound_at = "20 degC"'), 'mounted = "120 mm"'),
            (TANK + 'sound_at = "20 degC"\n', "[channel.room]"),
        ],
    )
    def test_sound_that_cannot_be_corrected_is_told_on_its_line(
        self, tmp_path: Path, text: str, words: str
    ) -> None:
        with pytest.raises(ConfigError) as raised:
            load(written(tmp_path, text), environ={})
        (fault,) = raised.value.faults
        assert (fault.key, words in fault.do) == ("channel.level.sound_at", True)
        assert fault.line == text[: text.index("sound_at")].count("\n") + 1
