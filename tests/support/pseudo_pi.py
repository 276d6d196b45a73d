"""The command line on a pretended Pi: as a program of its own, ``pseudo_pi.py FOLDER init …``.

The 1-Wire bus is a folder in the shape of the kernel's sysfs, all that the driver asks for. There
is no GPIO line here, so a fake stands at the edge of the `gpiod` package (see `fake_header`); the
level of each of its lines is what a file says. Everything else is the program itself.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from functools import partial
from pathlib import Path

PROBE = "28-0316a2794a1f"


class PseudoPi:
    """The pretended machine in a folder."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.w1 = folder / "w1"
        (self.w1 / "w1_bus_master1").mkdir(parents=True)
        (folder / "gpio").mkdir()
        (folder / "gpiochip0").touch()

    def probe(self, number: str, degrees: float) -> None:
        """Plugs a probe in, or changes its temperature."""
        from stillwell_drivers.onewire import crc8

        low, high = (round(degrees * 16) & 0xFFFF).to_bytes(2, "little")
        nine = bytes((low, high, 0x4B, 0x46, 0x7F, 0xFF, 0x10 - (low & 0x0F), 0x10))
        crc = crc8(nine)
        shown = f"{(nine + bytes((crc,))).hex(' ')} : crc={crc:02x} YES\n"
        folder = self.w1 / number
        folder.mkdir(exist_ok=True)
        part = folder / "part"
        part.write_text(shown)
        part.rename(folder / "w1_slave")

    def line(self, number: int, level: int) -> None:
        """Sets the level on a line of the header; without a word it is high."""
        (self.folder / "gpio" / str(number)).write_text(str(level))

    def command(self, *arguments: object) -> list[str]:
        """Returns what to call for a command of stillwell's on this machine."""
        return [sys.executable, __file__, str(self.folder), *(str(each) for each in arguments)]


def pretend(folder: Path, put: Callable[[object, str, object], None] = setattr) -> None:
    """Puts the pretended machine in place of this one.

    Args:
        put: ``monkeypatch.setattr`` in a test's own process.
    """
    import gpiod

    from fake_header import FakeLine, Header
    from stillwell_drivers import gpio_float
    from stillwell_drivers.onewire import OneWire

    class FileLine(FakeLine):
        def __init__(self, number: int) -> None:
            self.file = folder / "gpio" / str(number)
            super().__init__()

        def __getattribute__(self, name: str) -> object:
            if name == "level":
                file: Path = object.__getattribute__(self, "file")
                return int(file.read_text() or 1) if file.exists() else 1
            return object.__getattribute__(self, name)

    header = Header()
    header.lines = {number: FileLine(number) for number in header.lines}
    put(gpiod, "Chip", header.chip)
    put(gpio_float, "_CHIPS", str(folder / "gpiochip*"))
    put(OneWire, "find", partial(OneWire.find, root=folder / "w1"))


def main() -> None:
    from stillwell.cli.main import main as stillwell

    pretend(Path(sys.argv.pop(1)))
    sys.argv[0] = "stillwell"
    stillwell()


if __name__ == "__main__":
    main()
