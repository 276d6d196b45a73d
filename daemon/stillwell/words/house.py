"""Words for the watch itself: drills, work at the tank, and times when nobody watched."""

from __future__ import annotations

from stillwell.alarm.house import (
    AtWork,
    Blind,
    ClockStepped,
    Drilled,
    Drilling,
    Removed,
    Restarting,
    SettingsBroken,
    SinkAway,
    SourceDown,
    StoreFailing,
)
from stillwell.finding import Over
from stillwell.notice import Said
from stillwell.observe.facts import ObserverFailed
from stillwell.words.figures import Figures

_OVER = {
    "store.failing": "Readings are kept on the disk again.",
    "mains.lost": "Pump or heater runs again.",
    "pump.stopped": "Pump runs again: the chamber's water is the tank's.",
    "lamp.not-on": "The lamp warms the water again in its hours.",
    "lamp.not-off": "The lamp is dark again in its dark hours.",
    "level.standstill": "Evaporation goes on as usual.",
    "level.too-high": "The water no longer stands too high.",
    "level.disagree": "Float and gauge agree again.",
    "ammonia.seen": "No ammonia is seen any more.",
    "nitrite.seen": "No nitrite is seen any more.",
    "clock.stepped": "The clock has been steady since.",
    "settings.broken": "The settings are in force again.",
    "daemon.restarting": "stillwell has run for an hour without a restart.",
}
"""What is told at the end of an alarm about which nothing is measured."""


def drilling(facts: Drilling, figures: Figures) -> Said:
    asked = f"{facts.by} asked for it." if facts.by else ""
    do = "Acknowledge it the way you would acknowledge an alarm."
    return Said("Drill: only a test, nothing is wrong.", do, asked)


def drilled(facts: Drilled, figures: Figures) -> Said:
    return Said(
        "The drill was acknowledged." if facts.answered else "Nobody acknowledged the drill."
    )


def at_work(facts: AtWork, figures: Figures) -> Said:
    at = figures.time(facts.until_ms)
    until = f"until {at}" if at else f"for {figures.duration(facts.left_ms / 1000)}"
    return Said(
        f"Work at the tank {until}.",
        'Done before? "stillwell unshelve --all".',
        "Alarms that a hand causes are quiet. What kills still rings: a leak, a heater that is "
        "stuck on, water that is too warm.",
    )


def blind(facts: Blind, figures: Figures) -> Said:
    at, do = figures.time(facts.from_ms), "Look at the tank."
    if facts.gone_ms is None:
        return Said(
            "Watching again; for how long nobody watched is unknown.",
            do,
            f"Nothing was measured for a while before {at}.",
            "The clock was wrong before that, or has been set, so that nobody can tell how long.",
        )
    gone = figures.duration(facts.gone_ms / 1000)
    return Said(
        f"Watching again; nobody watched for {gone}.", do, f"Nothing was measured from {at} on."
    )


def source_down(facts: SourceDown, figures: Figures) -> Said:
    source = figures.alarm.removeprefix("source.").removesuffix(".down")
    return Said(f"Sensors of {source} can't be read.", facts.do, facts.what)


def sink_away(facts: SinkAway, figures: Figures) -> Said:
    sink = figures.alarm.removeprefix("sink.").removesuffix(".away")
    return Said(
        f"{sink} can't be reached.",
        "Check that the machine is on and the network is up.",
        facts.reason,
        "Nothing is lost: it is kept here and sent when it can be.",
    )


def clock_stepped(facts: ClockStepped, figures: Figures) -> Said:
    way = "forward" if facts.by_ms > 0 else "back"
    return Said(
        f"The clock was set {_long(abs(facts.by_ms))} {way}.",
        "If it happens again, check the time server. Readings keep their order anyway.",
        why="Somebody set it, or it had been wrong and the network put it right.",
    )


def _long(ms: int) -> str:
    """Returns a length of time in its largest unit alone."""
    seconds = ms // 1000
    for size, name in ((365 * 86_400, "years"), (86_400, "days"), (3600, "h"), (60, "min")):
        if seconds >= 2 * size:
            return f"{seconds // size} {name}"
    return f"{seconds} s"


def store_failing(facts: StoreFailing, figures: Figures) -> Said:
    lost = f" {facts.lost} readings could not be held." if facts.lost else ""
    return Said(
        "Readings can't be kept on the disk.",
        facts.do,
        f"{facts.what}{lost}",
        "Watching and warning go on.",
    )


def settings_broken(facts: SettingsBroken, figures: Figures) -> Said:
    more = f" {facts.more} more: stillwell check." if facts.more else ""
    return Said(
        "The settings can't be used; the last good ones are.",
        f"{facts.do} Then: sudo systemctl restart stillwell".strip(),
        f"{facts.place}: {facts.what}{more}",
        "What was changed since they worked last is not in force.",
    )


def restarting(facts: Restarting, figures: Figures) -> Said:
    at = "" if facts.since_ms is None else figures.time(facts.since_ms)
    since = f"since {at}" if at else "within an hour"
    look = "Look at the tank yourself until this ends."
    if facts.machine:
        return Said(
            f"The machine keeps restarting: {facts.starts} starts {since}.",
            f"{look} Look at its power supply and the cable.",
            "While it starts nobody watches the tank.",
            "Most likely its power supply, or mains that come and go.",
        )
    return Said(
        f"stillwell keeps restarting: {facts.starts} starts {since}.",
        f"{look} `journalctl -u stillwell -n 50` says what ended it.",
        "Something ends it again and again. While it starts nobody watches the tank.",
    )


def observer_failed(facts: ObserverFailed, figures: Figures) -> Said:
    return Said(
        f"The watch over the {facts.name} has failed.",
        "Restart stillwell when it suits. Report the fault with the log of this minute.",
        "It is set aside. Bands, floats and probes are watched as ever.",
        "A fault of stillwell, not of the tank.",
    )


def removed(facts: Removed, figures: Figures) -> Said:
    return Said(f"{figures.alarm} is no longer configured, and was closed.")


def over(facts: Over, figures: Figures) -> Said:
    alarm = figures.alarm
    if alarm.startswith("source."):
        source = alarm.removeprefix("source.").removesuffix(".down")
        return Said(f"Sensors of {source} can be read again.")
    if alarm.startswith("sink."):
        return Said(f"{alarm.removeprefix('sink.').removesuffix('.away')} is reached again.")
    if alarm.endswith(".failing") and alarm not in _OVER:
        return Said(f"The {alarm.removesuffix('.failing')} is watched again.")
    return Said(_OVER.get(alarm, f"{alarm} is over."))
