"""The Debian package on a Debian 12 and a Debian 13 that have been booted with their real systemd,
in containers without a network: installed, watching, updated with half a million readings, a
downgrade that is refused, taken back, removed. Each test goes on where the one before ended.
"""

from __future__ import annotations

import shutil
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest
from bench_status import written

import busy_tank
from busy_tank import ALARM, SETTINGS, SETTINGS_FILE, raised, room
from container import Container
from machine import STILLWELL, Hands

pytestmark = pytest.mark.machine
Saw = Callable[[str], None]
ROWS = "select count(*) from reading where seq <= 504000"
INSTALL = "apt-get install -y --allow-downgrades"


@pytest.fixture(scope="module", params=["bookworm", "trixie"])
def hands(
    request: pytest.FixtureRequest, debs: Path, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[Hands]:
    """A keeper's hands on a booted Debian in which nothing is installed yet."""
    with ExitStack() as open_here:
        folder = tmp_path_factory.mktemp(request.param)
        yield Hands(open_here.enter_context(Container(request.param, folder, debs)))


@pytest.fixture(scope="module")
def versions(debs: Path) -> list[str]:
    """These sources' package, and the later one."""
    return [f"/srv/packages/{deb.name}" for deb in sorted(debs.glob("*_amd64.deb"))]


def version(hands: Hands) -> str:
    return hands.ok(f"{STILLWELL} --version").split()[1]


def test_is_installed_without_a_network(hands: Hands, versions: list[str], saw: Saw) -> None:
    began = time.monotonic()
    said = hands.ok(f"{INSTALL} {versions[0]}")
    saw(f"{hands.ok('. /etc/os-release; echo $PRETTY_NAME')}: {time.monotonic() - began:.0f} s")
    assert "sudo stillwell init" in said
    assert hands.machine.run("systemctl is-active stillwell").said.strip() == "inactive"


def test_every_driver_reads_and_an_alarm_reaches_everybody(hands: Hands, saw: Saw) -> None:
    busy_tank.stand_far(hands)
    busy_tank.prepare(hands)
    busy_tank.start(hands)
    found = hands.until(lambda: busy_tank.read(hands), "each channel has its value")
    busy_tank.ring(hands)
    hands.ok(f"{STILLWELL} ack {ALARM}", user="keeper")
    saw(f"{len(found)} channels; web hook, ping and MQTT heard of {ALARM}")


def test_an_upgrade_goes_on_with_half_a_million_readings(
    hands: Hands, versions: list[str], saw: Saw, tmp_path: Path
) -> None:
    written(tmp_path / "half-a-million.db", 25)
    container = hands.machine
    assert isinstance(container, Container)
    shutil.copy2(tmp_path / "half-a-million.db", container.root / "srv")
    hands.ok("systemctl stop stillwell")
    hands.ok(f"{STILLWELL} restore /srv/half-a-million.db && systemctl start stillwell")
    hands.until(lambda: raised(hands), "the alarm is raised")
    hands.ok(f"{STILLWELL} ack {ALARM}")
    kept, pid, old = hands.sql(ROWS)[0][0], hands.shown("MainPID"), version(hands)
    notices = hands.sql("select key from notice order by seq")
    began = time.monotonic()
    hands.ok(f"{INSTALL} {versions[1]}")
    saw(f"{old} to {version(hands)} in {time.monotonic() - began:.0f} s, {kept} readings")
    hands.another(pid)
    assert version(hands) != old
    assert hands.sql(ROWS) == [[kept]]
    assert kept >= 503_900
    hands.ok("test -s /var/lib/stillwell/tank.db.before-*")  # the copy, from before the migration
    assert raised(hands), "an alarm that stood is forgotten"
    assert hands.sql("select key from notice order by seq")[: len(notices)] == notices


def test_a_downgrade_is_refused_with_what_to_do(
    hands: Hands, versions: list[str], saw: Saw
) -> None:
    pid, new = hands.shown("MainPID"), version(hands)
    done = hands.machine.run(f"{INSTALL} {versions[0]}")
    said = " ".join(done.said.split())
    saw(next(line for line in done.said.splitlines() if "schema version" in line))
    assert done.status != 0
    assert "sudo stillwell-rollback" in said
    assert (hands.shown("MainPID"), version(hands)) == (pid, new), "something was changed"


def test_it_is_taken_back_with_the_store(hands: Hands, versions: list[str], saw: Saw) -> None:
    pid, new = hands.shown("MainPID"), version(hands)
    saw(hands.ok("stillwell-rollback").splitlines()[-1])
    hands.another(pid)
    assert version(hands) != new
    assert hands.sql(ROWS)[0][0] >= 503_900
    hands.ok("test -s /var/lib/stillwell/tank.db.schema-*")  # what the later one kept
    hands.ok(f"{INSTALL} {versions[0]}")
    newest = "select max(seq) from reading"
    before = hands.sql(newest)
    hands.until(lambda: hands.sql(newest) > before, "readings go on")
    assert raised(hands)
    room(hands, 21.5)
    hands.until(lambda: not raised(hands), "the alarm is over")


def test_an_upgrade_that_was_cut_off_is_put_right_by_installing_it_again(
    hands: Hands, versions: list[str], saw: Saw
) -> None:
    pid, old = hands.shown("MainPID"), version(hands)
    hands.ok(f"systemd-run --quiet --unit=update -p KillMode=control-group {INSTALL} {versions[1]}")
    hands.ok(busy_tank.UNPACKING)
    hands.ok("systemctl kill --signal=KILL update")
    hands.until(lambda: hands.shown("ActiveState", "update") != "active", "it is over")
    assert (hands.shown("MainPID"), version(hands)) == (pid, old)
    saw(hands.machine.run("dpkg --configure stillwell").said.splitlines()[-1])
    hands.ok(f"{INSTALL} {versions[1]}")
    hands.another(pid)
    assert version(hands) != old
    assert hands.ok("dpkg --audit; dpkg --verify stillwell") == ""


def test_removal_leaves_what_the_keeper_wrote(hands: Hands, saw: Saw) -> None:
    hands.ok("apt-get remove -y stillwell")
    assert hands.machine.run("systemctl is-active stillwell").said.strip() == "inactive"
    assert hands.machine.run("ls /opt/stillwell /usr/bin/stillwell").status != 0
    saw(hands.ok("ls /etc/stillwell /var/lib/stillwell").replace("\n", " "))
    assert "tank.db" in hands.ok("ls /var/lib/stillwell")
    assert hands.ok(f"cat {SETTINGS_FILE}") == SETTINGS.rstrip("\n")
