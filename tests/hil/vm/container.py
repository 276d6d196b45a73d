"""A Debian root, booted with systemd in a container without a network.

It has a kernel in common with the host, and so no udev, no clock of its own, no GPIO or serial
hardware; where the host has no unified control groups, limits of memory and devices are not held.
"""

from __future__ import annotations

import contextlib
import os
import shutil
import signal
import subprocess
import time
from pathlib import Path

import debian
from machine import GENEROUS_S, Done


class Container:
    """One root of its own, booted; a context manager that ends it."""

    def __init__(self, suite: str, folder: Path, packages: Path | None = None) -> None:
        """Args: packages: what /srv/packages has; else the wheels that install.sh needs."""
        self.root = folder / "root"
        self._packages = packages
        self._log = folder / "console.log"
        self._suite = suite
        self._process: subprocess.Popen[bytes] | None = None

    def __enter__(self) -> Container:
        if os.geteuid() != 0:
            raise debian.CannotBuildError("a container is booted by root: run this with sudo")
        if shutil.which("systemd-nspawn") is None:
            raise debian.CannotBuildError("no systemd-nspawn: apt-get install systemd-container")
        made = debian.root(self._suite)
        packages = self._packages or debian.wheels(self._suite)
        subprocess.run(["cp", "-a", "--reflink=auto", made, self.root], check=True)
        debian.copy_sources(self.root / "srv" / "src")
        debian.copy_packages(packages, self.root / "srv" / "packages")
        victoria = shutil.which("victoria-metrics")
        if victoria is not None:
            shutil.copy2(victoria, self.root / "usr" / "bin")
        command = ["systemd-nspawn", "--quiet", f"--directory={self.root}", "--boot"]
        command += ["--register=no", "--private-network", "--hostname=tank", "--console=pipe"]
        command.append(f"--machine=stillwell-{os.getpid()}")
        if not Path("/run/systemd/system").exists():
            command.append("--keep-unit")
        with self._log.open("wb") as log:
            self._process = subprocess.Popen(
                command, stdin=subprocess.DEVNULL, stdout=log, stderr=log
            )
        try:
            self._wait_until_booted()
        except BaseException:
            self.__exit__()
            raise
        return self

    def _wait_until_booted(self) -> None:
        process = self._process
        assert process is not None
        ends = time.monotonic() + GENEROUS_S
        while True:
            if process.poll() is not None:
                said = self._log.read_text(errors="replace").splitlines()[-4:]
                raise debian.CannotBuildError(f"systemd-nspawn can't boot here: {' '.join(said)}")
            with contextlib.suppress(OSError, subprocess.SubprocessError):
                state = self.run("systemctl is-system-running", timeout_s=20).said.strip()
                if state in ("running", "degraded"):
                    return
            if time.monotonic() > ends:
                raise debian.CannotBuildError(f"systemd did not come up in {GENEROUS_S:.0f} s")
            time.sleep(0.3)

    @property
    def _leader(self) -> str:
        """The container's process 1, by the host's number."""
        assert self._process is not None
        pid = self._process.pid
        children = Path(f"/proc/{pid}/task/{pid}/children").read_text(encoding="ascii").split()
        if not children:
            raise OSError("the container has no process yet")
        return children[0]

    def run(self, command: str, user: str = "root", timeout_s: float = GENEROUS_S) -> Done:
        words = ["nsenter", "--target", self._leader, "--all", "env", "-i", f"PATH={debian.PATH}"]
        words += ["HOME=/root", "LANG=C.UTF-8", "PIP_NO_INDEX=1", "PIP_FIND_LINKS=/srv/packages"]
        words += ["runuser", "-u", user, "--", "bash", "-c", command]
        done = subprocess.run(
            words,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            errors="replace",
            timeout=timeout_s,
        )
        return Done(done.returncode, done.stdout)

    def put(self, path: str, text: str) -> None:
        there = self.root / path.lstrip("/")
        there.parent.mkdir(parents=True, exist_ok=True)
        there.write_text(text, encoding="utf-8")

    def __exit__(self, *_: object) -> None:
        if self._process is not None and self._process.poll() is None:
            # With its process 1 end all that it has started.
            with contextlib.suppress(OSError):
                os.kill(int(self._leader), signal.SIGKILL)
            self._process.wait(GENEROUS_S)
        debian.remove(self.root)
