"""How another machine can watch over the one that watches: `stillwell check --deadman`."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from stillwell.settings import Settings

WHY = (
    "When this machine dies, nobody here can say so. Somebody else must miss it: another machine, "
    "with a power supply and a way to you of its own."
)


def ways(settings: Settings) -> Iterator[tuple[str, list[str], str]]:
    """Yields (title, commands to copy, explanation) for each way that the configuration offers, and
    for those that it lacks."""
    pings = [d for d in settings.sink.values() if d.kind == "ping" and d.settings is not None]
    brokers = [d for d in settings.sink.values() if d.kind == "mqtt" and d.settings is not None]
    for ping in pings:
        minutes = float(getattr(ping.settings, "minutes", 5.0))
        yield (
            f"[sink.{ping.name}] pings every {minutes:g} min, as long as readings come.",
            [],
            f"Whoever gets the pings should tell you when none has come for {3 * minutes:g} min. "
            "Try it: stop the daemon, and wait.",
        )
    if not pings:
        yield (
            "No ping is configured. It is the simplest way, with any service that misses pings.",
            ["[sink.watcher]", 'kind = "ping"', 'url = "https://…"', "minutes = 5"],
            "config/sample-ping.toml has more of it. A second machine of your own does as well: a "
            "web server whose log another job looks at.",
        )
    for broker in brokers:
        yield _broker(settings, broker)
    if not brokers:
        yield (
            "No broker is configured; with one, its last will says when this machine is lost.",
            [],
            "config/sample-mqtt.toml has one to copy.",
        )


def _broker(settings: Settings, broker: Any) -> tuple[str, list[str], str]:
    said = broker.settings
    prefix = str(getattr(said, "prefix", "stillwell"))
    topic = f"{prefix}/{settings.tank.name}/alive"
    host = str(getattr(said, "host", "localhost"))
    local = host in ("localhost", "127.0.0.1", "::1")
    at = "THIS-MACHINE" if local else host
    port = getattr(said, "port", None) or (8883 if getattr(said, "tls", False) else 1883)
    user = " -u USER -P PASSWORD" if getattr(said, "username", None) else ""
    here = (
        " The broker runs on this machine and dies with it: then the command ends without a word, "
        "and that is the message."
        if local
        else ""
    )
    return (
        f"[sink.{broker.name}] keeps {topic} at the broker.",
        [f"mosquitto_sub -h {at} -p {port}{user} -t {topic} -C 1 -W 10"],
        'On the other machine, every few minutes. {"state": "online"…} is well. "lost" is the '
        'last will: the power or the network is gone. "stopped" was on purpose. No answer, or '
        "none at all, means that the broker has not heard of us for longer than the message "
        f"lasts.{here}",
    )
