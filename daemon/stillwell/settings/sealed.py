"""The service's credentials, for whoever runs a command by hand.

systemd gives the service its credentials in ``$CREDENTIALS_DIRECTORY``. A command in a shell has no
such variable; it looks into the folder ``credentials`` beside the configuration, from which the
service's come. Only root may read that. For anybody else it is sealed: what is in it is not known,
and what needs it cannot be had; everything else works, as looking at alarms and answering them.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Mapping
from pathlib import Path

from pydantic import BaseModel, SecretStr

FOLDER = "credentials"


def with_credentials(file: Path, environ: Mapping[str, str]) -> tuple[Mapping[str, str], str]:
    """Returns the environment with the folder of credentials in it, where there is one for us; and
    the folder that is sealed, or nothing."""
    if environ.get("CREDENTIALS_DIRECTORY"):
        return environ, ""
    folder = file.absolute().parent / FOLDER
    if not folder.is_dir():
        return environ, ""
    if not may_read(folder):
        return environ, str(folder)
    return {**environ, "CREDENTIALS_DIRECTORY": str(folder)}, ""


def may_read(folder: Path) -> bool:
    """Whether this user may read all that is in a folder."""
    return os.access(folder, os.R_OK | os.X_OK) and all(
        os.access(each, os.R_OK) for each in folder.iterdir()
    )


def unknown(model: type[BaseModel], given: Iterable[str]) -> list[str]:
    """Returns the secrets that `model` cannot do without and that are not given."""
    return sorted(
        {
            field.alias or name
            for name, field in model.model_fields.items()
            if field.is_required() and field.annotation is SecretStr
        }
        - set(given)
    )
