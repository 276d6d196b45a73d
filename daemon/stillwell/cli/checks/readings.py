"""Words one judged reading of a channel."""

from __future__ import annotations

from typing import TYPE_CHECKING

from stillwell.cli.checks.point import Grade, Point
from stillwell.reading import UNIT, Failure, Flag, Quantity, Reading
from stillwell.units import System, show_kept

if TYPE_CHECKING:
    from stillwell.settings import Settings

CABLE = "Check its connector and cable, and that the configuration names this sensor."
WIRING = "Check connector and cable: a loose contact or a long unshielded lead does this."
LIMITS = "If the water really is so, change [channel.{name}.quality]; else look at the sensor."
DO = {
    Failure.GONE: CABLE,
    Failure.SILENT: CABLE,
    Failure.CRC: WIRING,
    Failure.EMPTY_FRAME: WIRING + " So does a probe without its 3.3 V.",
    Failure.POWER_ON: "The probe loses its supply for moments: check its 3.3 V and its connector.",
    Failure.GARBAGE: "Compare what came with what the configuration says of this sensor.",
    "gross-range": LIMITS,
    "power-on": "85 °C is what a probe shows before it has measured: check its 3.3 V.",
    "stale": "It handed out an earlier value again; check again in a minute.",
}
"""What to do, by the first test that the reading did not pass."""

SAYS = {
    Failure.GONE: "it does not answer",
    Failure.SILENT: "nothing came from it in time",
    Failure.CRC: "its check word is wrong",
    Failure.EMPTY_FRAME: "it sent nothing but zeros",
    Failure.POWER_ON: "it shows the value that it holds before a measurement",
    Failure.GARBAGE: "what came is not in the agreed form",
    Failure.DRIVER: "its source is down",
    "missing": "there is no value",
    "not-a-number": "the value is no number",
    "gross-range": "outside the range in which it is believed",
    "power-on": "a value from before the first measurement",
    "stale": "an earlier value again",
    "rate": "faster than this can change",
    "spike": "a spike",
    "flat-line": "it has not moved for too long",
}


def channel_point(settings: Settings, reading: Reading, when: str = "") -> Point:
    """The point of one channel.

    Args:
        when: how old the reading is, in words; empty for one that was taken just now.
    """
    name = reading.channel
    channel = settings.channel[name]
    quantity = Quantity(channel.quantity)
    label = f" ({channel.label})" if channel.label else ""
    facts = {
        "source": settings.source_of(name).name,
        "value": reading.value,
        "unit": UNIT[quantity],
        "flag": int(reading.flag),
        "tests": reading.tests,
    }
    tail = f", {when}" if when else ""
    shown = value_shown(reading.value, quantity, settings.tank.units)
    if reading.flag in (Flag.PASS, Flag.NOT_EVALUATED):
        return Point("channel", name, Grade.WELL, f"{shown}{tail}{label}", facts=facts)
    test = reading.tests.partition(",")[0]
    saw = f" It sent: {reading.raw}" if reading.raw else ""
    what = f"{shown}{tail}{label}: {SAYS.get(test, test)}.{saw}"
    grade = Grade.NOTE if reading.flag is Flag.SUSPECT else Grade.FIX
    do = DO.get(test, "").format(name=name)
    return Point("channel", name, grade, what, do, facts)


def value_shown(value: float | None, quantity: Quantity, units: System) -> str:
    """Returns a channel's value as people read it."""
    if value is None:
        return "no value"
    if quantity is Quantity.FLOAT:
        return "closed: the water is at or above it" if value >= 0.5 else "open: the water is below"
    if quantity is Quantity.SWITCH:
        return "on" if value >= 0.5 else "off"
    if quantity is Quantity.PH:
        return f"pH {value:.2f}"
    return show_kept(value, UNIT[quantity], units)
