"""The limits of a stage: ratings, and windows on scores."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Any

import numpy as np
from pydantic import (
    Field,
    GetJsonSchemaHandler,
    SerializerFunctionWrapHandler,
    create_model,
    field_serializer,
    field_validator,
    model_serializer,
    model_validator,
)
from pydantic.json_schema import JsonSchemaValue
from pydantic_core import CoreSchema

from explorer.aims import Window
from explorer.brief.base import Percentage, Section
from explorer.brief.errors import Mistakes
from explorer.brief.scores import WINDOW_SCHEMA, bounds_of, read_window, unknown_score
from explorer.units import PositiveVolts, PositiveWatts, QuantityField
from objectives.checks import InputError, did_you_mean
from objectives.elements import ELEMENTS
from objectives.scores.registry import REGISTRY
from objectives.targets import PartRating

_RATED = {element.key: element for element in ELEMENTS.values() if element.direct_current}


def _of_resistors(name: str, kind: Any, unit: str, doc: str) -> type[Section]:
    """Return the table of one rating for each resistor that carries direct current."""
    fields: dict[str, Any] = {
        key: (kind | None, Field(default=None, description=f"Of the {e.label_for()} ({unit})."))
        for key, e in _RATED.items()
    }
    return create_model(name, __base__=Section, __doc__=doc, **fields)


_Powers = _of_resistors(
    "ResistorPowers", PositiveWatts, "W", "Rated powers of the resistors; unlimited where left out."
)
_Voltages = _of_resistors(
    "ResistorVoltages", PositiveVolts, "V",
    "Rated voltages of the resistors; unlimited where left out.",
)  # fmt: skip


class Limits(Section):
    """The limits of a stage: ratings, and windows on scores."""

    ratings: bool = Field(default=True, description="Enforce the ratings of valve and resistors.")
    derating: Annotated[float, QuantityField("ratio", above=0, maximum=1)] = Field(
        default=1.0, description="Share of every rating that may be used.", examples=[0.9]
    )
    supply_tolerance: Percentage = Field(
        default=0.0,
        description="How far the supply may rise above its voltage (per cent).",
        examples=["10 %"],
    )
    resistor_power: _Powers = Field(  # type: ignore[valid-type]
        default=_Powers(), description="Rated powers of the resistors (W)."
    )
    resistor_voltage: _Voltages = Field(  # type: ignore[valid-type]
        default=_Voltages(), description="Rated voltages of the resistors (V)."
    )
    windows: dict[str, Window] = Field(default_factory=dict, description="Limits on scores.")

    def part_ratings(self) -> dict[str, PartRating]:
        """Return the ratings of the resistors, by field of the stage."""
        return {
            element.name: PartRating(
                getattr(self.resistor_power, key) or np.inf,
                getattr(self.resistor_voltage, key) or np.inf,
            )
            for key, element in _RATED.items()
        }

    @classmethod
    def _settings(cls) -> list[str]:
        return [name for name in cls.model_fields if name != "windows"]

    @model_validator(mode="before")
    @classmethod
    def _gather_windows(cls, raw: Any) -> Any:
        """Move every key that is not a setting, being the name of a number, into ``windows``."""
        if not isinstance(raw, Mapping):
            return raw
        fixed = {key: value for key, value in raw.items() if key in cls._settings()}
        return {**fixed, "windows": {k: v for k, v in raw.items() if k not in fixed}}

    @field_validator("windows", mode="plain")
    @classmethod
    def _read_windows(cls, raw: Mapping[str, Any]) -> dict[str, Window]:
        windows: dict[str, Window] = {}
        errors: list[InputError] = []
        for name, given in raw.items():
            if name not in REGISTRY:
                errors.append(unknown_score(name, given, cls._settings()))
            elif isinstance(given, Mapping) and given:
                try:
                    windows[name] = read_window(given, name)
                except Mistakes as mistakes:
                    errors += mistakes.errors
            else:
                hint = did_you_mean(name, cls._settings())
                allowed = f"expected {{ at_least = …, at_most = … }}{hint}"
                errors.append(InputError(name, given, allowed))
        Mistakes.raise_any(errors)
        return windows

    @field_serializer("windows")
    def _write_windows(self, windows: Mapping[str, Window]) -> dict[str, dict[str, float]]:
        return {name: bounds_of(window) for name, window in windows.items()}

    @model_serializer(mode="wrap")
    def _flatten(self, handler: SerializerFunctionWrapHandler) -> dict[str, Any]:
        plain: dict[str, Any] = handler(self)
        windows: dict[str, Any] = plain.pop("windows", {})
        return plain | windows

    @classmethod
    def __get_pydantic_json_schema__(
        cls, schema: CoreSchema, handler: GetJsonSchemaHandler
    ) -> JsonSchemaValue:
        found = handler.resolve_ref_schema(handler(schema))
        found.get("properties", {}).pop("windows", None)
        found["additionalProperties"] = WINDOW_SCHEMA
        return found
