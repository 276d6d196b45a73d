"""Updates that a power cut ends, by the package and by install.sh, on a Debian whose kernel is a
process of this one's: after the next start the watch goes on without a hand, and what is put right
as deploy/README.md says is whole.

Its process 1 starts the program that is in use, as a unit would; no systemd is told of the update
(test_by_package.py and test_booted.py have one, and test_guest.py one whose power is cut).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

import busy_tank
import debian
import guest
from cut_tank import plugged_in
from guest import SLOWLY_S
from machine import STILLWELL, Hands
from user_mode import UserMode

pytestmark = pytest.mark.machine
Saw = Callable[[str], None]
IN_USE = "readlink -f /opt/stillwell/current"
NEWEST = "select max(seq) from reading"


@pytest.fixture(scope="module")
def hands(debs: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Hands]:
    """A keeper's hands on a Debian 13 with the package."""
    folder = tmp_path_factory.mktemp("updates")
    root = guest.install("trixie", folder / "root", debs)
    with started(root, folder) as found:
        debian.remove(root)
        yield found


@contextmanager
def started(root: Path, folder: Path) -> Iterator[Hands]:
    """A machine of this root that watches."""
    with plugged_in(root, folder) as (machine, _):
        machine.start()
        found = Hands(machine, SLOWLY_S)
        watches(found)
        yield found


@pytest.fixture(scope="module")
def update(debs: Path) -> str:
    """What installs the later package."""
    return f"apt-get install -y /srv/packages/{max(debs.glob('*_amd64.deb')).name}"


def version(hands: Hands) -> str:
    return hands.ok(f"{STILLWELL} --version").split()[1]


def watches(hands: Hands) -> None:
    """Waits until it keeps a reading that it had not when this began."""
    store = "/var/lib/stillwell/tank.db"
    hands.ok(f"until [ -s {store} ]; do sleep 0.5; done")
    before = hands.sql(NEWEST)
    hands.until(lambda: hands.sql(NEWEST) != before, "it watches")


def cut_off(hands: Hands, command: str, moment: str) -> None:
    """Begins a command and cuts the power at a moment of it, which a line of shell waits for."""
    machine = hands.machine
    assert isinstance(machine, UserMode)
    hands.ok(f"setsid {command} >/srv/said 2>&1 </dev/null & {moment}")
    machine.cut_power()
    machine.start()
    watches(hands)


def test_by_package_that_ends_while_it_unpacks_changes_nothing(
    hands: Hands, update: str, saw: Saw
) -> None:
    before = hands.ok(IN_USE)
    cut_off(hands, update, busy_tank.UNPACKING)
    assert hands.ok(IN_USE) == before
    saw(f"{Path(before).name} watches; {hands.ok('dpkg --audit').splitlines()[0]}")


def test_by_package_that_ends_as_it_switches_has_the_one_or_the_other(
    hands: Hands, update: str, saw: Saw
) -> None:
    """Goes on where the one before ended."""
    old, before = version(hands), hands.ok(IN_USE)
    # As deploy/README.md says.
    refused = hands.machine.run(update)
    assert refused.status != 0
    assert "dpkg --configure -a" in refused.said
    hands.ok("dpkg --configure -a")
    switched = f'until [ "$({IN_USE})" != {before} ]; do kill -0 $!; sleep 0.05; done'
    cut_off(hands, update, f"set -e; {switched}")
    found = version(hands)
    hands.ok("dpkg --configure -a")
    saw(f"{old}, cut off as it switched: {found} watches; then dpkg --configure -a")
    assert version(hands) != old
    assert hands.ok("dpkg --audit") == ""
    watches(hands)
    assert hands.sql("pragma integrity_check") == [["ok"]]


def test_by_install_sh_that_ends_while_it_fills_a_release_changes_nothing(
    installed_root: Path, tmp_path: Path, saw: Saw
) -> None:
    fills = "ls -d /opt/stillwell/releases/*/venv/lib/*/*/pip | wc -l"
    command = busy_tank.INSTALL.replace("/srv/src", "/srv/later")
    with started(installed_root, tmp_path) as hands:
        hands.ok(busy_tank.LATER)
        before = hands.ok(IN_USE)
        found = "env PIP_NO_INDEX=1 PIP_FIND_LINKS=/srv/packages"
        cut_off(hands, f"{found} {command}", f"until [ $({fills}) = 2 ]; do sleep 0.5; done")
        assert hands.ok(IN_USE) == before
        saw(f"{Path(before).name} watches")
