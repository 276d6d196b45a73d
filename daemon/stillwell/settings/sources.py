"""The layers over the file: environment and systemd credentials, read through pydantic-settings.

pydantic-settings puts a variable where its name says, decodes what the field's type calls a list or
a table, and merges the layers. Ours is only what it does not do: which variable or file a value
came from, that a misspelt one is an error, and that a name in the file may have hyphens where a
variable has none.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path
from typing import Any, NamedTuple

from pydantic import BeforeValidator
from pydantic.fields import FieldInfo
from pydantic_settings import (
    BaseSettings,
    EnvSettingsSource,
    NestedSecretsSettingsSource,
    PydanticBaseSettingsSource,
    SettingsError,
)

from stillwell.settings.faults import Fault
from stillwell.settings.layers import Layers
from stillwell.shown import shown

PREFIX = "STILLWELL__"
DELIMITER = "__"
CREDENTIAL_PREFIX = "stillwell_"
"""systemd.exec(5), LoadCredential=: from a directory each file becomes a credential of its own,
named by the ID, an underscore and the file's name."""
_LARGEST_CREDENTIAL = 1 << 16

KeyPath = tuple[str, ...]


class _Given(NamedTuple):
    """One variable or credential."""

    name: str
    """The name under which pydantic-settings is to find it."""
    path: KeyPath
    text: str
    origin: str


def _no_table(tree: Any, path: KeyPath) -> str:
    """Returns the part of a path at which the tree holds something that is no table; empty
    if none."""
    for part in path[:-1]:
        if part not in tree:
            return ""
        tree = tree[part]
        if not isinstance(tree, dict):
            return part
    return ""


def _leaves(value: Any, path: KeyPath = ()) -> Iterator[KeyPath]:
    if isinstance(value, dict) and value:
        for key, below in value.items():
            yield from _leaves(below, (*path, str(key)))
    else:
        yield path


class _OneByOne(EnvSettingsSource):
    """Asks for variables one at a time, so that it is known what each gave or why it could not."""

    layers: Layers
    given: Iterable[_Given]

    def __call__(self) -> dict[str, Any]:
        """Returns the tree of the valid variables; the others become faults of the layers."""
        well: dict[str, str | None] = {}
        unknown: dict[str, Any] = {}
        origins: dict[KeyPath, str] = {}
        for each in self.given:
            self.env_vars = {each.name: each.text}
            try:
                alone = super().__call__()
            except (SettingsError, RecursionError):
                what = "The value is a list or a table here, and this is no valid JSON."
                self._fault(each, what, 'Write a list as ["water-a", "water-b"].')
                continue
            ends = [each.path[:end] for end in range(1, len(each.path))]
            stop = next((path[-1] for path in ends if path in origins), "")
            stop = stop or _no_table(self.layers.document, each.path)
            if stop:
                what = f"{shown(stop)} is no table, so nothing can be set in it."
                self._fault(each, what, "Remove it, or what it would go into.")
                continue
            if alone:
                well[each.name] = each.text
                leaves = set(_leaves(alone))
            else:
                # No such table: the frame reports it as it does for the file.
                unknown.setdefault(each.path[0], each.text)
                leaves = {each.path}
            origins |= dict.fromkeys(leaves, each.origin)
        for leaf, origin in origins.items():
            self.layers.overlay(leaf, origin)
        self.env_vars = well
        return super().__call__() | unknown

    def _fault(self, given: _Given, what: str, do: str) -> None:
        self.layers.faults.append(Fault(given.origin, None, ".".join(given.path), what, do))


class Environment(_OneByOne):
    """``STILLWELL__SINK__BROKER__PORT=1884``: two underscores separate the keys; a single one
    stands for the hyphen in a name if the file has such a name; a list or a table is JSON."""

    def __init__(
        self, settings_cls: type[BaseSettings], layers: Layers, environ: Mapping[str, str]
    ) -> None:
        # What this reads from the process's own environment is not used: `given` takes its place.
        super().__init__(settings_cls, env_prefix=PREFIX, env_nested_delimiter=DELIMITER)
        self.layers = layers
        self.given = list(self._ours(environ))

    def _ours(self, environ: Mapping[str, str]) -> Iterator[_Given]:
        for variable in sorted(environ):
            if not variable.startswith(PREFIX):
                continue
            origin = f"environment variable {variable}"
            words = variable.removeprefix(PREFIX).lower().split(DELIMITER)
            if all(words):
                path = self._spelt(words)
                yield _Given(PREFIX + DELIMITER.join(path), path, environ[variable], origin)
            else:
                do = f"Write it like {PREFIX}SINK__BROKER__PASSWORD."
                fault = Fault(origin, None, "", "The name has an empty part.", do)
                self.layers.faults.append(fault)

    def _spelt(self, words: list[str]) -> KeyPath:
        """Returns the path as the file spells it, which pydantic-settings does not look at."""
        path: KeyPath = ()
        table: Any = self.layers.document
        for word in words:
            known = table if isinstance(table, dict) else {}
            by_variable = {name.lower().replace("-", "_"): name for name in known}
            path = (*path, by_variable.get(word, word))
            table = known.get(path[-1])
        return path

    def decode_complex_value(self, field_name: str, field: FieldInfo | None, value: Any) -> Any:
        """Returns the value of JSON. Where only a driver's or a sink's own model knows the type, a
        value that does not look like a list or a table stays text: 12345678 may be a password. So
        it does where one value may stand for a list."""
        one = field is not None and any(isinstance(m, BeforeValidator) for m in field.metadata)
        if field is None or one:
            return json.loads(value) if value.lstrip()[:1] in ("[", "{") else value
        return super().decode_complex_value(field_name, field, value)


class Credentials(_OneByOne, NestedSecretsSettingsSource):
    """``$CREDENTIALS_DIRECTORY/sink.broker.password`` holds that key's value, as does
    ``stillwell_sink.broker.password``; if both exist, the first wins.

    Files whose name does not begin with a table and a dot belong to somebody else.
    """

    def __init__(
        self, file_secret_settings: PydanticBaseSettingsSource, layers: Layers, folder: Path
    ) -> None:
        """Raises `SettingsError` or `OSError` if the folder cannot be read."""
        self.layers = layers
        self.files: dict[str, Path] = {}
        self.tables = frozenset(file_secret_settings.settings_cls.model_fields)
        super().__init__(
            file_secret_settings,
            secrets_dir=folder,
            secrets_dir_missing="error",
            secrets_prefix="",
            secrets_nested_delimiter=".",
        )
        self.given = [
            _Given(name, tuple(name.split(".")), text or "", f"credential {self.files[name]}")
            for name, text in self.env_vars.items()
        ]

    def load_secrets(self, path: Path) -> dict[str, str]:  # type: ignore[override]
        """Returns our credentials by key. It replaces pydantic-settings' own method, which would
        also read the files of others, strip blanks from a secret, and not name a file that is not
        text; it is no class method, because such files are noted."""
        texts: dict[str, str] = {}
        files = sorted(path.iterdir(), key=lambda file: file.name.startswith(CREDENTIAL_PREFIX))
        for file in files:
            name = file.name.removeprefix(CREDENTIAL_PREFIX)
            parts = name.split(".")
            ours = len(parts) > 1 and parts[0] in self.tables and all(parts)
            if not ours or not file.is_file() or name in self.files:
                continue
            self.files[name] = file
            try:
                texts[name] = _secret(file)
            except OSError as error:
                what = f"The credential cannot be read: {error.strerror}."
                do = "Check who may read the file."
                self.layers.faults.append(Fault(f"credential {file}", None, name, what, do))
            except ValueError:
                what = "The credential is no UTF-8 text of at most 64 KiB."
                do = "Store the secret alone, as text."
                self.layers.faults.append(Fault(f"credential {file}", None, name, what, do))
        return texts

    def decode_complex_value(self, field_name: str, field: FieldInfo | None, value: Any) -> Any:
        """Returns the text unchanged: a secret that looks like JSON is still a secret."""
        return value


def _secret(file: Path) -> str:
    with file.open("rb") as stream:
        content = stream.read(_LARGEST_CREDENTIAL + 1)
    if len(content) > _LARGEST_CREDENTIAL:
        raise ValueError
    return content.decode("utf-8").removesuffix("\n").removesuffix("\r")


class Merged(PydanticBaseSettingsSource):
    """Gives no values. Asked last, it sees what pydantic-settings has merged, and keeps it: faults
    are explained with it even if the whole is not valid."""

    def __init__(self, settings_cls: type[BaseSettings], layers: Layers) -> None:
        super().__init__(settings_cls)
        self.layers = layers

    def get_field_value(self, field: FieldInfo, field_name: str) -> tuple[Any, str, bool]:
        return None, field_name, False

    def __call__(self) -> dict[str, Any]:
        self.layers.tree = dict(self.current_state)
        return {}
