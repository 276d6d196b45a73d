"""The service's credentials, for whoever runs a command by hand.

systemd gives the service its credentials in ``$CREDENTIALS_DIRECTORY``. A command in a shell has no
such variable; it looks where the service's credentials come from: in the folder that has the
configuration's own name (``nursery.credentials``), else in ``credentials`` beside it. Only root may
read that folder. For anybody else it is sealed: its content is unknown, and what needs it can't be
used; everything else works, such as looking at alarms and answering them.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Mapping
from pathlib import Path

from pydantic import BaseModel, SecretStr

FOLDER = "credentials"


def with_credentials(file: Path, environ: Mapping[str, str]) -> tuple[Mapping[str, str], str]:
    """Returns the environment with the folder of credentials in it, if there is one that we may
    read; and the folder that is sealed, or an empty text."""
    if environ.get("CREDENTIALS_DIRECTORY"):
        return environ, ""
    own = file.absolute().with_suffix(f".{FOLDER}")
    folder = own if own.is_dir() else own.parent / FOLDER
    if not folder.is_dir():
        return environ, ""
    if not may_read(folder):
        return environ, str(folder)
    return {**environ, "CREDENTIALS_DIRECTORY": str(folder)}, ""


def may_read(folder: Path) -> bool:
    """Whether this user may read everything in a folder."""
    return os.access(folder, os.R_OK | os.X_OK) and all(
        os.access(each, os.R_OK) for each in folder.iterdir()
    )


def unknown(model: type[BaseModel], given: Iterable[str]) -> list[str]:
    """Returns the secrets that `model` needs and that are not given."""
    return sorted(
        {
            field.alias or name
            for name, field in model.model_fields.items()
            if field.is_required() and field.annotation is SecretStr
        }
        - set(given)
    )
