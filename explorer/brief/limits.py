"""TODO explorer.brief.limits."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from pydantic import (
    Field,
    GetJsonSchemaHandler,
    SerializerFunctionWrapHandler,
    field_serializer,
    field_validator,
    model_serializer,
    model_validator,
)
from pydantic.json_schema import JsonSchemaValue
from pydantic_core import CoreSchema

from explorer.brief.base import _AnyPercent, _Ratio, _Section
from explorer.brief.errors import Fault, Faults, did_you_mean
from explorer.brief.scores import _BOUNDS, Window, _bounds_schema, _read_bounds
from explorer.units import PositiveVolts, PositiveWatts

__all__ = ["Limits"]


class ResistorPowers(_Section):
    """Rated powers (W) of the fitted resistors; unlimited where not stated."""

    plate_load: PositiveWatts | None = Field(default=None, description="Plate load (W).")
    cathode_resistor: PositiveWatts | None = Field(
        default=None, description="Cathode resistor (W)."
    )
    cathode_unbypassed: PositiveWatts | None = Field(
        default=None, description="Unbypassed cathode section (W)."
    )


class ResistorVoltages(_Section):
    """Rated voltages (V) of the fitted resistors; unlimited where not stated."""

    plate_load: PositiveVolts | None = Field(default=None, description="Plate load (V).")
    cathode_resistor: PositiveVolts | None = Field(
        default=None, description="Cathode resistor (V)."
    )
    cathode_unbypassed: PositiveVolts | None = Field(
        default=None, description="Unbypassed cathode section (V)."
    )


class Limits(_Section):
    """What a stage may not break: ratings, and windows on named numbers."""

    ratings: bool = Field(default=True, description="Enforce the ratings of valve and resistors.")
    derating: _Ratio = Field(default=1.0, description="Share of every rating that may be used.")
    supply_tolerance: _AnyPercent = Field(
        default=0.0, description="How far the supply may rise above its voltage (per cent)."
    )
    resistor_power: ResistorPowers = Field(
        default=ResistorPowers(), description="Rated powers of the fitted resistors (W)."
    )
    resistor_voltage: ResistorVoltages = Field(
        default=ResistorVoltages(), description="Rated voltages of fitted resistors (V)."
    )
    windows: dict[str, Window] = Field(
        default_factory=dict, description="Windows on scores and operating-point quantities."
    )

    @model_validator(mode="before")
    @classmethod
    def _gather_windows(cls, raw: Any) -> Any:
        """Move every key that is not a setting, being the name of a number, into ``windows``."""
        if not isinstance(raw, Mapping):
            return raw
        settings = [name for name in cls.model_fields if name != "windows"]
        fixed = {key: value for key, value in raw.items() if key in settings}
        return {**fixed, "windows": {k: v for k, v in raw.items() if k not in settings}}

    @field_validator("windows", mode="plain")
    @classmethod
    def _read_windows(cls, raw: Mapping[str, Any]) -> dict[str, Window]:
        windows: dict[str, Window] = {}
        problems: list[Fault] = []
        settings = [name for name in cls.model_fields if name != "windows"]
        for name, given in raw.items():
            if isinstance(given, Window):
                windows[name] = given
            elif isinstance(given, Mapping) and given:
                bounds = _read_bounds(given, name, _BOUNDS, problems)
                windows[name] = Window(name, **bounds)
            else:
                expected = "expected { at_least = …, at_most = … }" + did_you_mean(name, settings)
                problems.append(Fault((name,), given, expected))
        if problems:
            raise Faults(*problems)
        return windows

    @field_serializer("windows")
    def _write_windows(self, windows: Mapping[str, Window]) -> dict[str, dict[str, float]]:
        return {
            name: {key: value for key in _BOUNDS if (value := getattr(window, key)) is not None}
            for name, window in windows.items()
        }

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
        found["additionalProperties"] = _bounds_schema(*_BOUNDS)
        return found
