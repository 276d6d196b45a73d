"""What stands on the far side of the daemon in a machine under test, run in the machine itself:
gauges on pseudo-terminals (/dev/gauge-text, /dev/gauge-frame, /dev/gauge-modbus), boards that send
to the broker, a receiver of web hooks and pings that keeps what it hears, a line each, in
/srv/heard. Without an argument, which is the boards' password, the receiver alone.
"""

from __future__ import annotations

import asyncio
import binascii
import os
import shutil
import struct
import sys
import threading
import time
import tty
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2] / "support"))

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion
from pymodbus.server import ModbusSerialServer

from far_modbus import instruments

HEARD = Path("/srv/heard")
HOOK_PORT = 9000
EVERY_S = 0.5


def terminal(name: str) -> int:
    """Returns the far end of a new pseudo-terminal whose near end is /dev/NAME."""
    far, near = os.openpty()
    tty.setraw(far)
    tty.setraw(near)
    path = os.ttyname(near)
    shutil.chown(path, "root", "dialout")
    os.chmod(path, 0o660)
    link = Path("/dev") / name
    link.unlink(missing_ok=True)
    link.symlink_to(path)
    return far


def babble(far: int, said: bytes) -> None:
    while True:
        os.write(far, said)
        time.sleep(EVERY_S)


def cobs(payload: bytes) -> bytes:
    """Cheshire & Baker's byte stuffing, for less than 254 bytes, with a zero at the end."""
    blocks = payload.split(b"\0")
    return b"".join(bytes([len(block) + 1]) + block for block in blocks) + b"\0"


def frame() -> bytes:
    payload = struct.pack("<hH", -125, 7)
    return cobs(payload + struct.pack(">H", binascii.crc_hqx(payload, 0)))


class Hook(BaseHTTPRequestHandler):
    """Takes whatever comes."""

    def do_POST(self) -> None:
        body = self.rfile.read(int(self.headers.get("content-length", "0")))
        with HEARD.open("ab") as file:
            file.write(self.path.encode() + b" " + body.replace(b"\n", b" ") + b"\n")
        self.send_response(200)  # ntfy's own answer; Apprise takes no other for one
        self.send_header("Content-Length", "0")
        self.end_headers()

    do_GET = do_POST  # noqa: N815

    def log_message(self, *_: object) -> None:
        pass


def board(password: str) -> None:
    """A board in the room, which sends its temperature."""
    client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="board")
    client.username_pw_set("board", password)
    client.connect_async("127.0.0.1", 1883)
    client.loop_start()
    while True:
        client.publish("shelf/temperature", "21.4")
        time.sleep(EVERY_S)


def carry(one: int, other: int) -> None:
    while True:
        try:
            os.write(other, os.read(one, 256))
        except OSError:
            time.sleep(0.1)


async def modbus() -> None:
    """Instruments that listen on a terminal of their own; bytes are carried between it and ours."""
    near = terminal("gauge-modbus")
    far, served = os.openpty()
    tty.setraw(served)
    for pair in ((near, far), (far, near)):
        threading.Thread(target=carry, args=pair, daemon=True).start()
    server = ModbusSerialServer(instruments(), port=os.ttyname(served), baudrate=9600)
    await server.serve_forever()


def main() -> None:
    hooks = ThreadingHTTPServer(("127.0.0.1", HOOK_PORT), Hook)
    if len(sys.argv) == 1:
        hooks.serve_forever()
    threading.Thread(target=hooks.serve_forever, daemon=True).start()
    for name, said in (("gauge-text", b"level=-3.2 mm\r\n"), ("gauge-frame", frame())):
        threading.Thread(target=babble, args=(terminal(name), said), daemon=True).start()
    threading.Thread(target=board, args=(sys.argv[1],), daemon=True).start()
    asyncio.run(modbus())


if __name__ == "__main__":
    main()
