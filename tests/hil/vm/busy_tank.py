"""A tank with every driver and sink that a machine without sensors can have, set up as the README
and deploy/README.md tell a keeper to: installed, a broker with its access list, secrets as
credentials, a member of the group `stillwell` and an outsider.

The 1-Wire probe and the hwmon chip are trees of plain files in the kernel's form.
"""

from __future__ import annotations

import json
import shlex

from machine import PYTHON, Hands

PROBE = "28-0316a2794a1f"
BROKER_WORD, BOARD_WORD, PHONE_WORD = "wet-otter-41", "dry-board-17", "grey-heron-08"

TANK = """
[tank]
name = "reading-room"
zone = "Europe/Dublin"
volume = "68 L"
[store]
path = "/var/lib/stillwell/tank.db"
commit_every = "5 s"
"""
"""The head of each machine's settings."""
ROOM_AIR = """
[source.room]
driver = "command"
every = "1 s"
run = ["/bin/sh", "/srv/room"]
channels = { by-command = { name = "t" } }
[channel.by-command]
quantity = "temperature"
[band.room-air]
of = ["by-command"]
target = "21 degC"
tolerance = "4 K"
deadband = "0.1 K"
on_delay = "1 s"
off_delay = "1 s"
"""
"""A channel whose value a script says, and an alarm that it moves within seconds."""
ALARM = "room-air.high"

SETTINGS = f"""{TANK}{ROOM_AIR}
[source.tank]
driver = "simulated"
every = "5 s"
seed = 7
channels = {{ water-a = {{ sees = "water", noise = "0.03 K" }} }}
[source.probes]
driver = "onewire"
every = "5 s"
root = "/srv/w1"
channels = {{ by-onewire = {{ probe = "{PROBE}" }} }}
[source.chip]
driver = "kernel_sensor"
every = "5 s"
root = "/srv/sys"
channels = {{ by-kernel = {{ device = "sht3x", value = "temp1_input" }} }}
[source.text]
driver = "serial_text"
every = "5 s"
port = "/dev/gauge-text"
pattern = 'level=(?P<mm>-?\\d+\\.\\d+) mm'
channels = {{ by-text = {{ group = "mm" }} }}
[source.frame]
driver = "serial_frame"
every = "5 s"
port = "/dev/gauge-frame"
framing = "cobs"
crc = "CRC-16/XMODEM"
crc_order = "big"
fields = "<hH"
channels = {{ by-frame = {{ field = 0, scale = 0.1 }} }}
[source.modbus]
driver = "modbus_rtu"
every = "5 s"
port = "/dev/gauge-modbus"
channels = {{ by-modbus = {{ unit = 1, register = 0, type = "int16", scale = 0.1 }} }}
[source.boards]
driver = "mqtt_in"
every = "5 s"
host = "127.0.0.1"
username = "boards"
channels = {{ by-mqtt = {{ topic = "shelf/temperature" }} }}

[channel.water-a]
quantity = "temperature"
[channel.by-onewire]
quantity = "temperature"
[channel.by-kernel]
quantity = "temperature"
[channel.by-text]
quantity = "level"
[channel.by-frame]
quantity = "level"
[channel.by-modbus]
quantity = "level"
[channel.by-mqtt]
quantity = "temperature"

[sink.broker]
kind = "mqtt"
host = "127.0.0.1"
username = "stillwell"
[sink.history]
kind = "influx"
url = "http://127.0.0.1:8428"
[sink.niamh]
kind = "push"
pictures = false
[sink.watcher]
kind = "ping"
url = "http://127.0.0.1:9000/ping"
minutes = 1
"""
HOOK = "json://127.0.0.1:9000/niamh"
"""The recipient's address, which is a secret."""

CHANNELS = {
    "water-a": None,
    "by-command": 21.5,
    "by-onewire": 25.3125,
    "by-kernel": 21.9,
    "by-text": -3.2,
    "by-frame": -12.5,
    "by-modbus": -12.5,
    "by-mqtt": 21.4,
}
"""Each channel, and the value that it must have; None: any."""

BROKER = """listener 1883 127.0.0.1
allow_anonymous false
password_file /etc/mosquitto/passwd
acl_file /etc/mosquitto/tank.acl
"""
MORE_USERS = """
user boards
topic read shelf/#
user board
topic write shelf/#
"""
MOST_ANSWERS = 12
UNPACKING = (
    "until find /opt/stillwell/package -name '*.dpkg-new' -print -quit | grep -q .; "
    "do sleep 0.05; done"
)
"""Waits until dpkg is at work on the package's files."""
INSTALL = "/srv/src/deploy/install.sh"
SETTINGS_FILE = "/etc/stillwell/stillwell.toml"


def install(hands: Hands) -> str:
    """Runs install.sh; returns what it said."""
    return hands.ok(INSTALL)


def stand_far(hands: Hands, password: str = BOARD_WORD) -> None:
    """Starts what is at the far ends; without a password the receiver of web hooks alone."""
    command = f"{PYTHON} /srv/src/tests/hil/vm/far.py {password}"
    hands.ok(f"systemd-run --quiet --unit=far {command}")
    hands.ok("until (echo >/dev/tcp/127.0.0.1/9000) 2>/dev/null; do sleep 0.2; done")


def first_evening(hands: Hands, lift: str, command: str) -> str:
    """Answers `stillwell init` as a keeper does who has one probe and one float, until there is a
    message on the phone and the service watches; returns what it took, in words.

    Args:
        lift: a line of shell that moves the float.
        command: what calls `stillwell`.
    """
    evening = f"{PYTHON} /srv/src/tests/hil/vm/evening.py {shlex.quote(lift)} {command} init"
    found = json.loads(hands.ok(evening).splitlines()[-1])
    assert (found["status"], found["left"]) == (0, 0), found["said"]
    assert found["answers"] <= MOST_ANSWERS
    assert "Test from stillwell" in hands.ok("cat /srv/heard")
    hands.until(lambda: hands.shown("StatusText") == "watching", "it watches")
    return f"{found['answers']} answers, {found['seconds']:.0f} s, a message, and it watches"


def prepare(hands: Hands) -> None:
    """Everything but the service's start."""
    put, ok = hands.machine.put, hands.ok
    put("/srv/room", "echo t=21.5\n")
    put("/srv/sys/class/hwmon/hwmon0/name", "sht3x\n")
    put("/srv/sys/class/hwmon/hwmon0/temp1_input", "21900\n")
    nine = "95 01 4b 46 7f ff 0b 10 0b"
    master = "/srv/w1/w1_bus_master1"
    put(f"{master}/{PROBE}/w1_slave", f"{nine} : crc=0b YES\n{nine} t=25312\n")
    put(f"{master}/{PROBE}/temperature", "25312\n")
    ok(f"ln -s w1_bus_master1/{PROBE} /srv/w1/{PROBE}")
    share = "/opt/stillwell/current/share/config"
    ok(f"install -o mosquitto -m 0600 {share}/sample-mosquitto.acl /etc/mosquitto/tank.acl")
    ok(f"cat >>/etc/mosquitto/tank.acl <<'END'\n{MORE_USERS}\nEND")
    for user, word in (
        ("stillwell", BROKER_WORD),
        ("boards", BOARD_WORD),
        ("board", BOARD_WORD),
        ("phone", PHONE_WORD),
    ):
        ok(f"touch /etc/mosquitto/passwd; mosquitto_passwd -b /etc/mosquitto/passwd {user} {word}")
    ok("chown mosquitto: /etc/mosquitto/passwd; chmod 0600 /etc/mosquitto/passwd")
    put("/etc/mosquitto/conf.d/tank.conf", BROKER)
    ok("systemctl restart mosquitto")
    ok(
        "systemd-run --quiet --unit=victoria victoria-metrics -storageDataPath=/srv/victoria "
        "-httpListenAddr=127.0.0.1:8428 -retentionPeriod=10y"
    )
    put(SETTINGS_FILE, SETTINGS)
    secrets = {
        "sink.broker.password": BROKER_WORD,
        "source.boards.password": BOARD_WORD,
        "sink.niamh.url": HOOK,
    }
    for key, value in secrets.items():
        put(f"/etc/stillwell/credentials/{key}", value)
    ok("chmod 0600 /etc/stillwell/credentials/*; chgrp stillwell " + SETTINGS_FILE)
    ok("chmod 0640 " + SETTINGS_FILE)
    ok("useradd --create-home --groups stillwell keeper; useradd --create-home visitor")


def start(hands: Hands) -> None:
    """The service, started for good."""
    hands.ok("systemctl enable --quiet --now stillwell")


def read(hands: Hands) -> dict[str, float]:
    """Returns the value of each channel; nothing while one is missing or wrong."""
    found = {c["channel"]: c["value"] for c in hands.json("status")[-1]["channels"]}
    well = all(
        found.get(channel) is not None and (value is None or abs(found[channel] - value) < 0.01)
        for channel, value in CHANNELS.items()
    )
    return found if well else {}


def room(hands: Hands, celsius: float) -> None:
    """How warm the room is."""
    hands.machine.put("/srv/room", f"echo t={celsius}\n")


def raised(hands: Hands, alarm: str = ALARM) -> bool:
    """Whether the alarm stands."""
    calling = hands.json("status")[-1]["calling"]
    return any(alarm == found["alarm"] and found["active"] for found in calling)


def ring(hands: Hands) -> None:
    """Raises the alarm, and sees that it has reached every recipient."""
    room(hands, 29)
    hands.until(lambda: raised(hands), "the alarm is raised")
    hands.until(
        lambda: "Room" in hands.machine.run("cat /srv/heard").said, "the web hook heard of it"
    )
    topic = f"stillwell/reading-room/alarm/{ALARM}"
    heard = hands.ok(f"mosquitto_sub -u phone -P {PHONE_WORD} -t '{topic}' -C 1 -W 60")
    assert json.loads(heard)["active"] is True
    assert "/ping" in hands.ok("cat /srv/heard")


LATER = """set -e
cp -r /srv/src /srv/later
cd /srv/later/daemon/stillwell
sed -i 's/^__version__ = .*/__version__ = "7.0.0"/' __init__.py
newest=$(ls store/schema | tail -n 1)
echo 'CREATE TABLE later (x);' >"store/schema/$(printf %04d $((10#${newest%%_*} + 1)))_later.sql"
"""
"""Makes a later release's sources in /srv/later: another number, the store is laid out anew."""
