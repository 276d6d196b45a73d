"""``[band.…]``, ``[agreement.…]`` and ``[state.…]``: what is watched, one model per quantity."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Any, Literal

from annotated_types import Gt, MinLen
from pydantic import ConfigDict, Field

from stillwell.notice import Priority
from stillwell.reading import Quantity
from stillwell.settings.schema.values import Conductivity, MillimetresPerHour, Name, Part, Plain
from stillwell.units import (
    Celsius,
    Kelvin,
    KelvinPerHour,
    Millimetres,
    RelativeHumidity,
    Seconds,
)

Channels = Annotated[tuple[Name, ...], MinLen(1)]


class OfKeys(Part):
    """What is known of a band or an agreement before the quantity of its channels is."""

    model_config = ConfigDict(extra="ignore")

    of: list[Any] = Field(default=[])


class AgreementKeys(Part):
    """Channels that look at the same thing and must not drift apart."""

    of: Annotated[tuple[Name, ...], MinLen(2)]


class TemperatureAgreement(AgreementKeys):
    within: Annotated[Kelvin, Gt(0)]


class LevelAgreement(AgreementKeys):
    within: Annotated[Millimetres, Gt(0)]


class HumidityAgreement(AgreementKeys):
    within: Annotated[RelativeHumidity, Gt(0)]


class ConductivityAgreement(AgreementKeys):
    within: Annotated[Conductivity, Gt(0)]


class PhAgreement(AgreementKeys):
    within: Annotated[Plain, Gt(0)]


Agreement = (
    TemperatureAgreement | LevelAgreement | HumidityAgreement | ConductivityAgreement | PhAgreement
)


class BandKeys(Part):
    """Target ± tolerance on what one or more channels see: the median of the healthy ones."""

    of: Channels
    on_delay: Seconds = 300.0
    """The alarm rings after the value has been outside for this long."""
    off_delay: Seconds = 300.0
    """The alarm returns after the value has been back for this long."""
    priority: Priority = Priority.HIGH
    latching: bool = False
    """A latching alarm stays until a person resets it, also when the value is back."""


class TemperatureBand(BandKeys):
    target: Celsius
    tolerance: Annotated[Kelvin, Gt(0)]
    deadband: Annotated[Kelvin, Gt(0)] = 0.1
    """The value must be this far inside the band again before the alarm returns."""
    rate: Annotated[KelvinPerHour, Gt(0)] | None = None
    """A change faster than this, in either direction, is an alarm of its own."""


class LevelBand(BandKeys):
    target: Millimetres
    tolerance: Annotated[Millimetres, Gt(0)]
    deadband: Annotated[Millimetres, Gt(0)] = 1.0
    """The value must be this far inside the band again before the alarm returns."""
    rate: Annotated[MillimetresPerHour, Gt(0)] | None = None
    """A change faster than this, in either direction, is an alarm of its own."""


class HumidityBand(BandKeys):
    target: RelativeHumidity
    tolerance: Annotated[RelativeHumidity, Gt(0)]
    deadband: Annotated[RelativeHumidity, Gt(0)] = 2.0
    """The value must be this far inside the band again before the alarm returns."""


class ConductivityBand(BandKeys):
    target: Conductivity
    tolerance: Annotated[Conductivity, Gt(0)]
    deadband: Annotated[Conductivity, Gt(0)] = 0.2
    """The value must be this far inside the band again before the alarm returns."""


class PhBand(BandKeys):
    target: Plain
    tolerance: Annotated[Plain, Gt(0)]
    deadband: Annotated[Plain, Gt(0)] = 0.05
    """The value must be this far inside the band again before the alarm returns."""


Band = TemperatureBand | LevelBand | HumidityBand | ConductivityBand | PhBand


class StateWatch(Part):
    """A float or a switch that is not as it should be."""

    of: Name
    wrong: Literal["below", "above", "off", "on"]
    """below, above: the water, at a float; off, on: a switch."""
    on_delay: Seconds = 1800.0
    off_delay: Seconds = 120.0
    priority: Priority = Priority.MEDIUM
    says: str = ""
    """What the person is asked to do."""


AGREEMENTS: Mapping[Quantity, type[Agreement]] = {
    Quantity.TEMPERATURE: TemperatureAgreement,
    Quantity.LEVEL: LevelAgreement,
    Quantity.HUMIDITY: HumidityAgreement,
    Quantity.CONDUCTIVITY: ConductivityAgreement,
    Quantity.PH: PhAgreement,
}
BANDS: Mapping[Quantity, type[Band]] = {
    Quantity.TEMPERATURE: TemperatureBand,
    Quantity.LEVEL: LevelBand,
    Quantity.HUMIDITY: HumidityBand,
    Quantity.CONDUCTIVITY: ConductivityBand,
    Quantity.PH: PhBand,
}
"""Floats and switches have no band: see `StateWatch`."""
