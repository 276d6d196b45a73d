"""How many examples a property is tried on: in the default form fewer, and always the same."""

from __future__ import annotations

from hypothesis import settings

FULL = 100
"""Hypothesis's own number; with --long."""
SHORT = 25

# No test asserts a time, hypothesis with its deadline of 200 ms an example included.
settings.register_profile("full", deadline=None, max_examples=FULL)
settings.register_profile("short", deadline=None, max_examples=SHORT, derandomize=True)


def use(*, full: bool) -> None:
    """Before the tests are imported."""
    settings.load_profile("full" if full else "short")


def examples(number: int) -> settings:
    """So many with --long, and in the default form as much fewer as of any property."""
    return settings(max_examples=max(1, number * settings().max_examples // FULL))
