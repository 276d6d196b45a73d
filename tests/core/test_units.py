"""Units: what people write becomes the right number, and numbers read well."""

from __future__ import annotations

import json
import math
import re
import subprocess
import sys
from typing import Annotated

import pytest
from annotated_types import Gt
from hypothesis import example, given
from hypothesis import strategies as st
from pydantic import BaseModel, ValidationError

from stillwell.units import (
    EXAMPLE,
    Celsius,
    Dimension,
    Kelvin,
    KelvinPerSecond,
    Ratio,
    Seconds,
    System,
    UnitError,
    parse,
    show,
    write,
)

D = Dimension


def why_not(text: str, dimension: Dimension) -> UnitError | None:
    try:
        parse(text, dimension)
    except UnitError as error:
        return error
    return None


# NIST Special Publication 811 (2008 edition), appendix B.8, as printed there to seven digits (the
# inch, the foot, the imperial gallon are exact there). The printed digits are from memory.
NIST_SP_811 = [
    ("1 gal", D.VOLUME, 3.785412e3, 5e-4),
    ("1 fl oz", D.VOLUME, 2.957353e1, 5e-6),
    ("1 imp gal", D.VOLUME, 4.54609e3, 1e-9),
    ("1 in", D.LENGTH, 25.4, 1e-12),
    ("1 ft", D.LENGTH, 304.8, 1e-9),
    ("1 oz", D.MASS, 2.834952e1, 5e-6),
    ("1 lb", D.MASS, 4.535924e2, 5e-5),
]


class TestNistFactors:
    @pytest.mark.parametrize(
        ("text", "dimension", "value", "half_a_digit"), NIST_SP_811, ids=[c[0] for c in NIST_SP_811]
    )
    def test_each_factor_is_the_printed_one_to_its_last_digit(
        self, text: str, dimension: Dimension, value: float, half_a_digit: float
    ) -> None:
        assert abs(parse(text, dimension) - value) <= half_a_digit

    def test_the_us_gallon_is_231_cubic_inches(self) -> None:
        """By definition, 3.785 411 784 L exactly: NIST Handbook 44, appendix C."""
        assert parse("1 gal", D.VOLUME) == 3785.411784

    @pytest.mark.parametrize(
        ("fahrenheit", "celsius"),
        [
            ("32 degF", 0.0),
            ("212 degF", 100.0),
            ("-40 degF", -40.0),
            ("98.6 degF", 37.0),
            ("77 °F", 25.0),
        ],
    )
    def test_fixed_points_of_the_fahrenheit_scale(self, fahrenheit: str, celsius: float) -> None:
        """t/°C = (t/°F - 32)/1.8, NIST SP 811, B.8."""
        assert parse(fahrenheit, D.TEMPERATURE) == celsius


class TestWhatPeopleWrite:
    @pytest.mark.parametrize(
        ("text", "dimension", "value"),
        [
            ("25.3 degC", D.TEMPERATURE, 25.3),
            ("25.3 °C", D.TEMPERATURE, 25.3),
            ("25.3°c", D.TEMPERATURE, 25.3),
            ("25.3 ºC", D.TEMPERATURE, 25.3),
            ("25.3 ℃", D.TEMPERATURE, 25.3),
            ("−1.5 C", D.TEMPERATURE, -1.5),
            ("0.5 K", D.DIFFERENCE, 0.5),
            ("0.5 degC", D.DIFFERENCE, 0.5),
            ("0.9 degF", D.DIFFERENCE, 0.5),
            ("68 L", D.VOLUME, 68_000.0),
            ("1.2 l", D.VOLUME, 1200.0),
            ("350 ML", D.VOLUME, 350.0),
            ("1,2 L", D.VOLUME, 1200.0),
            ("0,250 L", D.VOLUME, 250.0),
            ("1 200,5 mL", D.VOLUME, 1200.5),
            ("25,3 °C", D.TEMPERATURE, 25.3),
            ("1,5 h 30 min", D.DURATION, 7200.0),
            ("4 qt", D.VOLUME, 3785.411784),
            ("16 cups", D.VOLUME, 3785.411784),
            ("18 cm", D.LENGTH, 180.0),
            ("-45 mm", D.LENGTH, -45.0),
            ("30 s", D.DURATION, 30.0),
            ("20 ms", D.DURATION, 0.02),
            ("5 min", D.DURATION, 300.0),
            ("1 h 30 min", D.DURATION, 5400.0),
            ("90 d", D.DURATION, 7_776_000.0),
            ("5 %", D.RATIO, 0.05),
            (0.05, D.RATIO, 0.05),
            ("1.5 K/h", D.TEMPERATURE_RATE, 1.5),
            ("0.5 K/min", D.TEMPERATURE_RATE, 30.0),
            ("1.8 °F/h", D.TEMPERATURE_RATE, 1.0),
            ("40 mL/h", D.FLOW, 40.0),
            ("1.2 L/d", D.FLOW, 50.0),
            ("75 W", D.POWER, 75.0),
            ("35.16504 g/kg", D.SALINITY, 35.0),  # Millero et al. 2008, reference composition
            ("35 psu", D.SALINITY, 35.0),
            ("35 ppt", D.SALINITY, 35.0),
            ("48 % RH", D.HUMIDITY, 48.0),
            ("53 mS/cm", D.CONDUCTIVITY, 53.0),
            ("5.3 S/m", D.CONDUCTIVITY, 53.0),
            (8.2, D.PLAIN, 8.2),
            (8, D.PLAIN, 8.0),
        ],
        ids=str,
    )
    def test_it_becomes_the_value_in_the_inside_unit(
        self, text: str | float, dimension: Dimension, value: float
    ) -> None:
        assert parse(text, dimension) == value

    @pytest.mark.parametrize("dimension", list(Dimension))
    def test_every_example_that_we_tell_people_to_write_is_understood(
        self, dimension: Dimension
    ) -> None:
        for text in EXAMPLE[dimension]:
            parse(text, dimension)


class TestWhatIsRefused:
    @pytest.mark.parametrize(
        ("text", "dimension", "what", "do"),
        [
            ("1,200 mL", D.VOLUME, "comma", 'Write "1.200 mL" or "1200 mL".'),
            ("1,234,567 mL", D.VOLUME, "comma", 'Write "1234567 mL".'),
            ("1.234,5 mL", D.VOLUME, "comma", 'Write "1234.5 mL".'),
            ("1,234.5 mL", D.VOLUME, "comma", 'Write "1234.5 mL".'),
            (25.3, D.TEMPERATURE, "25.3 has no unit", '"25.3 degC"'),
            ("25.3", D.TEMPERATURE, "has no unit", '"25.3 degC"'),
            (30, D.DURATION, "30 has no unit", '"30 s"'),
            ("25 K", D.TEMPERATURE, "is a difference", '"25 degC"'),
            ("5 L", D.DURATION, "is a volume", '"30 s"'),
            ("5 mn", D.DURATION, "no unit of duration", 'Did you mean "5 min"?'),
            ("5 m", D.DURATION, "minutes or months", '"5 min"'),
            ("16 oz", D.VOLUME, "is a mass", 'Write "16 fl oz"'),
            ("16 flz", D.VOLUME, "no unit of volume", 'Did you mean "16 fl oz"?'),
            ("2 bucket", D.VOLUME, "no unit of volume", 'Write "2 L", "2 mL", "2 gal" or'),
            ("77.5", D.TEMPERATURE, "no unit", 'Write "77.5 degC" or "77.5 degF".'),
            ("5", D.RATIO, "more than everything", '"5 %"'),
            ("8.2 pH", D.PLAIN, "without a unit", '"8.2"'),
            ("warm", D.TEMPERATURE, "does not begin with a number", '"25.3 degC"'),
            ("", D.LENGTH, "does not begin with a number", '"18 mm"'),
            ("-300 degC", D.TEMPERATURE, "absolute zero", '"25.3 degC"'),
            ("-5 min", D.DURATION, "below zero", '"5 min"'),
            (float("nan"), D.PLAIN, "no finite number", '"8.2"'),
            (float("inf"), D.RATIO, "no finite number", '"5 %"'),
            (True, D.PLAIN, "is no plain number", '"8.2"'),
            (10**400, D.PLAIN, "too large", '"8.2"'),
            ("9" * 100 + " L", D.VOLUME, "too long", '"68 L"'),
        ],
        ids=lambda case: str(case)[:20],
    )
    def test_it_says_what_is_wrong_and_what_to_write(
        self, text: str | float, dimension: Dimension, what: str, do: str
    ) -> None:
        with pytest.raises(UnitError) as raised:
            parse(text, dimension)
        assert what in raised.value.what
        assert do in raised.value.do

    @pytest.mark.parametrize(
        ("text", "dimension", "do"),
        [
            ("77.5", D.TEMPERATURE, 'Write "77.5 degF" or "77.5 degC".'),
            ("77.5 degg", D.TEMPERATURE, 'Write "77.5 degF" or "77.5 degC".'),
            ("2 bucket", D.VOLUME, 'Write "2 gal", "2 fl oz", "2 L" or "2 mL".'),
            ("warm", D.TEMPERATURE, 'Write it as in "77.5 degF" or "25.3 degC".'),
            ("5 furlong", D.LEVEL_RATE, '"5 in/h", "5 mm/min" or "5 mm/h".'),
        ],
    )
    def test_whoever_sees_us_units_is_told_those_first(
        self, text: str, dimension: Dimension, do: str
    ) -> None:
        with pytest.raises(UnitError) as raised:
            parse(text, dimension)
        assert raised.value.do_in("us").endswith(do)

    @given(
        st.decimals(0, 10_000, places=3).map(str),
        st.sampled_from(["", " m", " oz", " floz", " bucket", " K", " mn", " degX", "/h"]),
        st.sampled_from([d for d in Dimension if d is not D.PLAIN]),
    )
    def test_what_is_suggested_is_understood_and_is_the_number_that_was_typed(
        self, number: str, unit: str, dimension: Dimension
    ) -> None:
        refused = why_not(f"{number}{unit}", dimension)
        for text in re.findall('"([^"]+)"', refused.do + refused.us) if refused else ():
            parse(text, dimension)
            assert (refused and "as in" in refused.do) or text.startswith(f"{number} ")

    @given(st.integers(0, 9999), st.integers(0, 99_999))
    def test_a_decimal_comma_is_a_point_or_asked_about(self, whole: int, part: int) -> None:
        refused = why_not(f"{whole},{part} mL", D.VOLUME)
        if refused is None:
            assert parse(f"{whole},{part} mL", D.VOLUME) == float(f"{whole}.{part}")
        else:
            assert len(f"{part}") == 3
            assert refused.do == f'Write "{whole}.{part} mL" or "{whole}{part} mL".'

    @given(st.text(max_size=80), st.sampled_from(list(Dimension)))
    @example("1e999 L", D.VOLUME)
    @example("1e308 L", D.VOLUME)
    @example("١ L", D.VOLUME)
    @example("1e-99 ms", D.DURATION)
    def test_any_text_is_a_finite_number_or_a_unit_error(
        self, text: str, dimension: Dimension
    ) -> None:
        outcome: float | UnitError
        try:
            outcome = parse(text, dimension)
        except UnitError as error:
            outcome = error
        if isinstance(outcome, UnitError):
            assert outcome.what
            assert outcome.do
        else:
            assert math.isfinite(outcome)


class TestThereAndBack:
    @given(
        st.floats(allow_nan=False, allow_infinity=False, min_value=-1e12, max_value=1e12),
        st.sampled_from(list(Dimension)),
    )
    def test_what_is_written_is_read_as_the_same_float(
        self, value: float, dimension: Dimension
    ) -> None:
        if dimension is D.TEMPERATURE:
            value = max(value, -273.15)
        if dimension is D.DURATION:
            value = abs(value)
        if dimension is D.RATIO:
            value = value / 1e12
        assert parse(write(value, dimension), dimension) == value

    @given(st.floats(min_value=-40, max_value=100))
    def test_a_temperature_shown_in_fahrenheit_comes_back_within_half_a_digit(
        self, celsius: float
    ) -> None:
        back = parse(show(celsius, D.TEMPERATURE, System.US), D.TEMPERATURE)
        assert abs(back - celsius) <= 0.05 / 1.8 + 1e-9

    @given(st.floats(min_value=0, max_value=1e9))
    def test_a_duration_shown_is_off_by_less_than_its_second_part(self, seconds: float) -> None:
        back = parse(show(seconds, D.DURATION), D.DURATION)
        assert abs(back - seconds) <= max(0.5 if seconds >= 1 else 0.0005, back * 0.5 / 10)

    @given(
        st.floats(min_value=0, max_value=1e6),
        st.sampled_from([D.VOLUME, D.FLOW, D.MASS]),
        st.sampled_from([System.METRIC, System.US]),
    )
    def test_amounts_keep_their_leading_digits(
        self, value: float, dimension: Dimension, system: System
    ) -> None:
        back = parse(show(value, dimension, system), dimension)
        # Half of the last digit shown, of the largest unit that each size is shown in.
        assert abs(back - value) <= max(1.5, value * 0.05)


class TestShown:
    @pytest.mark.parametrize(
        ("value", "dimension", "system", "text"),
        [
            (25.3, D.TEMPERATURE, System.METRIC, "25.3 °C"),
            (parse("77.5 degF", D.TEMPERATURE), D.TEMPERATURE, System.US, "77.5 °F"),
            (-0.01, D.TEMPERATURE, System.METRIC, "0.0 °C"),
            (0.5, D.DIFFERENCE, System.METRIC, "0.5 K"),
            (0.5, D.DIFFERENCE, System.US, "0.9 °F"),
            (1200, D.VOLUME, System.METRIC, "1.2 L"),
            (350, D.VOLUME, System.METRIC, "350 mL"),
            (999.6, D.VOLUME, System.METRIC, "1.0 L"),
            (1200, D.VOLUME, System.US, "0.32 gal"),
            (68_137.412112, D.VOLUME, System.US, "18.0 gal"),
            (50, D.VOLUME, System.US, "1.7 fl oz"),
            (40, D.FLOW, System.METRIC, "40 mL/h"),
            (-12, D.LENGTH, System.METRIC, "-12.0 mm"),
            (-12, D.LENGTH, System.US, "-0.47 in"),
            (0.6, D.TEMPERATURE_RATE, System.METRIC, "0.6 K/h"),
            (75, D.POWER, System.METRIC, "75 W"),
            (0.05, D.RATIO, System.METRIC, "5 %"),
            (48, D.HUMIDITY, System.METRIC, "48 %RH"),
            (35.2, D.SALINITY, System.US, "35.2 ppt"),
            (8.2, D.PLAIN, System.METRIC, "8.20"),
            (570, D.DURATION, System.METRIC, "9 min 30 s"),
            (640, D.DURATION, System.METRIC, "11 min"),
            (1080, D.DURATION, System.METRIC, "18 min"),
            (7800, D.DURATION, System.METRIC, "2 h 10 min"),
            (45, D.DURATION, System.METRIC, "45 s"),
            (90, D.DURATION, System.METRIC, "1 min 30 s"),
            (59.7, D.DURATION, System.METRIC, "1 min"),
            (3599, D.DURATION, System.METRIC, "1 h"),
            (86_399, D.DURATION, System.METRIC, "1 d"),
            (273_600, D.DURATION, System.METRIC, "3 d 4 h"),
            (0.02, D.DURATION, System.METRIC, "20 ms"),
            (0, D.DURATION, System.METRIC, "0 s"),
            (float("nan"), D.TEMPERATURE, System.METRIC, "unknown"),
        ],
    )
    def test_as_a_person_reads_it(
        self, value: float, dimension: Dimension, system: System, text: str
    ) -> None:
        assert show(value, dimension, system) == text

    def test_digits_are_those_asked_for(self) -> None:
        assert show(25.34, D.TEMPERATURE, "metric", digits=2) == "25.34 °C"


class Model(BaseModel):
    every: Annotated[Seconds, Gt(0)] = 30.0
    target: Celsius = 25.3
    tolerance: Kelvin = 0.5
    rate: KelvinPerSecond = 0.01
    share: Ratio = 0.05


class TestInModels:
    def test_fields_hold_floats_in_the_inside_unit(self) -> None:
        model = Model.model_validate(
            {"every": "5 min", "target": "77 degF", "tolerance": "0.9 degF", "rate": "0.6 K/min"}
        )
        assert (model.every, model.target, model.tolerance, model.rate) == (300.0, 25.0, 0.5, 0.01)

    def test_the_error_carries_both_sentences(self) -> None:
        with pytest.raises(ValidationError) as raised:
            Model.model_validate({"every": "{what} 5"})
        context = raised.value.errors()[0]["ctx"]
        assert context["what"] == '"{what} 5" does not begin with a number.'
        assert "5 min" in context["do"]

    def test_limits_on_the_number_hold(self) -> None:
        with pytest.raises(ValidationError, match="greater than 0"):
            Model.model_validate({"every": "0 s"})

    def test_json_is_what_a_person_would_write_and_reads_back(self) -> None:
        model = Model.model_validate({"every": "5 min", "rate": "0.5 K/min"})
        assert json.loads(model.model_dump_json())["every"] == "5 min"
        assert Model.model_validate_json(model.model_dump_json()) == model

    def test_the_json_schema_is_a_text_with_examples(self) -> None:
        every = Model.model_json_schema()["properties"]["every"]
        assert every["type"] == "string"
        assert "5 min" in every["examples"]


class TestImport:
    def test_it_pulls_in_no_large_package(self) -> None:
        code = (
            "import sys, stillwell.units; print('pydantic' in sys.modules, 'numpy' in sys.modules)"
        )
        out = subprocess.run(
            [sys.executable, "-c", code], capture_output=True, text=True, check=True
        )
        assert out.stdout.split() == ["False", "False"]
