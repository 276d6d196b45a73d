"""Machines under test: what they have in common."""

from __future__ import annotations

from collections.abc import Callable

import pytest


@pytest.fixture
def saw(request: pytest.FixtureRequest) -> Callable[[str], None]:
    """Notes what a test saw: printed at the end of the run, a line a test."""

    def note(what: str) -> None:
        request.node.user_properties.append(("saw", what))

    return note
