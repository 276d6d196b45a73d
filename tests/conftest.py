"""What every test may ask for: the long form of a campaign, a free port; and that no command that
one test called is still the one that is carried out in the next."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import pytest

import examples
import free_ports as ports
from stillwell.cli.called import call


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption(
        "--long",
        action="store_true",
        default=False,
        help="run campaigns in their full form, and the tests marked `long`",
    )
    parser.addoption(
        "--machine",
        action="store_true",
        default=False,
        help="run the tests of virtual machines, marked `machine` (tests/run.sh --machine)",
    )


def pytest_configure(config: pytest.Config) -> None:
    examples.use(full=config.getoption("--long"))


LONGEST_FIRST = (
    *("test_guest", "test_by_package", "test_power_cuts", "test_cut_updates", "test_debian_13"),
    *("vm", "whole", "docs", "parts", "store"),
)
"""Files and folders whose tests take longest. Where several processes share the tests, none of them
is left with a long file at the end."""


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    ranks = {name: rank for rank, name in enumerate(LONGEST_FIRST)}
    items.sort(
        key=lambda item: min(
            ranks.get(name, len(ranks)) for name in (item.path.stem, item.path.parent.name)
        )
    )
    for option, form in (("long", "long campaign"), ("machine", "virtual machine")):
        if config.getoption(f"--{option}"):
            continue
        skip = pytest.mark.skip(reason=f"{form}: runs with --{option}")
        for item in items:
            if item.get_closest_marker(option) is not None:
                item.add_marker(skip)


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """What tests of a machine saw there (fixture `saw`), a line a test."""
    reports = [
        report
        for outcome in ("passed", "failed")
        for report in terminalreporter.getreports(outcome)
        if report.when == "call"
    ]
    lines = [
        f"{report.nodeid.partition('::')[2]}: {what}"
        for report in reports
        for name, what in report.user_properties
        if name == "saw"
    ]
    if lines:
        terminalreporter.section("seen on a machine")
    for line in lines:
        terminalreporter.line(line)


@pytest.fixture(autouse=True)
def own_call() -> Iterator[None]:
    """A process carries out one command; of many tests in one, each has its own."""
    yield
    call.cache_clear()


@pytest.fixture(scope="session")
def long_run(request: pytest.FixtureRequest) -> bool:
    """Whether campaigns run in their full form."""
    return bool(request.config.getoption("--long"))


@pytest.fixture
def free_port() -> int:
    """A TCP port of 127.0.0.1 that nobody listened on a moment ago."""
    return ports.free_port()


@pytest.fixture
def free_ports() -> Callable[[], int]:
    """Gives another free TCP port of 127.0.0.1 on every call."""
    return ports.free_port
