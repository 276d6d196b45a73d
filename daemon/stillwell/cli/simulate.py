"""``stillwell simulate``: days of a simulated tank in seconds, through the whole pipeline."""

from __future__ import annotations

import uuid
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from stillwell.cli.options import (
    ConfigOption,
    JsonOption,
    StoreOption,
    fail,
    load_settings,
    reporting_store_errors,
)
from stillwell.cli.written import instant_ms, seconds

if TYPE_CHECKING:
    from stillwell.settings import Settings


def simulate(
    config: ConfigOption = None,
    store: StoreOption = None,
    days: Annotated[
        float, typer.Option(help="How many days, ending now.", min=0.01, max=3660.0)
    ] = 3.0,
    begin: Annotated[
        str,
        typer.Option("--from", help="Begin then: 2026-01-31T08:00Z. Instead of --days."),
    ] = "",
    until: Annotated[
        str, typer.Option(help="End then instead of now: 2026-01-31T08:00Z.", show_default=False)
    ] = "",
    fault: Annotated[str, typer.Option(help="Something goes wrong; see --faults.")] = "",
    after: Annotated[str, typer.Option(help="The fault begins so long after the start.")] = "1 d",
    lasts: Annotated[
        str, typer.Option("--for", help="The fault lasts so long; for good if not given.")
    ] = "",
    target: Annotated[str, typer.Option(help="The channel of a faulty sensor.")] = "",
    size: Annotated[float | None, typer.Option(help="How large the fault is.")] = None,
    faults: Annotated[bool, typer.Option("--faults", help="List the faults and end.")] = False,
    as_json: JsonOption = False,
) -> None:
    """Let a simulated tank live for some days, as fast as the machine can, into a store.

    With --json one object a line: each change of an alarm (time, alarm, state, event, active,
    priority, since, text, by), then store, readings, days.

    Example: stillwell simulate -c config/reading-room-simulated.toml -s /tmp/tank.db --days 3
    """
    from stillwell.cli import faulty

    if faults:
        faulty.print_faults(as_json=as_json)
        return
    end_ms = instant_ms(until)
    start_ms = instant_ms(begin) if begin else end_ms - round(days * 86_400_000)
    if start_ms >= end_ms:
        fail("There is nothing to simulate: the beginning is not before the end.")
    settings = load_settings(config)
    faulty.only_simulated(settings, "Real sensors can't be simulated")
    settings = faulty.begun_at(settings, start_ms)
    if fault:
        settings = faulty.with_fault(
            settings,
            fault,
            after_s=seconds(after),
            for_s=seconds(lasts) if lasts else None,
            target=target,
            size=size,
        )
    path = store or settings.store_path
    if path.exists():
        fail(f"{path} exists already.", "Name a file that doesn't, or remove it first.")
    _live(settings, path, start_ms, end_ms, as_json=as_json)


def _live(settings: Settings, path: Path, start_ms: int, end_ms: int, *, as_json: bool) -> None:
    from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

    from stillwell.cli.alarm_line import printing_changes
    from stillwell.cli.console import print_json, stderr
    from stillwell.forward import Run, drive, hurry
    from stillwell.wiring import assemble
    from stillwell.wiring.assemble import open_store
    from stillwell.wiring.sources import sources
    from stillwell.words import Reader

    bar = Progress(
        TextColumn("simulating"),
        BarColumn(),
        TextColumn("{task.percentage:3.0f} % of {task.fields[days]:g} days"),
        TimeRemainingColumn(),
        console=stderr(),
        disable=as_json,
        redirect_stdout=False,
    )
    days = (end_ms - start_ms) / 86_400_000

    told = printing_changes(Reader(settings.tank.zone, settings.tank.units), as_json=as_json)
    with reporting_store_errors():
        opened = open_store(settings, path, bulk=True)
    line = assemble.pipeline(settings, opened, told)
    with bar, hurry():
        task = bar.add_task("", total=end_ms - start_ms, days=round(days, 2))
        run = Run(
            line,
            start_ms,
            boot_id=f"simulated-{uuid.uuid4()}",
            look=lambda now: bar.update(task, completed=now - start_ms),
            look_ms=3_600_000,
        )
        every_source = [s for on_bus in sources(settings).values() for s in on_bus]
        drive(run, every_source, end_ms)
        run.end()
    taken = line.readings_taken
    line.end()
    if as_json:
        print_json({"store": str(path), "readings": taken, "days": days})
    else:
        stderr().print(f"{taken} readings of {days:g} days are in {path}", highlight=False)
