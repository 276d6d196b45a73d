"""Words for heater and chiller, the room's warmth, the pump and the mains."""

from __future__ import annotations

from stillwell.notice import Said
from stillwell.observe.heat.facts import (
    AtItsLimit,
    Bears,
    ChillerStuck,
    HeatOver,
    MainsLost,
    Misses,
    NotCooling,
    NotHeating,
    OfHeat,
    RoomTooWarm,
    SettingMoved,
    StuckOn,
    TooWeak,
)
from stillwell.words.cautions import FAN, HOT_HEATER, UNPLUG
from stillwell.words.figures import Figures, capital

_WORTH_SAYING = 0.05
"""The probability below which a cause is not named. A choice of ours."""


def not_heating(facts: NotHeating, figures: Figures) -> Said:
    chances = facts.chances
    ways = [
        (chances.broken, "it is dead"),
        (chances.dial, "the dial was turned down"),
        (chances.weak, "it gives too little heat"),
    ]
    apart = "If turning the dial up lights it, it was the dial."
    if chances.weak > chances.dial:
        apart = "If its light is on, it gives too little."
    return Said(
        f"Heater not heating{_figure(facts, figures, facts.at_c)}.",
        "Check plug, light, and that it is under water, with dry hands. If dead, put in a spare, "
        "or cover the tank and warm the room.",
        f"Below {figures.temperature(facts.at_c)} {figures.from_then()}, "
        f"{_usual(facts, 'came on')}. {_course(facts, figures)}",
        f"{_likely(ways)} {apart}",
        f"{UNPLUG} {HOT_HEATER}",
    )


def stuck_on(facts: StuckOn, figures: Figures) -> Said:
    ways = [
        (facts.chances.broken, "its contact sticks"),
        (facts.chances.dial, "the dial was turned up"),
    ]
    return Said(
        f"Heater stuck on{_figure(facts, figures, facts.at_c)}. Unplug it.",
        "Unplug it now, with dry hands, and measure the water by hand. If that is as always, the "
        "probe is wrong: plug it in again.",
        f"Above {figures.temperature(facts.at_c)} {figures.from_then()}, "
        f"{_usual(facts, 'went off')}. {_course(facts, figures)}",
        f"{_likely(ways)} If the dial still turns it off, set it; else replace it.",
        f"{UNPLUG} {HOT_HEATER}",
    )


def not_cooling(facts: NotCooling, figures: Figures) -> Said:
    return Said(
        f"Chiller not cooling{_figure(facts, figures, facts.at_c)}.",
        "Check the chiller with dry hands: plug, light, flow, dust on its fins. Meanwhile open the "
        "lid, and let a fan blow across the water.",
        f"Above {figures.temperature(facts.at_c)} {figures.from_then()}, "
        f"{_usual(facts, 'came on')}. {_course(facts, figures)}",
        "The water warms as without it. Or its dial was turned up, or its pump has stopped.",
        FAN,
    )


def chiller_stuck(facts: ChillerStuck, figures: Figures) -> Said:
    return Said(
        f"Chiller stuck on{_figure(facts, figures, facts.at_c)}. Unplug it.",
        "Unplug the chiller now, with dry hands, and measure the water by hand. If it is as "
        "always, the probe is wrong: plug it in again.",
        f"Below {figures.temperature(facts.at_c)} {figures.from_then()}, "
        f"{_usual(facts, 'went off')}. {_course(facts, figures)}",
        "The water cools as with it on. Or its dial was turned down.",
        UNPLUG,
    )


def too_weak(facts: TooWeak, figures: Figures) -> Said:
    if facts.share is not None:
        why = (
            f"Only about {_percent(facts.share)} of its usual heat comes. Or a window, a fan or an "
            "open lid takes more."
        )
    else:
        why = "Most likely the room is too cold for it. Or it has lost a part of its power."
    return Said(
        f"Heater too weak{_figure(facts, figures)}.",
        "Close lid and window and warm the room. If the room is as always, replace the heater.",
        f"On without a pause {figures.from_then()}. {_course(facts, figures)}",
        f"{why}{_holds(facts.bears, figures)}",
        f"{UNPLUG} {HOT_HEATER}",
    )


def at_its_limit(facts: AtItsLimit, figures: Figures) -> Said:
    over = figures.duration(facts.over_s)
    return Said(
        f"Heater at its limit: on {_percent(facts.on)} of the last {over}.",
        "Close lid and window and keep the room from growing colder. If it must, add a second "
        "heater.",
        f"So {figures.from_then()}. The water still holds.",
        "The room is nearly too cold for this heater. If the room is as always, it has lost a part "
        f"of its power.{_holds(facts.bears, figures)}",
        f"{UNPLUG} {HOT_HEATER}",
    )


def setting_moved(facts: SettingMoved, figures: Figures) -> Said:
    way = "higher" if facts.by_k > 0 else "lower"
    where = " and ".join(figures.temperature(each) for each in facts.at_c)
    return Said(
        f"Heater setting moved: {figures.difference(facts.by_k)} {way}.",
        "If you did it, do nothing: in a day it counts as the setting. If not, turn the dial back "
        "a little, with dry hands, and look again after an hour.",
        f"It {'switches at' if len(facts.at_c) > 1 else 'holds the water at'} {where} "
        f"{figures.from_then()}.",
        "It works, at another temperature than before. Or its contact sticks now and then, or this "
        "probe was moved or changed.",
        UNPLUG,
    )


def room_too_warm(facts: RoomTooWarm, figures: Figures) -> Said:
    water = facts.water
    at = f": water {figures.temperature(water.value_c)}" if water else ""
    way = f", {figures.motion(water.per_h).split()[0]}" if water else ""
    return Said(
        f"Room too warm{at}{way}.",
        "Open the lid and cool the room. Let a fan blow across the water, and light the lamp for "
        "fewer hours.",
        f"Well above {figures.temperature(facts.off_c)}, where the heater goes off, "
        f"{figures.from_then()}. {_course(facts, figures)}",
        "The heater is off, and the water rises far more slowly than it would raise it. Or lamp or "
        "sun warm the water.",
        FAN,
    )


def mains_lost(facts: MainsLost, figures: Figures) -> Said:
    return Said(
        "Mains lost at the tank? Pump and heater stopped.",
        "Look at the fuse, the RCD (GFCI) and the power strip, with dry hands. Meanwhile cover "
        "the tank and stir it by hand every half hour. Take no water out of the chamber.",
        f"The chamber has risen and no heat comes, {figures.from_then()}. "
        f"{_course(facts, figures)}",
        "They stopped together. Or only the heater is dead, if the pump runs and somebody poured.",
        "If a plug, a socket or the floor is wet, switch the circuit off first and touch nothing. "
        "If an RCD trips again, unplug the devices one by one before you reset it.",
    )


def heat_over(facts: HeatOver, figures: Figures) -> Said:
    title, seen = _over(facts, figures)
    water = facts.water
    now = "" if water is None else f"Water {figures.temperature(water.value_c)}."
    return Said(title, seen=f"{now} {seen}".strip())


def _over(facts: HeatOver, figures: Figures) -> tuple[str, str]:
    """Returns the title, and what else to know."""
    if facts.limit:
        return "Heater has heat to spare again.", ""
    by = figures.difference(facts.dial_k)
    if facts.dial_k and facts.alarm == "heater.not-heating":
        return (
            f"Heater on again, {by} lower than before.",
            "If nobody has mended it or plugged it in, its dial was turned down.",
        )
    if facts.dial_k and facts.alarm == "heater.stuck-on":
        return (
            f"Heater off again, {by} higher than before.",
            "Its dial was turned up, or its contact sticks.",
        )
    return {
        "heater.not-heating": "Heater heats again.",
        "heater.stuck-on": "Heater has switched off.",
        "heater.too-weak": "Heater reaches its setting again.",
        "heater.setting-moved": "Heater's switching counts as its setting now.",
        "chiller.not-cooling": "Chiller cools again.",
        "chiller.stuck-on": "Chiller has switched off.",
        "room.too-warm": "Water is back where the heater holds it.",
    }.get(facts.alarm, "Over."), ""


def _likely(ways: list[tuple[float, str]]) -> str:
    """Returns what it may be, the likeliest first, without what is hardly possible."""
    known = [way for way in sorted(ways, reverse=True) if way[0] >= _WORTH_SAYING]
    if len(known) == 1:
        return f"Almost surely {known[0][1]}."
    (first, one), (second, other) = known[:2]
    return f"{capital(one)} ({_percent(first)}), or {other} ({_percent(second)})."


def _usual(facts: Misses, did: str) -> str:
    """Returns what was usual there."""
    return f"where it always {did}" if facts.times else "where it was held"


def _figure(facts: OfHeat, figures: Figures, limit_c: float | None = None) -> str:
    """Returns for example ``: 24.9 °C, falling``; with as many digits as tell the value from the
    limit."""
    water = facts.water
    if water is None:
        return ""
    value = figures.temperature(water.value_c)
    if limit_c is not None and value == figures.temperature(limit_c):
        value = figures.temperature(water.value_c, 2)
    return f": {value}, {figures.motion(water.per_h).split()[0]}"


def _course(facts: OfHeat, figures: Figures) -> str:
    """Returns how fast it changes, and when that harms; where it does not harm, when it leaves
    the band."""
    water = facts.water
    if water is None:
        return ""
    motion = capital(figures.motion(water.per_h))
    ahead = water.harms or water.leaves
    if ahead is None and motion == "Steady":
        return f"It has come to rest at {figures.temperature(water.value_c)}."
    if ahead is None:
        return f"{motion}, to about {figures.temperature(water.rests_c)} in the end."
    target = figures.temperature(ahead.target)
    return f"{motion}; at this rate {target} {figures.arrival(ahead, water.at_ms)}."


def _holds(bears: Bears | None, figures: Figures) -> str:
    """Returns how cold a room the heater can bear."""
    if bears is None:
        return ""
    value, low, high = (figures.temperature(each, 0) for each in bears.room_c)
    now = "" if bears.now_c is None else f"; it has {figures.temperature(bears.now_c, 0)} now"
    return f" It bears a room of about {value} ({low} to {high}){now}."


def _percent(share: float) -> str:
    return f"{100 * max(0.0, min(1.0, share)):.0f} %"
