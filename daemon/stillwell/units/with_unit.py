"""Fields of pydantic models that are written with their unit.

Pydantic itself is only loaded when a model is built.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated, Any

from stillwell.units.parsing import UnitError, any_of, parse
from stillwell.units.showing import write
from stillwell.units.table import EXAMPLE, Dimension

if TYPE_CHECKING:
    from pydantic import GetCoreSchemaHandler, GetJsonSchemaHandler
    from pydantic_core import CoreSchema


@dataclass(frozen=True, slots=True)
class WithUnit:
    """Marks a float field of a pydantic model as written with a unit: ``Annotated[float,
    WithUnit(...)]``.

    After validation the field holds the value in the inside unit, divided by `per`; in JSON it is
    the text that gives the same value again. Pydantic asks for the two methods by name.
    """

    dimension: Dimension
    per: int = 1

    def read(self, text: Any) -> float:
        return parse(text, self.dimension) / self.per

    def text(self, value: float) -> str:
        return write(value * self.per, self.dimension)

    def __get_pydantic_core_schema__(
        self, source: Any, handler: GetCoreSchemaHandler
    ) -> CoreSchema:
        from pydantic_core import PydanticCustomError, core_schema

        def read(text: Any) -> float:
            try:
                return self.read(text)
            except UnitError as error:
                # Not as a template for pydantic to fill in, because braces in the text must
                # survive.
                told = {"what": error.what, "do": error.do, "us": error.us}
                raise PydanticCustomError("unit", "{what} {do}", told) from None

        return core_schema.no_info_before_validator_function(
            read,
            handler(source),
            serialization=core_schema.plain_serializer_function_ser_schema(
                self.text, return_schema=core_schema.str_schema(), when_used="json"
            ),
        )

    def __get_pydantic_json_schema__(
        self, schema: CoreSchema, handler: GetJsonSchemaHandler
    ) -> dict[str, Any]:
        examples = EXAMPLE[self.dimension]
        text = {
            "type": "string",
            "description": f"A {self.dimension} with its unit, as {any_of(examples)}.",
            "examples": list(examples),
            "pattern": r"^\s*[+\-−]?[0-9.]",
        }
        if self.dimension is Dimension.RATIO:
            return {"anyOf": [text, {"type": "number", "minimum": -1, "maximum": 1}]}
        return text


Celsius = Annotated[float, WithUnit(Dimension.TEMPERATURE)]
Kelvin = Annotated[float, WithUnit(Dimension.DIFFERENCE)]
Millimetres = Annotated[float, WithUnit(Dimension.LENGTH)]
Millilitres = Annotated[float, WithUnit(Dimension.VOLUME)]
Seconds = Annotated[float, WithUnit(Dimension.DURATION)]
Watts = Annotated[float, WithUnit(Dimension.POWER)]
Ratio = Annotated[float, WithUnit(Dimension.RATIO)]
KelvinPerHour = Annotated[float, WithUnit(Dimension.TEMPERATURE_RATE)]
KelvinPerSecond = Annotated[float, WithUnit(Dimension.TEMPERATURE_RATE, per=3600)]
RelativeHumidity = Annotated[float, WithUnit(Dimension.HUMIDITY)]
