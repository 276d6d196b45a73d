"""A Debian 13 as a virtual machine, with the Debian package in it: the keeper's first evening with
a probe and a float that its kernel pretends to have, until a message is on the phone; and updates
that a power cut ends, after which the watch goes on without a hand. Each test goes on where the one
before ended.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

import busy_tank
import debian
import guest
import hardware
from guest import SLOWLY_S, Emulated
from machine import STILLWELL, Hands

pytestmark = pytest.mark.machine
Saw = Callable[[str], None]
SUITE = "trixie"
IN_USE = "readlink -f /opt/stillwell/current"
COMPILE = ". /opt/stillwell/package/release.sh && compile /opt/stillwell/package"
"""What a release does when it is made, with the package's files, which it shares."""


@pytest.fixture(scope="module")
def hands(debs: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Hands]:
    """A keeper's hands on the machine."""
    folder = tmp_path_factory.mktemp("debian-13")
    root = guest.install(SUITE, folder / "root", debs)
    files = hardware.files({17: "GPIO17"}, "0,1,1")
    command = "systemctl enable hardware; systemctl disable mosquitto systemd-timesyncd"
    image = guest.disk(SUITE, root, folder, files, command)
    debian.remove(root)
    with Emulated(SUITE, image, folder) as machine:
        machine.start()
        yield Hands(machine, SLOWLY_S)


@pytest.fixture(scope="module")
def later(debs: Path) -> str:
    """The package that updates it."""
    newest = max(debs.glob("*_amd64.deb"))
    return f"/srv/packages/{newest.name}"


def version(hands: Hands) -> str:
    return hands.ok(f"{STILLWELL} --version").split()[1]


def cut(hands: Hands) -> None:
    """Cuts the power, and waits until it watches again by itself."""
    machine = hands.machine
    assert isinstance(machine, Emulated)
    machine.cut_power()
    machine.start()
    hands.until(lambda: hands.shown("StatusText") == "watching", "it watches")


class TestTheFirstEvening:
    def test_ends_with_a_message_and_a_service_that_watches(self, hands: Hands, saw: Saw) -> None:
        busy_tank.stand_far(hands, "")
        took = busy_tank.first_evening(hands, hardware.pull(17, "down"), STILLWELL)
        saw(f"{hands.ok('. /etc/os-release; echo $PRETTY_NAME; uname -r')}: {took}")

    def test_the_service_reaches_the_phone(self, hands: Hands, saw: Saw) -> None:
        heard = "grep -o '[^\"]*Drill[^\"]*' /srv/heard | head -n 1"
        hands.machine.run(f"{STILLWELL} drill --for '5 s'")  # fails where nobody acknowledges it
        saw(hands.until(lambda: hands.ok(heard), "the phone heard of it", 5))


class TestAnUpdate:
    def test_that_ends_while_it_unpacks_changes_nothing(
        self, hands: Hands, later: str, saw: Saw
    ) -> None:
        before = hands.ok(IN_USE)
        hands.ok(f"systemd-run --quiet --unit=update apt-get install -y {later}")
        hands.ok(busy_tank.UNPACKING)
        cut(hands)
        assert hands.ok(IN_USE) == before
        saw(f"{Path(before).name} watches; {hands.ok('dpkg --audit').splitlines()[0]}")

    def test_that_ends_as_it_switches_has_the_one_or_the_other(
        self, hands: Hands, later: str, saw: Saw
    ) -> None:
        old, before = version(hands), hands.ok(IN_USE)
        machine = hands.machine
        assert isinstance(machine, Emulated)
        with machine.opened() as root:
            # As deploy/README.md says.
            with pytest.raises(debian.CannotBuildError, match="dpkg --configure -a"):
                debian.inside(root, f"apt-get install -y {later}")
            debian.inside(root, f"dpkg --configure -a && dpkg --unpack {later} && {COMPILE}")
        cut(hands)
        assert hands.ok(IN_USE) == before
        hands.ok("systemd-run --quiet --unit=update dpkg --configure stillwell")
        ended = "systemctl --quiet is-failed update"
        hands.ok(f'until [ "$({IN_USE})" != {before} ]; do ! {ended} || exit 1; sleep 0.05; done')
        cut(hands)
        found = version(hands)
        hands.ok("dpkg --configure stillwell")
        saw(f"{old}, cut off as it switched: {found} watches; then dpkg --configure stillwell")
        assert version(hands) != old
        assert hands.ok("dpkg --audit") == ""
        hands.until(lambda: hands.shown("StatusText") == "watching", "it watches")
        assert hands.sql("pragma integrity_check") == [["ok"]]
