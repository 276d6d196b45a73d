"""Debian roots, Python packages and these sources for a machine under test, made from Debian's
mirror and PyPI once and kept in a folder of the user's.

    python tests/hil/vm/debian.py [bookworm|trixie]     # makes them, says where

It needs root, mmdebstrap and the network; what is there already needs neither.
"""

from __future__ import annotations

import contextlib
import fcntl
import hashlib
import os
import shutil
import subprocess
import sys
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

ROOT = Path(__file__).parents[3]
CACHE = (
    Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache") / "stillwell-hil" / "machine"
)
MIRROR = os.environ.get("STILLWELL_MIRROR", "http://deb.debian.org/debian")
PATH = "/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin"
PYTHONS = {"bookworm": "3.11", "trixie": "3.13"}
PACKAGES = (
    "systemd",
    "systemd-sysv",
    "systemd-timesyncd",
    "dbus",
    "udev",
    "kmod",
    "iproute2",
    "python3",
    "python3-venv",
    "libjs-dygraphs",
    "mosquitto",
    "mosquitto-clients",
    "i2c-tools",
    "dmsetup",
)
"""What a Pi has anyway, a broker, and tools for simulated hardware."""
SOURCES = ("daemon", "drivers", "config", "deploy", "tests/support", "tests/hil")
FILES = ("build.lock", "requirements.lock", "pyproject.toml", "README.md", "LICENSE")


class CannotBuildError(Exception):
    """What is missing for a machine, in words."""


def root(suite: str) -> Path:
    """Returns the folder of a Debian root with systemd in it; makes it when it isn't there."""
    asked = hashlib.sha256(" ".join(PACKAGES).encode()).hexdigest()[:8]
    found = CACHE / f"{suite}-{asked}"

    return made_once(found, lambda part: bootstrap(suite, part, PACKAGES))


def bootstrap(suite: str, into: Path, packages: Sequence[str]) -> None:
    """Makes a Debian root with these packages."""
    if os.geteuid() != 0:
        raise CannotBuildError("a Debian root is made by root: run this with sudo")
    if shutil.which("mmdebstrap") is None:
        raise CannotBuildError("mmdebstrap is missing: apt-get install mmdebstrap")
    call(
        "mmdebstrap",
        "--mode=root",
        "--variant=minbase",
        '--aptopt=Acquire::Languages "none"',
        "--dpkgopt=force-unsafe-io",
        "--dpkgopt=path-exclude=/usr/share/man/*",
        "--dpkgopt=path-exclude=/usr/share/locale/*",
        f"--include={','.join(packages)}",
        suite,
        str(into),
        MIRROR,
    )
    (into / "etc" / "hosts").write_text("127.0.0.1 localhost\n::1 localhost\n")


def wheels(suite: str) -> Path:
    """Returns the folder of what build.lock and requirements.lock name, for a suite's Python."""
    locks = [ROOT / "build.lock", ROOT / "requirements.lock"]
    asked = hashlib.sha256(b"".join(lock.read_bytes() for lock in locks)).hexdigest()[:8]

    def make(part: Path) -> None:
        platforms = ("manylinux2014_x86_64", "manylinux_2_17_x86_64", "manylinux_2_28_x86_64")
        call(
            sys.executable,
            *("-m", "pip", "download", "--quiet", "--no-deps", "--require-hashes"),
            *("--python-version", PYTHONS[suite], "--implementation", "cp"),
            *(word for platform in (*platforms, "any") for word in ("--platform", platform)),
            *(word for lock in locks for word in ("-r", str(lock))),
            *("--dest", str(part)),
        )

    return made_once(CACHE / f"wheels-{PYTHONS[suite]}-{asked}", make)


def copy_sources(into: Path) -> None:
    """Copies what an installation of this tree needs into a folder."""
    for name in SOURCES:
        shutil.copytree(
            ROOT / name,
            into / name,
            ignore=shutil.ignore_patterns("__pycache__"),
            dirs_exist_ok=True,
        )
    for name in FILES:
        shutil.copy2(ROOT / name, into / name)


def copy_packages(of: Path, into: Path) -> None:
    """Copies wheels or Debian packages into a folder of a root: into /srv/packages."""
    into.mkdir()
    for each in of.iterdir():
        if each.is_file() and not each.name.endswith("_arm64.deb"):
            shutil.copy2(each, into)


def made_once(found: Path, make: Callable[[Path], object]) -> Path:
    """Returns a folder of the cache, made where it is missing; cut off, it is made anew."""
    if found.exists():
        return found
    found.parent.mkdir(parents=True, exist_ok=True)
    with _alone(found.with_suffix(".lock")):
        if not found.exists():
            part = found.with_suffix(".part")
            remove(part)
            make(part)
            part.rename(found)
    return found


@contextlib.contextmanager
def _alone(file: Path) -> Iterator[None]:
    with file.open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        yield


def remove(folder: Path) -> None:
    """Removes a folder, and nothing of what may still be mounted in it."""
    subprocess.run(["rm", "-rf", "--one-file-system", str(folder)])


def call(*command: str) -> None:
    """Runs a command that must succeed."""
    done = subprocess.run(command, stdin=subprocess.DEVNULL, capture_output=True, text=True)
    if done.returncode:
        said = "\n".join((done.stdout + done.stderr).splitlines()[-8:])
        raise CannotBuildError(f"{command[0]} ended with {done.returncode}: {said}")


def inside(root: Path, command: str) -> None:
    """Runs a line of bash in a root that is not booted, without a network; it must succeed."""
    words = ["unshare", "--net", "--mount", "--pid", "--fork", f"--mount-proc={root / 'proc'}"]
    words += ["chroot", str(root), "env", "-i", f"PATH={PATH}", "HOME=/root", "LC_ALL=C.UTF-8"]
    call(*words, "DEBIAN_FRONTEND=noninteractive", "bash", "-c", command)


def main(argv: Sequence[str]) -> int:
    for suite in argv or ["bookworm"]:
        try:
            print(f"{suite}: {root(suite)}, {wheels(suite)}", flush=True)
        except CannotBuildError as error:
            print(f"{suite}: {error}", file=sys.stderr)
            return 1
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
