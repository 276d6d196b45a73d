"""All benches of the spine in one table.

    python tests/bench/all.py [--quick]

Takes some minutes (`--quick`: about one). The benches of single parts (`bench_judge.py`,
`bench_watch.py`, `bench_level.py` and others like them) have tables of their own.
"""

from __future__ import annotations

import argparse
import platform
import sys
from importlib import import_module

from rich.console import Console
from table import Line, show

SPINE = ("bench_replay", "bench_live", "bench_latency", "bench_writes", "bench_review")


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--quick", action="store_true", help="a short form: less data, less time")
    quick = parser.parse_args().quick
    lines: list[Line] = []
    for name in SPINE:
        with Console(stderr=True).status(name):
            lines += import_module(name).measure(quick)
    show(lines, f"Python {platform.python_version()}, {platform.machine()}, {sys.platform}")


if __name__ == "__main__":
    main()
