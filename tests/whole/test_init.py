"""The first evening: `stillwell init` at a terminal, on a pretended Pi with one probe and one float,
until a message is on the phone. Its answers are counted; how long they take a person is not."""

from __future__ import annotations

import json
import os
import re
import subprocess
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest

from as_user import needs_root
from far_sides import Receiver, Says
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
def phone(hook: Receiver) -> Iterator[Receiver]:
    """What a server of ntfy's answers."""
    hook.answer = lambda asked: Says(200)
    return hook


@pytest.fixture
def config(tmp_path: Path) -> Path:
    (tmp_path / "etc").mkdir()
    return tmp_path / "etc" / "stillwell.toml"


def answer(at: Terminal, asks: str, line: str) -> None:
    at.until(asks)
    at.until(PROMPT)
    at.answer(line)


def called(pi: PseudoPi, *arguments: object) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        pi.command(*arguments),
        capture_output=True,
        text=True,
        timeout=120,
        stdin=subprocess.DEVNULL,
    )


def without_root(text: str) -> str:
    """The text without the line that names the pretended bus."""
    return re.sub(r"(?m)^root = .*\n", "", text)


class TestTheFirstEvening:
    def test_ends_with_a_message_on_the_phone_after_twelve_answers_at_most(
        self, pi: PseudoPi, phone: Receiver, config: Path
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
            answer(keeper, "Where shall messages go", f"ntfy://127.0.0.1:{phone.port}/tank")
            answer(keeper, "(?s)It took the test notice.*Has it arrived", "")
            keeper.until("All is well|to fix")
            assert keeper.end() == 0, keeper.said
            # Where the service can be started that is asked, and so is one pause for the phone's app.
            assert len(keeper.typed) - 1 + 2 <= MOST_ANSWERS, "one of them was refused"
        assert max(len(line) for line in keeper.said.split("\r\n")[:40]) <= 80
        assert [json.loads(each.body)["title"] for each in phone.asked] == [
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
        assert str(phone.port) not in text

        # The daemon on what was written; the float still hangs up.
        with at_terminal(pi.command("run", "-c", config)) as daemon:
            daemon.until("watches .*water-a")
            daemon.until(r"phone is ready|It tells phone")
            done = called(pi, "drill", "-c", config, "--for", "1 s", "--json")
            wait_until(lambda: len(phone.asked) > 1, "the drill", 60)
            assert "Drill" in json.loads(phone.asked[1].body)["title"], done.stdout
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

    def test_the_end_of_the_input_leaves_nothing_and_says_how_it_runs_unattended(
        self, pi: PseudoPi, config: Path
    ) -> None:
        done = called(pi, "init", "-c", config)
        assert done.returncode == 2
        assert "--defaults" in done.stderr
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


class TestUnattended:
    def test_options_answer_everything_and_again_nothing_changes(
        self, pi: PseudoPi, phone: Receiver, config: Path
    ) -> None:
        options = ("--zone", "Dublin", "--volume", "68 L", "--chamber", "18 x 9 cm", "--json")
        chosen = (f"water-a={PROBE}", "float-high=GPIO27 at 12 mm")
        sensors = [word for each in chosen for word in ("--sensor", each)]
        tell = ("--tell", f"ntfy://127.0.0.1:{phone.port}/tank")
        done = called(pi, "init", "-c", config, *options, *sensors, *tell)
        assert done.returncode == 0, done.stdout + done.stderr
        told = json.loads(done.stdout)
        assert told == {
            "file": str(config),
            "channels": ["water-a", "float-high"],
            "recipients": ["phone"],
            "ok": True,
            "started": False,
        }
        assert len(phone.asked) == 1
        made = tomllib.loads(config.read_text())
        assert made["channel"]["float-high"]["height"] == "12 mm"
        assert made["state"]["too-full"]["wrong"] == "above"
        mine = config.read_text().replace("# by its label", "# mine") + "# to the end\n"
        config.write_text(mine)
        config.chmod(0o660)
        again = called(pi, "init", "-c", config, "--defaults")
        assert again.returncode == 0, again.stdout + again.stderr
        assert config.read_text() == mine
        assert config.stat().st_mode & 0o777 == 0o660
        pi.probe("28-0316a27948c3", 25.0)
        added = called(pi, "init", "-c", config, "--json", "--sensor", "water-b=28-0316a27948c3")
        assert "water-b" in json.loads(added.stdout)["channels"]
        new = config.read_text()
        assert tomllib.loads(new)["band"]["water"]["of"] == ["water-a", "water-b"]
        assert "# to the end" in new

    @pytest.mark.parametrize(
        ("options", "says"),
        [
            (("--volume", "68"), r'--volume: 68 has no unit.*"68 L"'),
            (("--sensor", "water-a=28-0"), f"There is no sensor 28-0.*Found: .*{PROBE}"),
            (("--sensor", "GPIO17"), "Write it like water-a="),
            (("--tell", "anna@example.org"), "mailtos://"),
            ((), r"No sensor was chosen.*--volume '68 L'"),
        ],
    )
    def test_what_is_refused_says_what_would_be_accepted_and_writes_nothing(
        self, pi: PseudoPi, config: Path, options: tuple[str, ...], says: str
    ) -> None:
        if not options:
            (pi.w1 / PROBE / "w1_slave").unlink()
            (pi.w1 / PROBE).rmdir()
        done = called(pi, "init", "-c", config, "--defaults", *options)
        assert done.returncode == 2
        assert re.search(says, " ".join(done.stderr.split())), done.stderr
        assert list(config.parent.iterdir()) == []


class TestWhatIsThere:
    @pytest.mark.parametrize("content", [b"[tank\nname = 3", b"\xff\xfe", b'name = "x'])
    def test_and_cannot_be_read_is_not_replaced(
        self, pi: PseudoPi, config: Path, content: bytes
    ) -> None:
        config.write_bytes(content)
        done = called(pi, "init", "-c", config, "--defaults")
        assert done.returncode == 2
        assert "Nothing was written" in done.stderr
        assert config.read_bytes() == content

    def test_and_is_wrong_somewhere_is_told_with_its_line(self, pi: PseudoPi, config: Path) -> None:
        config.write_text('[tank]\nvolume = "68 L"\nnmae = "x"\n')
        done = called(pi, "init", "-c", config, "--defaults")
        assert done.returncode == 2
        assert "line 3, tank.nmae" in done.stderr
        assert "nmae" in config.read_text()

    @needs_root
    def test_and_belongs_to_the_service_stays_so(self, pi: PseudoPi, config: Path) -> None:
        os.chown(config.parent, 0, 12)
        assert called(pi, "init", "-c", config, "--defaults").returncode == 1
        assert (config.stat().st_uid, config.stat().st_gid) == (0, 12)
        os.chown(config, 7, 8)
        config.chmod(0o660)
        assert called(pi, "init", "-c", config, "--defaults", "--heater", "50").returncode == 1
        there = config.stat()
        assert (there.st_uid, there.st_gid, there.st_mode & 0o777) == (7, 8, 0o660)
        assert 'power = "50 W"' in config.read_text()
