"""Power cuts: a virtual machine with a busy daemon is ended at moments that chance chooses, again
and again on the same disk (ext4), and after each start everything that must hold is looked at. The
broker and those who listen to it are outside.

What is lost is the guest's memory and what its kernel had not handed to the disk; what a memory
card would still lose of its own cache is not. The guest has a process 1 of a few lines in place of
systemd, since the boot is most of the time that a cut takes. STILLWELL_CUTS says how many (30).
"""

from __future__ import annotations

import json
import os
import random
import re
import threading
import time
from collections.abc import Callable
from pathlib import Path

import pytest
from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion

from free_ports import free_port
from guest import SLOWLY_S, Guest, installed_disk
from kill_campaign import NAME, Phone
from kill_story import Story
from machine import Hands
from real_broker import Broker

pytestmark = pytest.mark.machine
Saw = Callable[[str], None]
SUITE = "bookworm"
CUTS = int(os.environ.get("STILLWELL_CUTS", "30"))
COMMIT_S = 30.0

SETTINGS = """
[tank]
name = "reading-room"
zone = "Europe/Dublin"
volume = "68 L"
[store]
path = "/var/lib/stillwell/tank.db"
commit_every = "30 s"

[source.tank]
driver = "simulated"
every = "1 s"
seed = 7
[source.tank.channels]
water-a = {{ sees = "water", noise = "0.03 K" }}
water-b = {{ sees = "water-b", noise = "0.03 K" }}
level = {{ sees = "level", noise = "1 mm" }}
[source.room]
driver = "command"
every = "2 s"
run = ["/bin/sh", "/srv/room.sh"]
channels = {{ room = {{ name = "t" }} }}

[channel.water-a]
quantity = "temperature"
[channel.water-b]
quantity = "temperature"
[channel.level]
quantity = "level"
[channel.room]
quantity = "temperature"
[band.room-air]
of = ["room"]
target = "21 degC"
tolerance = "4 K"
deadband = "0.1 K"
on_delay = "1 s"
off_delay = "1 s"

[sink.broker]
kind = "mqtt"
host = "10.0.2.2"
port = {port}
"""
ROOM = "read up rest </proc/uptime; [ $((${up%.*} / 12 % 2)) = 0 ] && echo t=21.5 || echo t=29\n"
PROCESS_1 = """#!/bin/sh
export PATH=/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin
modprobe -a virtio_console virtio_net
hostname tank
ip link set lo up
ip link set eth0 up
ip address add 10.0.2.15/24 dev eth0
while [ ! -e /run/enough ]; do
    setpriv --reuid=stillwell --regid=stillwell --init-groups \\
        stillwell run --config /etc/stillwell/stillwell.toml &
    echo $! >/run/daemon
    wait $!
    sleep 5
done >>/var/log/stillwell.log 2>&1 </dev/null &
exec python3 /srv/agent.py
"""
LOOK = """
import json, sqlite3
c = sqlite3.connect("file:/var/lib/stillwell/tank.db?mode=ro", uri=True, timeout=60)
one = lambda query: c.execute(query).fetchall()
print(json.dumps({
    "whole": one("pragma integrity_check")[0][0],
    "entries": [row[0] for row in one("select id from journal")],
    "newest": dict(one(
        "select boot_id, max(mono_ms) from reading join epoch on epoch.id = epoch group by boot_id"
    )),
    "boot": open("/proc/sys/kernel/random/boot_id").read().strip(),
}))
"""


class Keeper:
    """Notes something every second, and remembers what was answered as noted."""

    def __init__(self, port: int) -> None:
        self.answered: set[int] = set()
        self._asked = 0
        self._over = threading.Event()
        self._client = Client(CallbackAPIVersion.VERSION2, client_id="keeper")
        self._client.on_connect = lambda client, *_: client.subscribe(f"{NAME}/done", 1)
        self._client.on_message = self._on_message
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()
        threading.Thread(target=self._ask, daemon=True).start()

    def _on_message(self, _: Client, __: object, message: MQTTMessage) -> None:
        said = json.loads(message.payload)
        if said["done"] and (entry := re.match(r"Noted as entry (\d+)", said["text"])):
            self.answered.add(int(entry[1]))

    def _ask(self) -> None:
        while not self._over.wait(1.5):
            self._asked += 1
            note = {"kind": "note", "text": "looked", "key": f"keeper-{self._asked}"}
            self._client.publish(f"{NAME}/do/note", json.dumps(note), qos=1)

    def close(self) -> None:
        self._over.set()
        self._client.disconnect()
        self._client.loop_stop()


def image(folder: Path, settings: str) -> Path:
    """A disk with stillwell on it, and a process 1 that only runs it."""

    def prepare(there: Hands) -> None:
        for path, text in (("room.sh", ROOM), ("process-1", PROCESS_1), ("look.py", LOOK)):
            there.machine.put(f"/srv/{path}", text)
        there.ok("chmod +x /srv/process-1")

    return installed_disk(SUITE, folder, settings, prepare)


class Cuts:
    """The campaign."""

    def __init__(self, guest: Guest, phone: Phone, keeper: Keeper) -> None:
        self.guest, self.phone, self.keeper = guest, phone, keeper
        self.gone_s: list[float] = []
        self.wrong: list[str] = []
        self._chance = random.Random(20)
        self._cut_at: tuple[str, float] | None = None
        """The boot that was cut, and what its clock said then, in s."""

    def one(self) -> None:
        self.guest.start(init="/srv/process-1")
        answered = set(self.keeper.answered)
        up_s, seen_s = float(self._said("cut -d' ' -f1 /proc/uptime")), time.monotonic()
        self._look(answered)
        boot = self._said("cat /proc/sys/kernel/random/boot_id")
        if self._chance.random() < 0.2:
            time.sleep(self._chance.uniform(0, 10))  # while it starts
        else:
            heard = len(self.phone.notices)
            ends = time.monotonic() + SLOWLY_S
            while len(self.phone.notices) == heard and time.monotonic() < ends:
                time.sleep(0.01)
            assert len(self.phone.notices) > heard, self._said("tail /var/log/stillwell.log")
            time.sleep(self._chance.choice((0.05, 1.0, 20.0)) * self._chance.random())
        self._cut_at = (boot, up_s + time.monotonic() - seen_s)
        self.guest.cut_power()

    def _said(self, command: str) -> str:
        done = self.guest.run(command)
        assert done.status == 0, done.said
        return done.said.strip()

    def _look(self, answered: set[int]) -> None:
        if self._cut_at is None:
            return
        found = json.loads(self._said("runuser -u stillwell -- python3 /srv/look.py"))
        if found["whole"] != "ok":
            self.wrong.append(f"integrity: {found['whole']}")
        lost = answered - set(found["entries"])
        if lost:
            self.wrong.append(f"noted, answered and gone: {sorted(lost)[:5]}")
        boot, cut_s = self._cut_at
        if boot in found["newest"]:
            self.gone_s.append(cut_s - found["newest"][boot] / 1000)

    def settle(self, folder: Path) -> Story:
        """Lets everything arrive, and returns what the store has."""
        self.guest.start(init="/srv/process-1")
        heard = len(self.phone.notices)
        ends = time.monotonic() + SLOWLY_S
        while len(self.phone.notices) < heard + 2 and time.monotonic() < ends:
            time.sleep(0.5)
        self._look(set(self.keeper.answered))
        self._said("touch /run/enough; kill $(cat /run/daemon)")
        self._said("while [ -d /proc/$(cat /run/daemon) ]; do sleep 1; done; sync")
        self.guest.cut_power()
        return Story(self.guest.taken_out("/var/lib/stillwell", folder) / "tank.db")


def test_power_cuts(tmp_path: Path, saw: Saw) -> None:
    broker = Broker(tmp_path, free_port(), [])
    broker.start()
    guest = Guest(SUITE, image(tmp_path, SETTINGS.format(port=broker.port)), tmp_path)
    phone, keeper = Phone(broker.port), Keeper(broker.port)
    began = time.monotonic()
    with guest:
        cuts = Cuts(guest, phone, keeper)
        try:
            for _ in range(CUTS):
                cuts.one()
            story = cuts.settle(tmp_path)
        finally:
            phone.close()
            keeper.close()
            broker.kill()
    wrong = list(cuts.wrong)

    def note(count: str, number: int, what: str) -> None:
        if number:
            wrong.append(f"{count}: {number}: {what}")

    story.check_store(note)
    story.check_states(phone.states, note)
    twice = story.check_heard(phone.notices, note)
    note("unheard", len(story.unheard(phone.notices)), "kept notices that nobody heard")
    saw(
        f"{CUTS} cuts in {time.monotonic() - began:.0f} s: {story.readings} readings, "
        f"{len(story.keys)} notices ({twice} heard twice, same key), "
        f"{len(keeper.answered)} notes answered; of readings at most {max(cuts.gone_s):.1f} s gone"
    )
    assert wrong == []
    assert keeper.answered, "no note was answered: nothing of them has been looked at"
    assert max(cuts.gone_s) <= COMMIT_S + 5, "more than one commit's readings are gone"
