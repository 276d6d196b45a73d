"""The tank of the power cuts: a busy daemon on a machine whose process 1 is a few lines in place
of systemd, since the boot is most of the time that a cut takes; and a keeper outside, who notes.
"""

from __future__ import annotations

import json
import re
import threading
from pathlib import Path

from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion

import busy_tank
import guest
from kill_campaign import NAME

SUITE = "bookworm"
COMMIT_S = 30.0
STATE = "/var/lib/stillwell"
SETTINGS = (
    busy_tank.TANK.replace("5 s", f"{COMMIT_S:.0f} s")
    + busy_tank.ROOM_AIR
    + """
[source.tank]
driver = "simulated"
every = "1 s"
seed = 7
[source.tank.channels]
water-a = { sees = "water", noise = "0.03 K" }
water-b = { sees = "water-b", noise = "0.03 K" }
level = { sees = "level", noise = "1 mm" }
[channel.water-a]
quantity = "temperature"
[channel.water-b]
quantity = "temperature"
[channel.level]
quantity = "level"

[sink.broker]
kind = "mqtt"
host = "10.0.2.2"
port = PORT
"""
)
ROOM = "read up rest </proc/uptime; [ $((${up%.*} / 12 % 2)) = 0 ] && echo t=21.5 || echo t=29\n"
PROCESS_1 = """#!/bin/sh
export PATH=/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin
mount -t devtmpfs none /dev
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
done >/dev/console 2>&1 </dev/null &
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


def image(root: Path, folder: Path, port: int, process_1: str = PROCESS_1) -> Path:
    """A disk with stillwell on it, and a process 1 that only runs it; its broker is at a port of
    this machine's."""
    files = {
        busy_tank.SETTINGS_FILE: SETTINGS.replace("PORT", str(port)),
        "/srv/room": ROOM,
        "/srv/process-1": process_1,
        "/srv/look.py": LOOK,
    }
    return guest.disk(SUITE, root, folder, files, "chmod +x /srv/process-1")
