"""The locks hold what pyproject.toml asks for: a renewal that was forgotten (tests/lock.sh) fails
here."""

from __future__ import annotations

import re
import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

ROOT = Path(__file__).parents[2]
PROJECT: dict[str, Any] = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
EXTRAS = PROJECT["project"]["optional-dependencies"]
BUILD = [*PROJECT["build-system"]["requires"], *PROJECT["dependency-groups"]["build"]]
NEEDS = {
    "build.lock": BUILD,
    "requirements.lock": [
        *PROJECT["project"]["dependencies"],
        *EXTRAS["influx"],
        *EXTRAS["push"],
    ],
    "dev.lock": [*PROJECT["project"]["dependencies"], *EXTRAS["dev"], *BUILD],
}

ENTRY = r"([\w.-]+)==([\w.]+)(?: ;[^\\]*?)?((?:\s+--hash=sha256:\w{64})*)"


@dataclass(frozen=True, slots=True)
class Pin:
    """One entry of a lock."""

    name: str
    version: str
    hashes: int
    """How many files of it are allowed."""


def pins(lock: str) -> list[Pin]:
    """The entries of a lock. Raises AssertionError for a line that is none."""
    text = (ROOT / lock).read_text(encoding="utf-8")
    found = []
    for entry in re.sub(r"\\\n", " ", re.sub(r"(?m)^#.*\n", "", text)).splitlines():
        read = re.fullmatch(ENTRY, entry)
        assert read is not None, f"{lock}: {entry[:80]}"
        found.append(Pin(canonicalize_name(read[1]), read[2], read[3].count("--hash")))
    return found


@pytest.mark.parametrize("lock", sorted(NEEDS))
class TestLocks:
    def test_hold_what_the_project_asks_for_within_its_bounds(self, lock: str) -> None:
        locked = pins(lock)
        for text in NEEDS[lock]:
            need = Requirement(text)
            versions = [p.version for p in locked if p.name == canonicalize_name(need.name)]
            assert versions, f"{lock} lacks {need.name}: run tests/lock.sh"
            for version in versions:
                assert need.specifier.contains(version), f"{lock}: {need}: run tests/lock.sh"

    def test_hold_every_file_against_a_hash(self, lock: str) -> None:
        assert [p.name for p in pins(lock) if not p.hashes] == []

    def test_pin_what_the_tests_run_with(self, lock: str) -> None:
        tested = {(p.name, p.version) for p in pins("dev.lock")}
        assert {(p.name, p.version) for p in pins(lock)} <= tested


def test_what_is_imported_has_an_upper_bound() -> None:
    """Where there are no hashes, on a 32-bit system, the bounds are all that holds the next major
    version off. Dates have none."""
    unbound = [
        text
        for text in (*PROJECT["project"]["dependencies"], *EXTRAS["influx"], *EXTRAS["push"])
        if not any(part.operator in ("<", "==") for part in Requirement(text).specifier)
    ]
    assert [Requirement(text).name for text in unbound] == ["tzdata"]
