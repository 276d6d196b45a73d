"""``python carried.py FOLDER MACHINE``: says whether what the Debian package carries (its
opt/stillwell/package, unpacked or installed) is what requirements.lock pins for that machine, for
both Pythons, and byte for byte what the wheels had."""

from __future__ import annotations

import base64
import csv
import hashlib
import re
import sys
from collections.abc import Iterator
from importlib.metadata import distributions
from pathlib import Path

from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

ROOT = Path(__file__).parents[2]
PYTHONS = {"3.11", "3.13"}
LEFT_OUT = ("..", "bin/", "share/")
"""Scripts and manuals of others, which nobody calls there."""


def pinned(python: str, machine: str) -> dict[str, str]:
    """Returns the version of each package that the lock pins for one Python on one machine."""
    text = re.sub(r"\\\n\s*", "", (ROOT / "requirements.lock").read_text(encoding="utf-8"))
    pins = [Requirement(line.partition("--hash")[0]) for line in re.findall(r"(?m)^\w.*", text)]
    here = {
        "python_version": python,
        "python_full_version": f"{python}.0",
        "platform_machine": machine,
        "sys_platform": "linux",
    }
    return {
        canonicalize_name(pin.name): str(pin.specifier).removeprefix("==")
        for pin in pins
        if pin.marker is None or pin.marker.evaluate(here)
    }


def differing(site: Path) -> Iterator[str]:
    """Yields the files that are not as the package's own record has them."""
    for record in site.glob("*.dist-info/RECORD"):
        with record.open(encoding="utf-8", newline="") as rows:
            for name, recorded, _ in csv.reader(rows):
                if not recorded or name.startswith(LEFT_OUT):
                    continue
                path = site / name
                digest = hashlib.sha256(path.read_bytes()).digest() if path.is_file() else b""
                found = base64.urlsafe_b64encode(digest).rstrip(b"=").decode()
                if found != recorded.partition("=")[2]:
                    yield str(path)


def faults(package: Path, machine: str) -> Iterator[str]:
    """Yields what is wrong with what is carried."""
    sites = {
        site.parent.name.removeprefix("python"): site
        for site in package.glob("venv/lib/python*/site-packages")
    }
    if sites.keys() != PYTHONS:
        yield f"for the Pythons {sorted(sites)} instead of {sorted(PYTHONS)}"
    for python, site in sites.items():
        has = {canonicalize_name(d.name): d.version for d in distributions(path=[str(site)])}
        ours = {name: has.pop(canonicalize_name(name), None) for name in ("stillwell", "pip")}
        if None in ours.values():
            yield f"{python}: {ours}"
        for name, version in sorted(set(has.items()) ^ set(pinned(python, machine).items())):
            yield f"{python}: {name} {version} stands in one of lock and package"
        yield from differing(site)


if __name__ == "__main__":
    sys.exit("\n".join(faults(Path(sys.argv[1]), sys.argv[2])) or 0)
