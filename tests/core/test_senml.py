"""SenML against RFC 8428: its own examples, its rules, and the units of the IANA registry.

The resolver below is the test's own reading of RFC 8428, 4.6; it is checked against the RFC's pair
of unresolved and resolved examples (5.1.3, 5.1.4) before anything of ours is checked with it.
"""

from __future__ import annotations

import json
import re
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stillwell.deliver import senml
from stillwell.ports import Published
from stillwell.reading import UNIT, Flag, Moment, Quantity, Reading

_SYMBOLS = """
m kg g s A K cd mol Hz rad sr N Pa J W C V F Ohm S Wb T H Cel lm lx Bq Gy Sv kat m2 m3 l m/s m/s2
m3/s l/s W/m2 cd/m2 bit bit/s lat lon pH dB dBW Bspl count / % %RH %EL EL 1/s 1/min beat/min beats
S/m
"""
REGISTRY = set(_SYMBOLS.split())
"""RFC 8428, 12.1 (the registry as the RFC filled it)."""

UNRESOLVED = """[
 {"bn":"urn:dev:ow:10e2073a01080063","bt":1.320067464e+09,"bu":"%RH","v":20},
 {"u":"lon","v":24.30621}, {"u":"lat","v":60.07965},
 {"t":60,"v":20.3}, {"u":"lon","t":60,"v":24.30622}, {"u":"lat","t":60,"v":60.07965},
 {"t":120,"v":20.7}, {"u":"lon","t":120,"v":24.30623}, {"u":"lat","t":120,"v":60.07966},
 {"u":"%EL","t":150,"v":98},
 {"t":180,"v":21.2}, {"u":"lon","t":180,"v":24.30628}, {"u":"lat","t":180,"v":60.07967}
]"""
"""RFC 8428, 5.1.3, multiple measurements."""

RESOLVED = [
    ("%RH", 1.320067464e09, 20),
    ("lon", 1.320067464e09, 24.30621),
    ("lat", 1.320067464e09, 60.07965),
    ("%RH", 1.320067524e09, 20.3),
    ("lon", 1.320067524e09, 24.30622),
    ("lat", 1.320067524e09, 60.07965),
    ("%RH", 1.320067584e09, 20.7),
    ("lon", 1.320067584e09, 24.30623),
    ("lat", 1.320067584e09, 60.07966),
    ("%EL", 1.320067614e09, 98),
    ("%RH", 1.320067644e09, 21.2),
    ("lon", 1.320067644e09, 24.30628),
    ("lat", 1.320067644e09, 60.07967),
]
"""RFC 8428, 5.1.4, the same resolved: unit, time, value."""


def resolve(pack: list[dict[str, Any]]) -> list[dict[str, Any]]:
    base: dict[str, Any] = {}
    resolved = []
    for entry in pack:
        base |= {key: value for key, value in entry.items() if key in ("bn", "bt", "bu", "bv")}
        one = {key: value for key, value in entry.items() if not key.startswith("b")}
        one["n"] = base.get("bn", "") + entry.get("n", "")
        if "u" in entry or "bu" in base:
            one["u"] = entry.get("u", base.get("bu"))
        if "t" in entry or "bt" in base:
            one["t"] = base.get("bt", 0) + entry.get("t", 0)
        resolved.append(one)
    return resolved


def well_formed(payload: bytes) -> list[dict[str, Any]]:
    """Parses a pack and checks what RFC 8428 asks of a resolved one."""
    pack: list[dict[str, Any]] = json.loads(payload.decode("utf-8"))
    assert pack
    assert resolve(pack) == pack, "already resolved"
    for entry in pack:
        assert set(entry) <= {"n", "u", "v", "vs", "t"}
        assert re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9\-:./_]*", entry["n"])  # 4.5.1
        assert ("v" in entry) + ("vs" in entry) == 1  # 4.2: exactly one value
        assert entry.get("u") is None or entry["u"] in REGISTRY
        assert entry.get("t", 2**28) >= 2**28  # 4.5.3: absolute
    return pack


class TestTheRfcsOwnExamples:
    def test_the_resolver_of_this_test_gives_the_rfcs_resolved_example(self) -> None:
        mine = [(one["u"], one["t"], one["v"]) for one in resolve(json.loads(UNRESOLVED))]
        assert mine == RESOLVED

    def test_our_records_are_the_rfcs_resolved_example(self) -> None:
        name = "urn:dev:ow:10e2073a01080063"
        ours = [senml.record(name, unit, value, int(time * 1000)) for unit, time, value in RESOLVED]
        assert json.loads(senml.dumps(ours)) == resolve(json.loads(UNRESOLVED))

    def test_a_single_measurement_about_now_is_the_rfcs_first_example(self) -> None:
        # RFC 8428, 5.1.1.
        ours = senml.dumps([senml.record("urn:dev:ow:10e2073a01080063", "Cel", 23.1)])
        assert json.loads(ours) == [{"n": "urn:dev:ow:10e2073a01080063", "u": "Cel", "v": 23.1}]


class TestReadings:
    def test_a_good_reading_has_its_value_and_its_flag(self) -> None:
        kept = Reading("water-a", Moment(0, 1_764_061_914_123), 25.3125, Flag.PASS)
        pack = well_formed(senml.dumps(senml.reading("reading-room", Quantity.TEMPERATURE, kept)))
        assert pack == [
            {"n": "reading-room/water-a", "u": "Cel", "t": 1764061914.123, "v": 25.3125},
            {"n": "reading-room/water-a/flag", "t": 1764061914.123, "v": 1},
        ]

    def test_a_failed_value_never_stands_under_the_channels_own_name(self) -> None:
        kept = Reading("water-a", Moment(0, 1_764_061_914_123), 85.0, Flag.FAIL, "power-on")
        pack = well_formed(senml.dumps(senml.reading("reading-room", Quantity.TEMPERATURE, kept)))
        by_name = {one["n"]: one.get("v", one.get("vs")) for one in pack}
        assert by_name == {
            "reading-room/water-a/rejected": 85.0,
            "reading-room/water-a/flag": 4,
            "reading-room/water-a/tests": "power-on",
        }

    def test_a_missing_value_is_a_flag_without_a_number(self) -> None:
        kept = Reading("water-a", Moment(0, 1_764_061_914_123), None, Flag.MISSING, "gap")
        pack = well_formed(senml.dumps(senml.reading("reading-room", Quantity.TEMPERATURE, kept)))
        assert [one["n"] for one in pack] == [
            "reading-room/water-a/flag",
            "reading-room/water-a/tests",
        ]

    @pytest.mark.parametrize(
        ("quantity", "value", "unit", "sent"),
        [
            (Quantity.LEVEL, -12.5, "m", -0.0125),
            (Quantity.CONDUCTIVITY, 53.071, "S/m", 5.3071),
            (Quantity.HUMIDITY, 61.5, "%RH", 61.5),
            (Quantity.PH, 8.1, "pH", 8.1),
            (Quantity.FLOAT, 0.25, "/", 0.25),
            (Quantity.SWITCH, 1.0, "/", 1.0),
        ],
    )
    def test_units_are_those_of_the_registry(
        self, quantity: Quantity, value: float, unit: str, sent: float
    ) -> None:
        kept = Reading("c", Moment(0, 1_764_061_914_123), value, Flag.PASS)
        first = well_formed(senml.dumps(senml.reading("t", quantity, kept)))[0]
        assert (first["u"], first["v"]) == (unit, pytest.approx(sent, rel=1e-15))

    def test_every_quantity_has_a_registered_unit(self) -> None:
        for unit in UNIT.values():
            assert senml.registered(1.0, unit)[1] in REGISTRY

    def test_a_clock_that_was_never_set_sends_no_time_rather_than_a_relative_one(self) -> None:
        kept = Reading("water-a", Moment(0, 40_000), 25.0, Flag.PASS)
        pack = well_formed(senml.dumps(senml.reading("t", Quantity.TEMPERATURE, kept)))
        assert all("t" not in one for one in pack)

    @given(
        value=st.none() | st.floats(allow_nan=True, allow_infinity=True),
        flag=st.sampled_from(Flag),
        quantity=st.none() | st.sampled_from(Quantity),
        utc_ms=st.integers(-(2**40), 2**45),
        tests=st.text(max_size=20),
    )
    def test_whatever_was_measured_becomes_a_well_formed_pack(
        self,
        value: float | None,
        flag: Flag,
        quantity: Quantity | None,
        utc_ms: int,
        tests: str,
    ) -> None:
        kept = Reading("water-a", Moment(0, utc_ms), value, flag, tests)
        pack = well_formed(senml.dumps(senml.reading("reading-room", quantity, kept)))
        believed = [one for one in pack if one["n"] == "reading-room/water-a"]
        if flag in (Flag.FAIL, Flag.MISSING):
            assert believed == []

    @pytest.mark.parametrize("name", ["", "-a", "a b", "ä", "a#b", "a\n"])
    def test_a_name_that_senml_does_not_allow_is_an_error(self, name: str) -> None:
        with pytest.raises(ValueError, match="no SenML name"):
            senml.record(name, "Cel", 1.0)

    @pytest.mark.parametrize("value", [float("nan"), float("inf")])
    def test_a_number_that_json_cannot_write_is_an_error(self, value: float) -> None:
        with pytest.raises(ValueError, match="finite"):
            senml.record("a", "Cel", value)


class TestEstimates:
    def test_an_estimate_has_its_interval_and_its_basis(self) -> None:
        published = Published("loss", 1_764_061_914_000, "mL/h", 36.0, 18.0, 54.0, "one float")
        pack = well_formed(senml.dumps(senml.estimate("reading-room", published)))
        by_name = {one["n"]: one for one in pack}
        assert by_name["reading-room/loss"]["u"] == "m3/s"
        assert by_name["reading-room/loss"]["v"] == pytest.approx(1e-8, rel=1e-12)
        assert by_name["reading-room/loss/low"]["v"] == pytest.approx(5e-9, rel=1e-12)
        assert by_name["reading-room/loss/high"]["v"] == pytest.approx(1.5e-8, rel=1e-12)
        assert by_name["reading-room/loss/basis"]["vs"] == "one float"

    def test_without_evidence_there_is_no_number(self) -> None:
        published = Published(
            "loss", 1_764_061_914_000, "mL/h", None, None, None, "not enough evidence"
        )
        pack = well_formed(senml.dumps(senml.estimate("reading-room", published)))
        assert [one["n"] for one in pack] == ["reading-room/loss/basis"]

    def test_a_unit_that_is_not_registered_is_named_beside_the_number(self) -> None:
        published = Published("x", 1_764_061_914_000, "furlong", 2.0, None, None, "")
        pack = well_formed(senml.dumps(senml.estimate("t", published)))
        assert pack[0] == {"n": "t/x", "t": 1764061914.0, "v": 2.0}
        assert pack[1]["vs"] == "furlong"

    @pytest.mark.parametrize(
        ("unit", "value", "registered"),
        [
            ("mL", 1500.0, (0.0015, "m3")),
            ("L", 68.0, (0.068, "m3")),
            ("L/d", 86.4, (1e-6, "m3/s")),
            ("h", 2.0, (7200.0, "s")),
            ("g/kg", 35.0, (0.035, "/")),
            ("mm/h", 3.6, (1e-6, "m/s")),
            ("%", 12.0, (0.12, "/")),
        ],
    )
    def test_other_units_by_hand_calculation(
        self, unit: str, value: float, registered: tuple[float, str]
    ) -> None:
        number, symbol = senml.registered(value, unit)
        assert symbol == registered[1]
        assert number == pytest.approx(registered[0], rel=1e-12)
