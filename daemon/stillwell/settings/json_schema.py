"""Writes the JSON Schema of the configuration, for editors that check while one types.

``python -m stillwell.settings.json_schema [FILE]``, by default ``config/stillwell.schema.json``. It
covers the drivers and sinks that come with stillwell; it allows any table of others.
"""

from __future__ import annotations

import argparse
import ast
import json
from collections.abc import Iterator, Mapping
from inspect import cleandoc, getsource
from itertools import pairwise
from pathlib import Path
from textwrap import dedent
from typing import Any

from pydantic import BaseModel
from pydantic.json_schema import GenerateJsonSchema, JsonSchemaValue
from pydantic_core import core_schema

from stillwell.settings import plugins
from stillwell.settings.schema.frame import Frame
from stillwell.settings.schema.machine import SinkKeys, SourceKeys
from stillwell.settings.schema.values import NAME_PATTERN
from stillwell.settings.schema.watched import AGREEMENTS, BANDS

Json = dict[str, Any]
DEFAULT_PATH = Path("config/stillwell.schema.json")
_DIALECT = "https://json-schema.org/draft/2020-12/schema"


class _AsWritten(GenerateJsonSchema):
    """Writes defaults as a person does: ``"30 s"``, not 30.0."""

    def default_schema(self, schema: core_schema.WithDefaultSchema) -> JsonSchemaValue:
        json_schema = super().default_schema(schema)
        if isinstance(schema.get("default"), float):
            for text in _serializers(schema["schema"]):
                json_schema["default"] = text(schema["default"])
        return json_schema

    def model_schema(self, schema: core_schema.ModelSchema) -> JsonSchemaValue:
        """Adds the docstrings of the fields. The models themselves don't carry them: to find them
        in the sources at each start takes a third of the time that the models take."""
        json_schema = super().model_schema(schema)
        texts = {name: text for c in reversed(schema["cls"].__mro__) for name, text in _told(c)}
        for name, field in schema["cls"].model_fields.items():
            if name in texts:
                json_schema["properties"][field.alias or name]["description"] = texts[name]
        return json_schema


def _told(model: type) -> Iterator[tuple[str, str]]:
    """Yields each field that has a docstring below it, with the docstring."""
    if not model.__module__.startswith("stillwell"):
        return
    try:
        [body] = ast.parse(dedent(getsource(model))).body
    except OSError:  # made by `create_model`: it stands in no source
        return
    assert isinstance(body, ast.ClassDef)
    for field, below in pairwise(body.body):
        match field, below:
            case (
                ast.AnnAssign(target=ast.Name(id=name)),
                ast.Expr(value=ast.Constant(value=str(text))),
            ):
                yield name, cleandoc(text)


def _serializers(schema: Any) -> Iterator[Any]:
    """The function that writes a float of this schema, where it has one."""
    while isinstance(schema, Mapping):
        function = schema.get("serialization", {}).get("function")
        if function is not None:
            yield function
            return
        schema = schema.get("schema")


def _of(model: type[BaseModel], definitions: Json) -> Json:
    """Returns the schema of a model; the models that it refers to are added to the definitions."""
    schema = model.model_json_schema(
        schema_generator=_AsWritten, ref_template="#/$defs/{model}", by_alias=True
    )
    for name, definition in schema.pop("$defs", {}).items():
        # Two plugins may use the same name for a model; the later one is renamed.
        known = name
        if definitions.get(name, definition) != definition:
            known = f"{model.__module__.rsplit('.', 1)[-1]}_{name}"
            renamed = json.dumps(schema).replace(f'"#/$defs/{name}"', f'"#/$defs/{known}"')
            schema = json.loads(renamed)
        definitions[known] = definition
    return schema


def _with_own_keys(
    keys: type[BaseModel], word: str, plugin: plugins.Plugin, definitions: Json
) -> Json:
    """Returns the schema of a source or sink table of one driver or kind: the keys that all have,
    and its own."""
    if plugin.settings is None:
        raise RuntimeError(f"No schema without all of our own drivers and sinks. {plugin.broken}")
    common, own = _of(keys, definitions), _of(plugin.settings, definitions)
    described = {"description": own["description"]} if "description" in own else {}
    return described | {
        "type": "object",
        "properties": {
            **common["properties"],
            **own.get("properties", {}),
            word: {**common["properties"][word], "const": plugin.name},
        },
        "required": [*common.get("required", []), *own.get("required", [])],
        "additionalProperties": own.get("additionalProperties", False),
    }


def _plugin_tables(
    group: plugins.Group, keys: type[BaseModel], word: str, definitions: Json
) -> Json:
    points = sorted(plugins.ours(plugins.registered(group).values()), key=lambda point: point.name)
    tables = [_with_own_keys(keys, word, plugins.load(point), definitions) for point in points]
    others = {
        "type": "object",
        "description": "Of another package: its own settings are not known here.",
        "properties": {word: {"type": "string", "not": {"enum": [point.name for point in points]}}},
        "required": [word],
    }
    return {"oneOf": [*tables, others]}


def schema() -> Json:
    """Returns the JSON Schema (draft 2020-12) of the whole file."""
    definitions: Json = {}
    frame = _of(Frame, definitions)
    properties = frame["properties"]
    tables = {
        "source": _plugin_tables("stillwell.drivers", SourceKeys, "driver", definitions),
        "sink": _plugin_tables("stillwell.sinks", SinkKeys, "kind", definitions),
        "band": {"anyOf": [_of(model, definitions) for model in BANDS.values()]},
        "agreement": {"anyOf": [_of(model, definitions) for model in AGREEMENTS.values()]},
    }
    for name, table in tables.items():
        properties[name]["patternProperties"] = {NAME_PATTERN: table}
    for name in ("source", "channel", "agreement", "band", "state", "sink"):
        properties[name]["additionalProperties"] = False
    used = json.dumps(frame) + json.dumps(definitions)
    kept = {name: body for name, body in definitions.items() if f'"#/$defs/{name}"' in used}
    return {
        "$schema": _DIALECT,
        **frame,
        "title": "The configuration of stillwell",
        "$defs": dict(sorted(kept.items())),
    }


def text() -> str:
    """Returns the schema as the file holds it."""
    return in_file(schema())


def in_file(body: Json) -> str:
    """Returns a schema as its file holds it."""
    return json.dumps(body, indent=2, ensure_ascii=False) + "\n"


def write(what: str, default: Path, body: str) -> None:
    """Writes a schema to the file that the command line names."""
    parser = argparse.ArgumentParser(description=f"Writes the JSON Schema of {what}.")
    parser.add_argument("target", nargs="?", type=Path, default=default)
    target = parser.parse_args().target
    target.write_text(body, encoding="utf-8")
    print(target)


if __name__ == "__main__":
    write("the configuration", DEFAULT_PATH, text())
