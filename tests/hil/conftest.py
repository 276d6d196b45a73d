"""Tests for a real Pi with its real sensors, and nothing else: nobody here can stand in for them.

    export STILLWELL_HIL=/etc/stillwell/stillwell.toml
    .venv/bin/pytest tests/hil                               # looks only
    STILLWELL_HIL_HANDS=1 .venv/bin/pytest tests/hil -s      # asks for a hand

The daemon must not run meanwhile: a probe or a line can be had only once. Without the variable all
of them are skipped. With `config/reading-room-simulated.toml` in it they run on any machine, which
shows that the tests work, and nothing of the hardware.
"""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from stillwell.acquire.source import Source
from stillwell.settings import Settings, load
from stillwell.wiring.sources import sources


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    here = Path(__file__).parent
    for item in items:
        if here != item.path.parent:
            continue
        if not os.environ.get("STILLWELL_HIL"):
            item.add_marker(pytest.mark.skip(reason="needs a Pi: set STILLWELL_HIL"))
        elif item.get_closest_marker("hands") and not os.environ.get("STILLWELL_HIL_HANDS"):
            item.add_marker(pytest.mark.skip(reason="needs a hand: set STILLWELL_HIL_HANDS=1"))


@pytest.fixture(scope="session")
def settings() -> Settings:
    """The settings of the machine under test."""
    return load(Path(os.environ["STILLWELL_HIL"]))


@pytest.fixture(scope="session")
def buses(settings: Settings) -> dict[str, list[Source]]:
    """Its sources, by the bus that they share."""
    return sources(settings)
