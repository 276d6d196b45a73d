"""The tank of the power cuts: a busy daemon on a machine whose process 1 is a few lines in place
of systemd, since the boot is most of the time that a cut takes; and a keeper outside, who notes.
"""

from __future__ import annotations

import contextlib
import json
import re
import threading
from collections.abc import Iterator
from pathlib import Path

from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion

import busy_tank
import guest
from free_ports import free_port
from kill_campaign import NAME
from real_broker import Broker
from user_mode import UserMode

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
host = "HOST"
port = PORT
"""
)
ROOM = "read up rest </proc/uptime; [ $((${up%.*} / 12 % 2)) = 0 ] && echo t=21.5 || echo t=29\n"
PROCESS_1 = """#!/bin/sh
export PATH=/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin
mount -t proc none /proc
hostname tank
ip link set lo up
ip link set vec0 up
ip address add $address dev vec0
while [ ! -e /run/enough ]; do
    setpriv --reuid=stillwell --regid=stillwell --init-groups \\
        stillwell run --config /etc/stillwell/stillwell.toml &
    echo $! >/run/daemon
    wait $!
    sleep 5
done >/dev/console 2>&1 </dev/null &
exec python3 -IS /srv/agent.py /dev/ttyS0
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
    """Notes something else every 1.5 s, and remembers what was answered as noted."""

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
            # Each says something else: the same once more would have to be said for certain.
            text, key = f"looked, time {self._asked}", f"keeper-{self._asked}"
            note = {"kind": "note", "text": text, "key": key}
            self._client.publish(f"{NAME}/do/note", json.dumps(note), qos=1)

    def close(self) -> None:
        self._over.set()
        self._client.disconnect()
        self._client.loop_stop()


@contextlib.contextmanager
def plugged_in(
    root: Path, folder: Path, process_1: str = PROCESS_1
) -> Iterator[tuple[UserMode, Broker]]:
    """A machine that is not on yet, with a disk of this root, and the broker of its host."""
    disk = folder / "disk.img"
    with UserMode(disk, folder) as machine:
        port = free_port()
        broker = Broker(
            folder, port, [f"listener {port} {at}" for at in ("127.0.0.1", machine.host)]
        )
        broker.start()
        try:
            files = {
                busy_tank.SETTINGS_FILE: SETTINGS.replace("PORT", f"{port}").replace(
                    "HOST", machine.host
                ),
                "/srv/room": ROOM,
                "/srv/process-1": process_1,
                "/srv/look.py": LOOK,
            }
            guest.disk(None, root, folder, files, "chmod +x /srv/process-1")
            yield machine, broker
        finally:
            broker.kill()
