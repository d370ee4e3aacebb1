"""The small-signal network of DESIGN, section 3, solved exactly and in closed form for a batch.

The source side, the cathode circuit and the plate circuit are each reduced to an EMF behind an
impedance round the three-terminal device, which leaves three equations in the electrode voltages::

    Vg + Zg [ (ygk+ygp) Vg - ygk Vk - ygp Vp + grr (Vp - Vk) ]                    = Eg
    Vk + Zk [ -(ygk+gm) Vg + (ygk+gm+gp+ypk+grr) Vk - (gp+ypk+grr) Vp ]           = Ek
    Vp + Zp [ (gm-ygp) Vg - (gm+gp+ypk) Vk + (gp+ygp+ypk) Vp ]                    = Ep

with ``ygk = gg + s Cgk``, ``ygp = s Cgp``, ``ypk = s Cpk``, gg and grr the partial derivatives of
grid current by grid and by plate voltage. Written with impedances on the left (not admittances),
a perfect source or a grounded cathode is just Z = 0. :mod:`objectives.nodal` holds the same stage
as a plain dense nodal system, which the tests compare with this one.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike

from objectives.batch import Batch, ComplexArray, FloatArray
from objectives.stage import Stage

__all__ = ["Network", "SmallSignal", "elastance"]

# A capacitor of 0 F in series blocks; this stands for "nothing there" without dividing by zero.
_ABSENT_F = 1e-30


def elastance(capacitance_F: ArrayLike) -> FloatArray:
    """Return 1/C (per farad): 0 for an infinite capacitor, very large for none."""
    return np.asarray(1.0 / np.maximum(np.asarray(capacitance_F, float), _ABSENT_F))


@dataclass(frozen=True)
class SmallSignal(Batch):
    """The linearised three-terminal device, shape of the stage (or with a trailing axis)."""

    transconductance_S: ArrayLike
    plate_conductance_S: ArrayLike
    grid_cathode_F: ArrayLike
    grid_plate_F: ArrayLike
    plate_cathode_F: ArrayLike
    grid_conductance_S: ArrayLike = 0.0
    grid_plate_conductance_S: ArrayLike = 0.0


@dataclass(frozen=True)
class Network:
    """One solved network: stage, device and frequency broadcast against each other.

    Parameters
    ----------
    stage, device :
        Batches; give them a trailing axis (:meth:`Batch.expand`) for a sweep.
    frequency_Hz :
        Positive frequencies that broadcast with the two. All results have the common shape.
    """

    stage: Stage
    device: SmallSignal
    frequency_Hz: ArrayLike

    @cached_property
    def s(self) -> ComplexArray:
        """Complex frequency j*2*pi*f (rad/s)."""
        return np.asarray(2j * np.pi * np.asarray(self.frequency_Hz, float))

    # -- source side ---------------------------------------------------------------------------

    @cached_property
    def _source_side(self) -> dict[str, ComplexArray]:
        """Transfers to the open-circuit EMF at the grid, and the impedance behind it."""
        t, s = self.stage, self.s
        rs = np.asarray(t.source_ohm, float)
        at_grid = np.asarray(t.leak_at_grid, float)
        leak_S = 1.0 / np.asarray(t.grid_leak_ohm, float)
        loaded = 1.0 / (1.0 + s * rs * np.asarray(t.cable_F, float))
        z = rs * loaded + elastance(t.input_coupling_F) / s
        divided = 1.0 / (1.0 + z * leak_S * (1.0 - at_grid))
        za = z * divided
        rg = np.asarray(t.stopper_ohm, float)
        open_stopper = 1.0 / (1.0 + s * rg * np.asarray(t.stopper_shunt_F, float))
        zst = rg * open_stopper + s * np.asarray(t.stopper_lead_H, float)
        z3 = za + zst
        shunt = leak_S * at_grid + s * (
            np.asarray(t.grid_capacitor_F, float) + np.asarray(t.stray_grid_ground_F, float)
        )
        held = 1.0 / (1.0 + z3 * shunt)
        return {
            "source": loaded * divided * held,
            # One volt of EMF in the leak is a current of 1/R into whichever node it joins.
            "leak": leak_S * (za * (1.0 - at_grid) * held + z3 * held * at_grid),
            "stopper": open_stopper * held,
            "impedance": z3 * held + s * np.asarray(t.grid_lead_H, float),
        }

    @property
    def grid_source_impedance_ohm(self) -> ComplexArray:
        """Thevenin impedance that the grid electrode looks back into."""
        return self._source_side["impedance"]

    # -- cathode -------------------------------------------------------------------------------

    @cached_property
    def _cathode_side(self) -> dict[str, ComplexArray]:
        t, s = self.stage, self.s
        rb = np.asarray(t.cathode_resistor_ohm, float)
        ru = np.asarray(t.cathode_unbypassed_ohm, float)
        rser = np.asarray(t.bypass_series_ohm, float)
        zb = rser + elastance(t.bypass_F) / s
        total = rb + zb
        # Both zero (grounded cathode with a full bypass): no EMF and no impedance.
        safe = np.where(total == 0, 1.0, total)
        share = np.where(total == 0, 0.0, zb / safe)
        return {
            "impedance": ru + rb * share + s * np.asarray(t.cathode_lead_H, float),
            "resistor": np.asarray(share),
            "bypass_series": np.asarray(np.where(total == 0, 0.0, rb / safe)),
        }

    @property
    def cathode_impedance_ohm(self) -> ComplexArray:
        """Impedance from the cathode electrode to ground."""
        return self._cathode_side["impedance"]

    # -- plate and output ----------------------------------------------------------------------

    @cached_property
    def _plate_side(self) -> dict[str, ComplexArray]:
        t, s = self.stage, self.s
        y_load = 1.0 / np.asarray(t.load_ohm, float) + s * np.asarray(t.load_F, float)
        zc = elastance(t.output_coupling_F) / s
        to_output = 1.0 / (1.0 + zc * y_load)
        y_branch = y_load * to_output
        y_plate = (
            1.0 / np.asarray(t.plate_load_ohm, float)
            + s
            * (np.asarray(t.plate_capacitor_F, float) + np.asarray(t.stray_plate_ground_F, float))
            + y_branch
        )
        z_outside = 1.0 / y_plate
        impedance = z_outside + s * np.asarray(t.plate_lead_H, float)
        return {
            "impedance": impedance,
            "outside": z_outside,
            # Share of the electrode's voltage that is left after the plate lead; both factors
            # count only while the plate circuit itself carries no EMF of its own.
            "after_lead": z_outside / impedance,
            "to_output": to_output,
            "coupling": zc,
        }

    @property
    def plate_impedance_ohm(self) -> ComplexArray:
        """Impedance that the plate electrode works into."""
        return self._plate_side["impedance"]

    # -- the three equations -------------------------------------------------------------------

    @cached_property
    def _inverse(self) -> tuple[tuple[ComplexArray, ...], ...]:
        """Rows g, k, p of the inverse of the 3x3 system: response to EMFs (Eg, Ek, Ep)."""
        d, s = self.device, self.s
        gm = np.asarray(d.transconductance_S, float)
        gp = np.asarray(d.plate_conductance_S, float)
        grr = np.asarray(d.grid_plate_conductance_S, float)
        ygk = np.asarray(d.grid_conductance_S, float) + s * np.asarray(d.grid_cathode_F, float)
        ygp = s * np.asarray(d.grid_plate_F, float)
        ypk = s * np.asarray(d.plate_cathode_F, float)
        zg, zk, zp = (
            self.grid_source_impedance_ohm,
            self.cathode_impedance_ohm,
            self.plate_impedance_ohm,
        )
        m11, m12, m13 = 1 + zg * (ygk + ygp), -zg * (ygk + grr), zg * (grr - ygp)
        m21 = -zk * (ygk + gm)
        m22 = 1 + zk * (ygk + gm + gp + ypk + grr)
        m23 = -zk * (gp + ypk + grr)
        m31, m32, m33 = zp * (gm - ygp), -zp * (gm + gp + ypk), 1 + zp * (gp + ygp + ypk)
        c11, c12, c13 = m22 * m33 - m23 * m32, m13 * m32 - m12 * m33, m12 * m23 - m13 * m22
        c21, c22, c23 = m23 * m31 - m21 * m33, m11 * m33 - m13 * m31, m13 * m21 - m11 * m23
        c31, c32, c33 = m21 * m32 - m22 * m31, m12 * m31 - m11 * m32, m11 * m22 - m12 * m21
        det = m11 * c11 + m12 * c21 + m13 * c31
        return (
            (c11 / det, c12 / det, c13 / det),
            (c21 / det, c22 / det, c23 / det),
            (c31 / det, c32 / det, c33 / det),
        )

    # -- responses to the source ---------------------------------------------------------------

    @property
    def grid(self) -> ComplexArray:
        """Voltage at the grid electrode for 1 V of source EMF."""
        return self._inverse[0][0] * self._source_side["source"]

    @property
    def cathode(self) -> ComplexArray:
        """Voltage at the cathode electrode for 1 V of source EMF."""
        return self._inverse[1][0] * self._source_side["source"]

    @property
    def plate(self) -> ComplexArray:
        """Voltage at the plate electrode for 1 V of source EMF."""
        return self._inverse[2][0] * self._source_side["source"]

    @property
    def output(self) -> ComplexArray:
        """Voltage across the load for 1 V of source EMF."""
        side = self._plate_side
        return self.plate * side["after_lead"] * side["to_output"]

    @property
    def input_admittance_S(self) -> ComplexArray:
        """Admittance of the grid electrode to ground, with cathode and plate circuits as they are.

        Its imaginary part over 2*pi*f is the input capacitance, Miller effect included.
        """
        d, s = self.device, self.s
        gm = np.asarray(d.transconductance_S, float)
        gp = np.asarray(d.plate_conductance_S, float)
        grr = np.asarray(d.grid_plate_conductance_S, float)
        ygk = np.asarray(d.grid_conductance_S, float) + s * np.asarray(d.grid_cathode_F, float)
        ygp = s * np.asarray(d.grid_plate_F, float)
        ypk = s * np.asarray(d.plate_cathode_F, float)
        zk, zp = self.cathode_impedance_ohm, self.plate_impedance_ohm
        m22, m23 = 1 + zk * (ygk + gm + gp + ypk + grr), -zk * (gp + ypk + grr)
        m32, m33 = -zp * (gm + gp + ypk), 1 + zp * (gp + ygp + ypk)
        bk, bp = zk * (ygk + gm), -zp * (gm - ygp)
        det = m22 * m33 - m23 * m32
        vk, vp = (bk * m33 - m23 * bp) / det, (m22 * bp - bk * m32) / det
        return np.asarray(ygk * (1 - vk) + ygp * (1 - vp) + grr * (vp - vk))

    # -- responses to sources inside the network -----------------------------------------------

    def output_of(self, origin: str) -> ComplexArray:
        """Return the output voltage for a unit source inside the network.

        For a resistor (``source``, ``leak``, ``stopper``, ``cathode_resistor``,
        ``cathode_unbypassed``, ``bypass_series``, ``plate_load``, ``load``) the unit is 1 V of EMF
        in series with it; for ``device`` 1 V in series with the grid-cathode control voltage (a
        current of gm from plate to cathode); for ``grid_current`` 1 A from grid to cathode.

        Raises
        ------
        ValueError
            If ``origin`` is none of these.
        """
        source, cathode, plate = self._source_side, self._cathode_side, self._plate_side
        pg, pk, pp = self._inverse[2]
        zero = np.zeros_like(pg)
        direct = zero
        gm = np.asarray(self.device.transconductance_S, float)
        if origin in ("source", "leak", "stopper"):
            at_plate = pg * source[origin]
        elif origin == "cathode_resistor":
            at_plate = pk * cathode["resistor"]
        elif origin == "cathode_unbypassed":
            at_plate = pk + zero
        elif origin == "bypass_series":
            at_plate = pk * cathode["bypass_series"]
        elif origin == "device":
            at_plate = gm * (pk * cathode["impedance"] - pp * plate["impedance"])
        elif origin == "grid_current":
            at_plate = pk * cathode["impedance"] - pg * source["impedance"]
        elif origin in ("plate_load", "load"):
            if origin == "plate_load":
                emf = plate["outside"] / np.asarray(self.stage.plate_load_ohm, float)
            else:
                per_volt = 1.0 / np.asarray(self.stage.load_ohm, float)
                emf = plate["outside"] * plate["to_output"] * per_volt
                direct = plate["coupling"] * plate["to_output"] * per_volt + zero
            # The EMF sits in the plate circuit itself, so the voltage outside the lead is the EMF
            # less the drop that the electrode's current makes in the outside impedance.
            electrode = pp * emf
            current = (emf - electrode) / plate["impedance"]
            outside = emf - current * plate["outside"]
            return np.asarray(outside * plate["to_output"] + direct)
        else:
            raise ValueError(f"origin: {origin!r}: must be a resistor, 'device' or 'grid_current'")
        return np.asarray(at_plate * plate["after_lead"] * plate["to_output"])
