"""Makes the limits and the judge for the readings of each channel."""

from __future__ import annotations

from stillwell.quality.from_above import FromAbove, Mounted
from stillwell.quality.judge import Judge
from stillwell.quality.limits import Limits, limits_for
from stillwell.reading import Quantity
from stillwell.settings import LevelChannel, Settings

_NAMED = {"rate": "rate_per_s", "gap": "gap_s", "flat_for": "flat_for_s"}


def limits_of(settings: Settings, channel: str) -> Limits:
    """Returns what the settings say about a channel, over the defaults of its quantity."""
    configured = settings.channel[channel]
    said = {_NAMED.get(k, k): value for k, value in configured.quality if value is not None}
    return limits_for(Quantity(configured.quantity), settings.source_of(channel).every, said)


def judge_of(settings: Settings, channel: str) -> Judge:
    """Returns a fresh judge of a channel."""
    return Judge(limits_of(settings, channel), settings.channel[channel].offset or 0.0)


def from_above(settings: Settings) -> FromAbove:
    """Returns the converter from distances of gauges above the water to levels."""
    gauges = {
        name: Mounted(channel.mounted, channel.sound_at)
        for name, channel in settings.channel.items()
        if isinstance(channel, LevelChannel) and channel.mounted is not None
    }
    return FromAbove(gauges, settings.room)


def quantities(settings: Settings) -> dict[str, Quantity]:
    """Returns what each channel measures."""
    return {name: Quantity(channel.quantity) for name, channel in settings.channel.items()}
