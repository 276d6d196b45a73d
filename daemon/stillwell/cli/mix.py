"""``stillwell mix``: the arithmetic of a bucket of salt water, in the order in which it is made."""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from stillwell.cli.console import print_json, say
from stillwell.cli.options import ConfigOption, JsonOption, fail, load_settings

if TYPE_CHECKING:
    from stillwell.cli.printed_deeds import Mix
    from stillwell.settings import Settings
    from stillwell.units import Dimension, System
    from stillwell.water.mixing import Correction, DryMix, Water

USUAL_SALINITY = 35.0
USUAL_C = 25.3
"""The usual temperature; common practice: 35 ppt, 25.0 to 25.6 °C."""
COLD_BY_K = 1.0
"""New water that moves the tank by more than this is warmed first (our own allowance)."""
WARM_BUCKET = (
    "Keep the heater under water while it is plugged in. Unplug it, with dry hands, and let it "
    "cool for 15 min before a hand or the heater goes in or out; the cord needs a drip loop and "
    "the socket an RCD (GFCI)."
)
"""The minutes are common practice."""
TANK_CAUTION = (
    "Unplug heater and pump, with dry hands, before you take water out of the tank or reach in."
)


@dataclass(frozen=True)
class _Batch:
    """What is to be made, in SI units."""

    ml: float
    t_c: float
    salinity: float
    dry: DryMix
    units: System
    settings: Settings | None

    def shown(self, value: float, dimension: Dimension) -> str:
        from stillwell.units import show

        return show(value, dimension, self.units)


def mix(
    volume: Annotated[list[str], typer.Argument(help="How much: 10 L.", metavar="VOLUME")],
    to: Annotated[
        str,
        typer.Option(help='The salinity to come to: 35 ppt, or "1.0264 25/25 degC".'),
    ] = f"{USUAL_SALINITY:g} ppt",
    water_share: Annotated[
        str, typer.Option(help="Water in the dry mix, by weight: 8 %. Found with --weighed.")
    ] = "0 %",
    reads: Annotated[
        str, typer.Option(help="What the batch reads now: say how to put it right.")
    ] = "",
    weighed: Annotated[
        str, typer.Option(help="With --reads: the mix weighed into it; learns --water-share.")
    ] = "",
    tank: Annotated[
        str, typer.Option(help="For a water change: what the tank reads now: 35.6 ppt.")
    ] = "",
    temperature: Annotated[
        str, typer.Option(help="How warm the batch is to be. The tank's target if not given.")
    ] = "",
    cold: Annotated[str, typer.Option(help="How warm the batch is now: 17 degC.")] = "",
    heater: Annotated[
        str, typer.Option(help="The power of the heater in the batch. The tank's if not given.")
    ] = "",
    room: Annotated[str, typer.Option(help="The room, where the bucket loses heat.")] = "",
    config: ConfigOption = None,
    as_json: JsonOption = False,
) -> None:
    """Say how to make salt water, or how to put a batch right.

    VOLUME is the finished batch. With --reads it says how much salt or fresh water brings the batch
    to --to. With --tank it finds the salinity that brings the tank to --to in one water change of
    VOLUME, and by how much the change moves the tank; that needs the configuration.

    With --json one object; g, mL, practical salinity, degC, s.

    Example: stillwell mix 10 L --to "35 ppt" --cold "17 degC"
    """
    from stillwell.units import Dimension, System

    if reads and tank:
        fail(
            "--reads puts a batch right, --tank reckons a water change: they don't go together.",
            "Give one of them: first put the batch right, then ask about the change.",
        )
    settings = _settings(config)
    units = settings.tank.units if settings else System.METRIC
    ml = _value(" ".join(volume), Dimension.VOLUME, units)
    if ml <= 0:
        fail("A batch has a volume above 0.", "Write: stillwell mix 10 L")
    t_c = _value(temperature, Dimension.TEMPERATURE, units) if temperature else _target_c(settings)
    batch = _Batch(ml, t_c, _salinity(to, ml), _dry_mix(water_share), units, settings)
    out: Mix = {"ml": ml, "target": batch.salinity, "t_c": t_c}
    try:
        if reads:
            lines = _put_right(batch, _salinity(reads, ml), weighed, out)
        else:
            lines = _new_batch(batch, tank, out)
        lines += _warming(batch, cold, heater, room, out)
    except ValueError as error:
        fail(str(error))
    if as_json:
        print_json(out)
        return
    for line in lines:
        say(line, hanging=2)


def _settings(config: Path | None) -> Settings | None:
    """Returns the tank's settings if there is a configuration: a bucket needs none."""
    from stillwell.settings import DEFAULT_PATH

    if config is None and "STILLWELL_CONFIG" not in os.environ and not DEFAULT_PATH.exists():
        return None
    return load_settings(config)


def _target_c(settings: Settings | None) -> float:
    if settings is not None:
        for band in settings.band.values():
            if set(band.of) <= set(settings.water):
                return float(band.target)
    return USUAL_C


def _value(text: str, dimension: Dimension, units: System) -> float:
    from stillwell.units import UnitError, parse

    try:
        return parse(text, dimension)
    except UnitError as error:
        fail(error.what, error.do_in(units))


def _dry_mix(share: str) -> DryMix:
    from stillwell.units import Dimension, System
    from stillwell.water.mixing import DryMix

    try:
        return DryMix(_value(share, Dimension.RATIO, System.METRIC))
    except ValueError as error:
        fail(str(error), "Write: --water-share 8%")


def _salinity(text: str, tank_ml: float) -> float:
    """Returns the practical salinity of what the instrument shows; refuses it like a
    journal entry."""
    import time

    from stillwell.journal import (
        Circumstances,
        JournalError,
        drafted,
        number_and_unit,
        salinity_of,
    )

    number, unit = number_and_unit(text)
    here = Circumstances(time.time_ns() // 1_000_000, tank_ml)
    try:
        return salinity_of(drafted("salinity", number, unit, here=here).entry)
    except JournalError as error:
        fail(error.what, error.do)


def _new_batch(wanted: _Batch, tank: str, out: Mix) -> list[str]:
    from stillwell.units import Dimension
    from stillwell.water import mixing

    lines: list[str] = []
    ml, t_c, salinity = wanted.ml, wanted.t_c, wanted.salinity
    if tank:
        if wanted.settings is None:
            fail("A water change needs to know the tank.", "Name its configuration: --config FILE.")
        now = mixing.Water.of_volume(wanted.settings.tank.volume, _salinity(tank, ml), t_c)
        salinity = mixing.needed_for_change(now, ml, wanted.salinity)
        lines += _change(now, wanted, salinity, out)
    recipe = mixing.batch(ml, salinity, t_c, wanted.dry)
    out |= {
        "salinity": salinity,
        "dry_g": recipe.dry_g,
        "first_g": recipe.first_g,
        "fresh_ml": recipe.fresh_ml,
        "cups": [recipe.rough.low, recipe.rough.high],
    }
    fresh, whole = (
        wanted.shown(recipe.fresh_ml, Dimension.VOLUME),
        wanted.shown(ml, Dimension.VOLUME),
    )
    dry, first, rest = (
        wanted.shown(g, Dimension.MASS)
        for g in (recipe.dry_g, recipe.first_g, recipe.dry_g - recipe.first_g)
    )
    lines += [
        f"{whole} of salt water at {salinity:.1f} ppt and "
        f"{wanted.shown(t_c, Dimension.TEMPERATURE)}:",
        f"1. Put {fresh} of fresh water into a clean bucket that is used for nothing else.",
        f"2. Weigh {dry} of dry mix ({recipe.rough}). Stir in {first} of it first, with a clean "
        "spoon or a pump, until the water is clear. Dry hands on its plug, and unplug it before a "
        "hand goes in.",
        f"3. Read the salinity: the batch is to read a little low. Stir in the other {rest} bit by "
        f"bit until it reads {salinity:.1f}: salt goes in easily and comes out only by throwing "
        "water away.",
    ]
    if wanted.dry.water_share == 0:
        lines.append(
            "The mix is taken as free of water, so the batch comes out a little low, never high. "
            "What yours holds, --reads with --weighed finds from this batch."
        )
    return lines


def _change(now: Water, wanted: _Batch, salinity: float, out: Mix) -> list[str]:
    from stillwell.estimate.salt.mending import FASTEST_PER_DAY
    from stillwell.units import Dimension
    from stillwell.water import mixing

    ml = wanted.ml
    after = mixing.changed(now, ml, mixing.Water.of_volume(ml, salinity, wanted.t_c)).salinity
    moved = after - now.salinity
    out |= {"tank_ml": now.ml, "tank": now.salinity, "moves": moved}
    said = (
        f"A change of {wanted.shown(ml, Dimension.VOLUME)} ({ml / now.ml:.0%} of the tank) at "
        f"{salinity:.1f} ppt moves the tank from {now.salinity:.1f} to "
        f"{after:.1f} ppt."
    )
    if abs(moved) > FASTEST_PER_DAY:
        said += (
            f" That is more than {FASTEST_PER_DAY:g} ppt: for animals spread it over "
            f"{abs(moved) / FASTEST_PER_DAY:.1f} days or more (common practice)."
        )
    return [
        said,
        f"Fill up to the mark with fresh water first: a low tank reads salty. {TANK_CAUTION}",
    ]


def _put_right(wanted: _Batch, reads: float, weighed: str, out: Mix) -> list[str]:
    from stillwell.units import Dimension
    from stillwell.water import mixing

    lines: list[str] = []
    dry = wanted.dry
    now = mixing.Water.of_volume(wanted.ml, reads, wanted.t_c)
    if weighed:
        grams = _value(weighed, Dimension.MASS, wanted.units)
        fresh = mixing.Water(now.kg - grams / 1000, 0.0, wanted.t_c)
        dry = mixing.learned(fresh, grams, reads)
        out["water_share"] = dry.water_share
        lines.append(
            f"So this mix is {dry.water_share:.1%} water. Next time: "
            f'--water-share "{100 * dry.water_share:.1f} %".'
        )
    fix = mixing.correction(now, wanted.salinity, dry)
    out |= {
        "reads": reads,
        "dry_g": fix.dry_g,
        "add_fresh_ml": fix.add_fresh_ml,
        "swap_fresh_ml": fix.swap_fresh_ml,
    }
    return [*lines, _fix_in_words(fix, reads, wanted)]


def _fix_in_words(fix: Correction, reads: float, wanted: _Batch) -> str:
    from stillwell.units import Dimension

    target = wanted.salinity
    if fix.dry_g > 0:
        grams = wanted.shown(fix.dry_g, Dimension.MASS)
        return (
            f"{reads:.1f} is below {target:.1f} ppt: stir in up to {grams} of dry mix, three "
            "quarters of it first, and read again when the water is clear."
        )
    if fix.add_fresh_ml > 0:
        add = wanted.shown(fix.add_fresh_ml, Dimension.VOLUME)
        swap = wanted.shown(fix.swap_fresh_ml, Dimension.VOLUME)
        return (
            f"{reads:.1f} is above {target:.1f} ppt: add {add} of fresh water; or, where there is "
            f"no room, take {swap} out and put as much fresh water in. Stir, read again."
        )
    return f"{reads:.1f} ppt is what it is to be: nothing to do."


def _warming(wanted: _Batch, cold: str, heater: str, room: str, out: Mix) -> list[str]:
    from math import isfinite

    from stillwell.units import Dimension
    from stillwell.water.mixing import Water, warm_up_s

    if not cold:
        return []
    ml, t_c, units, settings = wanted.ml, wanted.t_c, wanted.units, wanted.settings
    now_c = _value(cold, Dimension.TEMPERATURE, units)
    power = _value(heater, Dimension.POWER, units) if heater else 0.0
    if not power and settings is not None and settings.tank.heater is not None:
        power = settings.tank.heater.watts
    if not power:
        fail("How strong is the heater in the batch?", 'Write: --heater "75 W".')
    batch = Water.of_volume(ml, wanted.salinity, now_c)
    if room:
        # A bucket of 20 L loses some 2 to 4 W/K (from memory); its surface goes with ml^(2/3).
        loss = 3.0 * (ml / 20_000.0) ** (2 / 3)
        needed = warm_up_s(batch, t_c, power, _value(room, Dimension.TEMPERATURE, units), loss)
    else:
        needed = warm_up_s(batch, t_c, power)
    out |= {"cold_c": now_c, "heater_w": power, "warm_s": needed if isfinite(needed) else None}
    watts = wanted.shown(power, Dimension.POWER)
    now, warm = (wanted.shown(c, Dimension.TEMPERATURE) for c in (now_c, t_c))
    from_to = f"from {now} to {warm}"
    if not isfinite(needed):
        return [
            f"{watts} can't warm it {from_to} in that room: cover the bucket, or take a stronger "
            f"heater. {WARM_BUCKET}"
        ]
    if needed <= 0:
        return [
            "It is warm enough already: let it come to the tank's temperature before it goes in."
        ]
    least = "" if room else " at least; longer in a cool room (--room)"
    lasts, near = (
        wanted.shown(needed, Dimension.DURATION),
        wanted.shown(COLD_BY_K, Dimension.DIFFERENCE),
    )
    return [
        f"Warm it {from_to}: {watts} needs {lasts}{least}. Measure before it goes into the tank: "
        f"within {near} of it. {WARM_BUCKET}"
    ]
