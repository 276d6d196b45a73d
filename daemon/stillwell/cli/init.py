"""``stillwell init``: asks about the tank, finds the sensors, and writes the settings."""

from __future__ import annotations

import logging
import os
import secrets as random
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from stillwell.cli.console import print_json, say
from stillwell.cli.options import ConfigOption, JsonOption, fail

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from stillwell.cli.first_settings.file import Target
    from stillwell.cli.first_settings.talk import Talk
    from stillwell.commissioning.question import Question
    from stillwell.commissioning.recipients import Recipient
    from stillwell.commissioning.section import Section
    from stillwell.commissioning.tank import Tank
    from stillwell.settings import Settings

_PATIENCE_S = 45.0
"""How long a test message may take: a small machine needs a while to load what sends it."""
_INTRO = (
    "This asks about your tank, finds its sensors and writes the settings. Enter takes what stands "
    "in brackets; Ctrl-C ends it, and nothing is written before the end. No device is switched."
)
_UNFOUND = (
    "Gauges that send binary frames or speak Modbus, and programs that print a value, can't be "
    "found by looking: config/ has a sample for each, to copy into the file."
)

_Text = Annotated[str | None, typer.Option(show_default=False)]


def _option(says: str, form: str = "TEXT") -> Any:
    return typer.Option(help=says, show_default=False, metavar=form)


def init(
    zone: Annotated[str | None, _option("Time zone of the tank.", "ZONE")] = None,
    units: Annotated[str | None, _option("Units to show: metric or us.", "UNITS")] = None,
    volume: Annotated[str | None, _option("All the water: 68 L, 18 gal.", "VOLUME")] = None,
    chamber: Annotated[
        str | None, _option("The return chamber inside: 18 x 9 cm; or none.", "SIZE")
    ] = None,
    heater: Annotated[
        str | None, _option("Heaters: 75 W; 50 W + 75 W; 75 W electronic; or none.", "POWER")
    ] = None,
    chiller: Annotated[
        str | None, _option("The chiller and its dial: 150 W at 26 degC; or none.", "POWER")
    ] = None,
    lamp: Annotated[str | None, _option("The lamp's hours: 12:00-22:00; or none.", "HOURS")] = None,
    top_up: Annotated[str | None, _option("Who tops up: hand or automatic.", "WHO")] = None,
    sensor: Annotated[
        list[str] | None,
        _option("A sensor: water-a=28-0316a2794a1f, 'float-low=GPIO17 at -40 mm'.", "NAME=SENSOR"),
    ] = None,
    tell: Annotated[
        str | None, _option("Where messages go: ntfy, broker HOST, an address; or none.", "WHERE")
    ] = None,
    start: Annotated[
        bool | None, typer.Option("--start/--no-start", help="Start the service at the end.")
    ] = None,
    defaults: Annotated[
        bool, typer.Option("--defaults", help="Ask nothing: what no option says is the usual.")
    ] = False,
    add: Annotated[
        bool, typer.Option("--add", help="Ask for sensors and recipients only, not for the tank.")
    ] = False,
    config: ConfigOption = None,
    as_json: JsonOption = False,
) -> None:
    """Write the settings of your tank: a few questions, and the sensors found by themselves.

    Hold a probe in your hand, lift a float: it says which one that is. Every question has a usual
    answer, and an option. Run again it keeps what is there, also what you wrote by hand, and adds
    what is new. With --sensor, which may be repeated, sensors are not asked for.

    With --json nothing is asked: file, channels, recipients, ok (whether check found nothing to
    fix), started. Ends with 1 when there is something to fix.

    Example: stillwell init
    """
    logging.getLogger().addHandler(logging.NullHandler())
    from stillwell.cli import check
    from stillwell.cli.first_settings import file
    from stillwell.cli.first_settings.sensors import Choosing
    from stillwell.cli.first_settings.talk import Talk
    from stillwell.commissioning import sensors
    from stillwell.commissioning.found import found
    from stillwell.settings import find

    given = {
        "--zone": zone,
        "--units": units,
        "--volume": volume,
        "--chamber": chamber,
        "--heater": heater,
        "--chiller": chiller,
        "--lamp": lamp,
        "--top-up": top_up,
        "--tell": tell,
    }
    talk = Talk(
        {option: text for option, text in given.items() if text is not None},
        asks=not (defaults or as_json),
    )
    target = file.target(find(config, os.environ))
    if talk.asks:
        say(_INTRO)
    founds = list(found())
    for each in founds:
        if each.what:
            say(f"\n{each.what} {each.do}".rstrip())
    answers, sections = _tank(talk.ask if not add else talk.by_option, target)
    choosing = Choosing(talk, target.document, answers.units)
    if sensor:
        choosing.take(sensor, founds)
    else:
        choosing.ask(founds)
    if not choosing.chosen and not target.document.get("source"):
        fail(
            f"No sensor was chosen, so there is nothing to watch with. {_UNFOUND}",
            "Wire a probe, or name one with --sensor. Nothing was written; this has your answers: "
            + _again(answers),
        )
    sections += sensors.sections(choosing.chosen, target.document, answers.units, answers.automatic)
    sections, secrets, reached = _recipient(talk, target, sections)
    settings = _loaded(target, sections, secrets)
    written = file.write(target.path, _text(target, sections), secrets)
    say(f"\nWritten: {', '.join(str(each) for each in written)}. {_UNFOUND}\n")
    well = check.looked(target.path, quiet=as_json) and reached
    started = _started(talk, target.path, start, well)
    if as_json:
        told = {
            "file": str(target.path),
            "channels": list(settings.channel),
            "recipients": list(settings.sink),
            "ok": well,
            "started": started,
        }
        print_json(told)
    if not well:
        raise typer.Exit(1)


def _tank(ask: Callable[[Question[Any]], Any], target: Target) -> tuple[Tank, list[Section]]:
    from stillwell.cli.first_settings import service
    from stillwell.commissioning import tank

    now = target.document.get("tank", {})
    zone = ask(tank.zone(str(now.get("zone", service.zone_here()))))
    volume = ask(tank.volume(now, tank.is_us(zone)))
    units = ask(tank.units(now, volume))
    answers = tank.Tank(
        zone,
        volume,
        units,
        ask(tank.chamber(now, units)),
        ask(tank.heater(now)),
        ask(tank.chiller(now)),
        ask(tank.lamp(now)),
        ask(tank.top_up(now)),
    )
    return answers, [*tank.sections(answers, now, target.name), *target.store()]


def _again(tank: Tank) -> str:
    """Returns the command that gives the same answers once more."""
    import shlex

    words = {
        "zone": tank.zone,
        "volume": tank.volume,
        "chamber": _joined(tank.chamber, " x "),
        "heater": str(tank.heater or "none"),
        "chiller": _joined(tank.chiller, " at "),
        "lamp": _joined(tank.lamp, "-"),
        "top-up": "automatic" if tank.automatic else "hand",
    }
    return "stillwell init " + " ".join(f"--{k} {shlex.quote(v)}" for k, v in words.items())


def _joined(answer: tuple[str, str] | str | None, by: str) -> str:
    return by.join(answer) if isinstance(answer, tuple) else answer or "none"


def _text(target: Target, sections: Sequence[Section]) -> str:
    from stillwell.commissioning.written import CannotMergeError, written

    try:
        return written(target.text, sections)
    except CannotMergeError as error:
        fail(
            f"[{error}] stands in {target.path} in a form into which nothing can be put.",
            "Write it as a table of its own, or add by hand what is new. Nothing was written.",
        )


def _loaded(target: Target, sections: Sequence[Section], secrets: Mapping[str, str]) -> Settings:
    """Returns what the daemon would make of the new file. Ends the command if that is nothing."""
    from stillwell.settings import ConfigError, load

    given = {
        "STILLWELL__" + name.upper().replace(".", "__").replace("-", "_"): secret
        for name, secret in secrets.items()
    }
    content = _text(target, sections).encode()
    try:
        return load(target.path, environ={**os.environ, **given}, content=content)
    except ConfigError as error:
        fail(
            f"These answers make settings that can't be used. Nothing was written.\n{error}",
            "Put that right by hand where it stands in the file, or answer otherwise.",
        )


def _recipient(
    talk: Talk, target: Target, sections: list[Section]
) -> tuple[list[Section], dict[str, str], bool]:
    """Asks where messages go until one has arrived, or the person leaves it; returns the sections
    with the recipient's, its secrets by the name of the credential, and whether a test message was
    taken."""
    from stillwell.commissioning import recipients
    from stillwell.commissioning.question import Question, one_of

    sinks = target.document.get("sink", {})
    topic = f"tank-{random.token_hex(6)}"
    while True:
        chosen: Recipient | None = talk.ask(recipients.where(sinks, topic))
        if chosen is None:
            return sections, {}, True
        with_it = [*sections, chosen.section]
        secrets = {f"sink.{chosen.name}.{key}": value for key, value in chosen.secrets.items()}
        settings = _loaded(target, with_it, secrets)
        if chosen.first:
            say(f"\n{chosen.first}")
        if talk.asks and chosen.first:
            words = {"go on": True}
            talk.ask(Question("Enter sends a test message, once you have.", "go on", one_of(words)))
        arrived = _tried(settings, chosen.name)
        if not talk.asks:
            return with_it, secrets, arrived
        words_ = {"yes": "yes", "no": "no", "keep": "keep"}
        asks = 'Has it arrived? "no" asks again where to; "keep" takes it as it is.'
        answer = talk.ask(Question(asks, "yes" if arrived else "no", one_of(words_)))
        if answer != "no":
            return with_it, secrets, arrived or answer == "yes"


def _tried(settings: Settings, name: str) -> bool:
    """Sends a test message to one recipient; returns whether it was taken."""
    from stillwell.acquire.clock import SystemClock
    from stillwell.cli.checks import sinks
    from stillwell.cli.checks.point import Grade

    alone = replace(settings, sink={name: settings.sink[name]})
    taken = True
    for point in sinks.directly(alone, SystemClock().wall_ms(), _PATIENCE_S):
        say(f"{point.name}: {point.what} {point.do}".rstrip())
        taken = taken and point.grade is not Grade.FIX
    return taken


def _started(talk: Talk, path: Path, start: bool | None, well: bool) -> bool:
    from stillwell.cli.first_settings import service
    from stillwell.commissioning.question import Question, yes_or_no

    if start is False or not service.can_start(path):
        say(f"To watch: stillwell run --config {path}, or start the service.")
        return False
    if start is None:
        asks = "Start the service now, and after each restart of this machine?"
        question = Question(asks, "yes" if well else "no", yes_or_no, unasked="no")
        start = talk.ask(question)
    if not start:
        say("To start it: sudo systemctl enable --now stillwell")
        return False
    wrong = service.start()
    say(wrong or "It watches now. Look at it with: stillwell status")
    return not wrong
