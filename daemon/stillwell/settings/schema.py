"""The shape of the configuration: one model a table. Values are in the units of `stillwell.units`.

What a driver or a sink wants in its table is its own `Settings` model; only the keys that every
source and every sink has are here. A channel's and a band's units follow from the quantity, so both
come in one model a quantity.
"""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Any, Generic, Literal, TypeVar
from urllib.parse import urlsplit
from zoneinfo import ZoneInfo

from annotated_types import Ge, Gt, Le, Lt, MinLen
from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    PlainSerializer,
    SecretStr,
    StringConstraints,
    WithJsonSchema,
)
from pydantic.json_schema import SkipJsonSchema
from pydantic_settings import (
    BaseSettings,
    InitSettingsSource,
    PydanticBaseSettingsSource,
    SettingsConfigDict,
    SettingsError,
)

from stillwell.notice import Priority
from stillwell.reading import Quantity
from stillwell.settings.faults import Fault
from stillwell.settings.layers import Layers
from stillwell.settings.setting_error import SettingError
from stillwell.settings.sources import Credentials, Environment, Merged
from stillwell.settings.zones import meant
from stillwell.shown import shown
from stillwell.units import (
    Celsius,
    Dimension,
    Kelvin,
    KelvinPerHour,
    KelvinPerSecond,
    Millilitres,
    Millimetres,
    Ratio,
    RelativeHumidity,
    Seconds,
    System,
    Watts,
    Written,
)

NAME_PATTERN = r"^[a-z0-9][a-z0-9-]{0,39}$"
Name = Annotated[str, StringConstraints(pattern=NAME_PATTERN)]
"""a-z, 0-9 and hyphens: it becomes part of topics, file names and commands."""

Conductivity = Annotated[float, Written(Dimension.CONDUCTIVITY)]
MillimetresPerHour = Annotated[float, Written(Dimension.LEVEL_RATE)]
MillimetresPerSecond = Annotated[float, Written(Dimension.LEVEL_RATE, per=3600)]
Salinity = Annotated[float, Written(Dimension.SALINITY)]
Plain = Annotated[float, Written(Dimension.PLAIN)]


def _time_of_day(value: Any) -> Any:
    if isinstance(value, dt.time):
        return value
    if isinstance(value, str):
        found = re.fullmatch(r"\s*([01]?[0-9]|2[0-3]):([0-5][0-9])\s*", value)
        if found:
            return dt.time(int(found[1]), int(found[2]))
    midnight = ' Midnight is "00:00".' if str(value).startswith("24") else ""
    raise SettingError(
        f"{shown(value)} is no time of day.", f'Write hours and minutes: "22:00".{midnight}'
    )


TimeOfDay = Annotated[
    dt.time,
    BeforeValidator(_time_of_day),
    PlainSerializer(lambda time: f"{time:%H:%M}", return_type=str, when_used="json"),
    WithJsonSchema(
        {
            "type": "string",
            "pattern": "^([01]?[0-9]|2[0-3]):[0-5][0-9]$",
            "description": "Hours and minutes in the tank's zone.",
            "examples": ["22:00"],
        }
    ),
]


def _zone(value: Any) -> Any:
    if not isinstance(value, str):
        return value
    try:
        ZoneInfo(value)
    except (KeyError, OSError, ValueError):  # not found; a folder; an absolute path
        raise SettingError(f"There is no time zone {shown(value)}.", meant(value)) from None
    return value


Zone = Annotated[
    str,
    BeforeValidator(_zone),
    WithJsonSchema(
        {
            "type": "string",
            "description": "A name of the IANA time zone database.",
            "examples": ["Europe/Dublin"],
        }
    ),
]


class Part(BaseModel):
    """A table of the configuration: unknown keys are errors, and nothing changes after the
    start."""

    model_config = ConfigDict(extra="forbid", frozen=True, use_attribute_docstrings=True)


class Chamber(Part):
    """The return chamber: the only place where the level moves."""

    length: Annotated[Millimetres, Gt(0)]
    width: Annotated[Millimetres, Gt(0)]
    uncertainty: Annotated[Ratio, Gt(0), Lt(1)] = 0.05
    """How far the area may be off, as a share of it (one standard deviation)."""
    lowest_safe: Millimetres | None = None
    """Level relative to the fill mark at which the pump begins to draw air."""
    highest_safe: Millimetres | None = None
    """Level relative to the fill mark above which the chamber overflows when the pump stops."""

    @property
    def area_mm2(self) -> float:
        """Water surface in the chamber, mm²."""
        return self.length * self.width


class Heater(Part):
    """The heater in the tank; it is watched, never switched."""

    power: Annotated[Watts, Gt(0)]


class Lamp(Part):
    """The photoperiod, in the tank's zone."""

    on: TimeOfDay
    off: TimeOfDay


class Surface(Part):
    """All open water, seen from above: what evaporation leaves from."""

    length: Annotated[Millimetres, Gt(0)]
    width: Annotated[Millimetres, Gt(0)]

    @property
    def area_mm2(self) -> float:
        """Of the surface, mm²."""
        return self.length * self.width


class Tank(Part):
    """One body of water with its return chamber."""

    name: Name = Field(examples=["reading-room"])
    label: str = ""
    """What people call it."""
    zone: Zone
    volume: Annotated[Millilitres, Gt(0)]
    """All the water, chamber included."""
    units: Literal[System.METRIC, System.US] = System.METRIC
    """How people see numbers: metric or us."""
    surface: Surface | None = None
    """Of all open water; guessed from the volume when it is not given."""
    chamber: Chamber | None = None
    heater: Heater | None = None
    lamp: Lamp | None = None

    @property
    def time_zone(self) -> ZoneInfo:
        """The zone as an object."""
        return ZoneInfo(self.zone)


class Night(Part):
    """The hours that the morning's review is about."""

    from_: TimeOfDay = Field(default=dt.time(22), alias="from")
    to: TimeOfDay = dt.time(8)
    review_at: TimeOfDay = dt.time(8, 5)


class Book(Part):
    """The keeper's work: between which limits, how often, when to be reminded. Defaults are common
    practice."""

    salinity: tuple[Annotated[Salinity, Gt(0)], Annotated[Salinity, Lt(42)]] = (34.0, 36.0)
    """Between these it is well; the middle is the target."""
    remind: bool = True
    """Whether reminders go out as notices; `stillwell today` shows them in any case."""
    remind_at: TimeOfDay = dt.time(9)
    """At what time of day something becomes due."""
    water_change: Annotated[Ratio, Gt(0), Lt(1)] = 0.15
    """Share of the tank."""
    water_change_every: Annotated[Seconds, Ge(86_400)] = 7.0 * 86_400
    measure_salinity_every: Annotated[Seconds, Ge(86_400)] = 7.0 * 86_400
    calibrate_refractometer_every: Annotated[Seconds, Ge(86_400)] = 30.0 * 86_400


def _growing(times: tuple[float, ...]) -> tuple[float, ...]:
    if list(times) != sorted(set(times)):
        raise SettingError(
            "The times do not grow.", 'Write each later than the one before: ["10 min", "30 min"].'
        )
    return times


class Unanswered(Part):
    """When an alarm of high priority is said again that nobody has acknowledged or shelved."""

    repeat_after: Annotated[
        tuple[Annotated[Seconds, Gt(0)], ...], MinLen(1), AfterValidator(_growing)
    ] = (600.0, 1800.0, 3600.0)
    """So long after the alarm, and after each passing on."""
    pass_on_after: Annotated[Seconds, Gt(0)] = 3600.0
    """Then it is said to the recipients of the next turn as well."""
    then_every: Annotated[Seconds, Ge(0)] = 21_600.0
    """Once all turns have heard it; 0 s: then it keeps still."""


SHORTEST_LINK_KEY = 32
"""Bytes: RFC 2104, section 3, for HMAC-SHA-256."""


def _web_address(address: str) -> str:
    try:
        parts = urlsplit(address)
        good = parts.scheme in ("http", "https") and parts.hostname and parts.port != 0
    except ValueError:
        good = False
    if not good or not address.isascii() or any(sign.isspace() for sign in address):
        raise SettingError("This is no web address.", 'Write it like "http://tank.local:8080".')
    if parts.username is not None or parts.password is not None or parts.query or parts.fragment:
        raise SettingError(
            "The address has a user, a query or a fragment.", "Leave them out: links are added."
        )
    return address.rstrip("/")


def _long_enough(key: SecretStr) -> SecretStr:
    if len(key.get_secret_value().encode()) < SHORTEST_LINK_KEY:
        raise SettingError(
            f"The key is shorter than {SHORTEST_LINK_KEY} bytes.",
            "Make one with: openssl rand -hex 32. Or leave it out: the daemon makes one.",
        )
    return key


class Page(Part):
    """Where a web page answers the links in messages."""

    address: Annotated[str, AfterValidator(_web_address)] | None = None
    """As the phone reaches it: http://tank.local:8080."""
    served: bool = False
    """Whether links are answered there. Stillwell itself serves no page: true where a program of
    yours does. Otherwise no message has a link."""
    key: Annotated[SecretStr, AfterValidator(_long_enough)] | None = None
    """What links are signed with, at least 32 bytes. Better as the credential ``page.key`` than
    here; without it the daemon makes one and keeps it beside the store."""

    @property
    def links_to(self) -> str | None:
        """What the links in messages begin with; None where they would lead nowhere."""
        return self.address if self.served else None


class Store(Part):
    """The file in which everything is kept."""

    path: str = "/var/lib/stillwell/tank.db"
    """A relative path begins at the folder of the configuration file."""
    commit_every: Annotated[Seconds, Gt(0)] = 30.0
    """How often readings go to the disk; alarms and the journal go at once."""
    keep_raw: Annotated[Seconds, Gt(0)] = 90.0 * 86_400
    """How long single readings are kept; ten-minute values are kept for good."""


class SourceKeys(Part):
    """What every source has; the rest of its table is the driver's own."""

    model_config = ConfigDict(extra="ignore")

    driver: str = Field(examples=["onewire"])
    """The name under which the driver is registered."""
    every: Annotated[Seconds, Gt(0)] = 30.0
    """A reading this often."""
    look: Annotated[Seconds, Gt(0)] | None = None
    """Read the hardware this often and fold the looks into one reading: the share that was
    closed."""
    deadline: Annotated[Seconds, Gt(0)] = 10.0
    """A read that takes longer is given up."""


class SinkKeys(Part):
    """What every sink has; the rest of its table is the sink's own."""

    model_config = ConfigDict(extra="ignore")

    kind: str = Field(examples=["mqtt"])
    """The name under which the sink is registered."""


# --- channels: one model a quantity, so that each limit has the unit of what it limits

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

# --- what is watched

Channels = Annotated[tuple[Name, ...], MinLen(1)]


class OfKeys(Part):
    """What is known of a band or an agreement before the quantity of its channels is."""

    model_config = ConfigDict(extra="ignore")

    of: list[Any] = []


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
    """The alarm sounds after the value has been outside for so long."""
    off_delay: Seconds = 300.0
    """The alarm returns after the value has been back for so long."""
    priority: Priority = Priority.HIGH
    latching: bool = False
    """A latching alarm stays until a person resets it, also when the value is back."""


class TemperatureBand(BandKeys):
    target: Celsius
    tolerance: Annotated[Kelvin, Gt(0)]
    deadband: Annotated[Kelvin, Gt(0)] = 0.1
    """The value must be so far inside the band again before the alarm returns."""
    rate: Annotated[KelvinPerHour, Gt(0)] | None = None
    """A change faster than this, in either direction, is an alarm of its own."""


class LevelBand(BandKeys):
    target: Millimetres
    tolerance: Annotated[Millimetres, Gt(0)]
    deadband: Annotated[Millimetres, Gt(0)] = 1.0
    """The value must be so far inside the band again before the alarm returns."""
    rate: Annotated[MillimetresPerHour, Gt(0)] | None = None
    """A change faster than this, in either direction, is an alarm of its own."""


class HumidityBand(BandKeys):
    target: RelativeHumidity
    tolerance: Annotated[RelativeHumidity, Gt(0)]
    deadband: Annotated[RelativeHumidity, Gt(0)] = 2.0
    """The value must be so far inside the band again before the alarm returns."""


class ConductivityBand(BandKeys):
    target: Conductivity
    tolerance: Annotated[Conductivity, Gt(0)]
    deadband: Annotated[Conductivity, Gt(0)] = 0.2
    """The value must be so far inside the band again before the alarm returns."""


class PhBand(BandKeys):
    target: Plain
    tolerance: Annotated[Plain, Gt(0)]
    deadband: Annotated[Plain, Gt(0)] = 0.05
    """The value must be so far inside the band again before the alarm returns."""


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


class Frame(BaseSettings):
    """The whole configuration, but for what drivers and sinks want in their tables.

    Of bands and agreements only the channels are read here: which model fits depends on their
    quantity. The environment wins over the file, and systemd credentials win over both.
    """

    model_config = SettingsConfigDict(
        extra="forbid", frozen=True, use_attribute_docstrings=True, case_sensitive=True
    )

    tank: Tank
    night: Night = Night()
    unanswered: Unanswered = Unanswered()
    page: Page = Page()
    book: Book = Book()
    store: Store = Store()
    source: dict[Name, SourceKeys]
    channel: dict[Name, Channel]
    agreement: dict[Name, OfKeys] = {}
    band: dict[Name, OfKeys] = {}
    state: dict[Name, StateWatch] = {}
    sink: dict[Name, SinkKeys] = {}

    def __init__(self, layers: Layers, environ: Mapping[str, str]) -> None:
        """Reads the layers over the file and notes in `layers` where each value came from, the
        merged tree, and what is wrong with a variable or a credential.

        Raises pydantic's `ValidationError` for the merged whole.
        """
        super().__init__(layers=layers, environ=environ)

    @classmethod
    def settings_customise_sources(
        cls,
        settings_cls: type[BaseSettings],
        init_settings: PydanticBaseSettingsSource,
        env_settings: PydanticBaseSettingsSource,
        dotenv_settings: PydanticBaseSettingsSource,
        file_secret_settings: PydanticBaseSettingsSource,
    ) -> tuple[PydanticBaseSettingsSource, ...]:
        """Returns our sources, the strongest first. What the frame was made with tells them where
        to look, and is no value itself."""
        assert isinstance(init_settings, InitSettingsSource)
        layers: Layers = init_settings.init_kwargs["layers"]
        environ: Mapping[str, str] = init_settings.init_kwargs["environ"]
        # Not TomlConfigSettingsSource: it would parse once more, and tell no line of a mistake.
        file = InitSettingsSource(settings_cls, layers.document)
        lower = (Environment(settings_cls, layers, environ), file, Merged(settings_cls, layers))
        folder = environ.get("CREDENTIALS_DIRECTORY", "")
        if not folder:
            return lower
        try:
            return Credentials(file_secret_settings, layers, Path(folder)), *lower
        except (SettingsError, OSError) as error:
            reason = getattr(error, "strerror", None) or str(error)
            what = f"The folder of credentials cannot be read: {reason}."
            do = "Check LoadCredential= in the unit, or unset CREDENTIALS_DIRECTORY."
            layers.faults.append(Fault(f"credentials {folder}", None, "", what, do))
            return lower
