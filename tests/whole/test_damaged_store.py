"""A store that is damaged, deleted or of a later version, under a daemon with a real broker: it
watches, and the phone hears what is the matter and what was kept."""

from __future__ import annotations

import json
import sqlite3
import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import Any

import damaged_store as damage
from command_line import STILLWELL

Make = Callable[..., Any]


class Phone:
    """What it hears of one alarm."""

    def __init__(self, listener: Any, alarm: str) -> None:
        self._listener = listener
        self._alarm = alarm

    def heard(self, kind: str) -> list[str]:
        heard = [json.loads(h.payload) for h in self._listener.on("stillwell/reading-room/notice")]
        return [
            f"{n['title']}\n{n['text']}"
            for n in heard
            if n["alarm"] == self._alarm and n["kind"] == kind
        ]


def spoilt_store(path: Path) -> int:
    """A store with a life behind it and two pages spoilt. Returns how many readings were on
    them."""
    damage.live(path)
    pages = damage.rows_by_page(path)
    reading = [page for page, tables in pages.items() if "reading" in tables][20]
    done = next(page for page, tables in pages.items() if "done" in tables)
    damage.spoil(path, [reading, done])
    return len(pages[reading]["reading"])


class TestADamagedStore:
    def test_is_brought_over_and_the_phone_hears_how_much(
        self, daemon: Make, broker: Make, listen: Make, fault: Make
    ) -> None:
        mosquitto = broker()
        listener = listen(mosquitto.port, "stillwell/reading-room/#")
        phone = Phone(listener, "store.damaged")
        tank = daemon(port=mosquitto.port, faults=[fault("probe-gone", 60, target="water-b")])
        lost = spoilt_store(tank.store)
        tank.start()
        tank.until(lambda: phone.heard("raised"), "the phone hears of the damage")
        tank.until(lambda: phone.heard("returned"), "the phone hears what was kept")
        assert "readings are being brought over" in phone.heard("raised")[0]
        [text] = phone.heard("returned")
        assert f"{9000 - lost:,} of 9,000 readings of the old store are kept." in text
        assert f"Lost: {lost} (" in text
        assert "replace it soon" in text
        assert not Phone(listener, "store.failing").heard("raised")
        silent = Phone(listener, "water-b.silent")
        tank.until(lambda: silent.heard("raised"), "it watches")
        with tank.reader() as reader:
            assert reader.rescues()[0].lost == lost
            assert len(reader.journal()) == 120
        checked = subprocess.run(
            [STILLWELL, "check", "-c", tank.config, "--no-notice", "--json"],
            capture_output=True,
            text=True,
            timeout=120,
        )
        points = json.loads(checked.stdout)["points"]
        [point] = [p for p in points if p["name"] == "rescue"]
        assert f"Lost: {lost}" in point["what"]
        assert tank.stop() == 0
        assert "Traceback" not in tank.said()


class TestALaterVersion:
    def test_is_told_while_watching_and_taken_up_when_it_is_put_right(
        self, daemon: Make, broker: Make, listen: Make, fault: Make
    ) -> None:
        mosquitto = broker()
        listener = listen(mosquitto.port, "stillwell/reading-room/#")
        phone = Phone(listener, "store.failing")
        tank = daemon(port=mosquitto.port, faults=[fault("probe-gone", 60, target="water-b")])
        damage.live(tank.store, readings=300)
        db = sqlite3.connect(tank.store)
        (version,) = db.execute("PRAGMA user_version").fetchone()
        db.execute("PRAGMA user_version = 9999")
        db.close()
        tank.start()
        tank.until(lambda: phone.heard("raised"), "the phone hears that nothing is kept")
        assert "version 9999" in phone.heard("raised")[0]
        assert "Install the version that wrote it" in phone.heard("raised")[0]
        silent = Phone(listener, "water-b.silent")
        tank.until(lambda: silent.heard("raised"), "the phone hears of the silent probe")
        db = sqlite3.connect(tank.store)
        db.execute(f"PRAGMA user_version = {version}")
        db.close()
        tank.until(lambda: phone.heard("returned"), "it is taken up without a restart")
        assert tank.stop() == 0
        with tank.reader() as reader:
            assert len(list(reader.all_readings())) > 300
        assert "Traceback" not in tank.said()


class TestADeletedStore:
    def test_is_told_made_again_and_kept_from_a_second_daemon(
        self, daemon: Make, broker: Make, listen: Make
    ) -> None:
        mosquitto = broker()
        phone = Phone(listen(mosquitto.port, "stillwell/reading-room/#"), "store.damaged")
        tank = daemon(port=mosquitto.port, commit_every="5 min")
        tank.start()
        tank.until(lambda: len(tank.readings("water-a")) > 40, "it reads")
        before = tank.readings("water-a")
        for file in tank.store.parent.glob(f"{tank.store.name}*"):
            file.unlink()
        second = subprocess.run(
            [STILLWELL, "run", "-c", tank.config], capture_output=True, text=True, timeout=120
        )
        assert second.returncode not in (0, None)
        assert f"process {tank.process.pid}" in second.stderr
        tank.until(lambda: phone.heard("returned"), "the phone hears that it was deleted")
        assert "Somebody deleted the store's file" in phone.heard("raised")[0]
        assert tank.stop() == 0
        kept = tank.readings("water-a")
        assert kept[: len(before)] == before
