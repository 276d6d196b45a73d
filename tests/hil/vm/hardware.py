"""What a virtual machine's kernel pretends to have, as a Pi's has it by its device tree: a header
of GPIO lines (gpio-sim) and a 1-Wire bus with probes (w1_simulated). A unit of its own sets it up
when the machine boots.
"""

from __future__ import annotations

from collections.abc import Mapping

BANK = "/sys/kernel/config/gpio-sim/tank"
UNIT = """[Unit]
Description=What a Pi's kernel does by its device tree
DefaultDependencies=no
After=systemd-modules-load.service sys-kernel-config.mount
[Service]
Type=oneshot
ExecStart=/bin/sh /srv/hardware.sh
[Install]
WantedBy=sysinit.target
"""


def files(lines: Mapping[int, str], faults: str, more: str = "") -> dict[str, str]:
    """Returns the files of a disk that set it up, once `hardware.service` is enabled.

    Args:
        lines: the lines of the header that have a name.
        faults: of the three probes, as w1_simulated takes them; 1 is one that isn't there.
        more: further lines of shell.
    """
    named = [f"echo {name} >{BANK}/bank0/line{number}/name" for number, name in lines.items()]
    folders = " ".join(f"{BANK}/bank0/line{number}" for number in lines)
    script = [
        "modprobe gpio-simulator",
        "mountpoint -q /sys/kernel/config || mount -t configfs none /sys/kernel/config",
        f"mkdir -p {folders}",
        f"echo 28 >{BANK}/bank0/num_lines",
        f"echo pinctrl-bcm2711 >{BANK}/bank0/label",
        *named,
        f"echo 1 >{BANK}/live",
        f"modprobe w1_simulated fault={faults}",
    ]
    return {
        "/srv/hardware.sh": "\n".join(script) + f"\n{more}",
        "/etc/systemd/system/hardware.service": UNIT,
    }


def pull(line: int, way: str) -> str:
    """Returns what moves a line, in shell: "down" closes a float's switch, as water does."""
    sim = "/sys/devices/platform/gpio-sim.*/gpiochip*"
    return f"echo pull-{way} >$(echo {sim}/sim_gpio{line}/pull)"
