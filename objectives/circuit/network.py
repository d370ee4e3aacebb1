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

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from objectives.arrays import ComplexArray, FloatArray, blocks
from objectives.circuit.arrival import Arrival
from objectives.circuit.branches import Term, is_present
from objectives.circuit.circuits import CathodeCircuit, GridCircuit, PlateCircuit
from objectives.circuit.small_signal import SmallSignal
from objectives.stage import Stage

# Complex numbers in one array, as measured: what all of a network is worked out for fits the
# second-level cache; in an outer product most arrays are smaller, and more of them share.
FLAT_BLOCK = 2048
_OUTER_BLOCK = 65536


def block_size(shape: tuple[int, ...]) -> int:
    """Return how many numbers of a batch are best worked out together."""
    return FLAT_BLOCK if len(shape) < 2 else _OUTER_BLOCK


def squared(value: Term) -> FloatArray:
    """Return |value|^2."""
    return np.asarray(value.real * value.real + value.imag * value.imag)


@dataclass(frozen=True)
class Network:
    """One solved network: stage, device and positive frequencies (Hz) broadcast against each other.

    Give the batches a trailing axis (:meth:`Batch.expand`) for a sweep. All results have the common
    shape.

    The EMF is that of the source ahead of any level control; with ``arrival`` it is that of a
    carrier which arrives so, and the source has none.
    """

    stage: Stage
    device: SmallSignal
    frequency_Hz: ArrayLike
    arrival: Arrival | None = None

    @cached_property
    def s(self) -> ComplexArray:
        """Complex frequency j*2*pi*f (rad/s)."""
        return 2j * np.pi * np.asarray(self.frequency_Hz, float)

    def _sides(self) -> tuple[Stage, ComplexArray, ComplexArray, Arrival | None]:
        return self.stage, self.s, self._per_s, self.arrival

    @cached_property
    def _per_s(self) -> ComplexArray:
        return 1.0 / self.s

    @cached_property
    def grid_circuit(self) -> GridCircuit:
        """From the source to the grid."""
        return GridCircuit(*self._sides())

    @cached_property
    def cathode_circuit(self) -> CathodeCircuit:
        """From the cathode to ground."""
        return CathodeCircuit(*self._sides())

    @cached_property
    def plate_circuit(self) -> PlateCircuit:
        """From the plate to the supply and the output."""
        return PlateCircuit(*self._sides())

    # -- the three equations -------------------------------------------------------------------

    @cached_property
    def _grid_admittances(self) -> tuple[Term, Term]:
        """Admittance of the grid to the cathode and to the plate, grid current included."""
        d, s = self.device, self.s
        ygk, ygp = s * d.grid_cathode_F, s * d.grid_plate_F
        if is_present(d.grid_conductance_S):
            ygk = ygk + d.grid_conductance_S
        if is_present(grr := d.grid_plate_conductance_S):
            ygk, ygp = ygk + grr, ygp - grr
        return ygk, ygp

    @cached_property
    def _grid_row(self) -> tuple[Term, Term]:
        """Return a and b of the system; see :meth:`_coefficients`."""
        to_cathode, to_plate = self._grid_admittances
        zg = self.grid_circuit.impedance_ohm
        return zg * to_cathode, zg * to_plate

    @cached_property
    def _coefficients(self) -> tuple[ComplexArray, ...]:
        """The system as six numbers: a, b of the grid, p, q of the cathode, r, t of the plate.

        Every row of the system sums to one (electrodes that move together carry no current between
        them), which leaves two free coefficients a row::

            [ 1+a+b   -a      -b    ]
            [ -p      1+p+q   -q    ]
            [ r       -t      1-r+t ]

        Returned are p, q, r and t, which know nothing of the grid circuit.
        """
        d, s = self.device, self.s
        gm, grr = d.transconductance_S, d.grid_plate_conductance_S
        ygk = s * d.grid_cathode_F
        if is_present(gg := d.grid_conductance_S):
            ygk = ygk + gg
        ypk = s * d.plate_cathode_F + d.plate_conductance_S
        zk, zp = self.cathode_circuit.impedance_ohm, self.plate_circuit.impedance_ohm
        q = zk * (ypk + grr if is_present(grr) else ypk)
        return zk * (ygk + gm), q, zp * (gm - s * d.grid_plate_F), zp * (ypk + gm)

    @cached_property
    def _adjugate_grid(self) -> tuple[ComplexArray, ComplexArray]:
        """Element (grid, grid) of the adjugate, and the determinant."""
        _, q, r, t = self._coefficients
        m22, m33 = self._cathode_diagonal, 1 - r + t
        first = m22 * m33 - q * t
        # Since the rows sum to one, the determinant is the sum of the adjugate's first row. What
        # the grid circuit does comes last: in an outer product it has axes of its own.
        to_cathode, to_plate = self._grid_admittances
        taken = to_cathode * (m33 + q) + to_plate * (m22 + t)
        return first, first + self.grid_circuit.impedance_ohm * taken

    @cached_property
    def _grid_diagonal(self) -> Term:
        a, b = self._grid_row
        return 1 + a + b

    @cached_property
    def _cathode_diagonal(self) -> ComplexArray:
        p, q, *_ = self._coefficients
        return 1 + p + q

    @cached_property
    def _per_determinant(self) -> ComplexArray:
        return 1.0 / self._adjugate_grid[1]

    @cached_property
    def _plate_from_grid(self) -> ComplexArray:
        """Voltage at the plate electrode for 1 V of open-circuit EMF at the grid."""
        p, _, r, t = self._coefficients
        return (p * t - self._cathode_diagonal * r) * self._per_determinant

    @cached_property
    def _plate_from_cathode(self) -> ComplexArray:
        """Voltage at the plate electrode for 1 V of EMF in the cathode circuit."""
        a, (_, _, r, t) = self._grid_row[0], self._coefficients
        return (self._grid_diagonal * t - a * r) * self._per_determinant

    @cached_property
    def _plate_from_plate(self) -> ComplexArray:
        """Voltage at the plate electrode for 1 V of EMF in the plate circuit."""
        a, p = self._grid_row[0], self._coefficients[0]
        both = self._grid_diagonal * self._cathode_diagonal
        return (both - a * p) * self._per_determinant

    # -- responses to the source ---------------------------------------------------------------

    @property
    def grid(self) -> ComplexArray:
        """Voltage at the grid electrode for 1 V of EMF."""
        at_grid = self._adjugate_grid[0] * self._per_determinant * self.grid_circuit.emf
        if not is_present(emf := self.plate_circuit.emf):
            return at_grid
        (a, b), q = self._grid_row, self._coefficients[1]
        return at_grid + (a * q + b * self._cathode_diagonal) * self._per_determinant * emf

    @property
    def cathode(self) -> ComplexArray:
        """Voltage at the cathode electrode for 1 V of EMF."""
        b, (p, q, r, t) = self._grid_row[1], self._coefficients
        at_cathode = (p * (1 - r + t) - q * r) * self._per_determinant * self.grid_circuit.emf
        if not is_present(emf := self.plate_circuit.emf):
            return at_cathode
        return at_cathode + (q * self._grid_diagonal + b * p) * self._per_determinant * emf

    @property
    def plate(self) -> ComplexArray:
        """Voltage at the plate electrode for 1 V of EMF."""
        at_plate = self._plate_from_grid * self.grid_circuit.emf
        if not is_present(emf := self.plate_circuit.emf):
            return at_plate
        return at_plate + self._plate_from_plate * emf

    @property
    def output(self) -> ComplexArray:
        """Voltage across the load for 1 V of EMF."""
        at_output = self.plate * self.plate_circuit.electrode_to_output
        if not is_present(emf := self.plate_circuit.emf):
            return at_output
        # What of the EMF the plate lead keeps from the electrode.
        return (
            at_output
            + (self.plate_circuit.to_output - self.plate_circuit.electrode_to_output) * emf
        )

    # -- impedances ----------------------------------------------------------------------------

    @property
    def cathode_impedance_ohm(self) -> ComplexArray:
        """Impedance from the cathode electrode to ground."""
        return self.cathode_circuit.impedance_ohm + np.zeros_like(self.s)

    @property
    def plate_impedance_ohm(self) -> ComplexArray:
        """Impedance that the plate electrode works into."""
        return self.plate_circuit.impedance_ohm + np.zeros_like(self.s)

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
        zk, zp = self.cathode_circuit.impedance_ohm, self.plate_circuit.impedance_ohm
        m22, m23 = 1 + zk * (ygk + gm + gp + ypk + grr), -zk * (gp + ypk + grr)
        m32, m33 = -zp * (gm + gp + ypk), 1 + zp * (gp + ygp + ypk)
        bk, bp = zk * (ygk + gm), -zp * (gm - ygp)
        det = m22 * m33 - m23 * m32
        vk, vp = (bk * m33 - m23 * bp) / det, (m22 * bp - bk * m32) / det
        return ygk * (1 - vk) + ygp * (1 - vp) + grr * (vp - vk)

    # -- responses to sources inside the network -----------------------------------------------

    def _emf_of(self, origin: str) -> tuple[Literal["grid", "cathode"], Term] | None:
        """Return the circuit that a resistor is in and what share of its EMF it puts there."""
        if (emf := self.grid_circuit.emf_of(origin)) is not None:
            return "grid", emf
        if (emf := self.cathode_circuit.emf_of(origin)) is not None:
            return "cathode", emf
        return None

    def output_density(self, densities: Mapping[str, FloatArray]) -> FloatArray:
        """Return the sum of the densities of origins, each times |:meth:`output_of`|^2."""
        end = squared(self.plate_circuit.electrode_to_output)
        summed: dict[str, FloatArray] = {}
        at_output: FloatArray | float = 0.0
        for origin, density in densities.items():
            emf = self._emf_of(origin)
            if emf is None:
                at_output = at_output + density * squared(self.output_of(origin))
            else:
                # A product's squared magnitude is the product of real numbers.
                summed[emf[0]] = summed.get(emf[0], 0.0) + density * squared(emf[1])
        for circuit, density in summed.items():
            at_output = at_output + density * (squared(self._plate_from(circuit)) * end)
        return np.asarray(at_output)

    def _plate_from(self, circuit: str) -> ComplexArray:
        """Return the voltage at the plate electrode for 1 V of EMF in a circuit."""
        return self._plate_from_grid if circuit == "grid" else self._plate_from_cathode

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
            return self._plate_from(emf[0]) * self.plate_circuit.electrode_to_output * emf[1]
        into_cathode = self._plate_from_cathode * self.cathode_circuit.impedance_ohm
        if origin == "device":
            at_plate = into_cathode - self._plate_from_plate * self.plate_circuit.impedance_ohm
            return (
                self.device.transconductance_S * at_plate * self.plate_circuit.electrode_to_output
            )
        if origin == "grid_current":
            at_plate = into_cathode - self._plate_from_grid * self.grid_circuit.impedance_ohm
            return at_plate * self.plate_circuit.electrode_to_output
        own = self.plate_circuit.emf_of(origin)
        if own is None:
            raise ValueError(f"origin: {origin!r}: must be a resistor, 'device' or 'grid_current'")
        plate_emf, direct = own
        if origin == "decoupling" and is_present(ratio := self.stage.grid_bias_ratio):
            direct = ratio * self.plate_circuit.decoupled * self.output_of("grid_leak")
        # The EMF sits in the plate circuit itself, so the voltage outside the lead is the EMF less
        # the drop that the electrode's current makes in the outside impedance.
        plate, outside = self.plate_circuit, self._plate_from_plate * plate_emf
        if is_present(self.stage.plate_lead_H):
            drop = (plate_emf - outside) / plate.impedance_ohm * plate.outside_ohm
            outside = plate_emf - drop
        return outside * plate.to_output + direct


def networks(
    stage: Stage,
    device: SmallSignal,
    frequency_Hz: FloatArray,
    shape: tuple[int, ...],
    arrival: Arrival | None = None,
) -> Iterator[tuple[tuple[slice, ...], Network]]:
    """Yield the sweeps of as many stages at a time as the processor's cache holds.

    Each with the place of its stages in ``shape``; its results broadcast to that place. For many
    stages this is several times as fast as one network with a trailing axis, to the same numbers.
    """
    stage, device = stage.varied(), device.varied()
    for block in blocks(shape, max(1, block_size(shape) // max(frequency_Hz.size, 1))):
        some = stage.cut(block).expand(), device.cut(block).expand()
        yield block, Network(*some, frequency_Hz, arrival)
