"""The grid, cathode and plate circuits round the device, each as an EMF behind an impedance.

What :mod:`objectives.circuit.network` solves three equations between.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from objectives.arrays import ComplexArray
from objectives.circuit.arrival import Arrival, source_side
from objectives.circuit.branches import ONE, Term, is_present
from objectives.stage import Stage


@dataclass(frozen=True)
class Circuit:
    """One side of a stage at complex frequencies s (rad/s); 1/s is worked out once for all."""

    stage: Stage
    s: ComplexArray
    per_s: ComplexArray
    arrival: Arrival | None = None


@dataclass(frozen=True)
class GridCircuit(Circuit):
    """From the source to the grid electrode."""

    @cached_property
    def _to_leak(self) -> tuple[Term, Term]:
        """Transfer to, and impedance at, the node that a leak on the source side joins."""
        t, s = self.stage, self.s
        loaded, z = (self.arrival.input_side if self.arrival else source_side)(t, s)
        blocked = t.elastances[0]
        if is_present(blocked):
            z = z + blocked * self.per_s
        before = t.leak_before_S
        if is_present(before):
            divided = 1.0 / (1.0 + z * before)
            return loaded * divided, z * divided
        return loaded, z

    @cached_property
    def _open_stopper(self) -> Term:
        """Share of an EMF in the stopper that its own shunt capacitance leaves."""
        shunt_s = self.stage.stopper_s
        return 1.0 / (1.0 + self.s * shunt_s) if is_present(shunt_s) else ONE

    @cached_property
    def _to_grid(self) -> tuple[Term, Term]:
        """Share that the shunts at the grid leave, and impedance before they are joined."""
        t, s = self.stage, self.s
        z = self._to_leak[1] + t.stopper_ohm * self._open_stopper
        lead = t.stopper_lead_H
        if is_present(lead):
            z = z + s * lead
        shunt: Term = t.leak_after_S
        if is_present(t.grid_capacitor_F):
            shunt = self.capacitor_S + shunt
        if is_present(t.stray_grid_ground_F):
            shunt = s * t.stray_grid_ground_F + shunt
        return (1.0 / (1.0 + z * shunt) if is_present(shunt) else ONE), z

    @property
    def capacitor_S(self) -> Term:
        """Admittance of the capacitor fitted from grid to ground, with its leads."""
        sC = self.s * self.stage.grid_capacitor_F
        lead = self.stage.grid_capacitor_lead_H
        return sC / (1.0 + self.s * lead * sC) if is_present(lead) else sC

    @cached_property
    def _from_source(self) -> ComplexArray:
        """Open-circuit EMF at the grid for 1 V of EMF behind the source resistance, or arriving."""
        return np.asarray(self._to_leak[0] * self._to_grid[0], complex)

    @cached_property
    def emf(self) -> ComplexArray:
        """Open-circuit voltage at the grid for 1 V of EMF."""
        return self._from_source * (self.stage.source_ratio if self.arrival is None else ONE)

    @cached_property
    def impedance_ohm(self) -> Term:
        """Impedance behind it, the grid's lead included."""
        held, z = self._to_grid
        lead = self.stage.grid_lead_H
        out = z * held
        return np.asarray(out + self.s * lead if is_present(lead) else out, complex)

    def emf_of(self, origin: str) -> Term | None:
        """Return the EMF that 1 V in series with a resistor makes; None where it is not here."""
        if origin == "source":
            return self._from_source
        if origin == "stopper":
            return self._open_stopper * self._to_grid[0]
        if origin == "grid_leak":
            # One volt of EMF in the leak is a current of 1/R into whichever node it joins.
            after = self.stage.leak_after_S
            emf = self.stage.leak_before_S * self._to_leak[1]
            if is_present(after):
                emf = emf + after * self._to_grid[1]
            return emf * self._to_grid[0]
        return None


@dataclass(frozen=True)
class CathodeCircuit(Circuit):
    """From the cathode electrode to ground."""

    @cached_property
    def _bypass(self) -> tuple[Term, Term]:
        """Impedance of the bypass branch, and of the loop that it makes with its resistor."""
        t = self.stage
        series = t.bypass_series_ohm
        blocked = t.elastances[1]
        zb = series + blocked * self.per_s if is_present(blocked) else series
        resistor = t.cathode_resistor_ohm
        nothing = t.short_to_ground
        if np.any(nothing):
            # Grounded cathode with a full bypass: no EMF and no impedance.
            return np.where(nothing, 0.0, zb), np.where(nothing, 1.0, resistor + zb)
        return zb, resistor + zb

    @cached_property
    def _bypass_share(self) -> Term:
        """Share of an EMF in the bypassed resistor that is left across the bypass."""
        zb, total = self._bypass
        return zb / total

    @cached_property
    def impedance_ohm(self) -> Term:
        """Impedance to ground, the cathode's lead included."""
        t = self.stage
        z = t.cathode_resistor_ohm * self._bypass_share
        below = t.cathode_unbypassed_ohm
        if is_present(below):
            z = z + below
        lead = t.cathode_lead_H
        return np.asarray(z + self.s * lead if is_present(lead) else z, complex)

    def emf_of(self, origin: str) -> Term | None:
        """Return the EMF that 1 V in series with a resistor makes; None where it is not here."""
        if origin == "cathode_resistor":
            return self._bypass_share
        if origin == "cathode_unbypassed":
            return ONE
        if origin == "bypass_series":
            return self.stage.cathode_resistor_ohm / self._bypass[1]
        return None


@dataclass(frozen=True)
class PlateCircuit(Circuit):
    """From the plate electrode to the supply, and to the output."""

    @cached_property
    def _load(self) -> tuple[Term, Term]:
        """Admittance of the load, and impedance of the coupling capacitor before it."""
        t, s = self.stage, self.s
        y: Term = t.load_S
        load_F = t.load_F
        if is_present(load_F):
            y = y + s * load_F
        blocked = t.elastances[2]
        return y, blocked * self.per_s if is_present(blocked) else blocked

    @cached_property
    def to_output(self) -> Term:
        """Share of the plate voltage (outside the lead) that reaches the output."""
        y_load, coupling = self._load
        return 1.0 / (1.0 + coupling * y_load) if is_present(coupling) else ONE

    @cached_property
    def decoupled(self) -> Term:
        """Share of the supply's ripple that its decoupling leaves."""
        t = self.stage
        held_s = t.decoupling_ohm * t.decoupling_F
        return 1.0 / (1.0 + self.s * held_s) if is_present(held_s) else ONE

    @property
    def _supply_ohm(self) -> Term:
        """Impedance at the top of the plate load: of the supply, or of a carrier there."""
        if self.arrival is not None and self.arrival.supply_ohm > 0:
            return np.asarray(self.arrival.supply_ohm)
        ohm = self.stage.decoupling_ohm
        return ohm * self.decoupled if is_present(ohm) else ohm

    @property
    def _capacitor_S(self) -> Term:
        """Admittance of the plate capacitor with the resistor in series."""
        sC = self.s * self.stage.plate_capacitor_F
        series = self.stage.plate_capacitor_series_ohm
        return sC / (1.0 + series * sC) if is_present(series) else sC

    @cached_property
    def _to_top_S(self) -> Term:
        """Admittance of the plate load, with what is fitted across it."""
        y = self.stage.plate_load_S
        return y + self._capacitor_S if is_present(self.stage.plate_capacitor_F) else y

    @cached_property
    def _stiff(self) -> Term:
        """Current through the plate load over that with a stiff supply."""
        ohm = self._supply_ohm
        return 1.0 / (1.0 + ohm * self._to_top_S) if is_present(ohm) else ONE

    @cached_property
    def outside_ohm(self) -> ComplexArray:
        """Impedance without the plate lead."""
        y = self._load[0] * self.to_output + self._to_top_S * self._stiff
        ground_F = self.stage.stray_plate_ground_F
        if is_present(ground_F):
            y = y + self.s * ground_F
        return np.asarray(1.0 / y, complex)

    @cached_property
    def impedance_ohm(self) -> Term:
        """Impedance that the electrode works into."""
        lead = self.stage.plate_lead_H
        return self.outside_ohm + self.s * lead if is_present(lead) else self.outside_ohm

    @property
    def emf(self) -> Term:
        """Open-circuit EMF outside the plate lead for 1 V of EMF; 0 but for a carrier there."""
        through = self.arrival is not None and self.arrival.supply_ohm > 0
        return self.outside_ohm * self._to_top_S * self._stiff if through else np.asarray(0.0)

    @cached_property
    def electrode_to_output(self) -> Term:
        """Output voltage for 1 V at the plate electrode.

        The drop in the plate lead counts only while the plate circuit carries no EMF of its own.
        """
        if not is_present(self.stage.plate_lead_H):
            return self.to_output
        return self.outside_ohm / self.impedance_ohm * self.to_output

    def emf_of(self, origin: str) -> tuple[Term, Term] | None:
        """Return the EMF outside the plate lead that 1 V in series with a resistor makes.

        And what of that volt the output has directly. None where it is not here.
        """
        direct: Term = np.asarray(0.0)
        if origin == "plate_load":
            current: Term = self._stiff / self.stage.plate_load_ohm
        elif origin == "plate_capacitor_series":
            current = self._capacitor_S * self._stiff
        elif origin == "decoupling":
            current = self.decoupled * self._to_top_S * self._stiff
        elif origin == "load":
            current = self.to_output / self.stage.load_ohm
            direct = self._load[1] * current
        else:
            return None
        return self.outside_ohm * current, direct
