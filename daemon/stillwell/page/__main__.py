"""Serves the page: ``python -m stillwell.page``, which ``stillwell page`` turns into. This
process has left behind the command line and the models of the settings, which it does not need."""

from __future__ import annotations

import argparse
import asyncio
import getpass
import logging
import os
import socket
import sys
import time
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path
from urllib.parse import urlsplit

import typer
import uvicorn

from stillwell.page import passphrase
from stillwell.page.access import Access, AccessError, Role, access_file
from stillwell.page.app import page
from stillwell.page.connections import Impatient
from stillwell.page.place import Tank, tanks

EXIT_WRONG = 2
QUIET_S = 900.0
"""A server that systemd starts at a visit ends after this long without another one."""
FIRST_FD = 3
"""The first file descriptor of the sockets that systemd hands over (sd_listen_fds(3))."""
USUAL = "127.0.0.1:8080"
log = logging.getLogger("stillwell.page")


def main(argv: Sequence[str] | None = None) -> int:
    """Returns the exit status."""
    asked = _parser().parse_args(argv)
    logging.basicConfig(level=logging.WARNING, format="%(levelname)s %(name)s: %(message)s")
    try:
        found = tanks(asked.config, asked.store)
        if not found:
            return _wrong("There is no configuration of a tank. Name one: --config FILE")
        access = Access(access_file(found[0].store))
        if asked.set_passphrase:
            return _set(access, Role(asked.role))
        if asked.qr:
            return _qr(found[0], asked.listen)
        return _serve(found, access, asked.listen, asked.ends_after)
    except typer.Exit as over:  # the configuration was faulty, and that has been told
        return over.exit_code
    except (AccessError, OSError) as error:
        return _wrong(str(error))


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="stillwell page")
    parser.add_argument("--config", type=Path, action="append", default=[])
    parser.add_argument("--store", type=Path)
    parser.add_argument("--listen", default="")
    parser.add_argument("--set-passphrase", action="store_true")
    parser.add_argument("--role", choices=[str(role) for role in Role], default=str(Role.ACT))
    parser.add_argument("--qr", action="store_true")
    parser.add_argument("--ends-after", type=float, default=QUIET_S)
    return parser


def _wrong(text: str) -> int:
    print(text, file=sys.stderr)
    return EXIT_WRONG


def _set(access: Access, role: Role) -> int:
    if sys.stdin.isatty():
        typed = getpass.getpass(f"Passphrase to {role}: ")
        if typed != getpass.getpass("Once more: "):
            return _wrong("The two are not the same. Nothing was changed.")
    else:
        typed = sys.stdin.readline().rstrip("\n")
    if not passphrase.SHORTEST <= len(typed) <= passphrase.LONGEST:
        return _wrong(
            f"A passphrase has {passphrase.SHORTEST} to {passphrase.LONGEST} signs: four words "
            "that nobody would guess are easy to type. Nothing was changed."
        )
    access.set_passphrase(role, typed)
    print(f"The passphrase to {role} is set. Devices that had signed in to {role} sign in anew.")
    return 0


def _qr(tank: Tank, listen: str) -> int:
    import segno

    address = tank.address or f"http://{listen or USUAL}"
    if not tank.address:
        print('No [page] address = "http://tank.local:8080" says how a phone reaches this page.')
    segno.make(address, error="m").terminal(compact=True)
    print(address)
    return 0


def _serve(found: Sequence[Tank], access: Access, listen: str, quiet_s: float) -> int:
    handed = _handed()
    sockets = handed or opened(listen or USUAL)
    beyond = [s for s in sockets if not _loopback(s)]
    if beyond and not handed and not access.any_set():
        return _wrong(
            "Without a passphrase the page is served to this machine only. Set one: "
            "stillwell page --set-passphrase"
        )
    with suppress(KeyboardInterrupt):
        asyncio.run(_run(found, access, sockets, quiet_s if handed else None))
    return 0


async def _run(
    found: Sequence[Tank], access: Access, sockets: list[socket.socket], quiet_s: float | None
) -> None:
    asked_s = time.monotonic()

    def seen() -> None:
        nonlocal asked_s
        asked_s = time.monotonic()

    first = found[0]
    config = uvicorn.Config(
        page(found, access, names=own_names(), seen=seen),
        http=Impatient,
        ws="none",
        interface="asgi3",
        lifespan="on",
        proxy_headers=False,
        server_header=False,
        access_log=False,
        log_config=None,
        log_level="error",
        timeout_keep_alive=5,
        timeout_graceful_shutdown=3,
        backlog=256,
        ssl_certfile=first.certificate or None,
        ssl_keyfile=first.certificate_key or None,
    )
    server = uvicorn.Server(config)

    async def end_when_quiet(quiet_s: float) -> None:
        while not server.should_exit:
            await asyncio.sleep(quiet_s / 30)
            if not server.started:
                seen()  # whoever waits meanwhile has come
            elif not server.server_state.connections and time.monotonic() - asked_s > quiet_s:
                server.should_exit = True

    watch = None if quiet_s is None else asyncio.create_task(end_when_quiet(quiet_s))
    if watch is None:
        scheme = "https" if first.certificate else "http"
        for each in sockets:
            host, port = each.getsockname()[:2]
            print(f"Listening on {scheme}://{f'[{host}]' if ':' in host else host}:{port}/")
            sys.stdout.flush()
    await server.serve(sockets=sockets)
    if watch is not None:
        watch.cancel()


def own_names() -> list[str]:
    """Returns the names by which this machine is known in a home network."""
    name = socket.gethostname().lower()
    return [name, f"{name.partition('.')[0]}.local"]


def _handed() -> list[socket.socket]:
    """Returns the sockets that systemd has opened for us."""
    if os.environ.get("LISTEN_PID") != str(os.getpid()):
        return []
    count = int(os.environ.get("LISTEN_FDS", "0"))
    for name in ("LISTEN_PID", "LISTEN_FDS", "LISTEN_FDNAMES"):
        os.environ.pop(name, None)
    return [socket.socket(fileno=FIRST_FD + number) for number in range(count)]


def opened(listen: str) -> list[socket.socket]:
    """Returns a socket that listens at an address. Raises OSError with a sentence."""
    parts = urlsplit(f"//{listen}")
    try:
        host, port = parts.hostname or "127.0.0.1", parts.port or 8080
    except ValueError as error:
        raise OSError(f"--listen {listen} is no address. Write it like {USUAL}.") from error
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    # By its name, or asyncio does not know it for one of TCP and leaves small answers waiting.
    made = socket.socket(family, socket.SOCK_STREAM, socket.IPPROTO_TCP)
    made.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        made.bind((host, port))
        made.listen(256)  # from here on nobody is refused, who comes while the rest is made ready
    except OSError as error:
        raise OSError(f"{listen} can't be listened on: {error.strerror}.") from error
    return [made]


def _loopback(one: socket.socket) -> bool:
    if one.family == socket.AF_UNIX:
        return True
    return str(one.getsockname()[0]).startswith(("127.", "::1"))


if __name__ == "__main__":
    sys.exit(main())
