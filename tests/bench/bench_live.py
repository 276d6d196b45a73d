"""What the live daemon costs: memory, processor, wake-ups, threads, start.

    python tests/bench/bench_live.py [--quick]

`stillwell run` on a simulated tank of eight channels at 1 Hz, without a sink and with MQTT to a
real mosquitto. Memory and start are measured against an interpreter that imports the very modules
that the daemon had imported (as it wrote them down at its end) and does nothing. A Pi Zero 2 W has
512 MiB.
"""

from __future__ import annotations

import tempfile
import time
from pathlib import Path

import eight_channels
from table import Line, main

SETTLE_S = 5.0


def measure(quick: bool) -> list[Line]:
    seconds = 15.0 if quick else 60.0
    lines: list[Line] = []
    for sink in ("no sink", "MQTT"):
        with tempfile.TemporaryDirectory() as name, eight_channels.broker(Path(name)) as port:
            config = eight_channels.configuration(
                Path(name), every="1 s", port=port if sink == "MQTT" else None
            )
            lines += of_one(config, sink, seconds)
    return lines


def of_one(config: Path, sink: str, seconds: float) -> list[Line]:
    modules = config.with_name("modules.json")
    with eight_channels.live(config, modules=modules) as daemon:
        time.sleep(SETTLE_S)
        before = eight_channels.usage(daemon.pid)
        began = time.monotonic()
        time.sleep(seconds)
        after = eight_channels.usage(daemon.pid)
        took = time.monotonic() - began
    with eight_channels.bare(modules) as idle:
        empty = eight_channels.usage(idle.pid)
    against = "the same imports, idle"
    cpu = 100 * (after.cpu_s - before.cpu_s) / took
    return [
        Line(
            f"resident memory, {sink}",
            after.resident_kib / 1024,
            "MiB",
            empty.resident_kib / 1024,
            against,
            1.3,
            1,
        ),
        Line(f"time to READY, {sink}", daemon.ready_s, "s", idle.ready_s, against),
        Line(f"share of one core, 8 channels at 1 Hz, {sink}", cpu, "%"),
        Line(f"wake-ups a second, {sink}", (after.wakes - before.wakes) / took, "", digits=1),
        Line(f"threads, {sink}", after.threads, "", goal=11, digits=0),
    ]


if __name__ == "__main__":
    main(measure, __doc__)
