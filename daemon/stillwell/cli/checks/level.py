"""Whether one carefully measured pour would make the known loss much more exact."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

from stillwell.cli.checks.point import Grade, Point
from stillwell.estimate.level.model import CalibrationWorth
from stillwell.observe.chamber.watch import LevelWatch
from stillwell.observe.observing import key_of
from stillwell.settings import Settings
from stillwell.store import StoreReader
from stillwell.units import Dimension, show
from stillwell.wiring.plans.level import level_plan

NIGHT_MS = 10 * 3_600_000
JUG_ML = 5.0
"""The error of weighing a litre of water on a kitchen scale, with what stays in the jug, in mL
(common practice)."""


def calibration(settings: Settings, store: Path) -> Iterator[Point]:
    """Yields one point if a pour would halve the interval of a night's loss, or if the chamber is
    known well enough; none where nothing is known yet. Raises `StoreError`."""
    plan = level_plan(settings)
    if plan is None or not store.exists():
        return
    watch = LevelWatch(plan)
    with StoreReader.open(store) as reader:
        kept = reader.described(key_of(watch))
    if kept is None:
        return
    try:
        watch.restore(json.loads(kept)["state"])
    except (ValueError, KeyError, TypeError):
        return
    worth = watch.calibration(NIGHT_MS, JUG_ML)
    if not isinstance(worth, CalibrationWorth):
        return
    before, after = (
        show(half, Dimension.VOLUME, settings.tank.units) for half in (worth.before, worth.after)
    )
    facts = {"pour_ml": worth.ml, "before_ml": worth.before, "after_ml": worth.after}
    if not worth.halves:
        what = f"The chamber is known well enough: ten hours' loss to ± {before}."
        yield Point("level", "calibration", Grade.WELL, what, facts=facts)
        return
    pour = show(worth.ml, Dimension.VOLUME, settings.tank.units)
    yield Point(
        "level",
        "calibration",
        Grade.NOTE,
        f"Ten hours' loss is known to ± {before}; one measured pour would make that ± {after}.",
        f"When the water is low, weigh {pour} of fresh water on a kitchen scale (1 g is 1 mL), "
        "pour it in slowly while the pump runs, and note it at once: "
        f"stillwell note pour {worth.ml:.0f} mL. Leave the chamber alone for half an hour.",
        facts,
    )
