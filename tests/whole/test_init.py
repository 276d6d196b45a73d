"""The first evening: `stillwell init` at a terminal, on a pretended Pi with one probe and one
float, until a message is on the phone. Its answers are counted, and not how long they take."""

from __future__ import annotations

import json
import re
import tomllib
from pathlib import Path

import pytest

from command_line import process
from far_sides import Receiver
from pseudo_pi import PROBE, PseudoPi
from real_broker import wait_until
from terminal import Terminal, at_terminal

MOST_ANSWERS = 12
MINIMAL = Path(__file__).parents[2] / "config" / "minimal.toml"
PROMPT = r"\]: $"
NEW_YORK = {"TZ": "America/New_York"}


@pytest.fixture
def pi(tmp_path: Path) -> PseudoPi:
    made = PseudoPi(tmp_path / "pi")
    made.probe(PROBE, 25.125)
    return made


@pytest.fixture
def config(tmp_path: Path) -> Path:
    (tmp_path / "etc").mkdir()
    return tmp_path / "etc" / "stillwell.toml"


def answer(at: Terminal, asks: str, line: str) -> None:
    at.until(asks)
    at.until(PROMPT)
    at.answer(line)


def without_root(text: str) -> str:
    """The text without the line that names the pretended bus."""
    return re.sub(r"(?m)^root = .*\n", "", text)


class TestTheFirstEvening:
    def test_ends_with_a_message_on_the_phone_after_twelve_answers_at_most(
        self, pi: PseudoPi, hook: Receiver, config: Path
    ) -> None:
        with at_terminal(pi.command("init", "-c", config), NEW_YORK) as keeper:
            answer(keeper, "time zone", "")
            answer(keeper, "How much water", "lots")
            answer(keeper, r'Write it as in "18 gal"', "18 gal")
            answer(keeper, "return chamber", "7 x 3.5 in")
            answer(keeper, "heater", "75")
            answer(keeper, "lamp", "12-22")
            answer(keeper, "evaporates", "")
            keeper.until("never mains")
            keeper.until(r"(?s)77\.2 °F.*becomes water-a")
            keeper.until("Lift a float")
            pi.line(17, 0)
            keeper.until(r"GPIO17 \(pin 11\) moved")
            answer(keeper, "Where does it close", "")
            keeper.until("Lift the next")
            keeper.answer("")
            answer(keeper, "Where shall messages go", f"ntfy://127.0.0.1:{hook.port}/tank")
            answer(keeper, "(?s)It took the test notice.*Has it arrived", "")
            keeper.until("All is well|to fix")
            assert keeper.end() == 0, keeper.said
            # Two more where the service can be started, and where the phone's app is installed.
            assert len(keeper.typed) - 1 + 2 <= MOST_ANSWERS, "one of them was refused"
        assert max(len(line) for line in keeper.said.split("\r\n")[:40]) <= 80
        assert [json.loads(each.body)["title"] for each in hook.asked] == [
            "Test from stillwell: this is not an alarm."
        ]
        text = without_root(config.read_text())
        store = tomllib.loads(text).pop("store")
        assert store == {"path": "stillwell.db"}, "another file than the usual has its own store"
        minimal = MINIMAL.read_text(encoding="utf-8")
        written = [line for line in text.splitlines() if not re.match(r"\[store\]|path = ", line)]
        assert set(written) == set(minimal.splitlines())
        assert (config.stat().st_mode & 0o777, list(config.parent.glob(".*"))) == (0o640, [])
        secret = config.parent / "credentials/sink.phone.url"
        assert (secret.stat().st_mode & 0o777, secret.parent.stat().st_mode & 0o777) == (
            0o600,
            0o700,
        )
        assert str(hook.port) not in text

        # The daemon on what was written; the float still hangs up.
        with at_terminal(pi.command("run", "-c", config)) as daemon:
            daemon.until("watches .*water-a")
            daemon.until(r"phone is ready|It tells phone")
            process("drill", "-c", config, "--for", "1 s", "--json")
            wait_until(lambda: len(hook.asked) > 1, "the drill", 60)
            assert "Drill" in json.loads(hook.asked[1].body)["title"]
            daemon.process.send_signal(2)
            assert daemon.end() == 0

    def test_ctrl_c_leaves_nothing(self, pi: PseudoPi, config: Path) -> None:
        with at_terminal(pi.command("init", "-c", config)) as keeper:
            answer(keeper, "time zone", "")
            keeper.until("How much water")
            keeper.process.send_signal(2)
            assert keeper.end() == 130
            assert "Traceback" not in keeper.said
        assert list(config.parent.iterdir()) == []

    def test_of_several_probes_the_one_in_the_hand_is_named(
        self, pi: PseudoPi, config: Path
    ) -> None:
        others = ("28-0316a27948c3", "28-0316a2794c07")
        for number in others:
            pi.probe(number, 25.0)
        options = ("--volume", "68 L", "--zone", "Dublin", "--chamber", "none", "--heater", "none")
        more = ("--lamp", "none", "--top-up", "hand", "--tell", "none")
        with at_terminal(pi.command("init", "-c", config, *options, *more)) as keeper:
            for number, becomes in zip(others, ("water-a", "water-b"), strict=True):
                keeper.until("Hold one of the")
                pi.probe(number, 27.0)
                keeper.until(rf"(?s){number} grew warmer, by 2\.0 K.*\[water\]: $")
                keeper.answer("")
                keeper.until(f"{number} becomes {becomes}")
            answer(keeper, rf"{PROBE}.*", "")
            keeper.until("becomes room")
            keeper.until("Lift a float")
            keeper.answer("")
            assert keeper.end() == 1, "nobody is told yet"
            assert "nobody" in keeper.said
        made = tomllib.loads(config.read_text())
        assert made["source"]["probes"]["channels"] == {
            "water-a": {"probe": others[0]},
            "water-b": {"probe": others[1]},
            "room": {"probe": PROBE},
        }
        assert made["agreement"]["water"]["of"] == ["water-a", "water-b"]
        # One more float, later: nothing is asked of the tank.
        with at_terminal(pi.command("init", "-c", config, "--add")) as keeper:
            keeper.until("3 found by onewire are in use")
            keeper.until("Lift a float")
            pi.line(27, 0)
            keeper.until(r"GPIO27 \(pin 13\) moved")
            answer(keeper, "Where does it close", "+12 mm")
            keeper.until("Lift the next")
            keeper.answer("")
            answer(keeper, "Where shall messages go", "none")
            keeper.until("float-high: closed")
        assert "float-high" in tomllib.loads(config.read_text())["channel"]
