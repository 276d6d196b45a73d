"""Virtual machines, each on a disk made from a prepared root: how a test speaks to one and cuts its
power, and the one that QEMU emulates, with Debian's own kernel (user_mode.py has the other).

The emulated one has a kernel, a clock and hardware of its own: udev, limits of memory and devices,
simulated GPIO lines, I2C chips, USB serial devices and 1-Wire probes. It is slow: a minute until it
has booted.
"""

from __future__ import annotations

import base64
import contextlib
import json
import shutil
import socket
import subprocess
import time
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any, Self

import busy_tank
import debian
import kernel
from machine import Done

HERE = Path(__file__).parent
SLOWLY_S = 1800.0
"""A limit, in s, that only ends a test whose guest does nothing any more."""
AGENT = """[Unit]
DefaultDependencies=no
After=systemd-udevd.service
Before=basic.target
[Service]
ExecStartPre=/bin/sh -c 'modprobe virtio_console; until [ -e /dev/vport*p1 ]; do sleep 0.2; done'
ExecStart=/usr/bin/python3 /srv/agent.py
OOMScoreAdjust=-900
Restart=always
RestartSec=1
[Install]
WantedBy=sysinit.target
"""
DEB_INSTALL = "apt-get install -y --no-install-recommends $(ls /srv/packages/*.deb | head -n 1)"


def taken_out(image: Path, path: str, into: Path) -> Path:
    """Copies a folder of an ext4 that nobody uses; returns where it is."""
    # 0: whole; 1: its journal was played back, as a boot does.
    checked = subprocess.run(["e2fsck", "-fp", str(image)], capture_output=True)
    assert checked.returncode in (0, 1), checked.stdout
    command = ["debugfs", "-R", f"rdump {path} {into}", str(image)]
    subprocess.run(command, check=True, capture_output=True)
    return into / Path(path).name


class GuestGoneError(Exception):
    """The virtual machine does not run, or not any more."""


def install(suite: str, root: Path, debs: Path | None = None) -> Path:
    """Makes and returns a Debian root in which stillwell is installed, and was never started: by
    the Debian package of `debs`, or else by install.sh. No machine runs: in one of these it would
    take ten times as long."""
    subprocess.run(["cp", "-a", "--reflink=auto", debian.root(suite), root], check=True)
    debian.copy_sources(root / "srv" / "src")
    debian.copy_packages(debs or debian.wheels(suite), root / "srv" / "packages")
    found = "PIP_NO_INDEX=1 PIP_FIND_LINKS=/srv/packages"
    debian.inside(root, f"{found} {busy_tank.INSTALL}" if debs is None else DEB_INSTALL)
    return root


def disk(
    suite: str | None, root: Path, folder: Path, files: Mapping[str, str], command: str
) -> Path:
    """Makes the image of a disk in a folder: of a root, with these files, after a line of bash.
    `suite`: that of an emulated machine, whose kernel and units are added."""
    image, copy = folder / "disk.img", folder / "copy"
    subprocess.run(["cp", "-a", "--reflink=auto", root, copy], check=True)
    for path, text in files.items():
        (copy / path.lstrip("/")).write_text(text, encoding="utf-8")
    debian.inside(copy, f"chgrp stillwell {busy_tank.SETTINGS_FILE}; {command}")
    shutil.copy2(HERE / "agent.py", copy / "srv" / "agent.py")
    # It holds dpkg off from waiting for the disk, which a power cut must find as on a Pi.
    (copy / "etc" / "dpkg" / "dpkg.cfg.d" / "99mmdebstrap").unlink()
    if suite is not None:
        _add_machine(suite, copy)
    make_ext4(image, 3 << 30, copy)
    debian.remove(copy)
    return image


def make_ext4(image: Path, size: int, *of: Path) -> None:
    """Makes an image with an ext4 of these bytes, empty or of a folder."""
    with image.open("wb") as file:
        file.truncate(size)
    command = ["mke2fs", "-q", "-F", "-t", "ext4", "-b", "4096"]
    subprocess.run([*command, *(f"-d{folder}" for folder in of), image], check=True)


def _add_machine(suite: str, root: Path) -> None:
    """The kernel's modules, and the agent's unit."""
    made = kernel.kernel(suite)
    shutil.copytree(made / "lib" / "modules", root / "lib" / "modules", symlinks=True)
    system = root / "etc" / "systemd" / "system"
    (system / "agent.service").write_text(AGENT)
    # It costs many seconds at each boot, for what no disk here has: snapshots of LVM.
    (system / "e2scrub_reap.service").symlink_to("/dev/null")
    wants = system / "sysinit.target.wants"
    wants.mkdir(exist_ok=True)
    (wants / "agent.service").symlink_to("/etc/systemd/system/agent.service")
    (root / "etc" / "fstab").write_text("/dev/vda / ext4 rw,relatime 0 1\n")
    (root / "etc" / "hostname").write_text("tank\n")


class Guest:
    """One virtual machine on one disk; may be started again after its power was cut."""

    def __init__(self, image: Path, folder: Path) -> None:
        self.console = folder / "console.log"
        self.image = image
        self._process: subprocess.Popen[bytes] | None = None
        self._port: socket.socket | None = None
        self._waiting = b""
        self._asked = 0

    def _greeted(self, port: socket.socket, ends: float) -> None:
        """Waits until the agent answers at this port."""
        self._port, self._waiting = port, b""
        while "hello" not in self._line(ends):
            pass

    def _check(self, ends: float) -> None:
        assert self._process is not None
        if self._process.poll() is not None or time.monotonic() > ends:
            with contextlib.suppress(OSError):
                said = self.console.read_text(errors="replace").splitlines()[-12:]
                raise GuestGoneError("the machine does not answer:\n" + "\n".join(said))
            raise GuestGoneError("the machine does not answer, and has said nothing")

    def wait_for(self, come: Callable[[], bool], pause_s: float = 0.01) -> None:
        """Waits until something outside has come of what it does.

        Raises:
            GuestGoneError: it does not run any more, or nothing has come for SLOWLY_S.
        """
        ends = time.monotonic() + SLOWLY_S
        while not come():
            self._check(ends)
            time.sleep(pause_s)

    def _line(self, ends: float) -> dict[str, Any]:
        assert self._port is not None
        self._port.settimeout(2.0)
        while b"\n" not in self._waiting:
            self._check(ends)
            with contextlib.suppress(TimeoutError):
                got = self._port.recv(65536)
                if not got:
                    raise GuestGoneError("the machine's power is off")
                self._waiting += got
        line, _, self._waiting = self._waiting.partition(b"\n")
        found: dict[str, Any] = json.loads(line)
        return found

    def run(self, command: str, user: str = "root", timeout_s: float = SLOWLY_S) -> Done:
        assert self._port is not None
        self._asked += 1
        asked = {"id": self._asked, "command": command, "user": user}
        self._port.sendall(json.dumps(asked).encode() + b"\n")
        ends = time.monotonic() + timeout_s
        while (answer := self._line(ends)).get("id") != self._asked:
            pass
        return Done(answer["status"], answer["said"])

    def put(self, path: str, text: str) -> None:
        data = base64.b64encode(text.encode()).decode()
        command = f"mkdir -p $(dirname {path}) && echo {data} | base64 -d >{path}"
        assert self.run(command).status == 0

    def cut_power(self) -> None:
        """Ends it at once, whatever it is doing; what its disk has not taken yet is lost."""
        if self._process is not None:
            self._kill(self._process)
            self._process.wait()
        if self._port is not None:
            self._port.close()
        self._process = self._port = None

    def _kill(self, process: subprocess.Popen[bytes]) -> None:
        process.kill()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.cut_power()


class Emulated(Guest):
    """The one that QEMU emulates."""

    def __init__(self, suite: str, image: Path, folder: Path) -> None:
        super().__init__(image, folder)
        self._kernel = kernel.kernel(suite)
        self._socket = folder / "agent"

    def start(self, clock: str = "utc") -> None:
        """Switches it on, and waits until its agent answers. `clock`: what its clock says then, as
        1970-01-01T00:00:10; else the host's."""
        self.cut_power()
        self._socket.unlink(missing_ok=True)
        command = ["qemu-system-x86_64", "-accel", "tcg,thread=multi"]
        # One of 2008: what newer ones have more costs a tenth of the time and is of no use here.
        command += ["-cpu", "Nehalem"]
        command += ["-smp", "1", "-m", "640", "-nodefaults", "-no-reboot", "-display", "none"]
        command += ["-serial", f"file:{self.console}"]
        command += ["-kernel", str(self._kernel / "vmlinux")]
        command += ["-initrd", str(self._kernel / "initrd.img")]
        words = "console=ttyS0 root=/dev/vda rw quiet panic=-1 nokaslr mitigations=off"
        words += " no_timer_check systemd.show_status=0"
        command += ["-append", words]
        command += ["-drive", f"file={self.image},if=virtio,format=raw,cache=writeback"]
        command += ["-device", "virtio-serial-pci"]
        command += ["-chardev", f"socket,id=agent,path={self._socket},server=on,wait=off"]
        command += ["-device", "virtserialport,chardev=agent,name=org.stillwell.agent"]
        command += ["-rtc", f"base={clock}"]
        self._process = subprocess.Popen(
            command, stdin=subprocess.DEVNULL, stderr=subprocess.STDOUT
        )
        self._connect()

    def _connect(self) -> None:
        ends = time.monotonic() + SLOWLY_S
        while True:
            self._check(ends)
            port = socket.socket(socket.AF_UNIX)
            try:
                port.connect(str(self._socket))
            except OSError:
                port.close()
                time.sleep(0.2)
                continue
            self._greeted(port, ends)
            return
