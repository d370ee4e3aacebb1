"""Tolerances as people write them: ``5``, ``"5 %"``, ``"-20/+50 %"``, ``"K"``."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Any, Final

from pydantic import GetCoreSchemaHandler, GetJsonSchemaHandler
from pydantic.json_schema import JsonSchemaValue
from pydantic_core import CoreSchema, core_schema

from explorer.units import QuantityError, QuantityField, parse_quantity
from objectives.marking import TOLERANCE_LETTERS

Ends = tuple[float, float]
"""Least and greatest deviation."""

_LOWEST, _HIGHEST = -95.0, 900.0
"""Per cent; further off is no tolerance any more."""

SPELLINGS: Final = (
    f"5 %, -20/+50 %, or a letter of IEC 60062 ({', '.join(TOLERANCE_LETTERS)}; J is 5 %)"
)


@dataclass(frozen=True)
class ToleranceField(QuantityField):
    """Pydantic annotation: reads a tolerance as least and greatest deviation in per cent."""

    unit: str = "percent"

    @property
    def allowed(self) -> str:
        """A phrase naming what is allowed."""
        least = "above 0 and " if self.above is not None else ""
        return f"a percentage, {least}at most 95 % down, such as {SPELLINGS}"

    def parse(self, raw: Any) -> Ends:  # type: ignore[override]
        """Return ``raw`` as least and greatest deviation in per cent.

        Raises
        ------
        QuantityError
            No tolerance, or one that is too wide.
        """
        text = raw.strip().removeprefix("±").strip() if isinstance(raw, str) else raw
        if isinstance(text, str) and text in TOLERANCE_LETTERS:
            low, high = TOLERANCE_LETTERS[text]
            return 100 * low, 100 * high
        ends = text.split("/") if isinstance(text, str) else text
        ends = list(ends) if isinstance(ends, list | tuple) else [ends]
        try:
            values = [parse_quantity(end, "percent") for end in ends]
        except QuantityError:
            raise QuantityError(raw, self.allowed) from None
        if len(values) == 1:
            values = [-values[0], values[0]]
        if (
            len(values) != 2
            or not _LOWEST <= values[0] <= 0 <= values[1] <= _HIGHEST
            or (self.above is not None and values[0] == values[1])
        ):
            raise QuantityError(raw, self.allowed)
        return values[0], values[1]

    def __get_pydantic_core_schema__(
        self, source: Any, handler: GetCoreSchemaHandler
    ) -> CoreSchema:
        return core_schema.no_info_plain_validator_function(
            self.parse, serialization=core_schema.plain_serializer_function_ser_schema(list)
        )

    def __get_pydantic_json_schema__(
        self, schema: CoreSchema, handler: GetJsonSchemaHandler
    ) -> JsonSchemaValue:
        number = {"type": "number"}
        pair = {"type": "array", "items": number, "minItems": 2, "maxItems": 2}
        return {"anyOf": [number, {"type": "string"}, pair], "examples": ["5 %", [-20, 50], "K"]}


PartTolerance = Annotated[Ends, ToleranceField()]
"""Least and greatest deviation of a part from its value, per cent."""
