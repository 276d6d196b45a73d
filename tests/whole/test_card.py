"""A memory card that fails under the running daemon: the kernel turns its file system read-only.

A real one: ext4 on a loop device, aborted by ``mount -o remount,abort`` (ext4(5): "Simulate the
effects of calling ext4_abort() for debugging purposes"), which is what an error on a card comes to
under ``errors=remount-ro``.
"""

from __future__ import annotations

import json
import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

Make = Callable[..., Any]


def mount(*arguments: str | Path) -> int:
    return subprocess.run(["mount", *map(str, arguments)], capture_output=True).returncode


@pytest.fixture
def card(tmp_path: Path) -> Iterator[Path]:
    """Where the card is mounted."""
    image, root = tmp_path / "card.img", tmp_path / "card"
    with image.open("wb") as file:
        file.truncate(16 << 20)
    root.mkdir()
    made = subprocess.run(["mkfs.ext4", "-q", "-F", str(image)], capture_output=True).returncode
    if made or mount("-o", "loop", image, root):
        pytest.skip("needs root and a loop device to mount a card")
    yield root
    subprocess.run(["umount", "-l", str(root)], check=True)


class TestCardThatTurnsReadOnly:
    def test_is_told_while_watching_and_warning_go_on(
        self, daemon: Make, broker: Make, listen: Make, fault: Make, card: Path
    ) -> None:
        mosquitto = broker()
        phone = listen(mosquitto.port, "stillwell/reading-room/#")
        # The probe dies only after the card did.
        faults = [fault("probe-gone", 120, target="water-b")]
        tank = daemon(port=mosquitto.port, store=card / "tank.db", faults=faults)
        tank.start()
        tank.until(lambda: tank.readings("water-a"), "it reads")
        assert mount("-o", "remount,abort", card) == 0

        def told(alarm: str) -> list[str]:
            heard = [json.loads(h.payload) for h in phone.on("stillwell/reading-room/notice")]
            return [n["text"] for n in heard if n["alarm"] == alarm and n["kind"] == "raised"]

        tank.until(lambda: told("store.failing"), "the phone hears that nothing can be kept")
        seen = len(phone.on("stillwell/reading-room/reading/water-a"))
        tank.until(lambda: told("water-b.silent"), "the phone hears of the silent probe")
        assert len(phone.on("stillwell/reading-room/reading/water-a")) > seen
        [text] = told("store.failing")
        assert "fails to read or write" in text or "read-only" in text
        assert "Watching and warning go on" in text
        assert tank.stop() == 0
        assert "Traceback" not in tank.said()
