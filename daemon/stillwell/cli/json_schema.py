"""Writes the JSON Schema of what the commands print with ``--json``.

``python -m stillwell.cli.json_schema [FILE]``, by default ``config/output.schema.json``. Under
``$defs`` it has each command by its name, for a line of its standard output, and ``error`` for a
line of standard error.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

from pydantic import ConfigDict, TypeAdapter

from stillwell.cli import printed, printed_deeds
from stillwell.settings.json_schema import in_file, write

Json = dict[str, Any]
DEFAULT_PATH = Path("config/output.schema.json")
_TIME = {
    "type": "string",
    "format": "date-time",
    "pattern": r"^\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d{3})?Z$",
}
_DAY = {"type": "string", "format": "date", "pattern": r"^\d{4}-\d\d-\d\d$"}


def schema() -> Json:
    """Returns the JSON Schema (draft 2020-12)."""
    definitions: Json = {}
    for form in (*vars(printed).values(), *vars(printed_deeds).values()):
        if isinstance(form, type) and hasattr(form, "__total__"):
            form.__pydantic_config__ = ConfigDict(use_attribute_docstrings=True)  # type: ignore[attr-defined]
    by_command = {
        command: {"anyOf": [_of(form, definitions) for form in forms]}
        for command, forms in {
            **printed.BY_COMMAND,
            "error": [printed.Error, printed.Remark],
        }.items()
    }
    for name, body in definitions.items():
        if body.get("type") == "object":
            definitions[name] = _as_printed(body)
    definitions |= {"Time": _TIME, "Day": _DAY}
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "What stillwell prints with --json",
        "description": "One JSON value a line. $defs has the form of a line of standard output by "
        "the command's name, and that of a line of standard error as `error`.",
        "$defs": by_command | dict(sorted(definitions.items())),
    }


def _of(form: Any, definitions: Json) -> Json:
    made = TypeAdapter(form).json_schema(mode="serialization", ref_template="#/$defs/{model}")
    definitions |= made.pop("$defs", {})
    definitions[form.__name__] = made
    return {"$ref": f"#/$defs/{form.__name__}"}


def _as_printed(body: Json) -> Json:
    """Returns the schema closed, without titles, and with times of a dataclass as `Review.as_dict`
    has them."""
    names = {name: _name(name) for name in body.get("properties", {})}
    made = {k: v for k, v in body.items() if k not in ("title", "properties", "required")}
    if names:
        found = {names[name]: _property(name, of) for name, of in body["properties"].items()}
        made |= {"properties": found, "additionalProperties": False}
    if "required" in body:
        made["required"] = [names[name] for name in body["required"]]
    return made


def _name(name: str) -> str:
    stem = name.removesuffix("_ms")
    return name if stem == name else stem if stem in ("start", "end") else f"{stem}_at"


def _property(name: str, of: Json) -> Json:
    if name.endswith("_ms"):
        time = {"$ref": "#/$defs/Time"}
        return {"anyOf": [time, {"type": "null"}]} if "anyOf" in of else time
    return {k: v for k, v in of.items() if k not in ("title", "default")}


def text() -> str:
    """Returns the schema as the file holds it."""
    return in_file(schema())


if __name__ == "__main__":
    write("the commands' output", DEFAULT_PATH, text())
