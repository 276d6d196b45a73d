"""The float driver. No GPIO line was at hand: a fake stands at the edge of the `gpiod` package (its
`Chip`, and the `LineRequest` that it gives), with everything above it real, the package's own
settings and enumerations included. What a kernel does with bias and debouncing is not tested here.
"""

from __future__ import annotations

import errno
import os
from datetime import timedelta
from pathlib import Path

import gpiod
import pytest
from gpiod.line import Bias, Direction, Edge
from pydantic import ValidationError

from fake_header import FakeChip, Header
from stillwell.ports import DriverError
from stillwell.reading import Failure, Sample
from stillwell.testing import DriverCase, DriverContract
from stillwell_drivers import gpio_float
from stillwell_drivers.gpio_float import GpioFloat, GpioFloatSettings


@pytest.fixture
def header(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Header:
    made = Header()
    (tmp_path / "gpiochip1").touch()
    monkeypatch.setattr(gpio_float, "_CHIPS", str(tmp_path / "gpiochip*"))
    monkeypatch.setattr(gpiod, "Chip", made.chip)
    return made


def opened(channels: dict[str, dict[str, object]], **more: object) -> GpioFloat:
    driver = GpioFloat(GpioFloatSettings.model_validate({"channels": channels, **more}))
    driver.open()
    return driver


def read(driver: GpioFloat) -> dict[str, Sample]:
    return {sample.channel: sample for sample in driver.read()}


class TestGpioFloatKeepsTheContract(DriverContract):
    @pytest.fixture
    def case(self, header: Header) -> DriverCase:
        channels = {"float-low": {"line": 17}, "float-high": {"line": "GPIO27"}}
        return DriverCase(
            GpioFloat,
            {"channels": channels},
            absent={"channels": channels, "chip": "/dev/no-such-gpiochip"},
        )


class TestWhatALevelMeans:
    @pytest.mark.parametrize(
        ("wiring", "level", "value", "told"),
        [
            ({}, 0, 1.0, "level=low"),
            ({}, 1, 0.0, "level=high"),
            ({"bias": "pull-down", "closed": "high"}, 1, 1.0, "level=high"),
            ({"bias": "pull-down", "closed": "high"}, 0, 0.0, "level=low"),
            ({"wet": "open"}, 0, 0.0, "level=low"),
            ({"wet": "open"}, 1, 1.0, "level=high"),
        ],
    )
    def test_one_is_water_at_or_above_the_float(
        self, header: Header, wiring: dict[str, object], level: int, value: float, told: str
    ) -> None:
        header.lines[17].level = level
        sample = read(opened({"float-low": {"line": 17, **wiring}}))["float-low"]
        assert (sample.value, sample.failure) == (value, None)
        assert sample.raw == f"{told} edges=0"

    def test_each_read_takes_the_level_of_now(self, header: Header) -> None:
        driver = opened({"float-low": {"line": 17}})
        seen = []
        for level in (1, 0, 0, 1):
            header.lines[17].level = level  # without any edge
            seen.append(read(driver)["float-low"].value)
        assert seen == [0.0, 1.0, 1.0, 0.0]


class TestEdges:
    def test_they_are_counted_since_the_last_read(self, header: Header) -> None:
        driver = opened({"float-low": {"line": 17}, "float-high": {"line": 27}})
        for level in (0, 1, 0):
            header.lines[17].move(level)
        got = read(driver)
        assert (got["float-low"].raw, got["float-high"].raw) == (
            "level=low edges=3",
            "level=high edges=0",
        )
        assert read(driver)["float-low"].raw == "level=low edges=0"

    def test_those_that_the_kernels_buffer_lost_count_too(self, header: Header) -> None:
        driver = opened({"float-low": {"line": 17}})
        for level in (0, 1) * 50:
            header.lines[17].move(level)
        del header.lines[17].unread[:-16]  # the buffer keeps the newest
        assert read(driver)["float-low"].raw == "level=high edges=100"

    def test_a_float_that_never_stops_chattering_does_not_hold_the_read(
        self, header: Header
    ) -> None:
        driver = opened({"float-low": {"line": 17}})
        header.storm = True
        assert read(driver)["float-low"].value == 0.0
        assert header.requests[0].polls <= 64


class TestTakingLines:
    def test_all_lines_are_taken_in_one_request(self, header: Header) -> None:
        opened({"float-low": {"line": 17}, "float-high": {"line": "GPIO27"}})
        assert [sorted(asked) for asked in header.asked] == [[17, 27]]

    def test_the_wiring_is_handed_to_the_kernel(self, header: Header) -> None:
        opened(
            {
                "low": {"line": 17, "debounce": "35 ms"},
                "high": {"line": 27, "bias": "none", "closed": "high", "debounce": "0 ms"},
            }
        )
        low, high = header.asked[0][17], header.asked[0][27]
        assert (low.direction, low.edge_detection) == (Direction.INPUT, Edge.BOTH)
        assert (low.bias, low.active_low) == (Bias.PULL_UP, True)
        assert low.debounce_period == timedelta(milliseconds=35)
        assert (high.bias, high.active_low) == (Bias.DISABLED, False)
        assert high.debounce_period == timedelta(0)

    def test_they_are_given_back_on_close(self, header: Header) -> None:
        driver = opened({"float-low": {"line": 17}})
        driver.close()
        assert header.requests[0].released
        assert header.chips[0].closed
        assert header.lines[17].holder == ""

    def test_a_line_that_another_holds_costs_only_its_own_channel(self, header: Header) -> None:
        header.lines[27].holder = "fan"
        got = read(opened({"float-low": {"line": 17}, "float-high": {"line": 27}}))
        assert got["float-low"].value == 0.0
        assert got["float-high"].failure is Failure.DRIVER
        assert got["float-high"].raw == "line held by fan"

    def test_who_holds_it_without_a_name_is_called_another_program(self, header: Header) -> None:
        header.lines[27].holder = "?"
        got = read(opened({"float-low": {"line": 17}, "float-high": {"line": 27}}))
        assert got["float-high"].raw == "line held by another program, which gave no name"

    def test_it_is_taken_as_soon_as_the_other_lets_go(self, header: Header) -> None:
        header.lines[27].holder = "fan"
        driver = opened({"float-low": {"line": 17}, "float-high": {"line": 27}})
        read(driver)
        header.lines[27].holder = ""
        got = read(driver)
        assert (got["float-low"].value, got["float-high"].value) == (0.0, 0.0)
        driver.close()
        assert all(request.released for request in header.requests)


class TestWhatIsSaidWhen:
    def test_the_only_line_is_busy(self, header: Header) -> None:
        header.lines[17].holder = "fan"
        with pytest.raises(DriverError) as caught:
            opened({"float-low": {"line": 17}})
        assert caught.value.what == "Line GPIO17 (float-low) is in use by fan."
        assert "gpioinfo" in caught.value.do
        assert all(chip.closed for chip in header.chips)

    def test_a_line_is_taken_between_the_look_and_the_request(self, header: Header) -> None:
        header.refuses = OSError(errno.EBUSY, os.strerror(errno.EBUSY))
        with pytest.raises(DriverError, match=r"GPIO17 .* is in use by another program"):
            opened({"float-low": {"line": 17}})

    def test_the_user_may_not(self, header: Header) -> None:
        header.refuses = PermissionError(errno.EPERM, os.strerror(errno.EPERM))
        with pytest.raises(DriverError, match="group gpio"):
            opened({"float-low": {"line": 17}})

    def test_the_chip_can_not_do_it(self, header: Header) -> None:
        header.refuses = OSError(errno.ENOTSUP, os.strerror(errno.ENOTSUP))
        with pytest.raises(DriverError, match='debounce = "0 ms"'):
            opened({"float-low": {"line": 17}})

    def test_the_line_does_not_exist(self, header: Header) -> None:
        with pytest.raises(DriverError, match=r"Line GPIO77 .* does not exist"):
            opened({"float-low": {"line": 77}})

    def test_the_chip_does_not_exist(self, header: Header) -> None:
        with pytest.raises(DriverError, match="gpiodetect"):
            opened({"float-low": {"line": 17}}, chip="/dev/no-such-gpiochip")

    def test_the_chip_may_not_be_opened(
        self, header: Header, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        def refuse(path: str) -> FakeChip:
            raise PermissionError(errno.EACCES, os.strerror(errno.EACCES), path)

        monkeypatch.setattr(gpiod, "Chip", refuse)
        with pytest.raises(DriverError, match="group gpio"):
            opened({"float-low": {"line": 17}})

    def test_there_is_no_header(self, header: Header) -> None:
        header.label = "some-expander"
        with pytest.raises(DriverError, match="40-pin header"):
            opened({"float-low": {"line": 17}})
        assert all(chip.closed for chip in header.chips)

    def test_the_chip_goes_away_while_it_is_read(self, header: Header) -> None:
        driver = opened({"float-low": {"line": 17}})
        header.broken = True
        with pytest.raises(DriverError, match=r"GPIO17 .* cannot be read"):
            read(driver)


class TestTheRealPackage:
    @pytest.mark.parametrize("path", ["/dev/null", "/dev/no-such-gpiochip"])
    def test_what_is_no_gpio_chip_is_told_in_words(self, path: str) -> None:
        with pytest.raises(DriverError, match="cannot be opened") as caught:
            opened({"float-low": {"line": 17}}, chip=path)
        assert "gpiodetect" in caught.value.do


class TestFindingTheHeader:
    def test_it_is_known_by_its_label_and_not_by_its_number(
        self, header: Header, tmp_path: Path
    ) -> None:
        (tmp_path / "gpiochip0").touch()
        header.others[str(tmp_path / "gpiochip0")] = "raspberrypi-exp-gpio"
        header.lines[17].level = 0
        assert read(opened({"float-low": {"line": 17}}))["float-low"].value == 1.0
        assert [chip.closed for chip in header.chips] == [True, False]

    def test_a_named_chip_is_taken_whatever_its_label(self, header: Header, tmp_path: Path) -> None:
        header.label = "some-expander"
        settings = GpioFloatSettings.model_validate({"channels": {"a": {"line": 3}}})
        driver = GpioFloat(settings.model_copy(update={"chip": str(tmp_path / "gpiochip1")}))
        driver.open()
        assert read(driver)["a"].value == 0.0


class TestSettings:
    @pytest.mark.parametrize(("bias", "closed"), [("pull-up", "high"), ("pull-down", "low")])
    def test_a_switch_that_could_never_be_seen_is_refused(self, bias: str, closed: str) -> None:
        with pytest.raises(ValidationError, match="could never be told"):
            GpioFloatSettings.model_validate(
                {"channels": {"a": {"line": 17, "bias": bias, "closed": closed}}}
            )

    def test_a_number_in_quotes_is_a_number(self) -> None:
        settings = GpioFloatSettings.model_validate({"channels": {"a": {"line": "17"}}})
        assert settings.channels["a"].line == 17

    @pytest.mark.parametrize(
        ("entry", "told"),
        [
            ({"line": -1}, "no GPIO line -1"),
            ({"line": " "}, "no name"),
            ({"line": 17, "debounce": "20"}, "no unit"),
            ({"line": 17, "debounce": "1 min"}, "at most 5 s"),
            ({"line": 17, "pull": "up"}, "pull"),
            ({}, "line"),
        ],
    )
    def test_what_cannot_be_is_refused_in_words(self, entry: dict[str, object], told: str) -> None:
        with pytest.raises(ValidationError, match=told):
            GpioFloatSettings.model_validate({"channels": {"a": entry}})

    def test_one_line_for_two_floats_is_refused_however_it_is_written(self) -> None:
        for other in (17, "GPIO17"):
            with pytest.raises(ValidationError, match="the same line"):
                GpioFloatSettings.model_validate(
                    {"channels": {"a": {"line": 17}, "b": {"line": other}}}
                )

    def test_a_chip_that_is_no_path_is_refused(self) -> None:
        with pytest.raises(ValidationError, match="header"):
            GpioFloatSettings.model_validate({"channels": {"a": {"line": 1}}, "chip": "gpiochip0"})

    def test_the_bus_is_the_chip(self) -> None:
        settings = GpioFloatSettings.model_validate({"channels": {"a": {"line": 1}}})
        assert GpioFloat.bus(settings) == "gpio:header"
