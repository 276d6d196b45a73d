"""From an alarm on the phone to its answer by the link in it: the whole daemon, a real broker, a
web hook of the test's own."""

from __future__ import annotations

import json
import re
import stat
import subprocess
from collections.abc import Callable
from typing import Any

from command_line import STILLWELL, call
from far_sides import Receiver
from stillwell.deliver.links import key_file
from stillwell.store import ask_by_link, await_reply

Make = Callable[..., Any]
ADDRESS = "http://tank.local:8080"
MORE = """
[page]
address = "{address}"
[sink.niamh]
kind = "push"
url = "json://127.0.0.1:{port}/hook"
"""


def tokens(hook: Receiver) -> list[str]:
    bodies = [json.loads(asked.body)["message"] for asked in list(hook.asked)]
    found = (re.search(rf"{re.escape(ADDRESS)}/answer/(\S+)", body) for body in bodies)
    return [one[1] for one in found if one]


class TestTheLinkInAMessage:
    def test_answers_once_and_never_again_not_even_after_kill_9(
        self, daemon: Make, broker: Make, listen: Make, hook: Receiver, until: Make
    ) -> None:
        mosquitto = broker()
        phone = listen(mosquitto.port, "stillwell/reading-room/done")
        more = MORE.format(address=ADDRESS, port=hook.port)
        tank = daemon(port=mosquitto.port, more=more, commit_every="10 min")
        tank.start("--verbose", speed=60)
        tank.until(lambda: tank.readings("water-a"), "it reads")

        def follow(token: str) -> dict[str, Any]:
            """By MQTT; the reply."""
            before = len(phone.heard)
            command = json.dumps({"token": token, "by": "Sean"})
            phone.client.publish("stillwell/reading-room/do/answer", command, qos=1)
            until(lambda: len(phone.heard) > before, "a reply comes")
            found = json.loads(list(phone.heard)[before].payload)
            assert isinstance(found, dict)
            return found

        drill = subprocess.Popen(
            [STILLWELL, "drill", "-c", tank.config, "--for", "3 h", "--json"],
            stdout=subprocess.PIPE,
        )
        until(lambda: tokens(hook), "the message comes, with a link")
        (token,) = tokens(hook)
        reply = follow(token)
        assert reply["done"], reply
        line = json.loads(drill.communicate(timeout=60)[0])
        assert (drill.returncode, line["by"]) == (0, "Sean")
        tank.kill()

        alive = listen(mosquitto.port, "stillwell/reading-room/alive")
        until(lambda: b"lost" in alive.heard[-1].payload if alive.heard else False, "it is missed")
        tank.start("--verbose", speed=60)
        until(lambda: b"online" in alive.heard[-1].payload, "it listens again")
        reply = follow(token)
        assert not reply["done"]
        assert "used already" in reply["text"]

        # Beside the daemon, as a web page would.
        key = key_file(tank.store)
        assert stat.S_IMODE(key.stat().st_mode) == 0o600
        asked = ask_by_link(tank.store, token, key.read_bytes())
        assert isinstance(asked, int)
        assert "used already" in await_reply(tank.store, asked).text

        shown = [call(word, "-c", tank.config, "--json").output for word in ("sinks", "alarms")]
        assert tank.stop() == 0
        secret = token.rpartition(".")[2]
        for text in (tank.said(), json.dumps(line), *shown):
            assert secret not in text
            assert key.read_bytes().hex() not in text
        for file in tank.store.parent.glob("tank.db*"):
            assert secret.encode() not in file.read_bytes(), file
            assert key.read_bytes() not in file.read_bytes(), file
