"""The whole daemon with a real broker: `stillwell sinks` and `stillwell drill` beside it."""

from __future__ import annotations

import json
import subprocess
from collections.abc import Callable
from typing import Any

from command_line import STILLWELL, call, held_to_its_form, json_lines
from far_sides import Receiver
from stillwell.ports import Stream

Make = Callable[..., Any]
SECRET = "s3cr3t-9d41"
PUSH = """
[sink.niamh]
kind = "push"
url = "json://127.0.0.1:{port}/hook"
quiet_from = "00:00"
quiet_to = "23:59"
[sink.caretaker]
kind = "push"
url = "json://127.0.0.1:{port}/care"
lowest = "high"
turn = 2
"""


def drills(phone: Any) -> list[Any]:
    """What the phone has heard of drills; the night's review comes to it too."""
    heard = [json.loads(one.payload) for one in list(phone.heard)]
    return [notice for notice in heard if notice["kind"] == "drill"]


def told_of_it(hook: Receiver) -> list[str]:
    """Which recipients have been told of a drill."""
    return [one.path for one in list(hook.asked) if b"Drill: only a test" in one.body]


class TestADrill:
    def test_reaches_everybody_and_the_answer_from_the_phone_comes_back(
        self, daemon: Make, broker: Make, listen: Make, hook: Any, until: Make
    ) -> None:
        mosquitto = broker()
        phone = listen(mosquitto.port, "stillwell/reading-room/notice")
        tank = daemon(port=mosquitto.port, more=PUSH.format(port=hook.port))
        tank.start(speed=60)
        tank.until(lambda: tank.readings("water-a"), "it reads")
        asked = subprocess.Popen(
            [STILLWELL, "drill", "-c", tank.config, "--by", "Niamh", "--for", "3 h", "--json"],
            stdout=subprocess.PIPE,
        )
        until(lambda: drills(phone), "the phone hears of it")
        assert drills(phone)[0]["alarm"] == "drill"
        until(lambda: len(told_of_it(hook)) == 2, "both recipients hear of it")
        assert set(told_of_it(hook)) == {"/hook", "/care"}
        phone.client.publish(
            "stillwell/reading-room/do/acknowledge", '{"alarm": "drill", "by": "Sean"}', qos=1
        )
        said = asked.communicate(timeout=40)[0]
        held_to_its_form(["drill", "--json"], said.decode())
        line = json.loads(said)
        assert asked.returncode == 0, line
        assert line["by"] == "Sean"
        assert {one["sink"] for one in line["sinks"]} == {"broker", "niamh", "caretaker"}
        assert all(one["taken_s"] is not None for one in line["sinks"])
        assert len(told_of_it(hook)) == 2
        assert len(drills(phone)) == 1

    def test_that_nobody_answers_ends_with_1_and_says_so(
        self, daemon: Make, broker: Make, hook: Any
    ) -> None:
        tank = daemon(port=broker().port, more=PUSH.format(port=hook.port))
        tank.start(speed=60)
        tank.until(lambda: tank.readings("water-a"), "it reads")
        told = call("drill", "-c", tank.config, "--for", "3 min")
        assert told.exit_code == 1
        assert "Nobody acknowledged." in told.stdout
        assert "caretaker" in told.stdout

    def test_needs_the_daemon_and_somebody_to_tell(self, daemon: Make) -> None:
        tank = daemon()
        assert call("drill", "-c", tank.config).exit_code == 2
        tank.start(speed=60)
        tank.until(lambda: tank.readings("water-a"), "it reads")
        told = call("drill", "-c", tank.config)
        assert told.exit_code == 2
        assert "reaches nobody" in told.stderr


class TestSinks:
    def test_says_who_is_well_and_who_is_away(
        self, daemon: Make, broker: Make, free_port: int, until: Make
    ) -> None:
        mosquitto = broker()
        more = f'[sink.history]\nkind = "influx"\nurl = "http://127.0.0.1:{free_port}"\n'
        tank = daemon(port=mosquitto.port, more=more, commit_every="1 s")
        tank.start(speed=60)

        def said() -> dict[str, Any]:
            return {
                one["sink"]: one for one in json_lines(call("sinks", "-c", tank.config, "--json"))
            }

        tank.until(lambda: tank.store.exists() and said().get("history", {}).get("away"), "away")
        found = said()
        assert str(free_port) in found["history"]["verdict"]
        until(lambda: said()["broker"]["away"] is False, "the broker is well")
        shown = call("sinks", "-c", tank.config)
        assert shown.exit_code == 0
        assert "away" in shown.stdout
        assert call("sinks", "nobody", "-c", tank.config).exit_code == 2

    def test_sends_a_dead_letter_once_more_when_its_reason_is_gone(
        self, daemon: Make, broker: Make, listen: Make, until: Make
    ) -> None:
        mosquitto = broker()
        rules = mosquitto.folder / "acl"
        rules.write_text("topic read #\ntopic write stillwell/reading-room/alive\n")
        mosquitto.stop()
        mosquitto.configure([f"acl_file {rules}"])
        mosquitto.start()
        tank = daemon(port=mosquitto.port, commit_every="1 s")
        tank.start(speed=60)
        tank.until(lambda: tank.readings("water-a"), "it reads")
        told = call("check", "-c", tank.config, "--patience", "10 s")
        assert "refused the test notice" in told.stdout

        def letters() -> list[Any]:
            with tank.reader() as reader:
                return [x for x in reader.dead_letters() if x.stream is Stream.NOTICES]

        assert letters()
        rules.write_text("topic readwrite #\n")
        mosquitto.stop()
        mosquitto.start()
        phone = listen(mosquitto.port, "stillwell/reading-room/notice")
        again = call("sinks", "broker", "--replay", "-c", tank.config)
        assert again.exit_code == 0
        assert "once more" in again.stderr
        until(lambda: drills(phone), "the phone gets what was refused")
        until(lambda: not letters(), "no letter is left")

    def test_tells_no_secret_and_neither_do_log_and_store(
        self, daemon: Make, free_port: int
    ) -> None:
        more = (
            f'[sink.history]\nkind = "influx"\nurl = "http://127.0.0.1:{free_port}"\n'
            f'token = "{SECRET}"\n'
            f'[sink.niamh]\nkind = "push"\nurl = "json://127.0.0.1:{free_port}/{SECRET}"\n'
            f'[sink.watcher]\nkind = "ping"\nurl = "http://127.0.0.1:{free_port}/{SECRET}"\n'
            f'[sink.broker]\nkind = "mqtt"\nhost = "127.0.0.1"\nport = {free_port}\n'
            f'username = "tank"\npassword = "{SECRET}"\n'
            f'[page]\naddress = "http://tank.local"\nkey = "{SECRET * 4}"\n'
        )
        tank = daemon(more=more, commit_every="1 s")
        tank.start(speed=60)
        tank.until(lambda: "niamh" in tank.said() and "history" in tank.said(), "both are away")
        drilled = call("drill", "-c", tank.config, "--for", "2 min", "--json")
        shown = [call("sinks", "-c", tank.config, *more).output for more in ([], ["--json"])]
        tank.stop()
        assert drilled.exit_code == 1
        for text in (tank.said(), drilled.output, *shown):
            assert SECRET not in text
        for file in tank.store.parent.glob("tank.db*"):
            assert SECRET.encode() not in file.read_bytes(), file

    def test_without_a_store_is_a_sentence(self, daemon: Make) -> None:
        told = call("sinks", "-c", daemon().config)
        assert told.exit_code == 3
        assert "no store" in told.stderr.lower()

    def test_follow_without_a_daemon_says_that_nothing_is_sent(self, daemon: Make) -> None:
        tank = daemon()
        tank.start()
        tank.until(lambda: tank.readings("water-a"), "it reads")
        tank.stop()
        assert call("sinks", "-c", tank.config, "--follow").exit_code == 2


def test_help_of_both_has_an_example() -> None:
    for command in ("sinks", "drill"):
        shown = call(command, "--help")
        assert shown.exit_code == 0
        assert "Example: stillwell" in shown.stdout
