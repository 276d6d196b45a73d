"""The installed service under this machine's systemd: what no test elsewhere can show."""

from __future__ import annotations

import os
import shutil
import subprocess
import time
from collections.abc import Iterator

import pytest

UNIT = "stillwell.service"

pytestmark = [
    pytest.mark.hands,
    pytest.mark.skipif(
        shutil.which("systemctl") is None or not os.path.isdir("/run/systemd/system"),
        reason="systemd does not run here",
    ),
]


def systemctl(*words: str) -> str:
    done = subprocess.run(["systemctl", *words], capture_output=True, text=True, timeout=120)
    return done.stdout.strip()


def shown(key: str) -> str:
    return systemctl("show", UNIT, f"--property={key}", "--value")


def wait_for_another(pid: str, seconds: float) -> str:
    """The service's process once it is not `pid` and the service is up."""
    ends = time.monotonic() + seconds
    while time.monotonic() < ends:
        now = shown("MainPID")
        if now not in (pid, "0") and shown("ActiveState") == "active":
            return now
        time.sleep(1.0)
    raise AssertionError(f"{UNIT} did not come back within {seconds:.0f} s")


@pytest.fixture(autouse=True)
def running() -> Iterator[None]:
    """The service, up before each test and after it."""
    if os.geteuid() != 0:
        pytest.skip("kills and starts a service: run it as root")
    systemctl("start", UNIT)
    yield
    systemctl("start", UNIT)


class TestTheService:
    def test_is_ready_when_systemd_says_so(self) -> None:
        assert shown("ActiveState") == "active"

    def test_comes_back_after_it_was_killed(self) -> None:
        pid = shown("MainPID")
        os.kill(int(pid), 9)
        wait_for_another(pid, 60)

    def test_is_killed_and_started_again_when_it_hangs(self) -> None:
        pid = shown("MainPID")
        os.kill(int(pid), 19)
        # The unit's watchdog barks after 90 s; then it is aborted, and killed when that hangs too.
        wait_for_another(pid, 400)
