"""``[store]``, and what every ``[source.…]`` and ``[sink.…]`` has."""

from __future__ import annotations

from typing import Annotated

from annotated_types import Gt
from pydantic import ConfigDict, Field

from stillwell.settings.schema.values import Part
from stillwell.units import Seconds


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
    """How often a reading is taken."""
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
