"""Turns pydantic's errors into sentences for the person who wrote the file."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping
from functools import cache
from typing import Any

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from stillwell.settings.faults import Fault
from stillwell.settings.layers import Layers
from stillwell.settings.schema.values import NAME_PATTERN
from stillwell.settings.setting_error import nearest
from stillwell.settings.toml_lines import Path
from stillwell.shown import looks_secret, shown
from stillwell.units import System

_SECRETS_NAMES = frozenset({"password", "passwd", "token", "secret", "key", "url", "username"})
"""Words that stand after the "=" where somebody has written a secret before it."""

Schema = Mapping[str, Any]

_FIRST_SENTENCE = re.compile(r"(.+?[.!?]) ([A-Z].*)", re.DOTALL)

_NAME_RULE = "Names have lower-case letters a-z, digits and hyphens, and at most 40 of them"
_LIST = 'Write a list: ["water-a", "water-b"].'
_KIND = {
    "string_type": ("a text", 'Put it in quotes: "…".'),
    "string_sub_type": ("a text", 'Put it in quotes: "…".'),
    "path_type": ("a path", 'Write it in quotes: "/var/lib/stillwell/tank.db".'),
    "int_type": ("a whole number", "Write it without quotes and without a point."),
    "int_parsing": ("a whole number", "Write it without quotes and without a point."),
    "int_from_float": ("a whole number", "Write it without a point."),
    "float_type": ("a number", "Write it without quotes, with a decimal point."),
    "float_parsing": ("a number", "Write it without quotes, with a decimal point."),
    "bool_type": ("true or false", "Write true or false, without quotes."),
    "bool_parsing": ("true or false", "Write true or false, without quotes."),
    "list_type": ("a list", _LIST),
    "tuple_type": ("a list", _LIST),
    "set_type": ("a list", _LIST),
    "frozen_set_type": ("a list", _LIST),
}


# --- the model's JSON Schema, which tells what is known at a path


@cache
def _schema_of(model: type[BaseModel]) -> Schema:
    """Returns the model's JSON Schema; empty if it can't be made for a driver: then only the hints
    are missing."""
    try:
        return model.model_json_schema()
    except Exception:
        return {}


def _expanded(node: Schema, root: Schema) -> Iterator[Schema]:
    """Yields a node's alternatives, with references followed."""
    if "$ref" in node:
        name = str(node["$ref"]).rsplit("/", 1)[-1]
        yield from _expanded(root.get("$defs", {}).get(name, {}), root)
    alternatives = [
        each for word in ("anyOf", "oneOf", "allOf") for each in node.get(word, ()) if each
    ]
    for each in alternatives:
        yield from _expanded(each, root)
    if not alternatives and "$ref" not in node:
        yield node


def _fits(node: Schema, data: Any) -> bool:
    """Whether the constant keys of a node, such as a channel's quantity, agree with the data."""
    if not isinstance(data, Mapping):
        return True
    return all(
        "const" not in rule or data.get(key, rule["const"]) == rule["const"]
        for key, rule in node.get("properties", {}).items()
    )


def _at(path: Path, root: Schema, data: Any) -> list[Schema]:
    nodes = [node for node in _expanded(root, root) if _fits(node, data)]
    for part in path:
        below: list[Schema] = []
        for node in nodes:
            if isinstance(part, int):
                prefix = node.get("prefixItems", [])
                step = prefix[part] if part < len(prefix) else node.get("items")
            else:
                named = next(iter(node.get("patternProperties", {}).values()), None)
                others = named or node.get("additionalProperties")
                step = node.get("properties", {}).get(part, others)
            if isinstance(step, Mapping):
                below.extend(_expanded(step, root))
        data = _child(data, part)
        nodes = [node for node in below if _fits(node, data)] or below
    return nodes


def _child(data: Any, part: str | int) -> Any:
    if isinstance(data, Mapping):
        return data.get(part)
    if isinstance(data, list | tuple) and isinstance(part, int) and part < len(data):
        return data[part]
    return None


def _known_keys(nodes: list[Schema]) -> list[str]:
    return list(dict.fromkeys(key for node in nodes for key in node.get("properties", {})))


def _example(nodes: list[Schema]) -> str:
    for node in nodes:
        if "const" in node:
            return f'"{node["const"]}"'
        for example in node.get("examples", ()):
            return f'"{example}"' if isinstance(example, str) else str(example)
        for choice in node.get("enum", ()):
            return f'"{choice}"' if isinstance(choice, str) else str(choice)
    kinds = {node.get("type") for node in nodes}
    if "boolean" in kinds:
        return "true"
    if kinds & {"integer", "number"} and "string" not in kinds:
        return "1"
    if "array" in kinds:
        return '["…"]'
    if "object" in kinds and "string" not in kinds:
        return "{ … }"
    return '"…"'


def _secret(nodes: list[Schema]) -> bool:
    return any(node.get("format") == "password" or node.get("writeOnly") for node in nodes)


# --- one error


def real_path(loc: tuple[str | int, ...], data: Any) -> Path:
    """Returns the place of an error in the data: pydantic's location without its tags of unions.

    If a key is missing, the path still ends with it.
    """
    path: list[str | int] = []
    for place, part in enumerate(loc):
        there = (isinstance(data, Mapping) and part in data) or (
            isinstance(data, list | tuple) and isinstance(part, int) and part < len(data)
        )
        if there:
            path.append(part)
            data = _child(data, part)
        elif place == len(loc) - 1 and part != "[key]":
            in_list = isinstance(data, list) and isinstance(part, int)
            if in_list or isinstance(data, Mapping):
                path.append(part)
    return tuple(path)


def _slug(name: str) -> str:
    if looks_secret(name):
        return ""
    return re.sub(r"[^a-z0-9]+", "-", name.lower()).strip("-")[:40]


def _table(path: Path) -> str:
    return ".".join(str(part) for part in path)


def _choice(value: Any, choices: list[str]) -> tuple[str, str]:
    near = nearest(value, choices) if isinstance(value, str) else ""
    known = ", ".join(f'"{each}"' for each in choices)
    hint = f'Did you mean "{near}"? ' if near else ""
    given = "This" if value is None else shown(value)
    return f"{given} is not one of the words known here.", f"{hint}Known: {known}."


def _bound(word: str, limit: Any, nodes: list[Schema]) -> tuple[str, str]:
    example = next((text for node in nodes for text in node.get("examples", ())), None)
    do = f"Write a number {word} {limit}." if example is None else f'Write it as in "{example}".'
    return f"The value must be {word} {limit}.", do


def _raised(error: object) -> tuple[str, str]:
    """The words of an error that a model of ours raised."""
    if hasattr(error, "what") and hasattr(error, "do"):
        return str(error.what), str(error.do)
    first = _FIRST_SENTENCE.match(str(error))
    return (first[1], first[2]) if first else (str(error), "")


class Explainer:
    """Explains what one model found in one part of the tree.

    Args:
        model: the model that validated.
        data: what it was given.
        below: the path of that part in the whole configuration.
        also: keys besides the model's own that may stand at its top.
    """

    def __init__(
        self,
        model: type[BaseModel],
        data: Any,
        below: Path,
        layers: Layers,
        also: Iterable[str] = (),
    ) -> None:
        self.model = model
        self.data = data
        self.below = below
        self.layers = layers
        self.also = tuple(also)
        self.root = _schema_of(model)

    def faults(self, error: ValidationError) -> Iterator[Fault]:
        """Yields a fault for everything in the error."""
        for detail in error.errors(include_url=False):
            yield self._fault(detail)

    def _fault(self, detail: ErrorDetails) -> Fault:
        inner = real_path(detail["loc"], self.data)
        kind = detail["type"]
        if kind == "union_tag_not_found":
            inner = (*inner, str(detail["ctx"]["discriminator"]).strip("'"))
            kind = "missing"
        what, do = self._words(kind, detail, inner)
        path = (*self.below, *inner)
        if kind == "union_tag_invalid":
            path = (*path, str(detail["ctx"]["discriminator"]).strip("'"))
        unsaid = kind == "extra_forbidden" and self._hides(inner)
        return self.layers.fault(path, what, do, unsaid=unsaid)

    def _hides(self, inner: Path) -> bool:
        """Whether nothing that was typed at a path may be repeated: its table has a secret, which
        may stand under another key, or in the place of a key."""
        table = _at(inner[:-1], self.root, self.data)
        keys = (each for node in table for each in node.get("properties", {}).values())
        if any(_secret(list(_expanded(each, self.root))) for each in keys):
            return True
        value = self.data
        for part in inner:
            value = _child(value, part)
        return isinstance(value, str) and value.lower() in _SECRETS_NAMES

    def _words(self, kind: str, detail: ErrorDetails, inner: Path) -> tuple[str, str]:
        context = detail.get("ctx", {})
        value = detail.get("input")
        nodes = _at(inner, self.root, self.data)
        if _secret(nodes) or self._hides(inner):
            value = None
        if kind == "unit" and "what" in context:
            tank = self.layers.tree.get("tank")
            us = isinstance(tank, Mapping) and tank.get("units") == System.US
            return str(context["what"]), str(context["us" if us else "do"])
        if context.get("error") is not None:
            return _raised(context["error"])
        if kind == "missing":
            return self._missing(inner, nodes)
        if kind == "extra_forbidden":
            return self._unknown(inner)
        if kind == "union_tag_invalid":
            tags = [tag.strip("' ") for tag in str(context["expected_tags"]).split(",")]
            return _choice(context["tag"], tags)
        if kind in ("enum", "literal_error"):
            expected = str(context.get("expected", ""))
            words = re.findall(r"'([^']*)'", expected)
            if words:
                return _choice(value, words)
            return f"{shown(value)} is not one of the values known here.", f"Known: {expected}."
        if kind == "string_pattern_mismatch" and (
            detail["loc"][-1] == "[key]" or NAME_PATTERN in str(context.get("pattern"))
        ):
            slug = _slug(str(value))
            return f"{shown(value)} is no name. {_NAME_RULE}.", f'Write "{slug}".' if slug else ""
        if kind in _KIND:
            wanted, do = _KIND[kind]
            given = "This" if value is None else shown(value)
            return f"{given} is not {wanted}.", do
        if kind in (
            "dict_type",
            "model_type",
            "model_attributes_type",
            "mapping_type",
            "dataclass_type",
        ):
            where = _table((*self.below, *inner))
            return (
                f"{where} must be a table.",
                f"Write [{where}] on a line of its own, and its keys below.",
            )
        if kind in ("too_short", "too_long"):
            least = context.get("min_length", context.get("max_length"))
            bound = "at least" if kind == "too_short" else "at most"
            return (
                f"The list has {context.get('actual_length')} entries, and needs {bound} {least}.",
                _LIST,
            )
        if kind.startswith(("greater_than", "less_than")):
            limit = next(iter(context.values()))
            word = "more than" if kind.startswith("greater") else "less than"
            word = (
                f"at {'least' if kind.startswith('greater') else 'most'}"
                if kind.endswith("equal")
                else word
            )
            return _bound(word, limit, nodes)
        if kind == "string_pattern_mismatch":
            return "This has signs that cannot be here.", (
                "An address, a user and a password each have a key of their own: write only what "
                "belongs to this one."
            )
        return f"{detail['msg'][:1].upper()}{detail['msg'][1:]}.", ""

    def _missing(self, inner: Path, nodes: list[Schema]) -> tuple[str, str]:
        key = inner[-1] if inner else ""
        if isinstance(key, int):
            return f"Entry {key + 1} of the list is missing.", "Write two values: [low, high]."
        table = (*self.below, *inner[:-1])
        types = {node.get("type") for node in nodes}
        if types == {"object"}:
            where = _table((*table, key))
            if any("patternProperties" in node for node in nodes):
                do = f"Add [{where}.NAME]; the samples in config/ have some to copy."
                return f"There is no [{where}.NAME].", do
            return f"The table [{where}] is missing.", f"Add [{where}] and its keys."
        under = f"under [{_table(table)}]" if table else "at the top"
        near = ""
        parent = self.data
        for part in inner[:-1]:
            parent = _child(parent, part)
        if isinstance(parent, Mapping) and not self._hides(inner):
            known = _known_keys(_at(inner[:-1], self.root, self.data))
            near = nearest(str(key), [str(each) for each in parent if each not in known])
        hint = f' (is "{near}" meant to be it?)' if near else ""
        return f'The key "{key}" is missing{hint}.', f"Add {under}: {key} = {_example(nodes)}."

    def _unknown(self, inner: Path) -> tuple[str, str]:
        key = str(inner[-1]) if inner else ""
        known = _known_keys(_at(inner[:-1], self.root, self.data))
        if len(inner) == 1:
            known = [*self.also, *known]
        # A key may be a secret that was swapped with its name.
        said = "on this line" if self._hides(inner) else shown(key)
        what = f"The key {said} is not known here."
        near = nearest(key, known)
        if near:
            return what, f'Did you mean "{near}"?'
        words = ", ".join(known)
        return what, f"Remove it. Known here: {words}." if known else "Remove it."
