"""The far end of a serial line: a pseudo-terminal under the name of a USB device."""

from __future__ import annotations

import os
from pathlib import Path


class Gauge:
    """The far end of a serial line."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.name = folder / "usb-reading_room_gauge-if00"
        self.master = self.slave = -1
        self.plug()

    def plug(self) -> None:
        # The test keeps the near end open too: a terminal that nobody has open forgets its bytes.
        self.master, self.slave = os.openpty()
        self.name.symlink_to(os.ttyname(self.slave))

    def unplug(self) -> None:
        if self.master >= 0:
            os.close(self.master)
            os.close(self.slave)
            self.name.unlink()
        self.master = self.slave = -1

    def say(self, data: bytes) -> None:
        while data:
            data = data[os.write(self.master, data) :]
