"""Words for the level, what leaves the tank, and the chamber's sensors."""

from __future__ import annotations

from stillwell.notice import Said
from stillwell.observe.chamber.found import (
    Disagree,
    FloatFault,
    FloatWell,
    Leak,
    NoLeak,
    ReservoirLow,
    Seep,
    Standstill,
    Sure,
    TooHigh,
    ToppedUp,
    TopUpMissing,
    TopUpRuns,
    WantsWater,
)
from stillwell.observe.facts import GaugeMoved, GaugeWell, PumpStopped
from stillwell.reading import Quantity
from stillwell.units import Dimension
from stillwell.words.cautions import PROBE, UNPLUG
from stillwell.words.figures import Figures, capital
from stillwell.words.sensors import FLOW_FIRST, PUMP_FIRST

_DAYS_60_H = 60 * 24.0


def _flow(figures: Figures, ml_per_h: float) -> str:
    return figures.show(ml_per_h, Dimension.FLOW)


def _mm(figures: Figures, mm: float) -> str:
    return figures.value(mm, Quantity.LEVEL)


def _hours(figures: Figures, hours: float) -> str:
    return "60 days" if hours >= _DAYS_60_H else figures.duration(round(hours * 4) * 900.0)


def leak(facts: Leak, figures: Figures) -> Said:
    if facts.days is not None:
        rests = f"by the last {facts.days:.0f} days"
    else:
        rests = "by the dryness of the air" if facts.physics else "by common practice"
    since, most = capital(figures.from_then()), _flow(figures, facts.allowed)
    seen = f"{since}. Evaporation takes at most {most}; what is usual here goes {rests}."
    flow, usual = _flow(figures, facts.ml_per_h), _flow(figures, facts.usual)
    return Said(
        f"Leak? {flow}, usual {usual}."
        if facts.sure
        else f"More water goes: {flow}, usual {usual}.",
        "Look under and behind the tank for wet spots, with dry hands; feel along hoses and "
        "joints. If it is dry there, a fan or an open window may do it: stop that for an hour.",
        seen,
        _WHY_LEAK[facts.sure]
        + (" The top-up replaces it, so the salinity falls." if facts.topped_up else "")
        + ("" if facts.physics else " Very dry air would explain a part."),
        UNPLUG,
    )


_WHY_LEAK = {
    None: "A leak, or air that moves or is dry.",
    Sure.NOT_COOLED: "What evaporates cools the water, and this does not: a joint, a hose, salt "
    "creep over the rim, or a siphon.",
    Sure.TOO_MUCH: "No air takes as much: a joint, a hose, or a siphon.",
    Sure.GOES_ON: "It goes on day and night: a joint, a hose, salt creep over the rim, or a fan "
    "that never rests.",
}


def seep(facts: Seep, figures: Figures) -> Said:
    return Said(
        f"Slow leak? About {_flow(figures, facts.ml_per_h)} all the time.",
        "Look for salt crusts at joints, hoses and rims, and for damp under the tank, with dry "
        "hands. Measure the salinity: it falls when a leak is topped up with fresh water.",
        f"This part of the loss does not follow the dryness of the air, by {facts.days:.0f} days "
        "of it.",
        "Evaporation rises and falls with the air, a leak does not.",
        UNPLUG,
    )


def no_leak(facts: NoLeak, figures: Figures) -> Said:
    rate = f": {_flow(figures, facts.ml_per_h)}" if facts.ml_per_h is not None else ""
    return Said(f"Loss of water is as usual{rate}.")


def standstill(facts: Standstill, figures: Figures) -> Said:
    return Said(
        "Hardly any water evaporates: is the level seen right?",
        "Look at the lid, and move float and gauge by hand. Look for water running in.",
        f"{_flow(figures, max(0.0, facts.ml_per_h))} {figures.from_then()}; usual here: "
        f"{_flow(figures, facts.usual)}.",
        "Most likely a lid lies on the tank, a float or the gauge is stuck, or water runs in. If a "
        "machine adds it, say so in [tank.top_up].",
        PROBE,
    )


def wants_water(facts: WantsWater, figures: Figures) -> Said:
    lowest = _mm(figures, facts.lowest_mm)
    then = "Below the lowest safe level the pump draws air and the heater may stand dry."
    why = f"Most likely a top-up was missed. {then}"
    level = facts.level_mm
    if level is None:
        if facts.reckoned_h is None or facts.reckoned_h <= 0.0:
            at = f"By what usually evaporates it may have reached the lowest safe {lowest}"
        else:
            hours = _hours(figures, facts.reckoned_h)
            at = f"By what usually evaporates it may reach the lowest safe {lowest} in {hours}"
        return Said(
            "Top up: the water is below the lowest float.",
            f"{FLOW_FIRST} Then pour fresh water slowly, to the fill mark, and note it: `stillwell "
            "note pour`.",
            f"{at}; nothing sees it there.",
            why,
            UNPLUG,
        )
    of = f" {figures.show(facts.missing_ml, Dimension.VOLUME)} of" if facts.missing_ml else ""
    do = (
        f"{FLOW_FIRST} Then pour{of} fresh water slowly, to the fill mark, and note it: `stillwell "
        "note pour`."
    )
    at = f"The water is {_mm(figures, level)} from the fill mark"
    if level <= facts.lowest_mm:
        title = f"Top up now: water {_mm(figures, level)} from the mark."
        return Said(title, do, f"{at}, at or below the lowest safe {lowest}.", why, UNPLUG)
    if facts.reserve_h is None:
        title = f"Top up: water {_mm(figures, level)} from the mark."
        return Said(title, do, f"The lowest safe level is {lowest}.", why, UNPLUG)
    value, low, high = (_hours(figures, each) for each in facts.reserve_h)
    seen = f"{at}, the lowest safe level is {lowest}: {low} to {high} until then."
    return Said(f"Top up: lowest safe level in {value}.", do, seen, why, UNPLUG)


def topped_up(facts: ToppedUp, figures: Figures) -> Said:
    at = f": {_mm(figures, facts.level_mm)} from the mark" if facts.level_mm is not None else ""
    return Said(f"Water stands high enough again{at}.")


def reservoir_low(facts: ReservoirLow, figures: Figures) -> Said:
    do = "Fill the reservoir with fresh water, and note it: `stillwell note pour`."
    why = "When it is empty, the water falls, the salinity rises, and later the pump draws air."
    left = figures.show(facts.left_ml, Dimension.VOLUME) if facts.left_ml is not None else ""
    if facts.lasts_h is None:
        return Said("Top-up's reservoir nearly empty.", do, "Its float is open.", why, UNPLUG)
    lasts = _hours(figures, facts.lasts_h)
    seen = f"{left} are left, by what the tank now loses."
    return Said(f"Fill the top-up's reservoir: empty in {lasts}.", do, seen, why, UNPLUG)


def top_up_runs(facts: TopUpRuns, figures: Figures) -> Said:
    if facts.ran_s is not None:
        seen = f"Its pump has run for {figures.duration(facts.ran_s)} without a stop."
    elif facts.added_ml is not None:
        seen = (
            f"{figures.show(facts.added_ml, Dimension.VOLUME)} left its reservoir in half an hour."
        )
    else:
        seen = "It adds far more than evaporates."
    if facts.left_ml is not None:
        seen += f" {figures.show(facts.left_ml, Dimension.VOLUME)} are left in it."
    return Said(
        "Top-up does not stop: unplug it.",
        "Unplug the top-up's pump at the wall, with dry hands. Then see how high the chamber "
        "stands, wipe up what has run over, and measure the salinity.",
        seen,
        "Most likely its float or eye is fouled or hangs too high, or its hose siphons: lift its "
        "end out of the water.",
        UNPLUG,
    )


def top_up_missing(facts: TopUpMissing, figures: Figures) -> Said:
    below = f"{_mm(figures, facts.below_mm)} below where it is held" if facts.below_mm else ""
    left = (
        f" {figures.show(facts.left_ml, Dimension.VOLUME)} are left in the reservoir."
        if facts.left_ml is not None
        else ""
    )
    return Said(
        "Top-up adds nothing.",
        "First see whether its reservoir is empty, its plug is in and its hose is free. Until it "
        "works, pour fresh water slowly by hand.",
        (f"The water is {below}." if below else "Nothing was added for hours.") + left,
        "Most likely the reservoir is empty, the pump is blocked, or its float or eye is fouled.",
        UNPLUG,
    )


def pump_stopped(facts: PumpStopped, figures: Figures) -> Said:
    by, up = "", "chamber up"
    if facts.usual_mm is not None and facts.rise_mm is not None:
        usual = figures.difference(facts.usual_mm, Quantity.LEVEL, 0)
        by = f" When the pump rests it always rises by about {usual}."
    if facts.parted_k is not None:
        apart = figures.difference(facts.parted_k)
        by += f" Its water no longer mixes: the probes are {apart} apart."
    if facts.rise_mm is not None:
        up = f"chamber up {figures.difference(facts.rise_mm, Quantity.LEVEL, 0)}"
    rose = "The chamber rose at once and stays up"
    if facts.floats:
        rose = f"{' and '.join(facts.floats)} closed at once and stay so"
    return Said(
        f"Pump may have stopped: {up}.",
        "See that the pump runs and draws no air, with dry hands. While it does not, stir the tank "
        "by hand, and take no water out: what has run back belongs to the tank.",
        f"{capital(rose)} {figures.from_then()}.{by}",
        "Or the mains are lost, if lamp and heater are dark too. Or somebody poured, if the pump "
        "runs: then note it.",
        UNPLUG,
    )


def too_high(facts: TooHigh, figures: Figures) -> Said:
    over = f"{figures.show(facts.over_ml, Dimension.VOLUME)} of " if facts.over_ml else ""
    level = "" if facts.level_mm is None else f": {_mm(figures, facts.level_mm)} above the mark"
    return Said(
        f"Chamber too full{level}.",
        f"{PUMP_FIRST} If it runs, take {over}water out.",
        f"More than the highest safe {_mm(figures, facts.highest_mm)} {figures.from_then()}.",
        "Either too much was poured, or the pump has stopped and its water has run back. With the "
        "pump off this chamber may run over.",
        UNPLUG,
    )


def disagree(facts: Disagree, figures: Figures) -> Said:
    odd = " and ".join(facts.called)
    if facts.inverted:
        return Said(
            f"{capital(odd)} opens when water is poured in.",
            "Take the float off its stem, turn it over and put it back. Until then it is left out.",
            why="Most likely the float is upside down, or its wiring is for an opening contact.",
            caution=PROBE,
        )
    return Said(
        f"{capital(odd)} does not fit the level.",
        "Measure with a ruler from the fill mark and see which sensor is wrong.",
        f"Float and gauge contradict each other {figures.from_then()}. Until they agree, what does "
        "not fit is left out.",
        "Most likely one of them is stuck, was moved, or is fouled.",
        PROBE,
    )


def float_fault(facts: FloatFault, figures: Figures) -> Said:
    called = capital(facts.called)
    if facts.kind == "chattering":
        return Said(
            f"{called} opens and closes all the time.",
            "Press its plug home. Look along the lead for a break, and shield the float from the "
            "stream.",
            f"The water is not at its height {figures.from_then()}.",
            "Most likely a loose plug, water in the lead, or a pump's stream on the float.",
            PROBE,
        )
    up = facts.kind == "stuck-up"
    jam = f"Most likely salt, algae or a snail holds it {'up' if up else 'down'}, or its " + (
        "contact has welded." if up else "lead is broken."
    )
    if facts.alone and up:
        return Said(
            f"{called} is stuck up: nobody asks for a top-up.",
            "See how high the water stands. Move the float up and down by hand, watch the reading "
            "turn over, and note what was poured.",
            "It has said for longer than the water can have lasted that the water is above it.",
            f"{jam} Or water was poured in and not noted.",
            PROBE,
        )
    return Said(
        f"{called} is stuck {'up' if up else 'down'}.",
        "Move the float up and down by hand. Rinse it in warm fresh water, and watch the reading "
        "turn over.",
        f"It says that the water is {'above' if up else 'below'} it, and it isn't, "
        f"{figures.from_then()}.",
        jam,
        PROBE,
    )


def float_well(facts: FloatWell, figures: Figures) -> Said:
    return Said(f"{capital(facts.called)} fits the level again.")


def gauge_moved(facts: GaugeMoved, figures: Figures) -> Said:
    by = figures.difference(facts.by_mm, Quantity.LEVEL, 0)
    jumped, ended = (
        f" at {at}" if (at := figures.time(ms)) else "" for ms in (facts.jumped_ms, facts.ended_ms)
    )
    way = "higher" if facts.by_mm > 0 else "lower"
    return Said(
        f"{capital(facts.called)} has moved: reads {by} {way}.",
        "First see that the pump runs, and measure with a ruler from the fill mark. If the gauge "
        "is off, put it back, or correct its zero in the settings.",
        f"It jumped by itself{jumped}, and the pour{ended} ended as far off where pours end.",
        "The jump was no water that the next pour would have made up for. Or the fill mark is "
        "another one now.",
        UNPLUG,
    )


def gauge_well(facts: GaugeWell, figures: Figures) -> Said:
    return Said(f"{capital(facts.called)} reads pours where they have always ended.")
