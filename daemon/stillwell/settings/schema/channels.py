"""``[channel.…]``: one model per quantity, so that each limit has the unit of what it limits."""

from __future__ import annotations

from typing import Annotated, Any, Generic, Literal, TypeVar

from annotated_types import Ge, Gt, Le
from pydantic import BeforeValidator, Field
from pydantic.json_schema import SkipJsonSchema

from stillwell.settings.schema.values import Conductivity, MillimetresPerSecond, Part, Plain
from stillwell.settings.setting_error import SettingError
from stillwell.units import (
    Celsius,
    Kelvin,
    KelvinPerSecond,
    Millimetres,
    RelativeHumidity,
    Seconds,
)

V = TypeVar("V")
D = TypeVar("D")


class Quality(Part, Generic[V, D]):
    """When a reading is not believed. What is not given here has a default by quantity."""

    fail: tuple[V, V] | None = None
    """Outside this range no working sensor can be: the reading is discarded as bad."""
    suspect: tuple[V, V] | None = None
    """Outside this range a reading is suspect."""
    spike: D | None = None
    """A single reading that stands out from both neighbours by more is suspect."""
    flat_for: Annotated[Seconds, Gt(0)] | None = None
    """A value that does not move for so long is a stuck sensor."""
    gap: Annotated[Seconds, Gt(0)] | None = None
    """No good reading for so long: the channel is silent."""


class TemperatureQuality(Quality[Celsius, Kelvin]):
    rate: Annotated[KelvinPerSecond, Gt(0)] | None = None
    """A faster change from one reading to the next is suspect."""


class LevelQuality(Quality[Millimetres, Millimetres]):
    rate: Annotated[MillimetresPerSecond, Gt(0)] | None = None
    """A faster change from one reading to the next is suspect."""


class HumidityQuality(Quality[RelativeHumidity, RelativeHumidity]):
    pass


class ConductivityQuality(Quality[Conductivity, Conductivity]):
    pass


class PhQuality(Quality[Plain, Plain]):
    pass


class ContactQuality(Part):
    """A contact is open or closed; only its silence can be judged."""

    gap: Annotated[Seconds, Gt(0)] | None = None
    """No good reading for so long: the channel is silent."""


class ChannelKeys(Part):
    """What every channel has."""

    label: str = ""
    """What people call it, as "probe A, behind the pump"."""


_OFFSET = "What is added to every value of this sensor before anything is made of it."


def _no_offset(value: Any) -> Any:
    raise SettingError(
        "A float or a switch is open or closed and has no offset.",
        "Remove it; where a float closes is its height.",
    )


class ContactKeys(ChannelKeys):
    """What every channel has that is open or closed."""

    offset: SkipJsonSchema[Annotated[None, BeforeValidator(_no_offset)]] = None


class TemperatureChannel(ChannelKeys):
    quantity: Literal["temperature"]
    offset: Annotated[Kelvin, Ge(-5), Le(5), Field(description=_OFFSET)] = 0.0
    quality: TemperatureQuality = TemperatureQuality()


class LevelChannel(ChannelKeys):
    """A gauge in the return chamber."""

    quantity: Literal["level"]
    offset: Annotated[Millimetres, Field(description=_OFFSET)] = 0.0
    mounted: Annotated[Millimetres, Gt(0)] | None = None
    """How high above the fill mark a gauge hangs that measures the distance down to the water."""
    sound_at: Celsius | None = None
    """The temperature of the air, often 20 °C, for which an ultrasonic one works out its distance:
    it is then corrected by the channel `room`. Leave it out for one that uses light."""
    noise: Annotated[Millimetres, Gt(0)] = 1.0
    """How far a single reading strays, ripple included (standard deviation)."""
    resolution: Annotated[Millimetres, Ge(0)] = 0.0
    """The step between two values that it can show; 0: finer than its noise."""
    quality: LevelQuality = LevelQuality()


class FloatChannel(ContactKeys):
    """A float switch: closed when the water is at or above its height."""

    quantity: Literal["float"]
    height: Millimetres | None = None
    """Where it closes, relative to the fill mark; negative below it."""
    differential: Annotated[Millimetres, Gt(0)] | None = None
    """How far the water must fall before it opens again."""
    quality: ContactQuality = ContactQuality()


class HumidityChannel(ChannelKeys):
    quantity: Literal["humidity"]
    offset: Annotated[RelativeHumidity, Field(description=_OFFSET)] = 0.0
    quality: HumidityQuality = HumidityQuality()


class SwitchChannel(ContactKeys):
    quantity: Literal["switch"]
    quality: ContactQuality = ContactQuality()


class ConductivityChannel(ChannelKeys):
    quantity: Literal["conductivity"]
    offset: Annotated[Conductivity, Field(description=_OFFSET)] = 0.0
    quality: ConductivityQuality = ConductivityQuality()


class PhChannel(ChannelKeys):
    quantity: Literal["ph"]
    offset: Annotated[Plain, Field(description=_OFFSET)] = 0.0
    quality: PhQuality = PhQuality()


Channel = Annotated[
    TemperatureChannel
    | LevelChannel
    | FloatChannel
    | HumidityChannel
    | SwitchChannel
    | ConductivityChannel
    | PhChannel,
    Field(discriminator="quantity"),
]
