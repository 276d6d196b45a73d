"""The whole daemon with a real broker: a pour that is noted on a phone."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any

Make = Callable[..., Any]
ROOT = "stillwell/reading-room"


class TestANote:
    def test_by_phone_stands_in_the_journal_and_an_impossible_one_is_told_why(
        self, daemon: Make, broker: Make, listen: Make
    ) -> None:
        mosquitto = broker()
        phone = listen(mosquitto.port, f"{ROOT}/done")
        tank = daemon(port=mosquitto.port)
        tank.start(speed=60)
        tank.until(lambda: tank.readings("water-a"), "it reads")
        pour = {"kind": "pour", "value": "1.2 L", "by": "Niamh", "sure": True, "key": "phone-1"}

        def refused() -> list[dict[str, Any]]:
            said = [json.loads(one.payload) for one in list(phone.heard)]
            return [one for one in said if not one["done"]]

        # Before the sink is there nobody hears it: a phone sends again, under the same key.
        def noted() -> bool:
            phone.say(f"{ROOT}/do/note", json.dumps(pour).encode())
            return bool(phone.heard)

        tank.until(noted, "the pour is noted")
        phone.say(f"{ROOT}/do/note", b'{"kind": "pour", "value": "-3 L"}')
        tank.until(refused, "the second is refused")
        first = json.loads(phone.heard[0].payload)
        assert first["done"] is True
        assert first["text"].startswith("Noted as entry 1: ")
        assert first["text"].endswith("pour 1.2 L.")
        [told] = refused()
        assert told["command"] == "note"
        assert "can't be" in told["text"]
        with tank.reader() as reader:
            [entry] = reader.journal()
        assert (entry.kind, entry.value, entry.unit, entry.by) == ("pour", 1200.0, "mL", "Niamh")
        assert tank.stop() == 0
