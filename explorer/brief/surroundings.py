"""TODO explorer.brief.surroundings."""

from __future__ import annotations

import math
from typing import Annotated, Self

from pydantic import Field, model_validator

from explorer.brief.base import _BypassFarads, _Fraction, _LeakOhms, _RatioFrom0, _Section
from explorer.brief.errors import ABSENT, Bare, Fault, Faults, did_you_mean
from explorer.units import Farads, Ohms, PositiveOhms, PositiveVolts, QuantityField, Volts
from objectives.radio.tables import wiring, wirings

__all__ = ["CathodeFollower", "Driver", "DriverStage", "Load", "LoadStage", "Supply"]


class Supply(_Section):
    """The high-voltage supply and the fixed potentials about the valve."""

    voltage: PositiveVolts = Field(description="Supply voltage at the top of the plate load (V).")
    heater_elevation: Volts = Field(
        default=0.0, description="Direct voltage of the heater to ground (V), for its rating."
    )
    grid_bias: Volts = Field(
        default=0.0, description="Fixed bias that the cold end of the grid leak returns to (V)."
    )
    grid_bias_ratio: _RatioFrom0 = Field(
        default=0.0,
        description="Share of the supply that is added to it, as a divider from the supply does.",
    )


class DriverStage(_Section):
    """An earlier common-cathode stage, from which the source resistance is computed."""

    valve: str = Field(description="Name in the valve table.")
    supply: PositiveVolts = Field(description="Its supply voltage (V).")
    plate_load: PositiveOhms = Field(description="Its plate load (ohm).")
    cathode_resistor: Ohms = Field(description="Its cathode resistor, the bypassed section (ohm).")
    cathode_unbypassed: Ohms = Field(
        default=0.0, description="Its unbypassed cathode section (ohm)."
    )
    bypass: _BypassFarads = Field(
        default=math.inf, description='Its bypass (F); "none" or "full" too.'
    )
    source_resistance: Ohms = Field(
        default=0.0, description="Resistance that drives its own grid (ohm)."
    )
    grid_bias: Volts = Field(default=0.0, description="Fixed bias on its grid (V).")


class Driver(_Section):
    """What drives the stage: a Thevenin source or an earlier stage, and what lies between."""

    resistance: Ohms | None = Field(
        default=None, description="Thevenin resistance of the source (ohm)."
    )
    stage: DriverStage | None = Field(
        default=None, description="An earlier stage instead of resistance."
    )
    voltage: Annotated[float, QuantityField("V", above=0)] = Field(
        default=1.0, description="Open-circuit signal voltage of the source (V r.m.s.)."
    )
    cable_capacitance: Farads = Field(
        default=0.0, description="Shunt capacitance to ground after the source resistance (F)."
    )
    cable: str | None = Field(
        default=None,
        description="Kind of cable, from the table of wiring; gives the capacitance by its length.",
    )
    cable_metres: Annotated[float, QuantityField("ratio", above=0)] | None = Field(
        default=None, description="Length of the cable (m)."
    )
    divider_series_resistance: Ohms = Field(
        default=0.0,
        description="Resistor in series with the source, before the level control (ohm).",
    )
    divider_shunt_resistance: PositiveOhms | None = Field(
        default=None,
        description="Whole track of the level control, to ground (ohm); none if left out.",
    )
    level_fraction: _Fraction = Field(
        default=1.0, description="Setting of the level control: share of its track below the wiper."
    )

    @model_validator(mode="after")
    def _cable_from_table(self) -> Self:
        """Take the capacitance of a cable of the table, beside whatever is stated."""
        if (self.cable is None) != (self.cable_metres is None):
            missing = "cable" if self.cable is None else "cable_metres"
            raise Faults(Fault((missing,), ABSENT, "expected both of cable, cable_metres"))
        if self.cable is None or self.cable_metres is None:
            return self
        known = [w.name for w in wirings() if w.per == "metre"]
        if self.cable not in known:
            hint = did_you_mean(self.cable, known)
            expected = f"expected one of {', '.join(known)}{hint}"
            raise Faults(Fault(("cable",), self.cable, expected))
        return self

    @property
    def cable_F(self) -> float:
        """Shunt capacitance of the cable (F): stated, and by kind and length."""
        if self.cable is None or self.cable_metres is None:
            return self.cable_capacitance
        by_length = float(wiring(self.cable).total_F(self.cable_metres))
        return self.cable_capacitance + by_length

    @model_validator(mode="after")
    def _one_form(self) -> Self:
        forms = [name for name in ("resistance", "stage") if getattr(self, name) is not None]
        if len(forms) != 1:
            value = Bare(" and ".join(forms)) if forms else ABSENT
            raise Faults(Fault((), value, "expected exactly one of resistance, stage"))
        if self.level_fraction != 1.0 and self.divider_shunt_resistance is None:
            expected = "expected 1 unless divider_shunt_resistance is given"
            raise Faults(Fault(("level_fraction",), self.level_fraction, expected))
        return self

    def after_divider(self, source_ohm: float) -> tuple[float, float]:
        """Return the Thevenin resistance (ohm) and the voltage ratio behind the level control.

        Args:
            source_ohm: resistance ahead of the divider: :attr:`resistance`, or what the earlier
                stage was found to have.
        """
        ahead = source_ohm + self.divider_series_resistance
        track = self.divider_shunt_resistance
        if track is None:
            return ahead, 1.0
        below = self.level_fraction * track
        above = ahead + track - below
        return below * above / (below + above), below / (below + above)


class LoadStage(_Section):
    """A next common-cathode stage; its input capacitance is computed from its own gain."""

    valve: str = Field(description="Name in the valve table.")
    supply: PositiveVolts = Field(description="Its supply voltage (V).")
    plate_load: PositiveOhms = Field(description="Its plate load (ohm).")
    cathode_resistor: Ohms = Field(description="Its cathode resistor, the bypassed section (ohm).")
    cathode_unbypassed: Ohms = Field(
        default=0.0, description="Its unbypassed cathode section (ohm)."
    )
    bypass: _BypassFarads = Field(
        default=math.inf, description='Its bypass (F); "none" or "full" too.'
    )
    stopper: Ohms = Field(default=0.0, description="Its grid stopper (ohm).")
    grid_leak: PositiveOhms = Field(default=1e6, description="Its grid leak (ohm).")
    grid_bias: Volts = Field(default=0.0, description="Fixed bias on its grid (V).")


class CathodeFollower(_Section):
    """A directly coupled cathode follower."""

    valve: str = Field(description="Name in the valve table.")
    supply: PositiveVolts = Field(description="Its supply voltage (V).")
    cathode_resistor: PositiveOhms = Field(description="Its cathode resistor (ohm).")
    load_resistance: _LeakOhms = Field(
        default=math.inf, description='Alternating-current load at its cathode (ohm); "none" too.'
    )


class Load(_Section):
    """What the stage drives: a resistance, a next stage, or a cathode follower."""

    resistance: _LeakOhms | None = Field(
        default=None, description='Load to ground (ohm); "none" too.'
    )
    capacitance: Farads = Field(
        default=0.0, description="Shunt capacitance to ground at the load (F)."
    )
    stage: LoadStage | None = Field(default=None, description="A next stage instead of resistance.")
    cathode_follower: CathodeFollower | None = Field(
        default=None, description="A directly coupled cathode follower instead of resistance."
    )

    @model_validator(mode="after")
    def _one_form(self) -> Self:
        names = ("resistance", "stage", "cathode_follower")
        forms = [name for name in names if getattr(self, name) is not None]
        if len(forms) != 1:
            value = Bare(" and ".join(forms)) if forms else ABSENT
            raise Faults(Fault((), value, f"expected exactly one of {', '.join(names)}"))
        return self
