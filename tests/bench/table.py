"""What a bench prints: ours beside a reference of the same run, their ratio, and the goal.

Every bench of the spine has a `measure(quick)` that returns its lines; `show` prints them as one
table. Nothing is asserted: times belong to a machine and a moment, and a ratio of one run tells
more than a limit would.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable, Iterable
from dataclasses import dataclass

from rich.console import Console
from rich.table import Table


@dataclass(frozen=True)
class Line:
    """One measurement.

    `goal` is the most that the ratio may be, or the figure itself where there is no reference.
    """

    what: str
    ours: float
    unit: str
    reference: float | None = None
    against: str = ""
    """What the reference is."""
    goal: float | None = None
    digits: int = 2

    @property
    def ratio(self) -> float | None:
        return self.ours / self.reference if self.reference else None

    def cells(self) -> tuple[str, ...]:
        ratio = self.ratio
        judged = self.ours if ratio is None else ratio
        goal = "" if self.goal is None else f"≤ {self.goal:.3g}"
        held = "" if self.goal is None else ("held" if judged <= self.goal else "[bold]missed[/]")
        return (
            self.what,
            f"{self.ours:,.{self.digits}f} {self.unit}",
            "" if self.reference is None else f"{self.reference:,.{self.digits}f} {self.unit}",
            "" if ratio is None else f"{ratio:.3g}",
            goal,
            held,
            self.against,
        )


def show(lines: Iterable[Line], title: str = "") -> None:
    """Prints the lines as a table."""
    table = Table(title=title or None, title_justify="left")
    table.add_column("what")
    for name in ("ours", "reference", "ratio", "goal"):
        table.add_column(name, justify="right", no_wrap=True)
    table.add_column("")
    table.add_column("the reference is")
    for line in lines:
        table.add_row(*line.cells())
    console = Console()
    # In a file or a pipe nobody is at the other end to need a narrow table.
    Console(width=None if console.is_terminal else 160).print(table)


def main(measure: Callable[[bool], list[Line]], about: str | None) -> None:
    """The command line of one bench."""
    parser = argparse.ArgumentParser(
        description=about, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--quick", action="store_true", help="a short form: less data, less time")
    show(measure(parser.parse_args().quick))
