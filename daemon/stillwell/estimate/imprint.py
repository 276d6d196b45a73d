"""What an estimator holds while something is under way, as text and back.

What is learned is kept by each class in a form of its own, and outlives versions. What is only
under way (half a heater's cycle, hypotheses that are weighed against each other) is many small
objects that point to each other. An imprint is all of them as they are, for the next run of the
same program: see `form`. It keeps objects of `stillwell.estimate` and plain values. It leaves out
functions, which whoever takes it up attaches again, and attributes that refer to objects of other
parts.
"""

from __future__ import annotations

import base64
import hashlib
import json
import sys
import zlib
from collections import deque
from collections.abc import Container, Iterator
from enum import Enum
from functools import cache
from pathlib import Path
from typing import Any

_OURS = "stillwell.estimate."


@cache
def form() -> str:
    """Returns a word that changes with the estimators' program: an imprint made by another
    program does not fit."""
    here = Path(__file__).parent
    stats = ((path.name, path.stat()) for path in sorted(here.rglob("*.py")))
    seen = [(name, stat.st_size, stat.st_mtime_ns) for name, stat in stats]
    return hashlib.sha256(repr(seen).encode()).hexdigest()[:16]


def imprint(*roots: object, without: Container[str] = ()) -> str:
    """Returns everything reachable from the attributes of `roots`, except attributes with names
    in `without`, as text: packed JSON, which is a fifth as long."""
    numbers: dict[int, int] = {id(root): -1 - place for place, root in enumerate(roots)}
    found: list[dict[str, Any]] = [{} for _ in roots]
    for root, attributes in zip(roots, found, strict=True):
        for name, value in _held(root):
            before = dict(numbers)
            try:
                if name not in without:
                    attributes[name] = _written(value, numbers)
            except _ForeignError:
                numbers = before
    return base64.b85encode(zlib.compress(json.dumps(found).encode())).decode()


def take_up(text: str, *roots: object) -> None:
    """Gives `roots` the attributes that `imprint` found; leaves alone what it left out. Raises
    ValueError, KeyError, TypeError or AttributeError for any other text."""
    try:
        kept = json.loads(zlib.decompress(base64.b85decode(text)))
    except zlib.error as error:
        raise ValueError("no imprint") from error
    objects: dict[int, object] = {-1 - place: root for place, root in enumerate(roots)}
    found = [
        {name: _read(value, objects) for name, value in attributes.items()}
        for _, attributes in zip(roots, kept, strict=True)
    ]
    for root, attributes in zip(roots, found, strict=True):
        for name, value in attributes.items():
            object.__setattr__(root, name, value)


class _ForeignError(Exception):
    """The object is not one that an imprint keeps."""


def _held(what: object) -> Iterator[tuple[str, Any]]:
    yield from getattr(what, "__dict__", {}).items()
    for base in type(what).__mro__:
        for name in getattr(base, "__slots__", ()):
            if hasattr(what, name):
                yield name, getattr(what, name)


def _written(value: Any, numbers: dict[int, int]) -> Any:
    """Returns a plain value as it is, and anything else as a list that begins with what it is."""
    if isinstance(value, Enum):
        return ["enum", _name(type(value)), value.value]
    if value is None or isinstance(value, bool | int | float | str):
        return value
    if isinstance(value, tuple):
        values = [_written(one, numbers) for one in value]
        return ["tuple", values] if type(value) is tuple else ["record", _name(type(value)), values]
    if id(value) in numbers:
        return ["again", numbers[id(value)]]
    if type(value) not in (dict, list, set, deque):
        name = _name(type(value))
        number = numbers[id(value)] = len(numbers)
        own = {n: _written(v, numbers) for n, v in _held(value) if not callable(v)}
        return ["object", number, name, own]
    number = numbers[id(value)] = len(numbers)
    if isinstance(value, dict):
        pairs = [[_written(k, numbers), _written(v, numbers)] for k, v in value.items()]
        return ["dict", number, pairs]
    values = [_written(one, numbers) for one in value]
    most = value.maxlen if isinstance(value, deque) else None
    return [type(value).__name__, number, values, most]


def _name(kind: type) -> str:
    if not kind.__module__.startswith(_OURS) or sys.modules.get(kind.__module__) is None:
        raise _ForeignError
    return f"{kind.__module__}:{kind.__qualname__}"


def _kind(name: str) -> Any:
    module, _, wanted = name.partition(":")
    found = getattr(sys.modules.get(module), wanted, None)
    if not module.startswith(_OURS) or not isinstance(found, type):
        raise ValueError(f"{name} is none of the estimators' classes")
    return found


def _read(kept: Any, objects: dict[int, object]) -> Any:
    if not isinstance(kept, list):
        return kept
    match kept:
        case ["enum", name, value]:
            return _kind(name)(value)
        case ["dict", number, pairs]:
            table: dict[Any, Any] = {}
            objects[number] = table
            table.update((_read(k, objects), _read(v, objects)) for k, v in pairs)
            return table
        case ["list" | "set" | "deque" as kind, number, values, most]:
            row: Any = deque(maxlen=most) if kind == "deque" else {"list": list, "set": set}[kind]()
            objects[number] = row
            add = row.add if kind == "set" else row.append
            for one in values:
                add(_read(one, objects))
            return row
        case ["tuple", values]:
            return tuple(_read(one, objects) for one in values)
        case ["record", name, values]:
            return _kind(name)(*(_read(one, objects) for one in values))
        case ["again", number]:
            return objects[number]
        case ["object", number, name, attributes]:
            made = objects[number] = object.__new__(_kind(name))
            for attribute, value in attributes.items():
                object.__setattr__(made, attribute, _read(value, objects))
            return made
    raise ValueError("no imprint")
