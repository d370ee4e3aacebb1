"""Wiring capacitances and lead inductances."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from types import MappingProxyType
from typing import Annotated, Any, Final, Literal, Self

from pydantic import Field, model_validator

from explorer.brief.base import Section
from explorer.brief.errors import NOT_GIVEN
from explorer.units import Farads, Henries, QuantityField
from objectives.checks import InputError, did_you_mean
from objectives.radio.tables import capacitor_style, resistor_style, wiring, wirings

Between = Literal[
    "grid to plate", "grid to cathode", "plate to cathode", "grid to ground", "plate to ground"
]


class WiringPiece(Section):
    """A length or some pieces of wiring of the table, and which electrodes they lie between."""

    kind: str = Field(
        description="Name in the table of wiring.", examples=["valve holder, neighbouring pins"]
    )
    between: Between = Field(description="The two ends of its capacitance.")
    metres: Annotated[float, QuantityField("ratio", above=0)] | None = Field(
        default=None,
        description="Length (m), of what the table gives by the metre.",
        examples=[0.1],
    )
    pieces: Annotated[float, QuantityField("ratio", above=0)] | None = Field(
        default=None, description="Number, of what the table gives by the piece.", examples=[1]
    )

    @model_validator(mode="after")
    def _from_table(self) -> Self:
        known = {w.name: w for w in wirings()}
        if self.kind not in known:
            allowed = f"expected one of {'; '.join(known)}{did_you_mean(self.kind, known)}"
            raise InputError("kind", self.kind, allowed)
        by_metre = known[self.kind].per == "metre"
        wanted, other = ("metres", "pieces") if by_metre else ("pieces", "metres")
        if getattr(self, other) is not None:
            allowed = f"expected {wanted}: the table lists {self.kind} by the {wanted[:-1]}"
            raise InputError(other, getattr(self, other), allowed)
        if getattr(self, wanted) is None:
            raise InputError(wanted, NOT_GIVEN, "required")
        return self

    @property
    def total_F(self) -> float:
        """Its capacitance (F)."""
        amount = self.metres if self.metres is not None else self.pieces
        assert amount is not None
        return float(wiring(self.kind).total_F(amount))


_USUAL_CAPACITOR = "ceramic disc"


class Strays(Section):
    """Wiring capacitances (F) and lead inductances (H), beside those of the valve itself."""

    grid_to_plate: Farads = Field(
        default=0.0, description="Wiring, grid to plate (F).", examples=["0.5 pF"]
    )
    grid_to_cathode: Farads = Field(
        default=0.0, description="Wiring, grid to cathode (F).", examples=["0.5 pF"]
    )
    plate_to_cathode: Farads = Field(
        default=0.0, description="Wiring, plate to cathode (F).", examples=["0.5 pF"]
    )
    grid_to_ground: Farads = Field(
        default=0.0, description="Wiring, grid to ground (F).", examples=["0.5 pF"]
    )
    plate_to_ground: Farads = Field(
        default=0.0, description="Wiring, plate to ground (F).", examples=["0.5 pF"]
    )
    # Common practice, no source: a half-watt film resistor has a few tenths of a picofarad.
    stopper_shunt: Farads = Field(
        default=0.3e-12,
        description="The stopper's own end-to-end capacitance (F).",
        examples=["0.3 pF"],
    )
    stopper_lead_inductance: Henries = Field(default=0.0, description="Leads of the stopper (H).")
    stopper_style: str | None = Field(
        default=None,
        description="Style of the stopper, from the table of styles; gives its shunt capacitance "
        "and lead inductance.",
        examples=["metal film 1/4 W"],
    )
    grid_capacitor_inductance: Henries = Field(
        default=capacitor_style(_USUAL_CAPACITOR).lead_H,
        description="Leads and body of the capacitor from grid to ground (H).",
    )
    grid_capacitor_style: str | None = Field(
        default=None,
        description="Style of the capacitor from grid to ground, from the table of styles; gives "
        f"its inductance, which is that of a {_USUAL_CAPACITOR} if left out.",
        examples=["SMD 0805"],
    )
    grid_lead_inductance: Henries = Field(default=0.0, description="Lead of the grid (H).")
    plate_lead_inductance: Henries = Field(default=0.0, description="Lead of the plate (H).")
    cathode_lead_inductance: Henries = Field(default=0.0, description="Lead of the cathode (H).")
    shielded: bool = Field(
        default=False, description="Use the data-sheet capacitances measured with a shield."
    )
    wiring: tuple[WiringPiece, ...] = Field(
        default=(),
        strict=False,
        description="Wiring of the table, whose capacitances are added to those stated.",
    )

    def total_F(self, between: Between) -> float:
        """Return the wiring capacitance between two ends (F): stated, and by kind and length."""
        stated: float = getattr(self, between.replace(" ", "_"))
        return stated + sum(w.total_F for w in self.wiring if w.between == between)

    @model_validator(mode="before")
    @classmethod
    def _styles_from_table(cls, raw: Any) -> Any:
        """Fill in what the styles of stopper and capacitor say, where the brief does not."""
        if not isinstance(raw, Mapping):
            return raw
        table: dict[str, float] = {}
        for key, fields in _STYLED.items():
            if isinstance(raw.get(key), str):
                try:
                    table |= fields(raw[key])
                except ValueError as error:
                    raise InputError(key, raw[key], str(error)) from None
        return {**table, **raw}


def _of_stopper(name: str) -> dict[str, float]:
    style = resistor_style(name)
    return {"stopper_shunt": style.shunt_F, "stopper_lead_inductance": style.lead_H}


def _of_capacitor(name: str) -> dict[str, float]:
    return {"grid_capacitor_inductance": capacitor_style(name).lead_H}


_STYLED: Final[Mapping[str, Callable[[str], dict[str, float]]]] = MappingProxyType(
    {"stopper_style": _of_stopper, "grid_capacitor_style": _of_capacitor}
)
"""For a key that names a style: what it says, by the keys that say the same."""
