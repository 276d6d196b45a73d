"""A tank with some days behind it, and the page in front of it: in this process or as one of its
own."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from starlette.testclient import TestClient

from command_line import ROOT, call
from stillwell.page.access import Access, Role, access_file
from stillwell.page.app import page
from stillwell.page.place import Tank, tanks
from stillwell.page.site import now_ms

ACT, LOOK = "rock pool at low tide", "only looking today"
NAME = "reading-room"
PHONE = "Niamh's phone"
KNOWN: dict[tuple[Role, str], str] = {}
"""Cookies of signed-in devices: signing in is slow on purpose, and a copied tank keeps its
devices."""


def configured(folder: Path, every: str) -> Path:
    """Writes the configuration of the simulated reading room, with this interval between readings;
    returns its path."""
    text = (ROOT / "config" / "reading-room-simulated.toml").read_text(encoding="utf-8")
    text = text.replace("/var/lib/stillwell/reading-room-simulated.db", str(folder / "tank.db"))
    text = text.replace('every = "30 s"', f'every = "{every}"')
    config = folder / "tank.toml"
    config.write_text(text, encoding="utf-8")
    return config


def lived(folder: Path, days: float = 1.5, *more: str) -> Path:
    """Lets the simulated reading room's tank live for some days; returns its configuration. One
    reading in four minutes is enough for it."""
    config = configured(folder, "4 min")
    done = call("simulate", "-c", config, "--days", days, *more)
    assert done.exit_code == 0, done.output
    return config


def tank_of(config: Path) -> Tank:
    (found,) = tanks([config], None)
    return found


class Visit:
    """A browser without a window, signed in or not.

    Args:
        role: as whom; None: a stranger.
        name: what the device is called.
    """

    def __init__(
        self,
        *of: Tank,
        role: Role | None = Role.ACT,
        name: str = PHONE,
        peer: str = "192.168.1.20",
        app: Any = None,
        **more: Any,
    ) -> None:
        self.access = Access(access_file(of[0].store))
        self.app = app or page(of, self.access, names=("tank.local",), **more)
        self.client = TestClient(
            self.app, base_url="http://tank.local", follow_redirects=False, client=(peer, 50_000)
        )
        self.csrf = ""
        if role is not None:
            cookie = KNOWN.get((role, name), "")
            visitor = self.access.visitor(cookie, now_ms()) if cookie else None
            if visitor is None:
                phrase = {Role.ACT: ACT, Role.LOOK: LOOK}[role]
                cookie = self.access.sign_in(phrase, name, now_ms()) or ""
                visitor = self.access.visitor(cookie, now_ms())
            self.client.cookies.set("stillwell", cookie)
            assert visitor is not None
            self.csrf = visitor.csrf

    def get(self, path: str, **more: Any) -> Any:
        return self.client.get(path, **more)

    def post(self, path: str, more: dict[str, str] | None = None, **rest: Any) -> Any:
        """Sends a form with its token."""
        return self.client.post(path, data={"csrf": self.csrf, **(more or {})}, **rest)

    def told(self, path: str, more: dict[str, str] | None = None) -> str:
        """Returns what the next page says after an action."""
        answer = self.post(path, more)
        assert answer.status_code == 303, answer.text
        return str(self.get(answer.headers["location"]).text)


def with_passphrases(config: Path) -> Tank:
    """Sets both passphrases; returns the tank."""
    tank = tank_of(config)
    access = Access(access_file(tank.store))
    access.set_passphrase(Role.ACT, ACT)
    access.set_passphrase(Role.LOOK, LOOK)
    for role, phrase in ((Role.ACT, ACT), (Role.LOOK, LOOK)):
        KNOWN[role, PHONE] = access.sign_in(phrase, PHONE, now_ms()) or ""
    return tank


class Served:
    """The page as a process of its own.

    Args:
        compiled: where Python keeps its bytecode, so that a second start is like that of an
            installed program, whose modules are compiled; None: compiled at each start.
    """

    def __init__(self, config: Path, port: int, *more: str, compiled: Path | None = None) -> None:
        self.port = port
        self.base = f"http://127.0.0.1:{port}"
        self.log = config.with_name(f"page-{port}.log")
        env = {
            **os.environ,  # the rest as the unit has it
            "MALLOC_ARENA_MAX": "2",
            "MALLOC_TRIM_THRESHOLD_": "131072",
        }
        if compiled is not None:
            env |= {"PYTHONPYCACHEPREFIX": str(compiled), "PYTHONDONTWRITEBYTECODE": ""}
        with self.log.open("wb") as log:
            self.process = subprocess.Popen(
                [
                    sys.executable,
                    "-m",
                    "stillwell.page",
                    f"--config={config}",
                    f"--listen=127.0.0.1:{port}",
                    *more,
                ],
                stdout=subprocess.PIPE,
                stderr=log,
                env=env,
            )
        assert self.process.stdout is not None
        line = self.process.stdout.readline()
        assert b"Listening" in line, self.log.read_text(encoding="utf-8")

    def memory_mib(self) -> float:
        pages = Path(f"/proc/{self.process.pid}/statm").read_text(encoding="ascii").split()[1]
        return int(pages) * 4096 / (1 << 20)

    def stop(self) -> None:
        self.process.terminate()
        try:
            self.process.wait(20)
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.wait()


def until(true: Callable[[], object], what: str, patience_s: float = 60.0) -> None:
    """Waits for a condition; a generous limit only ends a hung test."""
    end = time.monotonic() + patience_s
    while not true():
        assert time.monotonic() < end, f"waited in vain: {what}"
        time.sleep(0.05)
