"""The small-signal network of DESIGN, section 3, solved exactly and in closed form for a batch.

The source side, the cathode circuit and the plate circuit are each reduced to an EMF behind an
impedance round the three-terminal device, which leaves three equations in the electrode voltages::

    Vg + Zg [ (ygk+ygp) Vg - ygk Vk - ygp Vp + grr (Vp - Vk) ]                    = Eg
    Vk + Zk [ -(ygk+gm) Vg + (ygk+gm+gp+ypk+grr) Vk - (gp+ypk+grr) Vp ]           = Ek
    Vp + Zp [ (gm-ygp) Vg - (gm+gp+ypk) Vk + (gp+ygp+ypk) Vp ]                    = Ep

with ``ygk = gg + s Cgk``, ``ygp = s Cgp``, ``ypk = s Cpk``, gg and grr the partial derivatives of
grid current by grid and by plate voltage. Written with impedances on the left (not admittances),
a perfect source or a grounded cathode is just Z = 0. :mod:`objectives.circuit.nodal` builds the
same stage as a plain dense nodal system, which the tests compare with this one.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from typing import Any, Literal, TypeAlias

import numpy as np
from numpy.typing import ArrayLike, NDArray

from objectives.arrays import BoolArray, ComplexArray, FloatArray, flatten
from objectives.circuit.small_signal import SmallSignal
from objectives.stage import Stage

# A capacitor of 0 F in series blocks; this stands for "nothing there" without dividing by zero.
_ABSENT_F = 1e-30

# Complex numbers in one array of a sweep. From 128 KiB on the C library gives an array back to the
# system as soon as it is freed, and every new one costs page faults: 2.5 times the time, measured.
_BLOCK = 8000

# Real or complex: a branch that is not there leaves a term real.
Term: TypeAlias = NDArray[np.inexact[Any]]
_ONE = np.asarray(1.0)


def elastance(capacitance_F: ArrayLike) -> FloatArray:
    """Return 1/C (per farad): 0 for an infinite capacitor, very large for none."""
    return np.asarray(1.0 / np.maximum(np.asarray(capacitance_F, float), _ABSENT_F))


def squared(value: Term) -> FloatArray:
    """Return |value|^2."""
    return np.asarray(value.real * value.real + value.imag * value.imag)


def _is_present(value: Term | BoolArray) -> bool:
    """Return whether a branch is there: false where one number, 0, holds for the whole batch.

    Leaving it out then changes no result, as it would multiply by one or add nothing, and no
    shape; a sweep over many stages is bound by the number of array operations.
    """
    return value.size != 1 or bool(value.item() != 0)


@dataclass(frozen=True)
class Network:
    """One solved network: stage, device and positive frequencies (Hz) broadcast against each other.

    Give the batches a trailing axis (:meth:`Batch.expand`) for a sweep. All results have the common
    shape.
    """

    stage: Stage
    device: SmallSignal
    frequency_Hz: ArrayLike

    @cached_property
    def s(self) -> ComplexArray:
        """Complex frequency j*2*pi*f (rad/s)."""
        return 2j * np.pi * np.asarray(self.frequency_Hz, float)

    @cached_property
    def _per_s(self) -> ComplexArray:
        """1/s."""
        return 1.0 / self.s

    # -- source side ---------------------------------------------------------------------------

    @cached_property
    def _to_leak(self) -> tuple[Term, Term]:
        """Transfer to, and impedance at, the node that a leak on the source side joins."""
        t, s = self.stage, self.s
        rs = t.source_ohm
        cable_s = rs * t.cable_F
        loaded: Term = _ONE
        z: Term = rs
        if _is_present(cable_s):
            loaded = 1.0 / (1.0 + s * cable_s)
            z = rs * loaded
        blocked = elastance(t.input_coupling_F)
        if _is_present(blocked):
            z = z + blocked * self._per_s
        before = self._leak_before_S
        if _is_present(before):
            divided = 1.0 / (1.0 + z * before)
            return loaded * divided, z * divided
        return loaded, z

    @property
    def _leak_before_S(self) -> FloatArray:
        return (1.0 - self.stage.leak_at_grid) / self.stage.grid_leak_ohm

    @property
    def _leak_after_S(self) -> FloatArray:
        return self.stage.leak_at_grid / self.stage.grid_leak_ohm

    @cached_property
    def _open_stopper(self) -> Term:
        """Share of an EMF in the stopper that its own shunt capacitance leaves."""
        t = self.stage
        shunt_s = t.stopper_ohm * t.stopper_shunt_F
        return 1.0 / (1.0 + self.s * shunt_s) if _is_present(shunt_s) else _ONE

    @cached_property
    def _to_grid(self) -> tuple[Term, Term]:
        """Share that the shunts at the grid leave, and impedance before they are joined."""
        t, s = self.stage, self.s
        z = self._to_leak[1] + t.stopper_ohm * self._open_stopper
        lead = t.stopper_lead_H
        if _is_present(lead):
            z = z + s * lead
        after = self._leak_after_S
        ground_F = t.grid_capacitor_F + t.stray_grid_ground_F
        shunt: Term = after
        if _is_present(ground_F):
            shunt = s * ground_F + after if _is_present(after) else s * ground_F
        return (1.0 / (1.0 + z * shunt) if _is_present(shunt) else _ONE), z

    @cached_property
    def _source_emf(self) -> ComplexArray:
        """Open-circuit voltage at the grid for 1 V of source EMF ahead of any level control."""
        return self._from_source * self.stage.source_ratio

    @cached_property
    def _from_source(self) -> ComplexArray:
        """Open-circuit EMF at the grid for 1 V of EMF behind the source resistance."""
        return np.asarray(self._to_leak[0] * self._to_grid[0], complex)

    @cached_property
    def _source_side_ohm(self) -> Term:
        held, z = self._to_grid
        lead = self.stage.grid_lead_H
        out = z * held
        return np.asarray(out + self.s * lead if _is_present(lead) else out, complex)

    # -- cathode -------------------------------------------------------------------------------

    @cached_property
    def _bypass(self) -> tuple[Term, Term]:
        """Impedance of the bypass branch, and of the loop that it makes with its resistor."""
        t = self.stage
        series = t.bypass_series_ohm
        blocked = elastance(t.bypass_F)
        zb = series + blocked * self._per_s if _is_present(blocked) else series
        resistor = t.cathode_resistor_ohm
        nothing = (resistor == 0) & (series == 0) & (blocked == 0)
        if _is_present(nothing):
            # Grounded cathode with a full bypass: no EMF and no impedance.
            return np.where(nothing, 0.0, zb), np.where(nothing, 1.0, resistor + zb)
        return zb, resistor + zb

    @cached_property
    def _bypass_share(self) -> Term:
        """Share of an EMF in the bypassed resistor that is left across the bypass."""
        zb, total = self._bypass
        return zb / total

    @cached_property
    def _cathode_ohm(self) -> Term:
        t = self.stage
        z = t.cathode_resistor_ohm * self._bypass_share
        below = t.cathode_unbypassed_ohm
        if _is_present(below):
            z = z + below
        lead = t.cathode_lead_H
        return np.asarray(z + self.s * lead if _is_present(lead) else z, complex)

    # -- plate and output ----------------------------------------------------------------------

    @cached_property
    def _load(self) -> tuple[Term, Term]:
        """Admittance of the load, and impedance of the coupling capacitor before it."""
        t, s = self.stage, self.s
        y: Term = 1.0 / t.load_ohm
        load_F = t.load_F
        if _is_present(load_F):
            y = y + s * load_F
        blocked = elastance(t.output_coupling_F)
        return y, blocked * self._per_s if _is_present(blocked) else blocked

    @cached_property
    def _to_output(self) -> Term:
        """Share of the plate voltage (outside the lead) that reaches the output."""
        y_load, coupling = self._load
        return 1.0 / (1.0 + coupling * y_load) if _is_present(coupling) else _ONE

    @cached_property
    def _decoupled(self) -> Term:
        """Share of the supply's ripple that its decoupling leaves."""
        t = self.stage
        held_s = t.decoupling_ohm * t.decoupling_F
        return 1.0 / (1.0 + self.s * held_s) if _is_present(held_s) else _ONE

    @cached_property
    def _plate_load_S(self) -> Term:
        """Admittance of the plate load, with what is fitted across it."""
        y = 1.0 / self.stage.plate_load_ohm
        return y + self._plate_capacitor_S if _is_present(self.stage.plate_capacitor_F) else y

    @cached_property
    def _stiff(self) -> Term:
        """Current through the plate load over that with a stiff supply."""
        ohm = self.stage.decoupling_ohm
        if not _is_present(ohm):
            return _ONE
        return 1.0 / (1.0 + ohm * self._decoupled * self._plate_load_S)

    @property
    def _plate_capacitor_S(self) -> ComplexArray:
        """Admittance of the plate capacitor with the resistor in series."""
        sC = self.s * self.stage.plate_capacitor_F
        return sC / (1.0 + self.stage.plate_capacitor_series_ohm * sC)

    @cached_property
    def _outside_ohm(self) -> ComplexArray:
        """Impedance of the plate circuit without the plate lead."""
        t = self.stage
        y = self._load[0] * self._to_output
        ground_F, series = t.stray_plate_ground_F, t.plate_capacitor_series_ohm
        if _is_present(t.decoupling_ohm) or np.count_nonzero(series):
            y = y + self._plate_load_S * self._stiff
        else:
            # Zeros are added to keep the shape that it has with a resistor.
            y = y + 1.0 / t.plate_load_ohm
            ground_F = ground_F + t.plate_capacitor_F + series
        if _is_present(ground_F):
            y = y + self.s * ground_F
        return np.asarray(1.0 / y, complex)

    @cached_property
    def _plate_ohm(self) -> Term:
        lead = self.stage.plate_lead_H
        return self._outside_ohm + self.s * lead if _is_present(lead) else self._outside_ohm

    @cached_property
    def _from_plate(self) -> Term:
        """Output voltage for 1 V at the plate electrode.

        The drop in the plate lead counts only while the plate circuit carries no EMF of its own.
        """
        if not _is_present(self.stage.plate_lead_H):
            return self._to_output
        return self._outside_ohm / self._plate_ohm * self._to_output

    # -- the three equations -------------------------------------------------------------------

    @cached_property
    def _coefficients(self) -> tuple[ComplexArray, ...]:
        """The system as six numbers: a, b of the grid, p, q of the cathode, r, t of the plate.

        Every row of the system sums to one (electrodes that move together carry no current between
        them), which leaves two free coefficients a row::

            [ 1+a+b   -a      -b    ]
            [ -p      1+p+q   -q    ]
            [ r       -t      1-r+t ]
        """
        d, s = self.device, self.s
        gm, gp, grr = d.transconductance_S, d.plate_conductance_S, d.grid_plate_conductance_S
        gg = d.grid_conductance_S
        ygk = s * d.grid_cathode_F
        if _is_present(gg):
            ygk = ygk + gg
        ygp = s * d.grid_plate_F
        ypk = s * d.plate_cathode_F + gp
        zg, zk, zp = self._source_side_ohm, self._cathode_ohm, self._plate_ohm
        if _is_present(grr):
            a, b, q = zg * (ygk + grr), zg * (ygp - grr), zk * (ypk + grr)
        else:
            a, b, q = zg * ygk, zg * ygp, zk * ypk
        return a, b, zk * (ygk + gm), q, zp * (gm - ygp), zp * (ypk + gm)

    @cached_property
    def _adjugate_grid(self) -> tuple[ComplexArray, ComplexArray]:
        """Element (grid, grid) of the adjugate, and the determinant."""
        a, b, _, q, r, t = self._coefficients
        m22, m33 = self._cathode_diagonal, 1 - r + t
        first = m22 * m33 - q * t
        # Since the rows sum to one, the determinant is the sum of the adjugate's first row.
        return first, first + (b * t + a * m33) + (a * q + b * m22)

    @cached_property
    def _grid_diagonal(self) -> ComplexArray:
        a, b, *_ = self._coefficients
        return 1 + a + b

    @cached_property
    def _cathode_diagonal(self) -> ComplexArray:
        _, _, p, q, _, _ = self._coefficients
        return 1 + p + q

    @cached_property
    def _per_determinant(self) -> ComplexArray:
        return 1.0 / self._adjugate_grid[1]

    @cached_property
    def _plate_from_grid(self) -> ComplexArray:
        """Voltage at the plate electrode for 1 V of open-circuit EMF at the grid."""
        _, _, p, _, r, t = self._coefficients
        return (p * t - self._cathode_diagonal * r) * self._per_determinant

    @cached_property
    def _plate_from_cathode(self) -> ComplexArray:
        """Voltage at the plate electrode for 1 V of EMF in the cathode circuit."""
        a, _, _, _, r, t = self._coefficients
        return (self._grid_diagonal * t - a * r) * self._per_determinant

    @cached_property
    def _plate_from_plate(self) -> ComplexArray:
        """Voltage at the plate electrode for 1 V of EMF in the plate circuit."""
        a, _, p, *_ = self._coefficients
        both = self._grid_diagonal * self._cathode_diagonal
        return (both - a * p) * self._per_determinant

    # -- responses to the source ---------------------------------------------------------------

    @property
    def grid(self) -> ComplexArray:
        """Voltage at the grid electrode for 1 V of source EMF."""
        return self._adjugate_grid[0] * self._per_determinant * self._source_emf

    @property
    def cathode(self) -> ComplexArray:
        """Voltage at the cathode electrode for 1 V of source EMF."""
        _, _, p, q, r, t = self._coefficients
        return (p * (1 - r + t) - q * r) * self._per_determinant * self._source_emf

    @property
    def plate(self) -> ComplexArray:
        """Voltage at the plate electrode for 1 V of source EMF."""
        return self._plate_from_grid * self._source_emf

    @property
    def output(self) -> ComplexArray:
        """Voltage across the load for 1 V of source EMF."""
        return self.plate * self._from_plate

    # -- impedances ----------------------------------------------------------------------------

    @property
    def cathode_impedance_ohm(self) -> ComplexArray:
        """Impedance from the cathode electrode to ground."""
        return self._cathode_ohm + np.zeros_like(self.s)

    @property
    def plate_impedance_ohm(self) -> ComplexArray:
        """Impedance that the plate electrode works into."""
        return self._plate_ohm + np.zeros_like(self.s)

    @property
    def input_admittance_S(self) -> ComplexArray:
        """Admittance of the grid electrode to ground, with cathode and plate circuits as they are.

        Its imaginary part over 2*pi*f is the input capacitance, Miller effect included.
        """
        d, s = self.device, self.s
        gm, gp, grr = d.transconductance_S, d.plate_conductance_S, d.grid_plate_conductance_S
        ygk = d.grid_conductance_S + s * d.grid_cathode_F
        ygp = s * d.grid_plate_F
        ypk = s * d.plate_cathode_F
        zk, zp = self._cathode_ohm, self._plate_ohm
        m22, m23 = 1 + zk * (ygk + gm + gp + ypk + grr), -zk * (gp + ypk + grr)
        m32, m33 = -zp * (gm + gp + ypk), 1 + zp * (gp + ygp + ypk)
        bk, bp = zk * (ygk + gm), -zp * (gm - ygp)
        det = m22 * m33 - m23 * m32
        vk, vp = (bk * m33 - m23 * bp) / det, (m22 * bp - bk * m32) / det
        return ygk * (1 - vk) + ygp * (1 - vp) + grr * (vp - vk)

    # -- responses to sources inside the network -----------------------------------------------

    def _emf_of(self, origin: str) -> tuple[Literal["grid", "cathode"], Term] | None:
        """Return the circuit that a resistor is in and what share of its EMF it puts there."""
        if origin == "source":
            return "grid", self._from_source
        if origin == "stopper":
            return "grid", self._open_stopper * self._to_grid[0]
        if origin == "grid_leak":
            # One volt of EMF in the leak is a current of 1/R into whichever node it joins.
            before, after = self._leak_before_S, self._leak_after_S
            emf = before * self._to_leak[1]
            if _is_present(after):
                emf = emf + after * self._to_grid[1]
            return "grid", emf * self._to_grid[0]
        if origin == "cathode_resistor":
            return "cathode", self._bypass_share
        if origin == "cathode_unbypassed":
            return "cathode", _ONE
        if origin == "bypass_series":
            return "cathode", self.stage.cathode_resistor_ohm / self._bypass[1]
        return None

    def _output_from(self, circuit: Literal["grid", "cathode"]) -> ComplexArray:
        """Output voltage for 1 V of EMF in a circuit."""
        at_plate = self._plate_from_grid if circuit == "grid" else self._plate_from_cathode
        return at_plate * self._from_plate

    @cached_property
    def _output_power(self) -> dict[str, FloatArray]:
        """Squared output voltage for 1 V of EMF in the grid and in the cathode circuit."""
        end = squared(self._from_plate)
        return {
            "grid": squared(self._plate_from_grid) * end,
            "cathode": squared(self._plate_from_cathode) * end,
        }

    def output_power_of(self, origin: str) -> FloatArray:
        """Return the squared magnitude of :meth:`output_of`, cheaper where possible."""
        emf = self._emf_of(origin)
        if emf is None:
            return squared(self.output_of(origin))
        # A product's squared magnitude is the product of real numbers.
        return self._output_power[emf[0]] * squared(emf[1])

    def output_of(self, origin: str) -> ComplexArray:
        """Return the output voltage for a unit source inside the network.

        For a resistor of the stage (its key in :data:`~objectives.elements.ELEMENTS`: ``source``,
        ``plate_load``, ...) the unit is 1 V of EMF in series with it; for ``device`` 1 V in series
        with the grid-cathode control voltage (a current of gm from plate to cathode); for
        ``grid_current`` 1 A from grid to cathode. For ``decoupling`` it is also 1 V of the supply
        itself; by a bias divider it reaches the grid as the decoupling leaves it, without what the
        plate current makes of it there.

        Raises
        ------
        ValueError
            If ``origin`` is none of these.
        """
        emf = self._emf_of(origin)
        if emf is not None:
            return self._output_from(emf[0]) * emf[1]
        into_cathode = self._plate_from_cathode * self._cathode_ohm
        if origin == "device":
            at_plate = into_cathode - self._plate_from_plate * self._plate_ohm
            return self.device.transconductance_S * at_plate * self._from_plate
        if origin == "grid_current":
            at_plate = into_cathode - self._plate_from_grid * self._source_side_ohm
            return at_plate * self._from_plate
        direct: Term | float = 0.0
        if origin == "plate_load":
            current: Term = self._stiff / self.stage.plate_load_ohm
        elif origin == "plate_capacitor_series":
            current = self._plate_capacitor_S * self._stiff
        elif origin == "decoupling":
            current = self._decoupled * self._plate_load_S * self._stiff
            ratio = self.stage.grid_bias_ratio
            if _is_present(ratio):
                direct = ratio * self._decoupled * self.output_of("grid_leak")
        elif origin == "load":
            current = self._to_output / self.stage.load_ohm
            direct = self._load[1] * current
        else:
            raise ValueError(f"origin: {origin!r}: must be a resistor, 'device' or 'grid_current'")
        # The EMF sits in the plate circuit itself, so the voltage outside the lead is the EMF less
        # the drop that the electrode's current makes in the outside impedance.
        plate_emf = self._outside_ohm * current
        outside = self._plate_from_plate * plate_emf
        if _is_present(self.stage.plate_lead_H):
            outside = plate_emf - (plate_emf - outside) / self._plate_ohm * self._outside_ohm
        return outside * self._to_output + direct


def networks(
    stage: Stage, device: SmallSignal, frequency_Hz: FloatArray, shape: tuple[int, ...]
) -> Iterator[tuple[slice, Network]]:
    """Yield the sweeps of as many stages at a time as the processor's cache holds.

    Each with the place of its stages among all of them, counted through ``shape``. For many stages
    this is several times as fast as one network with a trailing axis, to the same numbers.
    """
    flat_stage, flat_device = flatten(stage, shape), flatten(device, shape)
    rows = max(1, _BLOCK // max(frequency_Hz.size, 1))
    for start in range(0, math.prod(shape), rows):
        block = slice(start, start + rows)
        yield (
            block,
            Network(flat_stage.at(block).expand(), flat_device.at(block).expand(), frequency_Hz),
        )
