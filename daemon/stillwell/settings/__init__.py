"""The configuration: TOML file, environment, systemd credentials.

`load` returns `Settings` or raises `ConfigError`, which lists everything that is wrong, each with
file, line, key and what to write instead. The example to start from is ``config/stillwell.toml``.
"""

from stillwell.settings.faults import ConfigError, Fault
from stillwell.settings.loading import (
    DEFAULT_PATH,
    Destination,
    Settings,
    Source,
    content_of,
    find,
    load,
)
from stillwell.settings.schema import (
    Agreement,
    Band,
    Book,
    Chamber,
    Channel,
    FloatChannel,
    Heater,
    Lamp,
    LevelBand,
    LevelChannel,
    Night,
    Quality,
    StateWatch,
    Store,
    SwitchChannel,
    Tank,
    TemperatureBand,
)

__all__ = [
    "DEFAULT_PATH",
    "Agreement",
    "Band",
    "Book",
    "Chamber",
    "Channel",
    "ConfigError",
    "Destination",
    "Fault",
    "FloatChannel",
    "Heater",
    "Lamp",
    "LevelBand",
    "LevelChannel",
    "Night",
    "Quality",
    "Settings",
    "Source",
    "StateWatch",
    "Store",
    "SwitchChannel",
    "Tank",
    "TemperatureBand",
    "content_of",
    "find",
    "load",
]
