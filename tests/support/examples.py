"""The number of examples that a property is tried on: fewer in the default form, and always the
same ones."""

from __future__ import annotations

from hypothesis import settings

FULL = 100
"""Hypothesis's own number of examples, used with --long."""
SHORT = 25

# No test asserts a time, hypothesis with its deadline of 200 ms an example included.
settings.register_profile("full", deadline=None, max_examples=FULL)
settings.register_profile("short", deadline=None, max_examples=SHORT, derandomize=True)


def use(*, full: bool) -> None:
    """Sets the profile before the tests are imported."""
    settings.load_profile("full" if full else "short")


def examples(number: int) -> settings:
    """Runs a property with this many examples with --long, and in the default form with as much
    fewer as any property."""
    return settings(max_examples=max(1, number * settings().max_examples // FULL))
