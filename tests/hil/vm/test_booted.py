"""stillwell installed on a Debian 12 that has been booted with its real systemd, in a container:
the units as they are shipped, every driver and sink that needs no hardware.

Each test goes on where the one before ended: installed, watching, attacked, updated, removed. What
a container can't show (limits of memory, devices, a clock of its own) a virtual machine shows.
That, and the update, is part of `tests/run.sh --machine`; the rest runs by default too.
"""

from __future__ import annotations

import re
import shutil
import time
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest
from bench_status import written

import busy_tank
from busy_tank import ALARM, INSTALL, LATER, SETTINGS, SETTINGS_FILE, raised, room
from container import Container
from debian import CannotBuildError
from machine import PYTHON, STILLWELL, Hands

Saw = Callable[[str], None]
DROP_IN = "/etc/systemd/system/stillwell.service.d/90-trial.conf"
PAGE_DROP_IN = "/etc/systemd/system/stillwell-page.service.d/90-trial.conf"
PRETENDED = f"{PYTHON} /srv/src/tests/support/pseudo_pi.py /srv/pi"
"""stillwell with a pretended header and 1-Wire bus: a container has neither."""
PRETEND = (
    f"cd /srv/src/tests/support && {PYTHON} -c 'from pseudo_pi import *; "
    'PseudoPi(Path("/srv/pi")).probe(PROBE, 25.125)\''
)
LIFT = "echo 0 >/srv/pi/gpio/17"
GET = (
    f"{PYTHON} -c 'import sys, urllib.request as r; print(r.urlopen(sys.argv[1]).read().decode())'"
)


@pytest.fixture(scope="module")
def hands(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Hands]:
    """A keeper's hands on a booted Debian 12 in which nothing is installed yet."""
    with ExitStack() as open_here:
        try:
            container = Container("bookworm", tmp_path_factory.mktemp("container"))
            machine = open_here.enter_context(container)
        except CannotBuildError as reason:
            pytest.skip(f"no container can be booted here: {reason}")
        yield Hands(machine)


def newest_ms(hands: Hands) -> int:
    """The newest reading that is on the disk, in ms of the machine's own clock since its start."""
    return int(hands.sql("select max(mono_ms) from reading")[0][0])


class TestInstalled:
    def test_without_a_network_by_install_sh(self, hands: Hands, saw: Saw) -> None:
        began = time.monotonic()
        said = busy_tank.install(hands)
        saw(f"{time.monotonic() - began:.0f} s")
        assert "nothing watches yet" in said
        assert "sudo stillwell init" in said
        assert hands.machine.run("systemctl is-active stillwell").said.strip() == "inactive"

    def test_by_the_first_evening_it_watches_and_has_told_the_phone(
        self, hands: Hands, saw: Saw
    ) -> None:
        busy_tank.stand_far(hands)
        hands.ok(f"systemctl stop mosquitto; {PRETEND}")
        saw(busy_tank.first_evening(hands, LIFT, PRETENDED))
        hands.ok("systemctl disable --quiet --now stillwell; rm -r /var/lib/stillwell/*")
        hands.ok(f"rm -r /etc/stillwell/credentials/* {SETTINGS_FILE}")

    def test_watches_once_it_is_started(self, hands: Hands, saw: Saw) -> None:
        busy_tank.prepare(hands)
        began = time.monotonic()
        busy_tank.start(hands)
        took = time.monotonic() - began
        saw(f"Type=notify: {hands.shown('StatusText')!r} {took:.1f} s after it was started")
        assert hands.shown("Type") == "notify"
        assert hands.shown("StatusText") == "watching"


class TestWatching:
    def test_every_driver_reads(self, hands: Hands, saw: Saw) -> None:
        found = hands.until(lambda: busy_tank.read(hands), "each channel has its value")
        saw(", ".join(f"{channel} {value:g}" for channel, value in found.items()))

    def test_check_finds_nothing_to_mend(self, hands: Hands, saw: Saw) -> None:
        said = hands.ok(f"{STILLWELL} check")
        saw(f"{said.count('  ok ')} lines are ok")
        assert "FIX" not in said

    def test_an_alarm_reaches_every_recipient(self, hands: Hands, saw: Saw) -> None:
        busy_tank.ring(hands)
        # The history waits until the clock is known to be right; timesyncd leaves this file then.
        hands.ok("install -D /dev/null /run/systemd/timesync/synchronized")
        query = "http://127.0.0.1:8428/api/v1/label/__name__/values"
        hands.until(lambda: "value" in hands.ok(f"{GET} {query}"), "the history has readings")
        room(hands, 21.5)
        hands.until(lambda: not raised(hands), "the alarm is over")
        saw("web hook, ping, MQTT and history heard of it")

    def test_secrets_are_credentials_that_nobody_else_reads(self, hands: Hands, saw: Saw) -> None:
        pid = hands.shown("MainPID")
        environment = hands.ok(f"tr '\\0' '\\n' </proc/{pid}/environ")
        assert busy_tank.BROKER_WORD not in environment
        assert "CREDENTIALS_DIRECTORY=/run/credentials/stillwell.service" in environment
        for path in ("/run/credentials/stillwell.service/", "/etc/stillwell/credentials/"):
            done = hands.machine.run(f"cat {path}*", user="keeper")
            assert done.status != 0
            assert busy_tank.BROKER_WORD not in done.said
        every = "journalctl -u stillwell -o export; cat /var/lib/stillwell/last-settings.toml"
        assert busy_tank.BROKER_WORD not in hands.ok(every)
        saw("the broker's password is in no environment, journal or kept settings")

    def test_nothing_is_left_to_it_that_it_does_not_need(self, hands: Hands, saw: Saw) -> None:
        pid = hands.shown("MainPID")
        status = dict(
            line.split(":\t", 1)
            for line in hands.ok(f"cat /proc/{pid}/status").splitlines()
            if ":\t" in line
        )
        assert {status[key].strip("0") for key in ("CapEff", "CapPrm", "CapBnd")} == {""}
        assert (status["NoNewPrivs"], status["Seccomp"]) == ("1", "2")
        inside = f"nsenter --target {pid} --mount --"
        assert hands.machine.run(f"{inside} touch /etc/x /usr/x /opt/stillwell/x").status != 0
        assert hands.machine.run(f"{inside} ls /home/keeper").status != 0
        assert hands.machine.run(f"{inside} touch /var/lib/stillwell/x").status == 0
        hands.ok("rm /var/lib/stillwell/x")
        scores = [
            re.findall(r"Overall exposure level.*", hands.ok(f"systemd-analyze security {unit}"))
            for unit in ("stillwell.service", "stillwell-page.service")
        ]
        saw("; ".join(score[0].encode("ascii", "ignore").decode().strip() for score in scores))


class TestPeople:
    def test_of_the_group_note_answer_and_drill(self, hands: Hands, saw: Saw) -> None:
        room(hands, 29)
        hands.until(lambda: raised(hands), "the alarm is raised")
        assert ".." not in hands.machine.run(f"{STILLWELL} check").said
        saw(hands.ok(f"{STILLWELL} note pour 1.2 L", user="keeper"))
        hands.ok(f"{STILLWELL} ack {ALARM}", user="keeper")
        shown = hands.json("status")[-1]["calling"]
        assert [a["by"] for a in shown if a["alarm"] == ALARM] == ["keeper"]
        acknowledged = f"until {STILLWELL} ack drill; do sleep 0.5; done"
        hands.ok(f"{STILLWELL} drill --for '60 s' & {acknowledged}; wait $!", user="keeper")
        room(hands, 21.5)
        hands.until(lambda: not raised(hands), "the alarm is over")

    def test_others_are_told_how_they_may(self, hands: Hands, saw: Saw) -> None:
        for command in ("status", "note pour 1 L", f"ack {ALARM}"):
            done = hands.machine.run(f"{STILLWELL} {command}", user="visitor")
            assert done.status != 0
            assert "sudo adduser visitor stillwell" in done.said
        saw(done.said.splitlines()[-1].strip())

    def test_root_bars_nobody_by_what_it_writes(self, hands: Hands) -> None:
        hands.ok(f"{STILLWELL} note pour 0.3 L")
        hands.ok(f"{STILLWELL} note pour 0.4 L", user="keeper")
        owners = hands.ok("stat --format='%U:%G %a' /var/lib/stillwell/tank.db*")
        assert set(owners.splitlines()) == {"stillwell:stillwell 660"}


class TestTheService:
    def test_comes_back_after_it_was_killed(self, hands: Hands, saw: Saw) -> None:
        pid, restarts = hands.shown("MainPID"), int(hands.shown("NRestarts"))
        began = time.monotonic()
        hands.ok(f"kill -9 {pid}")
        hands.another(pid)
        saw(f"after {time.monotonic() - began:.1f} s, NRestarts {hands.shown('NRestarts')}")
        assert int(hands.shown("NRestarts")) == restarts + 1

    def test_is_killed_and_started_again_when_it_hangs(self, hands: Hands, saw: Saw) -> None:
        hands.machine.put(DROP_IN, "[Service]\nWatchdogSec=8\nRestartSec=1\n")
        hands.ok("systemctl daemon-reload; systemctl restart stillwell")
        pid, began, since = hands.shown("MainPID"), time.monotonic(), hands.now()
        hands.ok(f"kill -STOP {pid}")
        hands.another(pid)
        said = hands.ok(f"journalctl -u stillwell --since={since} -o cat")
        saw(f"after {time.monotonic() - began:.1f} s with WatchdogSec=8 (90 as shipped)")
        assert "Watchdog timeout" in said
        hands.ok(f"rm {DROP_IN}; systemctl daemon-reload; systemctl restart stillwell")
        assert hands.shown("WatchdogUSec") == "1min 30s"

    def test_stops_at_once_and_keeps_everything(self, hands: Hands, saw: Saw) -> None:
        hands.until(lambda: newest_ms(hands), "something is kept")
        time.sleep(2)  # so that readings wait for the next commit
        pid, began = hands.shown("MainPID"), time.monotonic()
        hands.ok("systemctl stop stillwell")
        took = time.monotonic() - began
        ended_ms = int(float(hands.ok("cut -d' ' -f1 /proc/uptime")) * 1000)
        behind = (ended_ms - newest_ms(hands)) / 1000
        said = [line["MESSAGE"] for line in hands.log(pid)]
        saw(f"in {took:.1f} s, the last reading is {behind:.1f} s old; {said[-1]!r}")
        assert hands.shown("Result") == "success"
        assert "Stopped as asked." in said[-1]
        assert behind < 5 + 10, "a reading that had been made was not kept"
        assert hands.sql("pragma integrity_check") == [["ok"]]
        done = hands.machine.run(f"{STILLWELL} status")
        assert done.status == 3
        assert done.said.startswith("NOT WATCHING")
        hands.ok("systemctl start stillwell")

    def test_log_has_priorities_and_says_each_thing_once(self, hands: Hands, saw: Saw) -> None:
        hands.ok("systemctl restart stillwell")
        room(hands, 29)
        hands.until(lambda: raised(hands), "the alarm is raised")
        room(hands, 21.5)
        hands.until(lambda: not raised(hands), "the alarm is over")
        lines = hands.log(hands.shown("MainPID"))
        twice = [said for said, n in Counter(line["MESSAGE"] for line in lines).items() if n > 1]
        assert twice == []
        called = [line["MESSAGE"] for line in lines if int(line["PRIORITY"]) <= 4]
        saw(f"{len(lines)} lines; with -p warning: {called[0]!r} and {len(called) - 1} more")
        assert called
        assert all(f"({ALARM})" in said or said.startswith("  ") for said in called)


class TestBrokenSettings:
    def test_cost_an_alarm_and_not_the_watch(self, hands: Hands, saw: Saw) -> None:
        hands.machine.put(SETTINGS_FILE, SETTINGS.replace('"5 s"', '"five"', 1))
        hands.ok("systemctl restart stillwell")
        hands.until(lambda: raised(hands, "settings.broken"), "settings.broken is raised")
        fresh = newest_ms(hands)
        hands.until(lambda: newest_ms(hands) > fresh, "readings go on")
        saw("watched with the settings of before, settings.broken was raised")

    def test_end_it_for_good_where_none_ever_worked(self, hands: Hands, saw: Saw) -> None:
        kept = "/var/lib/stillwell/last-settings.toml"
        hands.ok(f"systemctl stop stillwell; mv {kept} /root/")
        hands.machine.run("systemctl start stillwell")
        # What is to be started again is never "failed", but "activating (auto-restart)".
        hands.until(lambda: hands.shown("ActiveState") == "failed", "it has failed")
        assert hands.shown("ExecMainStatus") == "78"
        saw("exit 78, not started again")
        hands.ok(f"mv /root/last-settings.toml {kept}; chown stillwell: {kept}")
        hands.machine.put(SETTINGS_FILE, SETTINGS)
        hands.ok("systemctl start stillwell")
        hands.until(lambda: not raised(hands, "settings.broken"), "settings.broken is over")


class TestThePage:
    def test_starts_at_the_first_visit(self, hands: Hands, saw: Saw) -> None:
        end = f"ExecStart=\nExecStart={PYTHON} -m stillwell.page --ends-after=3"
        hands.machine.put(PAGE_DROP_IN, f"[Service]\n{end}\n")
        words = "four-grey-herons-wade"
        hands.ok(f"systemctl daemon-reload; echo {words} | {STILLWELL} page --set-passphrase")
        hands.ok("systemctl enable --quiet --now stillwell-page.socket")
        assert hands.shown("ActiveState", "stillwell-page") == "inactive"
        began = time.monotonic()
        said = hands.ok(f"{GET} http://127.0.0.1:8080/")
        saw(f"{len(said)} signs of HTML {time.monotonic() - began:.1f} s after the first request")
        assert "<html" in said
        assert hands.shown("ActiveState", "stillwell-page") == "active"
        metrics = hands.ok(f"{GET} http://127.0.0.1:8080/metrics")
        assert "by-modbus" in metrics

    def test_is_as_hard_as_its_unit_says(self, hands: Hands) -> None:
        pid = hands.shown("MainPID", "stillwell-page")
        status = hands.ok(f"cat /proc/{pid}/status")
        assert re.search(r"CapBnd:\t0+\n", status)
        assert "NoNewPrivs:\t1\n" in status
        networks = hands.ok(f"nsenter --target {pid} --net -- ip -brief link")
        assert networks.split() == ["lo", "DOWN", *networks.split()[2:]] or "\n" not in networks
        inside = f"nsenter --target {pid} --mount --"
        assert hands.machine.run(f"{inside} ls /run/credentials/stillwell.service").status != 0

    def test_ends_when_nobody_looks_and_comes_again(self, hands: Hands, saw: Saw) -> None:
        hands.until(lambda: hands.shown("ActiveState", "stillwell-page") == "inactive", "it ends")
        assert "<html" in hands.ok(f"{GET} http://127.0.0.1:8080/")
        saw("it ended by itself (3 s here, 15 min as shipped), the next visit started it again")


class TestMoreTanks:
    def test_have_a_service_each(self, hands: Hands, saw: Saw) -> None:
        second = busy_tank.TANK.replace("reading-room", "second").replace("tank.db", "second.db")
        room = busy_tank.ROOM_AIR.partition("[band")[0]
        path = "/etc/stillwell/tanks/second.toml"
        hands.machine.put(path, second + room)
        hands.ok("chgrp -R stillwell /etc/stillwell/tanks; chmod 0750 /etc/stillwell/tanks")
        hands.ok("systemctl enable --quiet --now stillwell@second")
        assert hands.shown("StatusText", "stillwell@second") == "watching"
        store = "/var/lib/stillwell/second.db"
        hands.until(lambda: hands.sql("select * from reading", store), "its readings are kept")
        assert hands.shown("ActiveState") == "active"
        hands.ok("systemctl disable --quiet --now stillwell@second")
        saw("both watched at once")


@pytest.mark.machine
class TestUpdate:
    DAYS = 5
    ROWS = DAYS * 2880 * 7
    """A hundred thousand readings; half a million are updated by package (test_by_package.py)."""

    def rows(self, hands: Hands) -> int:
        return int(hands.sql(f"select count(*) from reading where seq <= {self.ROWS}")[0][0])

    def test_to_a_later_release_goes_on_with_what_was_kept(
        self, hands: Hands, saw: Saw, tmp_path: Path
    ) -> None:
        written(tmp_path / "kept.db", self.DAYS)
        container = hands.machine
        assert isinstance(container, Container)
        shutil.copy2(tmp_path / "kept.db", container.root / "srv")
        hands.ok("systemctl stop stillwell")
        hands.ok(f"{STILLWELL} restore /srv/kept.db && systemctl start stillwell")
        room(hands, 29)
        hands.until(lambda: raised(hands), "the alarm is raised")
        hands.ok(f"{STILLWELL} ack {ALARM}")
        hands.ok(LATER)
        notices = hands.sql("select key from notice order by seq")
        kept, pid = self.rows(hands), hands.shown("MainPID")
        began = time.monotonic()
        hands.ok(INSTALL.replace("/srv/src", "/srv/later"))
        saw(f"{time.monotonic() - began:.0f} s, {kept} readings, a migration of the store")
        assert hands.another(pid)
        assert "7.0.0" in hands.ok(f"{STILLWELL} --version")
        assert self.rows(hands) == kept >= self.ROWS - 100
        assert raised(hands), "an alarm that stood is forgotten"
        again = hands.sql("select key from notice order by seq")
        assert again[: len(notices)] == notices

    def test_cannot_be_undone_by_an_older_program_alone(self, hands: Hands, saw: Saw) -> None:
        older = "/opt/stillwell/current/previous/venv/bin/stillwell"
        done = hands.machine.run(f"{older} note pour 1 L")
        saw(" ".join(done.said.split()))
        assert done.status != 0
        assert "later" in done.said or "newer" in done.said

    def test_is_taken_back(self, hands: Hands, saw: Saw) -> None:
        kept, pid = self.rows(hands), hands.shown("MainPID")
        said = hands.ok(f"{INSTALL} --rollback")
        saw(said.splitlines()[-1])
        assert hands.another(pid)
        assert "7.0.0" not in hands.ok(f"{STILLWELL} --version")
        assert self.rows(hands) == kept
        assert raised(hands)
        newest = "select max(seq) from reading"
        before = hands.sql(newest)
        hands.until(lambda: hands.sql(newest) > before, "readings go on")


class TestRemoval:
    def test_leaves_what_the_keeper_wrote(self, hands: Hands, saw: Saw) -> None:
        hands.ok(f"{INSTALL} --remove")
        assert hands.machine.run("systemctl is-active stillwell").said.strip() == "inactive"
        assert hands.machine.run("ls /opt/stillwell /usr/local/bin/stillwell").status != 0
        saw(hands.ok("ls /etc/stillwell /var/lib/stillwell").replace("\n", " "))
        assert "tank.db" in hands.ok("ls /var/lib/stillwell")
        assert hands.ok(f"cat {SETTINGS_FILE}") == SETTINGS.rstrip("\n")
