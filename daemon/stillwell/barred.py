"""What to do for somebody who may not use a file: the words differ for a member of its group and an
outsider, and again for the service and for root."""

from __future__ import annotations

import grp
import os
import pwd
from pathlib import Path


def way_in(path: Path, *, write: bool = False) -> str:
    """Returns what to do, in a sentence or two, for the user that this process runs as.

    The answer is always the group of the folder. Nobody is told to take a file from its owner, or
    to open it to others than that group.

    Args:
        path: what may not be used; need not exist.
        write: whether it was to be written, or only read.
    """
    place = _bar(path, os.R_OK | os.W_OK if write else os.R_OK)
    try:
        found, folder = place.stat(), place.parent.stat()
    except OSError:
        return "Ask with sudo."
    group = _group(folder.st_gid)
    letters = "rw" if write else "r"
    mine = {os.getegid(), *os.getgroups()}
    if os.geteuid() == 0:
        return "Not even root may: look at `mount` and at `dmesg`."
    if os.geteuid() == found.st_uid:
        letters += "x" if place.is_dir() else ""
        return f"Its owner is denied it: chmod u+{letters} {place}."
    if place.is_dir() or folder.st_gid not in mine or found.st_gid not in (0, folder.st_gid):
        return "Ask with sudo." if found.st_gid in mine else join(place, _user(os.geteuid()))
    if write and found.st_uid == folder.st_uid:
        return (
            f"The group {group} is denied it; the service puts that right when it starts: "
            "sudo systemctl restart stillwell."
        )
    give = "" if found.st_gid == folder.st_gid else f"sudo chgrp {group} {place} && "
    return f"The group {group} is denied it: {give}sudo chmod g+{letters} {place}."


def join(place: Path, user: str) -> str:
    """Returns how `user` gets to use a file or folder of a group. Raises OSError."""
    number = place.stat().st_gid
    group = _group(number)
    if number == 0:
        return "Only root may: ask with sudo."
    if user in _members(number):
        return f"You are in the group {group}, but not yet in this session: log in again."
    return f"Ask with sudo; or join the group: sudo adduser {user} {group}, then log in again."


def _bar(path: Path, mode: int) -> Path:
    """Returns the first folder on the way that does not let us through, else the file; if that does
    not exist yet, its folder."""
    path = path.absolute()
    for folder in reversed(path.parents):
        if not os.access(folder, os.X_OK):
            return folder
    return path if os.path.lexists(path) and not os.access(path, mode) else path.parent


def _user(number: int) -> str:
    try:
        return pwd.getpwuid(number).pw_name
    except KeyError:
        return str(number)


def _group(number: int) -> str:
    try:
        return grp.getgrgid(number).gr_name
    except KeyError:
        return str(number)


def _members(number: int) -> list[str]:
    try:
        return grp.getgrgid(number).gr_mem
    except KeyError:
        return []
