"""What every test may ask for: the long form of a campaign, a free port."""

from __future__ import annotations

import socket
from collections.abc import Callable

import pytest
from hypothesis import settings

# No test asserts a time, hypothesis with its deadline of 200 ms an example included.
settings.register_profile("untimed", deadline=None)
settings.load_profile("untimed")


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption(
        "--long",
        action="store_true",
        default=False,
        help="run campaigns in their full form, and the tests marked `long`",
    )


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    if config.getoption("--long"):
        return
    skip = pytest.mark.skip(reason="long campaign: runs with --long")
    for item in items:
        if item.get_closest_marker("long") is not None:
            item.add_marker(skip)


@pytest.fixture(scope="session")
def long_run(request: pytest.FixtureRequest) -> bool:
    """Whether campaigns run in their full form."""
    return bool(request.config.getoption("--long"))


def _free_port() -> int:
    with socket.socket(socket.AF_INET, socket.SOCK_STREAM) as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@pytest.fixture
def free_port() -> int:
    """A TCP port of 127.0.0.1 that nobody listened on a moment ago."""
    return _free_port()


@pytest.fixture
def free_ports() -> Callable[[], int]:
    """Gives another free TCP port of 127.0.0.1 on every call."""
    return _free_port
