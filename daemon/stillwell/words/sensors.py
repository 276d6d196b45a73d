"""Words for channels that can't be read, are stuck or disagree, and for floats and switches in a
wrong state."""

from __future__ import annotations

from stillwell.alarm.rules.agreement import Apart, Together
from stillwell.alarm.rules.discrepancy import InState
from stillwell.alarm.rules.missing import Kind, Moves, NotRead, Reads, Stuck
from stillwell.notice import Said
from stillwell.reading import Quantity
from stillwell.words.cautions import PROBE, UNPLUG
from stillwell.words.figures import Figures, capital

LOOK = "Look at it, and at what has changed since, with dry hands."
PUMP_FIRST = (
    "First see whether the pump runs. If it has stopped, get it going and take no water out: what "
    "has run back belongs to the tank."
)
FLOW_FIRST = "First see that the pump runs, water comes back from the tank, and the floor is dry."


def not_read(facts: NotRead, figures: Figures) -> Said:
    called = capital(facts.called)
    if facts.kind is Kind.SILENT:
        title, seen = f"{called}: no reading.", f"None {figures.from_then()}."
        why = "Most likely its plug or lead has come loose, or it is broken."
    else:
        title, seen = (
            f"{called}: nothing usable.",
            f"It answers, with nothing usable {figures.from_then()}",
        )
        seen += f" ({facts.tests.replace(',', ', ')})." if facts.tests else "."
        why = "Most likely a poor contact, a long or wet lead, or a sensor that is dying."
    if facts.others:
        seen += " The watch goes on with another channel that shows the same."
    return Said(title, "Check the plug, the lead and the sensor, in this order.", seen, why, PROBE)


def reads(facts: Reads, figures: Figures) -> Said:
    lost = figures.duration(figures.lasted_ms / 1000)
    return Said(f"{capital(facts.called)} reads again.", seen=f"Nothing usable came for {lost}.")


def stuck(facts: Stuck, figures: Figures) -> Said:
    at = f" at {figures.value(facts.value, facts.quantity, 2)}" if facts.value is not None else ""
    return Said(
        f"{capital(facts.called)}: stuck{at}.",
        "Unplug the sensor for ten seconds and plug it in again. If it sticks again, replace it.",
        "It has read the same for longer than anything keeps so still.",
        "Most likely the sensor repeats an old value.",
        PROBE,
    )


def moves(facts: Moves, figures: Figures) -> Said:
    return Said(f"{capital(facts.called)} moves again.")


def apart(facts: Apart, figures: Figures) -> Said:
    values = [value for _, value in facts.values]
    gap = figures.difference(max(values) - min(values), facts.quantity) if values else "far"
    read = " and ".join(
        f"{called} {figures.value(value, facts.quantity)}" for called, value in facts.values
    )
    within = figures.difference(facts.within, facts.quantity)
    by_hand = (
        "Hold a thermometer that you trust beside them and see which one is off."
        if facts.quantity is Quantity.TEMPERATURE
        else "Measure by other means and see which one is off."
    )
    return Said(
        f"{capital(facts.called)}: sensors are {gap} apart.",
        by_hand,
        f"More than {within} {figures.from_then()}. They read {read}.",
        f"Most likely {facts.odd} is wrong, because it {facts.because}."
        if facts.odd
        else "One of them is wrong or is not where it should be; nobody can say which.",
        PROBE,
    )


def together(facts: Together, figures: Figures) -> Said:
    return Said(f"{capital(facts.called)}: the sensors agree again.")


def in_state(facts: InState, figures: Figures) -> Said:
    name = capital(facts.name.replace("-", " "))
    if facts.is_float:
        now = f"water {'at or above' if facts.above else 'below'} {facts.called}"
    else:
        now = f"{facts.called} is {'on' if facts.above else 'off'}"
    if not figures.active:
        lasted = figures.duration(figures.lasted_ms / 1000)
        return Said(f"{name}: {now} again.", seen=f"It was not for {lasted}.")
    seen = f"{capital(figures.from_then())}."
    if not (facts.is_float and facts.in_chamber):
        return Said(f"{name}: {now}.", facts.says or LOOK, seen, caution=UNPLUG)
    # The keeper's own words hold for one cause, and would do harm with the other.
    if facts.above:
        do = f"{PUMP_FIRST}{f' If it runs: {facts.says}' if facts.says else ''}"
        why = "Either too much was poured, or the pump has stopped and its water has run back."
    else:
        do = f"{FLOW_FIRST}{f' Then: {facts.says}' if facts.says else ''}"
        why = "Most likely a top-up was missed, if the water has not gone somewhere else."
    return Said(f"{name}: {now}.", do, seen, why, UNPLUG)
