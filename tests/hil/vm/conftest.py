"""Machines under test: what they have in common."""

from __future__ import annotations

import os
import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

import debian
import guest


@pytest.fixture
def saw(request: pytest.FixtureRequest) -> Callable[[str], None]:
    """Notes what a test saw: printed at the end of the run, a line a test."""

    def note(what: str) -> None:
        request.node.user_properties.append(("saw", what))

    return note


@pytest.fixture(scope="session")
def debs(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with the Debian packages of these sources and of a later version: that which
    STILLWELL_PACKAGES names, or a new one."""
    if named := os.environ.get("STILLWELL_PACKAGES"):
        return Path(named)
    folder = tmp_path_factory.mktemp("debs")
    subprocess.run([debian.ROOT / "tests/hil/packages.sh", "--make", folder], check=True)
    return folder


@pytest.fixture(scope="session")
def installed_root(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """A Debian 12 in a folder with stillwell in it, by install.sh. The processes of one run that
    share the tests share it, where there is a folder that outlives each of them."""
    folder, run = os.environ.get("STILLWELL_PACKAGES"), os.environ.get("PYTEST_XDIST_TESTRUNUID")
    if folder and run:
        found = Path(folder) / f"installed-{run}"
        yield debian.made_once(found, lambda part: guest.install("bookworm", part))
        return
    root = guest.install("bookworm", tmp_path_factory.mktemp("installed") / "root")
    yield root
    debian.remove(root)
