"""Words for values outside their band, changing too fast, or not seen."""

from __future__ import annotations

from stillwell.alarm.rules.band import (
    BackInBand,
    Course,
    OfBand,
    OutsideBand,
    Racing,
    SeenAgain,
    Steady,
    Unseen,
)
from stillwell.notice import Said
from stillwell.reading import Quantity
from stillwell.words.cautions import FAN, HOT_HEATER, PROBE, UNPLUG
from stillwell.words.figures import Figures, capital

LOOK = "Look at it, and at what has changed since."


def outside(facts: OutsideBand, figures: Figures) -> Said:
    shown, limit = (facts.limit if facts.value is None else facts.value), facts.limit
    value, edge = figures.pair(shown, limit, facts.quantity)
    motion = _motion(facts.course, facts.quantity, figures)
    way = f", {motion.split()[0]}" if motion else ""
    title = f"{facts.called} {_too(facts)}: {value}{way}."
    side = "Below" if facts.low else "Above"
    seen = f"{side} {edge} {figures.from_then()}."
    if motion and facts.course is not None:
        seen += f" {capital(motion)} {_span(facts.course, figures)}"
        if facts.ahead is not None:
            target = figures.value(facts.ahead.target, facts.quantity)
            arrival = figures.arrival(facts.ahead, facts.at_ms)
            seen += f"; at this rate {target} {arrival}"
        seen += "."
    if not _warm_water(facts):
        return Said(title, LOOK, seen)
    return _water_is(facts, title, seen)


def _water_is(facts: OutsideBand, title: str, seen: str) -> Said:
    """Returns the words for water that is too cold or too warm."""
    if facts.low:
        return Said(
            title,
            "Check the heater with dry hands: plug, light, and that it is under water. If it is "
            "dead, cover the tank and warm the room, or put in a spare.",
            seen,
            "Most likely the heater does not heat: unplugged, switched off, or broken."
            if facts.worsens
            else "Most likely the heater is set too low, or the room is too cold for it.",
            f"{UNPLUG} {HOT_HEATER}",
        )
    return Said(
        title,
        "Unplug the heater, with dry hands, and switch the lamp off. Open the lid and let a fan "
        "blow across the water. If the heater was still on, replace it.",
        seen,
        "Most likely the heater is stuck on, or the room or the lamp heats the tank."
        if facts.worsens
        else "Most likely the room is too warm or the lamp too close.",
        f"{UNPLUG} {FAN}",
    )


def _too(facts: OutsideBand) -> str:
    if facts.quantity is Quantity.TEMPERATURE:
        return "too cold" if facts.low else "too warm"
    return "too low" if facts.low else "too high"


def _warm_water(facts: OfBand) -> bool:
    return facts.of_water and facts.quantity is Quantity.TEMPERATURE


def _motion(course: Course | None, quantity: Quantity, figures: Figures) -> str:
    """Returns for example ``falling 0.6 °C an hour``; empty where that can't be told."""
    motion = "" if course is None else figures.motion(course.per_h, quantity)
    return "" if motion == "steady" else motion


def _span(course: Course, figures: Figures) -> str:
    """Returns ``since 02:10`` where the value turned then, else ``over the last hour``."""
    if course.turned_ms is not None:
        return figures.from_then(course.turned_ms)
    span = figures.duration(course.over_s)
    return f"over the last {'hour' if span == '1 h' else span}"


def back(facts: BackInBand, figures: Figures) -> Said:
    value = f" {figures.value(facts.value, facts.quantity)}" if facts.value is not None else ""
    side, extreme = ("below", "lowest") if facts.low else ("above", "highest")
    seen = (
        f"It was {side} {figures.value(facts.limit, facts.quantity)} from "
        f"{figures.time(figures.since.utc_ms) or 'the start'} on, "
        f"{figures.duration(figures.lasted_ms / 1000)} in all"
    )
    if facts.worst is not None:
        seen += f", {extreme} {figures.value(facts.worst, facts.quantity)}"
    do = "Nothing to do at once. If nobody put it right, look for the cause today."
    return Said(f"{facts.called}{value}, back in its band.", do, f"{seen}.")


def racing(facts: Racing, figures: Figures) -> Said:
    limit = figures.difference(facts.limit_per_h, facts.quantity)
    if facts.course is None:
        return Said(f"{facts.called} changes by more than {limit} an hour.", LOOK)
    value = f" {figures.value(facts.value, facts.quantity)}" if facts.value is not None else ""
    rate = figures.difference(facts.course.per_h, facts.quantity)
    falling = facts.course.per_h < 0
    title = f"{facts.called}{value}, {'falling' if falling else 'rising'} {rate} an hour."
    seen = f"More than {limit} an hour {_span(facts.course, figures)}"
    if facts.leaves is not None:
        edge = figures.value(facts.leaves.target, facts.quantity)
        when = figures.arrival(facts.leaves, facts.at_ms)
        seen += f"; at this rate it leaves its band, {edge}, {when}"
    if not _warm_water(facts):
        return Said(title, LOOK, f"{seen}.")
    why = (
        "Most likely the heater is off, cold water was added, a window is open, or a probe hangs "
        "out of the water."
        if falling
        else "Most likely the heater is stuck on, warm water was added, or sun or lamp heat it."
    )
    do = "Look at heater, probe, lid and room, with dry hands, before it leaves its band."
    return Said(title, do, f"{seen}.", why, UNPLUG)


def steady(facts: Steady, figures: Figures) -> Said:
    value = f" {figures.value(facts.value, facts.quantity)}" if facts.value is not None else ""
    limit = figures.difference(facts.limit_per_h, facts.quantity)
    seen = f"It changes by less than {limit} an hour."
    return Said(f"{facts.called}{value}, steady again.", seen=seen)


def unseen(facts: Unseen, figures: Figures) -> Said:
    subject = "the water" if facts.of_water else facts.called.lower()
    title = f"Can't see {subject}: no usable {facts.quantity}."
    seen = f"None {figures.from_then()}. " + "; ".join(
        f"{capital(called)}: {trouble}" for called, trouble in facts.why
    )
    seen = f"{seen.rstrip()}." if facts.why else seen.rstrip()
    if not facts.of_water:
        return Said(title, "Look at the sensor's plug and lead.", seen)
    do = (
        "Read it with another thermometer now, and every hour until this is mended. Then look at "
        "the probes' plugs and leads."
    )
    return Said(title, do, seen, caution=PROBE)


def seen_again(facts: SeenAgain, figures: Figures) -> Said:
    value = f" {figures.value(facts.value, facts.quantity)}" if facts.value is not None else ""
    blind = figures.duration(figures.lasted_ms / 1000)
    return Said(f"{facts.called}{value}, seen again.", seen=f"It could not be seen for {blind}.")
