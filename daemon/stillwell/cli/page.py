"""``stillwell page``: the tank on a phone."""

from __future__ import annotations

import os
import sys
from importlib.util import find_spec
from pathlib import Path
from typing import Annotated

import typer

from stillwell.cli.options import StoreOption, lacks

NEEDS = ("starlette", "uvicorn", "jinja2", "segno", "prometheus_client")


def page(
    listen: Annotated[
        str, typer.Option(help="Where to listen: ADDRESS:PORT.", show_default="127.0.0.1:8080")
    ] = "",
    set_passphrase: Annotated[
        bool, typer.Option("--set-passphrase", help="Set the passphrase, and end.")
    ] = False,
    role: Annotated[
        str, typer.Option(help="Whose passphrase: act, or look for who may only look.")
    ] = "act",
    qr: Annotated[
        bool, typer.Option("--qr", help="Print the page's address for a phone to scan, and end.")
    ] = False,
    config: Annotated[
        list[Path] | None,
        typer.Option(
            "--config",
            "-c",
            help="The configuration; once for each tank. Default: the usual one, and those in "
            "/etc/stillwell/tanks.",
            show_default=False,
        ),
    ] = None,
    store: StoreOption = None,
) -> None:
    """Serve the tank as a web page: what is now, the nights, the book; answers to alarms.

    Beyond this machine it is served with a passphrase only. As a service systemd starts it at the
    first visit: sudo systemctl enable --now stillwell-page.socket

    Example: stillwell page --set-passphrase
    """
    for name in NEEDS:
        if find_spec(name) is None:
            lacks(name.replace("_", "-"), "The page")
    if role not in ("act", "look"):
        raise typer.BadParameter("Write act or look.")
    arguments = [f"--config={file}" for file in config or ()]
    arguments += [f"--store={store}"] if store else []
    arguments += [f"--listen={listen}"] if listen else []
    arguments += ["--set-passphrase", f"--role={role}"] if set_passphrase else []
    arguments += ["--qr"] if qr else []
    # A fresh interpreter without the modules of the command line, with the same process number:
    # systemd gave its sockets to that.
    os.execv(sys.executable, [sys.executable, "-m", "stillwell.page", *arguments])
