"""A Debian 13 as a virtual machine, with the Debian package in it: the keeper's first evening with
a probe and a float that its kernel pretends to have, until a message is on the phone.
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


class TestTheFirstEvening:
    def test_ends_with_a_message_and_a_service_that_watches(self, hands: Hands, saw: Saw) -> None:
        busy_tank.stand_far(hands, "")
        took = busy_tank.first_evening(hands, hardware.pull(17, "down"), STILLWELL)
        saw(f"{hands.ok('. /etc/os-release; echo $PRETTY_NAME; uname -r')}: {took}")

    def test_the_service_reaches_the_phone(self, hands: Hands, saw: Saw) -> None:
        heard = "grep -o '[^\"]*Drill[^\"]*' /srv/heard | head -n 1"
        hands.machine.run(f"{STILLWELL} drill --for '5 s'")  # fails where nobody acknowledges it
        saw(hands.until(lambda: hands.ok(heard), "the phone heard of it", 5))
