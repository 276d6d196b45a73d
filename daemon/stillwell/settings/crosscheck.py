"""Checks across tables: names that must exist, limits that must nest."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Iterator, Mapping
from typing import Any

from stillwell.reading import Quantity
from stillwell.settings.faults import Fault
from stillwell.settings.layers import Layers
from stillwell.settings.schema.channels import (
    FloatChannel,
    HumidityQuality,
    LevelChannel,
    Quality,
    SwitchChannel,
    TemperatureChannel,
)
from stillwell.settings.schema.frame import Frame
from stillwell.settings.schema.machine import SourceKeys
from stillwell.settings.schema.tank import Tank
from stillwell.settings.schema.watched import AgreementKeys, Band, StateWatch
from stillwell.settings.setting_error import nearest
from stillwell.shown import shown

Where = tuple[str | int, ...]


def _unknown(word: str, known: Iterable[str], what: str, add: str) -> tuple[str, str]:
    names = sorted(known)
    near = nearest(word, names)
    if near:
        return f"There is no {what} {shown(word)}.", f'Did you mean "{near}"?'
    listed = f" Known: {', '.join(names)}." if names else ""
    return f"There is no {what} {shown(word)}.", f"{add}{listed}"


def names_exist(
    names: Iterable[Any], known: Iterable[str], path: Where, layers: Layers
) -> Iterator[Fault]:
    """A fault for each name in a list ``of`` that is no channel, or that is listed twice."""
    seen: set[str] = set()
    for place, name in enumerate(names):
        if not isinstance(name, str):
            continue  # the model reports it
        here = (*path, place) if (*path, place) in layers.lines else path
        if name in seen:
            yield layers.fault(
                here, f"{shown(name)} stands twice in the list.", "Remove one of them."
            )
        elif name not in set(known):
            add = f"Add [channel.{name}], or name a channel that exists."
            yield layers.fault(here, *_unknown(name, known, "channel", add))
        seen.add(name)


def one_quantity(
    names: Iterable[Any], quantities: Mapping[str, Quantity], path: Where, layers: Layers
) -> Iterator[Fault]:
    """A fault when the channels of a list measure different things."""
    kinds = {
        name: quantities[name] for name in names if isinstance(name, str) and name in quantities
    }
    if len(set(kinds.values())) > 1:
        listed = ", ".join(f"{name} ({kind})" for name, kind in kinds.items())
        do = "Name only channels of one quantity; write a table of its own for the others."
        yield layers.fault(path, f"The channels measure different things: {listed}.", do)


def channels_and_sources(
    delivered: Mapping[str, Iterable[str]], channels: Iterable[str], layers: Layers
) -> Iterator[Fault]:
    """A fault for a channel without exactly one source, and for a source that delivers a channel
    that does not exist."""
    known = list(channels)
    first: dict[str, str] = {}
    for source, names in delivered.items():
        for name in names:
            path = ("source", source, "channels", name)
            if name not in known:
                add = f"Add [channel.{name}] with its quantity, or remove it here."
                yield layers.fault(path, *_unknown(name, known, "channel", add))
            elif name in first:
                what = f'The channel "{name}" comes from [source.{first[name]}] already.'
                do = "A channel has one source: remove it from one of them, or rename this one."
                yield layers.fault(path, what, do)
            else:
                first[name] = source
    for name in known:
        if name not in first:
            what = f'No source delivers the channel "{name}".'
            do = f"Add {name} = {{ … }} under [source.….channels], or remove [channel.{name}]."
            yield layers.fault(("channel", name), what, do)


def intervals(
    sources: Mapping[str, SourceKeys], gaps: Mapping[str, Mapping[str, float]], layers: Layers
) -> Iterator[Fault]:
    """A fault for a look that is longer than its reading, and for a read that may take longer than
    its channels' gap, after which they count as silent.

    Args:
        gaps: the gap of each channel that has one, by the source that delivers it.
    """
    for name, source in sources.items():
        path = ("source", name)
        if source.look is not None and source.look > source.every:
            what = "look is longer than every: a reading is folded from several looks."
            do = "Write a shorter look, or leave it out to read once."
            yield layers.fault((*path, "look"), what, do)
        for channel, gap in gaps.get(name, {}).items():
            if source.deadline > gap:
                here: Where = (*path, "deadline")
                if not layers.given(here):
                    here = ("channel", channel, "quality", "gap")
                what = (
                    f"A read of [source.{name}] may take {source.deadline:g} s (its deadline), and "
                    f'"{channel}" is silent after {gap:g} s: it would be called silent while it is '
                    "still being read."
                )
                do = f'Write a deadline of at most "{gap:g} s", or a longer gap.'
                yield layers.fault(here, what, do)


def _within(span: tuple[float, float], around: tuple[float, float]) -> bool:
    return around[0] <= span[0] and span[1] <= around[1]


def channel_limits(frame: Frame, every: Mapping[str, float], layers: Layers) -> Iterator[Fault]:
    """A fault for limits that do not nest, and for a gap that is not longer than the interval
    between readings."""
    for name, channel in frame.channel.items():
        path = ("channel", name, "quality")
        quality = channel.quality
        if quality.gap is not None and name in every and quality.gap <= every[name]:
            what = (
                f"A gap of {quality.gap:g} s is not longer than the {every[name]:g} s between "
                "readings: the channel would be silent all the time."
            )
            do = f'Write at least three times as long: gap = "{3 * every[name]:g} s".'
            yield layers.fault((*path, "gap"), what, do)
        if isinstance(quality, Quality):
            yield from _spans(quality, path, layers)
        if isinstance(channel, FloatChannel) and name != frame.tank.top_up.low_float:
            yield from _float(name, channel, frame.tank, layers)
        if isinstance(channel, LevelChannel) and channel.sound_at is not None:
            yield from _sound(name, channel, frame, layers)


def _spans(quality: Quality[float, float], path: Where, layers: Layers) -> Iterator[Fault]:
    if quality.spike is not None and quality.spike <= 0:
        what = "A spike of nothing would make every reading one."
        yield layers.fault((*path, "spike"), what, "Write a value above 0, or leave it out.")
    spans = {"fail": quality.fail, "suspect": quality.suspect}
    for key, span in spans.items():
        if span is not None and span[0] >= span[1]:
            what = f"The range of {key} ends at or below its beginning."
            yield layers.fault((*path, key), what, "Write the lower value first: [low, high].")
            return
    if quality.fail is None and quality.suspect is None:
        return
    if quality.fail is None or quality.suspect is None:
        given, other = ("suspect", "fail") if quality.fail is None else ("fail", "suspect")
        what = f"{given} is given without {other}, and the one must lie within the other."
        yield layers.fault((*path, given), what, f"Add {other} = [low, high] beside it.")
    elif not _within(quality.suspect, quality.fail):
        what = "The range of suspect is not within the range of fail."
        do = "Write a wider fail or a narrower suspect: what fails is suspect too."
        yield layers.fault((*path, "suspect"), what, do)
    if (
        isinstance(quality, HumidityQuality)
        and quality.fail
        and not _within(quality.fail, (0, 100))
    ):
        do = "Write a range within 0 %RH and 100 %RH."
        yield layers.fault((*path, "fail"), "Relative humidity is from 0 to 100 %RH.", do)


def _float(name: str, channel: FloatChannel, tank: Tank, layers: Layers) -> Iterator[Fault]:
    if channel.height is not None:
        return
    path = ("channel", name, "height")
    if channel.differential is not None:
        what = "The float has a differential and no height."
        yield layers.fault(path, what, f'Add under [channel.{name}]: height = "-12 mm".')
    elif tank.chamber is not None:
        what = "The float has no height, and the level in the chamber is reckoned from it."
        do = (
            f"Add under [channel.{name}] where it closes, relative to the fill mark: "
            'height = "-12 mm". A detector elsewhere, as on the floor, is quantity = "switch".'
        )
        yield layers.fault(path, what, do)


def _sound(name: str, channel: LevelChannel, frame: Frame, layers: Layers) -> Iterator[Fault]:
    path = ("channel", name, "sound_at")
    if channel.mounted is None:
        what = "sound_at is for a gauge that hangs above the water, and nothing says how high."
        do = f'Add under [channel.{name}]: mounted = "120 mm", from the fill mark up to the gauge.'
        yield layers.fault(path, what, do)
    elif not isinstance(frame.channel.get("room"), TemperatureChannel):
        what = "Nothing measures the temperature of the air, by which sound is corrected."
        do = 'Name the sensor of the air [channel.room], with quantity = "temperature".'
        yield layers.fault(path, what, f"{do} Or leave sound_at out.")


def tank_and_times(frame: Frame, layers: Layers) -> Iterator[Fault]:
    """Faults in the chamber's levels, what warms and cools the water, the night."""
    chamber, night = frame.tank.chamber, frame.night
    if chamber is not None:
        if chamber.lowest_safe is not None and chamber.lowest_safe >= 0:
            what = "lowest_safe is not below the fill mark, which is 0 mm."
            do = 'Levels below the fill mark are negative: lowest_safe = "-45 mm".'
            yield layers.fault(("tank", "chamber", "lowest_safe"), what, do)
        if chamber.highest_safe is not None and chamber.highest_safe <= 0:
            what = "highest_safe is not above the fill mark, which is 0 mm."
            do = 'Write how far above the fill mark: highest_safe = "25 mm".'
            yield layers.fault(("tank", "chamber", "highest_safe"), what, do)
    for name, hours in (("lamp", frame.tank.lamp), ("fan", frame.tank.fan)):
        if hours is not None and hours.on == hours.off:
            what = f"The {name} goes off when it goes on."
            do = 'Write two times: on = "12:00", off = "22:00".'
            yield layers.fault(("tank", name, "off"), what, do)
    yield from _heat(frame, layers)
    if night.from_ == night.to:
        do = 'Write two times: from = "22:00", to = "08:00".'
        yield layers.fault(("night", "to"), "The night ends when it begins.", do)
    elif _inside(night.review_at, night.from_, night.to):
        what = f"review_at lies within the night, which ends at {night.to:%H:%M}."
        do = "Write a time at or after the end of the night."
        yield layers.fault(("night", "review_at"), what, do)


def _heat(frame: Frame, layers: Layers) -> Iterator[Fault]:
    heater, chiller = frame.tank.heater, frame.tank.chiller
    schedule = heater.schedule if heater else None
    path: Where = ("tank", "heater", "schedule")
    if schedule is not None and schedule.from_ == schedule.to:
        do = 'Write two times: from = "22:00", to = "07:00".'
        yield layers.fault((*path, "to"), "The schedule ends when it begins.", do)
    if schedule is not None and schedule.by == 0:
        do = 'Write how much warmer it is set, below 0 for cooler: by = "-1 K". Or leave it out.'
        yield layers.fault((*path, "by"), "The schedule changes nothing.", do)
    if heater is not None and chiller is not None and chiller.setting is None:
        what = "With a heater beside it nobody can tell whether it was the chiller that switched."
        do = 'Add under [tank.chiller] what its dial says: setting = "26.5 degC".'
        yield layers.fault(("tank", "chiller", "setting"), what, do)


_MACHINE = ("reservoir", "length", "width", "gauge", "low_float", "pump", "rate")
_SHOWS = {
    "gauge": (LevelChannel, "level"),
    "low_float": (FloatChannel, "float"),
    "pump": (SwitchChannel, "switch"),
}
"""What each of the top-up's channels measures."""


def top_up(frame: Frame, layers: Layers) -> Iterator[Fault]:
    """Faults in ``[tank.top_up]``: a machine's keys where water is added by hand, channels that do
    not exist or measure something else, a gauge in a reservoir of unknown size."""
    said, path = frame.tank.top_up, ("tank", "top_up")
    if said.kind == "by hand":
        for key in _MACHINE:
            if getattr(said, key) is not None:
                what = f"{key} is a machine's, and water is added by hand here."
                yield layers.fault((*path, key), what, 'Write kind = "automatic", or remove it.')
        return
    for key, (model, wanted) in _SHOWS.items():
        name = getattr(said, key)
        if name is None:
            continue
        channel = frame.channel.get(name)
        if channel is None:
            add = f"Add [channel.{name}], or name a channel that exists."
            yield layers.fault((*path, key), *_unknown(name, frame.channel, "channel", add))
        elif not isinstance(channel, model):
            what = f'"{name}" measures {channel.quantity}, and {key} is a {wanted}.'
            do = f'Name a channel with quantity = "{wanted}".'
            yield layers.fault((*path, key), what, do)
    if said.gauge is not None and None in (said.reservoir, said.length, said.width):
        what = "There is a gauge in the reservoir, and nothing says how large the reservoir is."
        do = 'Add reservoir = "10 L", length = "25 cm" and width = "20 cm": its inside.'
        yield layers.fault((*path, "gauge"), what, do)
    if said.rate is not None and said.pump is None:
        what = "rate is what the pump moves, and no channel shows when it runs."
        yield layers.fault((*path, "rate"), what, 'Add pump = "…", a channel of a switch.')


def _inside(time: dt.time, start: dt.time, end: dt.time) -> bool:
    if start < end:
        return start <= time < end
    return time >= start or time < end


def band_limits(name: str, band: Band, layers: Layers) -> Iterator[Fault]:
    """A fault for a deadband so wide that the alarm could return only beyond the target."""
    if band.deadband >= band.tolerance:
        given = ("band", name, "deadband")
        what = (
            "The deadband is not smaller than the tolerance: an alarm would return only when the "
            "value is past the target."
        )
        do = "Write a smaller deadband (a fifth of the tolerance is common practice)."
        yield layers.fault(given, what, do)


def state_fits(name: str, state: StateWatch, frame: Frame, layers: Layers) -> Iterator[Fault]:
    """A fault for a state that does not fit its channel: a float is below or above, a switch off or
    on, and nothing else has a state."""
    path = ("state", name)
    channel = frame.channel.get(state.of)
    if channel is None:
        add = f"Add [channel.{state.of}], or name a channel that exists."
        yield layers.fault((*path, "of"), *_unknown(state.of, frame.channel, "channel", add))
    elif isinstance(channel, FloatChannel):
        if state.wrong not in ("below", "above"):
            do = 'Write wrong = "below" or wrong = "above".'
            yield layers.fault((*path, "wrong"), f'A float is never "{state.wrong}".', do)
    elif isinstance(channel, SwitchChannel):
        if state.wrong not in ("off", "on"):
            do = 'Write wrong = "off" or wrong = "on".'
            yield layers.fault((*path, "wrong"), f'A switch is never "{state.wrong}".', do)
    else:
        what = (
            f'"{state.of}" measures {channel.quantity}, and only a float or a switch has a state.'
        )
        yield layers.fault((*path, "of"), what, "Watch it with a [band.…] instead.")


def agreement_size(name: str, agreement: AgreementKeys, layers: Layers) -> Iterator[Fault]:
    """A fault unless there are at least two different channels."""
    if len(set(agreement.of)) < 2:
        what = "An agreement needs two different channels."
        do = 'Write of = ["water-a", "water-b"].'
        yield layers.fault(("agreement", name, "of"), what, do)


def combined(
    frame: Frame, delivered: Mapping[str, Iterable[str]], layers: Layers
) -> Iterator[Fault]:
    """All faults of this module that need only the frame and which source delivers which
    channels."""
    gaps = {
        source: {
            name: gap
            for name in names
            if name in frame.channel and (gap := frame.channel[name].quality.gap) is not None
        }
        for source, names in delivered.items()
    }
    yield from intervals(frame.source, gaps, layers)
    yield from tank_and_times(frame, layers)
    yield from top_up(frame, layers)
    for name, state in frame.state.items():
        yield from state_fits(name, state, frame, layers)
