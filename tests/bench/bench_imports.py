"""What each driver of sensors costs once it is open: time and memory of what it imports, beside a
process that has the settings loaded. One fresh process each, the least of five.

    .venv/bin/python tests/bench/bench_imports.py
"""

from __future__ import annotations

import subprocess
import sys

COSTS = {
    "kernel_sensor": "import stillwell_drivers.kernel_sensor",
    "command": "import stillwell_drivers.command",
    "serial_text": "import stillwell_drivers.serial_text, serial",
    "serial_frame": "import stillwell_drivers.serial_frame, serial, crccheck.crc, cobs.cobs",
    "modbus_rtu": "import stillwell_drivers.modbus_rtu, pymodbus.client",
    "mqtt_in": "import stillwell_drivers.mqtt_in, paho.mqtt.client, jsonpointer",
}
CODE = """\
import sys, time, subprocess, ssl, stillwell.wiring.assemble
def own():
    with open("/proc/self/smaps_rollup") as lines:
        return sum(int(line.split()[1]) for line in lines if line.startswith("Private"))
before, began = own(), time.perf_counter()
exec(sys.argv[1])
print(time.perf_counter() - began, own() - before)
"""


def cost(statement: str) -> tuple[float, float]:
    """Returns milliseconds and MiB."""
    runs = []
    for _ in range(5):
        code = [sys.executable, "-c", CODE, statement]
        took_s, kib = subprocess.run(
            code, capture_output=True, text=True, check=True
        ).stdout.split()
        runs.append((float(took_s) * 1000, int(kib) / 1024))
    return min(ms for ms, _ in runs), min(mib for _, mib in runs)


def main() -> None:
    for name, statement in COSTS.items():
        ms, mib = cost(statement)
        print(f"{name:15} {ms:6.0f} ms {mib:6.1f} MiB")


if __name__ == "__main__":
    main()
