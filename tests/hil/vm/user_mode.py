"""A virtual machine whose kernel is a process of this one's: Debian's user-mode Linux. It has ext4,
a page cache and a network of its own and no hardware. The processor itself runs its programs: a
daemon is up in a fifth of the time that an emulated machine takes.
"""

from __future__ import annotations

import contextlib
import os
import signal
import socket
import subprocess
import time
from pathlib import Path

from guest import SLOWLY_S, Guest

MODULES = "/usr/lib/uml/modules"
NETWORKS = range(1, 63)
"""Four addresses each of 198.51.100.0/24, which nobody has (RFC 5737)."""


class UserMode(Guest):
    """One such machine, with a network of two: itself and its host. A context manager."""

    def __init__(self, image: Path, folder: Path) -> None:
        super().__init__(image, folder)
        self._folder = folder
        number = next(each for each in NETWORKS if _made(each))
        self._device = f"stillwell{number}"
        self.host = f"198.51.100.{4 * number + 1}"
        """The host's address in it."""
        self._address = f"198.51.100.{4 * number + 2}/30"

    def start(self, *disks: Path) -> None:
        """Switches it on, and waits until its agent answers. `disks`: further ones."""
        self.cut_power()
        ours, its = socket.socketpair()
        # A number space of its own ends with its first process, and with it all that it has begun.
        command = ["unshare", "--pid", "--fork", "--mount-proc", "linux.uml", "mem=512M", "quiet"]
        command += [f"ubd{n}={disk}" for n, disk in enumerate((self.image, *disks))]
        command += ["root=/dev/ubda", "rw", "init=/srv/process-1", f"address={self._address}"]
        command += ["panic=-1", f"uml_dir={self._folder}", "con=null", "con0=null,fd:2"]
        command += [f"ssl0=fd:{its.fileno()}"]
        command += [f"vec0:transport=tap,ifname={self._device},depth=64,gro=0"]
        with its, self.console.open("ab") as log:
            self._process = subprocess.Popen(
                command,
                stdin=subprocess.DEVNULL,
                stdout=log,
                stderr=log,
                pass_fds=[its.fileno()],
                env={**os.environ, "TMPDIR": "/dev/shm"},
            )
        self._greeted(ours, time.monotonic() + SLOWLY_S)

    def _kill(self, process: subprocess.Popen[bytes]) -> None:
        pid = process.pid
        with contextlib.suppress(OSError):  # it has ended by itself
            begun = Path(f"/proc/{pid}/task/{pid}/children").read_text(encoding="ascii").split()
            os.kill(int(begun[0]) if begun else pid, signal.SIGKILL)

    def __exit__(self, *_: object) -> None:
        self.cut_power()
        subprocess.run(["ip", "link", "delete", self._device])


def _made(number: int) -> bool:
    """Whether this network was free, and is ours now: an address is given once."""
    device, address = f"stillwell{number}", f"198.51.100.{4 * number + 1}/30"
    subprocess.run(["ip", "tuntap", "add", "dev", device, "mode", "tap"], capture_output=True)
    given = subprocess.run(["ip", "address", "add", address, "dev", device], capture_output=True)
    if given.returncode == 0:
        subprocess.run(["ip", "link", "set", device, "up"], check=True)
    return given.returncode == 0
