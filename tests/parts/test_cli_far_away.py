"""`stillwell alarms --report` and `stillwell check --deadman` on a real configuration and store."""

from __future__ import annotations

from pathlib import Path

from command_line import call, json_lines, tank

SINKS = """
[sink.broker]
kind = "mqtt"
host = "broker.example.org"
username = "tank"
password = "hunter2-hunter2"
[sink.watcher]
kind = "ping"
url = "https://ping.example.org/a-secret-path"
minutes = 10
"""


class TestTheDeadMan:
    def test_with_a_ping_and_a_broker_says_what_the_other_machine_does(
        self, tmp_path: Path
    ) -> None:
        shown = call("check", "--deadman", "-c", tank(tmp_path, SINKS))
        assert shown.exit_code == 0
        assert "every 10 min" in shown.stdout
        assert "30 min" in shown.stdout
        assert "mosquitto_sub -h broker.example.org -p 1883" in shown.stdout
        assert "stillwell/reading-room/alive" in shown.stdout

    def test_tells_no_secret(self, tmp_path: Path) -> None:
        for more in ((), ("--json",)):
            shown = call("check", "--deadman", *more, "-c", tank(tmp_path, SINKS))
            assert "hunter2" not in shown.output
            assert "a-secret-path" not in shown.output

    def test_without_either_says_what_to_write(self, tmp_path: Path) -> None:
        shown = call("check", "--deadman", "--json", "-c", tank(tmp_path))
        ping, broker = json_lines(shown)
        assert 'kind = "ping"' in ping["commands"]
        assert "sample-mqtt.toml" in broker["text"]


class TestTheReport:
    def test_counts_what_a_dead_heater_raised(self, tmp_path: Path) -> None:
        config = tank(tmp_path, every="5 min")
        made = call("simulate", "-c", config, "--days", "3", "--fault", "not-heating", "--json")
        assert made.exit_code == 0, made.output
        log = json_lines(call("alarms", "-c", config, "--log", "10000", "--json"))
        # What a cause had hidden and that spoke later was announced; a rise in priority is none.
        raised = [
            one for one in log if one["state"] == "unacknowledged" and one["event"] != "priority"
        ]
        (found,) = json_lines(call("alarms", "-c", config, "--report", "--json"))
        assert found["raised"] == len(raised) > 0
        assert sum(found["by_priority"].values()) == found["raised"]
        assert sum(day["raised"] for day in found["days"]) == found["raised"]
        assert found["unanswered"], "nobody answered, and the heater was dead for two days"
        shown = call("alarms", "-c", config, "--report")
        assert shown.exit_code == 0
        assert "at most 1 a day" in shown.stdout
        # No figure of a standard that nobody here has read, and none made for a control room.
        assert not any(word in shown.stdout for word in ("ISA", "EEMUA", "from memory"))

    def test_of_a_store_without_an_alarm_is_a_report_too(self, tmp_path: Path) -> None:
        config = tank(tmp_path)
        assert call("simulate", "-c", config, "--days", "0.2", "--json").exit_code == 0
        (found,) = json_lines(call("alarms", "-c", config, "--report", "--json"))
        assert found["raised"] == 0
        assert call("alarms", "-c", config, "--report").exit_code == 0

    def test_of_a_store_that_is_not_there_is_a_sentence(self, tmp_path: Path) -> None:
        shown = call("alarms", "-c", tank(tmp_path), "--report")
        assert shown.exit_code == 3
