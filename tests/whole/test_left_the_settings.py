"""What leaves the settings, as a broker and whoever reads there see it: real daemons one after the
other, with the real mosquitto between them."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

HERE = "stillwell/reading-room"
HOME = "homeassistant"


def kept(ear: Any, *wanted: str) -> set[str]:
    """The topics with one of these words in them on which something stands."""
    latest = {heard.topic: heard.payload for heard in list(ear.heard)}
    return {
        topic
        for topic, payload in latest.items()
        if payload
        and topic.startswith((f"{HERE}/", f"{HOME}/"))
        and any(w in topic for w in wanted)
    }


class TestWhatLeavesTheSettings:
    def test_leaves_the_broker_too(
        self, daemon: Callable[..., Any], fault: Any, broker: Any, listen: Any
    ) -> None:
        mosquitto = broker()
        faults = [fault("gauge-dead", -300)]
        tank = daemon(port=mosquitto.port, chamber_faults=faults, more="announce = true\n")
        tank.start()
        ear = listen(mosquitto.port)
        of_chamber = {
            f"{HERE}/reading/float-high",
            f"{HERE}/alarm/level.silent",
            f"{HOME}/sensor/stillwell-reading-room/level/config",
            f"{HOME}/binary_sensor/stillwell-reading-room/float-high/config",
        }
        tank.until(lambda: of_chamber <= kept(ear, "level", "float"), "the chamber is shown")
        tank.kill()

        sections = tank.config.read_text().split("\n[")
        gone = ("source.chamber", "channel.level", "channel.float-high")
        text = "\n[".join(one for one in sections if not one.startswith(gone))
        tank.config.write_text(text)
        tank.start()
        tank.until(lambda: not kept(ear, "level", "float-high"), "the chamber is gone")
        tank.until(lambda: f"{HERE}/reading/water-a" in kept(ear, "water-a"), "the water stays")
        assert kept(listen(mosquitto.port), "level", "float-high") == set()
        assert tank.stop() == 0

        tank.config.write_text(text.replace("announce = true\n", ""))
        tank.start()
        tank.until(lambda: not kept(ear, HOME), "with the line that announces, all of it goes")
        assert tank.stop() == 0
