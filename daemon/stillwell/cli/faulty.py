"""Faults and beginnings for the simulated tank, from the command line: they show what an alarm
looks like before it is real."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from stillwell.cli.options import fail

if TYPE_CHECKING:
    from stillwell.settings import Settings, Source

SIMULATED = "simulated"


def simulated(settings: Settings) -> list[Source]:
    """Returns the simulated sources; ends the command when there is none."""
    found = [source for source in settings.source.values() if source.driver == SIMULATED]
    if not found:
        fail(
            "This needs a simulated tank, and none is configured.",
            "Use config/reading-room-simulated.toml.",
        )
    return found


def only_simulated(settings: Settings, what: str) -> None:
    """Ends the command with `what` when a source has real hardware."""
    real = [s.name for s in settings.source.values() if s.driver not in (SIMULATED, "trace")]
    if real:
        fail(f"{what}: {', '.join(real)}.", "Use a configuration whose sources are simulated.")


def begun_at(settings: Settings, utc_ms: int) -> Settings:
    """Returns the settings with every simulated tank's life beginning at `utc_ms`."""
    start = datetime.fromtimestamp(utc_ms / 1000, UTC)
    for source in simulated(settings):
        settings = _changed(settings, source, start=start)
    return settings


def with_fault(
    settings: Settings,
    name: str,
    *,
    after_s: float,
    for_s: float | None = None,
    target: str = "",
    size: float | None = None,
) -> Settings:
    """Returns the settings with one more fault, on the first simulated source that it fits.

    Args:
        after_s: seconds after the tank's first moment.
        for_s: how long; None for good.
    """
    from pydantic import ValidationError

    from stillwell_drivers.tank_faults import FAULTS

    if name not in FAULTS:
        fail(f'The simulated tank knows no fault "{name}".', _hint(name))
    fault: dict[str, Any] = {"name": name, "after": f"{after_s:.0f} s", "target": target}
    if for_s is not None:
        fault["for"] = f"{for_s:.0f} s"
    if size is not None:
        fault["size"] = size
    made: Settings | None = None
    why = ""
    for source in simulated(settings):
        faults = [*source.settings.faults, fault]  # type: ignore[union-attr]
        try:
            made = made or _changed(settings, source, faults=faults)
        except ValidationError as error:
            why = "; ".join(str(detail["msg"]) for detail in error.errors())
    if made is None:
        fail(f'The fault "{name}" can\'t be given: {why}.', _hint(name))
    return made


def _hint(name: str) -> str:
    from difflib import get_close_matches

    from stillwell_drivers.tank_faults import FAULTS

    near = [] if name in FAULTS else get_close_matches(name, FAULTS, n=1)
    return f"{f'Did you mean {near[0]}? ' if near else ''}All of them: stillwell simulate --faults"


def _changed(settings: Settings, source: Source, **changes: Any) -> Settings:
    model = source.settings
    assert model is not None
    fields = {name: getattr(model, name) for name in type(model).model_fields}
    made = type(model).model_validate(fields | changes)
    return replace(
        settings, source=dict(settings.source) | {source.name: replace(source, settings=made)}
    )


def print_faults(*, as_json: bool) -> None:
    """Prints the table of faults that the simulated tank knows."""
    from rich.table import Table

    from stillwell.cli.console import print_json, stdout
    from stillwell_drivers.tank_faults import FAULTS

    if as_json:
        for name, kind in FAULTS.items():
            print_json({"fault": name, "part": kind.part, "says": kind.says, "size": kind.size})
        return
    table = Table("fault", "where", "what happens", "size", title="Faults of the simulated tank")
    for name, kind in FAULTS.items():
        usual = f"{kind.size:g} " if kind.size is not None else ""
        table.add_row(name, kind.part, kind.says, f"{usual}{kind.size_is}")
    stdout().print(table)
