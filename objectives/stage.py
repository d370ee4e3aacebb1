"""The stage: one set of part values in one set of surroundings, as arrays that broadcast.

Nodes (DESIGN, section 3): source EMF, ``c`` after the source resistance, ``a`` after the input
coupling capacitor, the grid after its stopper, the cathode, the plate and the output ``o``.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike

from objectives.arrays import Batch, BoolArray, FloatArray, Floats
from objectives.checks import require

# A capacitor of 0 F in series blocks; this stands for "nothing there" without dividing by zero.
_ABSENT_F = 1e-30


def elastance(capacitance_F: ArrayLike) -> FloatArray:
    """Return 1/C (per farad): 0 for an infinite capacitor, very large for none."""
    return np.asarray(1.0 / np.maximum(np.asarray(capacitance_F, float), _ABSENT_F))


def parallel(first: ArrayLike, second: ArrayLike) -> FloatArray:
    """Return the resistance (ohm) of two resistances in parallel; either may be 0 or infinite."""
    a, b = np.broadcast_arrays(np.asarray(first, float), np.asarray(second, float))
    low, high = np.minimum(a, b), np.maximum(a, b)
    # Dividing by the larger keeps 0 and infinity exact, where a*b/(a+b) would give nan.
    ratio = np.divide(low, high, out=np.zeros_like(low), where=(high > 0) & np.isfinite(low))
    return np.where(np.isfinite(low), low / (1 + ratio), np.inf)


@dataclass(frozen=True)
class Stage(Batch):
    """Part values and surroundings of common-cathode stages; SI units; every field broadcasts.

    Capacitors in series with the signal and the cathode bypass may be ``inf`` (a short for
    signals: direct coupling, full bypass); shunt capacitors and the bypass may be 0 (absent).
    Resistances that may be absent as a shunt (leak, load) may be ``inf``.
    """

    supply_V: Floats = Floats()
    plate_load_ohm: Floats = Floats()
    cathode_resistor_ohm: Floats = Floats()
    """The section of the cathode resistor that the bypass is across."""
    stopper_ohm: Floats = Floats(0.0)
    bypass_F: Floats = Floats(np.inf)
    """Cathode bypass; 0 is unbypassed, inf fully bypassed."""
    cathode_unbypassed_ohm: Floats = Floats(0.0)
    """The section between the cathode and the bypassed section (a split resistor)."""
    bypass_series_ohm: Floats = Floats(0.0)
    """Resistor in series with the bypass capacitor."""
    grid_bias_V: Floats = Floats(0.0)
    """Fixed bias that the cold end of the grid leak returns to."""
    grid_bias_ratio: Floats = Floats(0.0)
    """Share of the supply voltage that is added to it: a divider from the supply, whose resistors
    in parallel are the grid leak."""
    decoupling_ohm: Floats = Floats(0.0)
    """Resistance of the supply as signals see it, ahead of the top of the plate load, where
    ``supply_V`` is stated; 0 for a stiff supply."""
    decoupling_F: Floats = Floats(0.0)
    """Capacitor to ground at the top of the plate load."""

    source_ohm: Floats = Floats(0.0)
    """Thevenin resistance of what drives the stage."""
    source_ratio: Floats = Floats(1.0)
    """Open-circuit voltage behind that resistance over the source's own (a level control)."""
    driver_noise_ohm: Floats = Floats(0.0)
    """Resistance whose thermal noise the driving stage makes behind source_ohm; 0 for a plain
    source, whose noise is that of source_ohm."""
    driver_flicker_Hz: Floats = Floats(0.0)
    """Where the driving stage's flicker noise equals its white noise."""
    cable_F: Floats = Floats(0.0)
    """Shunt capacitance to ground after the source resistance."""
    input_coupling_F: Floats = Floats(np.inf)
    grid_leak_ohm: Floats = Floats(1e6)
    leak_at_grid: Floats = Floats(0.0)
    """1 when the leak sits on the grid side of the stopper, 0 when on the source side."""
    stopper_shunt_F: Floats = Floats(0.0)
    """The stopper's own end-to-end capacitance."""
    stopper_lead_H: Floats = Floats(0.0)
    grid_capacitor_F: Floats = Floats(0.0)
    """A capacitor fitted on purpose from grid to ground."""
    grid_capacitor_lead_H: Floats = Floats(0.0)
    """The inductance in series with it, of its leads and its body."""

    plate_capacitor_F: Floats = Floats(0.0)
    """A capacitor fitted across the plate load."""
    plate_capacitor_series_ohm: Floats = Floats(0.0)
    """Resistor in series with that capacitor: a damped treble cut."""
    output_coupling_F: Floats = Floats(np.inf)
    load_ohm: Floats = Floats(np.inf)
    load_F: Floats = Floats(0.0)

    stray_grid_plate_F: Floats = Floats(0.0)
    stray_grid_cathode_F: Floats = Floats(0.0)
    stray_plate_cathode_F: Floats = Floats(0.0)
    stray_grid_ground_F: Floats = Floats(0.0)
    stray_plate_ground_F: Floats = Floats(0.0)
    grid_lead_H: Floats = Floats(0.0)
    plate_lead_H: Floats = Floats(0.0)
    cathode_lead_H: Floats = Floats(0.0)

    # What networks need at every frequency is worked out once.

    @cached_property
    def leak_before_S(self) -> FloatArray:
        """Conductance of a grid leak on the source side of the stopper."""
        return np.asarray((1.0 - self.leak_at_grid) / self.grid_leak_ohm)

    @cached_property
    def leak_after_S(self) -> FloatArray:
        """Conductance of a grid leak on the grid side of the stopper."""
        return np.asarray(self.leak_at_grid / self.grid_leak_ohm)

    @cached_property
    def elastances(self) -> tuple[FloatArray, FloatArray, FloatArray]:
        """1/C of input coupling, bypass and output coupling (per farad)."""
        a, b, c = map(elastance, (self.input_coupling_F, self.bypass_F, self.output_coupling_F))
        return a, b, c

    @cached_property
    def short_to_ground(self) -> BoolArray:
        """Where the cathode's bypassed section is a short: no resistor, and a full bypass."""
        nothing = (self.cathode_resistor_ohm == 0) & (self.bypass_series_ohm == 0)
        return np.asarray(nothing & (self.elastances[1] == 0))

    @cached_property
    def load_S(self) -> FloatArray:
        """Conductance of the load."""
        return np.asarray(1.0 / self.load_ohm)

    @cached_property
    def plate_load_S(self) -> FloatArray:
        """Conductance of the plate load."""
        return np.asarray(1.0 / self.plate_load_ohm)

    @cached_property
    def stopper_s(self) -> FloatArray:
        """Time constant of the stopper and its own capacitance."""
        return np.asarray(self.stopper_ohm * self.stopper_shunt_F)

    @property
    def cathode_total_ohm(self) -> FloatArray:
        """The whole resistance from cathode to ground at direct current."""
        return self.cathode_resistor_ohm + self.cathode_unbypassed_ohm

    @property
    def bias_V(self) -> FloatArray:
        """The voltage that the cold end of the grid leak returns to (V)."""
        return self.grid_bias_V + self.grid_bias_ratio * self.supply_V

    @property
    def bias_divider_ohm(self) -> tuple[FloatArray, FloatArray]:
        """Upper and lower resistor (ohm) that set ``grid_bias_ratio``; inf where there are none.

        In parallel they are the grid leak, and the lower divides the supply down to the bias.
        """
        leak, ratio = np.broadcast_arrays(self.grid_leak_ohm, self.grid_bias_ratio)
        there = (ratio > 0) & (ratio < 1) & (self.grid_bias_V == 0)
        with np.errstate(divide="ignore", invalid="ignore"):
            upper, lower = leak / ratio, leak / (1 - ratio)
        return np.where(there, upper, np.inf), np.where(there, lower, np.inf)

    def grid_return(self) -> tuple[FloatArray, FloatArray]:
        """Return the direct voltage (V) and resistance (ohm) that the grid sees to ground.

        With a coupling capacitor the only path is the leak (through the stopper when the leak is
        on its source side). Coupled directly, the source (0 V) is in parallel with the leak.

        Raises
        ------
        ValueError
            If a grid floats: a coupling capacitor and no leak.
        """
        leak, stopper = self.grid_leak_ohm, self.stopper_ohm
        at_grid = self.leak_at_grid > 0.5
        direct = np.isinf(self.input_coupling_F)
        require("grid_leak_ohm", leak, np.isfinite(leak) | direct,
                "finite where input_coupling_F is, or the grid floats")  # fmt: skip
        feed = np.where(direct, self.source_ohm + np.where(at_grid, stopper, 0.0), np.inf)
        # Share of the bias voltage that reaches the node the leak joins.
        total = feed + leak
        divided = np.divide(feed, total, out=np.zeros(np.shape(total)),
                            where=np.isfinite(total) & (total > 0))  # fmt: skip
        share = np.where(np.isinf(leak), 0.0, np.where(np.isinf(feed), 1.0, divided))
        return self.bias_V * share, parallel(feed, leak) + np.where(at_grid, 0.0, stopper)
