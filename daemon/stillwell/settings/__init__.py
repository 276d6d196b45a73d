"""The configuration: TOML file, environment, systemd credentials.

`load` returns `Settings` or raises `ConfigError`, which lists everything that is wrong, each with
file, line, key and what to write instead. The example to start from is ``config/stillwell.toml``.
"""

from stillwell.settings.configuration import Destination, Settings, Source
from stillwell.settings.faults import ConfigError, Fault
from stillwell.settings.loading import (
    DEFAULT_PATH,
    content_of,
    find,
    load,
)
from stillwell.settings.schema.book import Book, Night
from stillwell.settings.schema.channels import (
    Channel,
    FloatChannel,
    LevelChannel,
    Quality,
    SwitchChannel,
)
from stillwell.settings.schema.machine import Store
from stillwell.settings.schema.tank import Chamber, Heater, Lamp, Tank
from stillwell.settings.schema.watched import (
    Agreement,
    Band,
    LevelBand,
    StateWatch,
    TemperatureBand,
)
