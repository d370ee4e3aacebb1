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
from functools import cached_property, reduce
from operator import add
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from objectives.arrays import ComplexArray, FloatArray, blocks
from objectives.circuit.arrival import Arrival
from objectives.circuit.branches import Term, is_present
from objectives.circuit.by_cathode import ByCathode, CathodeImpedance, squared
from objectives.circuit.circuits import CathodeCircuit, GridCircuit, PlateCircuit
from objectives.circuit.small_signal import SmallSignal
from objectives.stage import Stage

# Complex numbers in one array, as measured: what all of a network is worked out for fits the
# second-level cache; in an outer product most arrays are smaller, and more of them share.
FLAT_BLOCK = 2048
_OUTER_BLOCK = 65536

Port = Literal["grid", "cathode", "plate", "output"]
_NOTHING = np.asarray(0.0)


def block_size(shape: tuple[int, ...]) -> int:
    """Return how many numbers of a batch are best worked out together."""
    return FLAT_BLOCK if len(shape) < 2 else _OUTER_BLOCK


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
    def _coefficients(self) -> tuple[Term, ...]:
        """The system as six numbers: u, v of the cathode, r, t of the plate, t - r, and e.

        Every row of the system sums to one (electrodes that move together carry no current between
        them), which leaves two free coefficients a row::

            [ 1+a+b   -a      -b    ]       a = Zg to_cathode    b = Zg to_plate
            [ -p      1+p+q   -q    ]       p = Zk u             q = Zk v
            [ r       -t      1-r+t ]

        ``e = to_cathode v + to_plate (u + v)`` is what grid and cathode circuit have in common.
        Determinant and cofactors are written as they go with Zk: :class:`ByCathode`.
        """
        d, s = self.device, self.s
        gm, grr = d.transconductance_S, d.grid_plate_conductance_S
        ygk = s * d.grid_cathode_F
        if is_present(gg := d.grid_conductance_S):
            ygk = ygk + gg
        ypk, ygp = s * d.plate_cathode_F + d.plate_conductance_S, s * d.grid_plate_F
        u, v = ygk + gm, ypk + grr if is_present(grr) else ypk
        zp = self.plate_circuit.impedance_ohm
        to_cathode, to_plate = self._grid_admittances
        # t - r without the transconductance, most of either, which would leave rounding.
        return (
            u, v, zp * (gm - ygp), zp * (ypk + gm), zp * (ypk + ygp),
            to_cathode * v + to_plate * (u + v),
        )  # fmt: skip

    @cached_property
    def _determinant(self) -> ByCathode:
        # Since the rows sum to one, it is the sum of the first row of the adjugate.
        *_, t, apart, e = self._coefficients
        zg, first = self.grid_circuit.impedance_ohm, self._from_grid("grid")
        to_cathode, to_plate = self._grid_admittances
        taken = to_cathode * (1.0 + apart) + to_plate * (1.0 + t)
        return ByCathode(first.rest + zg * taken, first.slope + zg * e)

    @cached_property
    def _cathode(self) -> CathodeImpedance:
        return CathodeImpedance(self.cathode_circuit.impedance_ohm)

    @cached_property
    def _per_determinant(self) -> ComplexArray:
        return 1.0 / self._determinant.at(self.cathode_circuit.impedance_ohm)

    def _value(self, number: ByCathode) -> ComplexArray:
        """Return a number over the determinant."""
        return number.at(self.cathode_circuit.impedance_ohm) * self._per_determinant

    @cached_property
    def _shared(self) -> bool:
        """Whether several cathode circuits share what does not go with Zk."""
        zk, slope = self.cathode_circuit.impedance_ohm, self._determinant.slope
        return 2 * slope.size <= np.broadcast(slope, zk).size

    def _squared(self, number: ByCathode) -> FloatArray:
        """Return |number|^2, joined in real numbers where that is less work."""
        if self._shared:
            return number.squared().at(self._cathode)
        return squared(number.at(self.cathode_circuit.impedance_ohm))

    @cached_property
    def _determinant_squared(self) -> FloatArray:
        return self._squared(self._determinant)

    # -- responses to the source ---------------------------------------------------------------

    def _at_port(self, port: Port) -> ByCathode:
        """Of the voltage at a port for 1 V of EMF."""
        emf, plate = self.plate_circuit.emf, self.plate_circuit
        if port == "output":
            at_output = self._at_port("plate") * plate.electrode_to_output
            if not is_present(emf):
                return at_output
            # What of the EMF the plate lead keeps from the electrode.
            return at_output + self._determinant * (
                (plate.to_output - plate.electrode_to_output) * emf
            )
        number = self._from_grid(port) * self.grid_circuit.emf
        return number + self._from_plate(port) * emf if is_present(emf) else number

    def _from_grid(self, port: Port) -> ByCathode:
        """Of the voltage at an electrode for 1 V of open-circuit EMF at the grid."""
        u, v, r, _, apart, _ = self._coefficients
        if port == "grid":
            return ByCathode(1.0 + apart, u * (1.0 + apart) + v * (1.0 - r))
        if port == "cathode":
            return ByCathode(_NOTHING, u * (1.0 + apart) - v * r)
        return ByCathode(-r, u * apart - v * r)

    def _from_plate(self, port: Port) -> ByCathode:
        """Of the voltage at an electrode for 1 V of EMF in the plate circuit."""
        u, v, *_, e = self._coefficients
        zg, (_, to_plate) = self.grid_circuit.impedance_ohm, self._grid_admittances
        if port == "grid":
            return ByCathode(zg * to_plate, zg * e)
        if port == "cathode":
            return ByCathode(_NOTHING, v * self._grid_loaded + u * (zg * to_plate))
        return ByCathode(self._grid_loaded, u + v + zg * e)

    @cached_property
    def _grid_loaded(self) -> Term:
        """What the grid's own admittances divide an EMF by, all else grounded."""
        to_cathode, to_plate = self._grid_admittances
        return 1.0 + self.grid_circuit.impedance_ohm * (to_cathode + to_plate)

    @cached_property
    def _plate_from_cathode(self) -> Term:
        """Of the voltage at the plate electrode for 1 V of EMF in the cathode circuit."""
        *_, t, apart, _ = self._coefficients
        to_cathode, to_plate = self._grid_admittances
        return t + self.grid_circuit.impedance_ohm * (to_cathode * apart + to_plate * t)

    def power(self, port: Port) -> FloatArray:
        """Return the squared magnitude of the voltage at a port for 1 V of EMF."""
        return self._squared(self._at_port(port)) / self._determinant_squared

    @property
    def grid(self) -> ComplexArray:
        """Voltage at the grid electrode for 1 V of EMF."""
        return self._value(self._at_port("grid"))

    @property
    def cathode(self) -> ComplexArray:
        """Voltage at the cathode electrode for 1 V of EMF."""
        return self._value(self._at_port("cathode"))

    @property
    def plate(self) -> ComplexArray:
        """Voltage at the plate electrode for 1 V of EMF."""
        return self._value(self._at_port("plate"))

    @property
    def output(self) -> ComplexArray:
        """Voltage across the load for 1 V of EMF."""
        return self._value(self._at_port("output"))

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

    def output_density(self, densities: Mapping[str, FloatArray]) -> FloatArray:
        """Return the sum of the densities of origins, each times |:meth:`output_of`|^2."""
        of_grid, of_cathode, own = _NOTHING, _NOTHING, []
        for origin, density in densities.items():
            # A product's squared magnitude is the product of real numbers.
            if (emf := self.grid_circuit.emf_of(origin)) is not None:
                of_grid = of_grid + density * squared(emf)
            elif (emf := self.cathode_circuit.emf_of(origin)) is not None:
                of_cathode = of_cathode + density * squared(emf)
            else:
                own.append((self._inside(origin), density))
        end = squared(self.plate_circuit.electrode_to_output)
        own.append((self._from_grid("plate"), of_grid * end))
        if self._shared:
            forms = [number.squared() * density for number, density in own]
            at_output = reduce(add, forms).at(self._cathode)
        else:
            zk = self.cathode_circuit.impedance_ohm
            at_output = reduce(add, (squared(number.at(zk)) * density for number, density in own))
        at_output = at_output + of_cathode * (end * squared(self._plate_from_cathode))
        return np.asarray(at_output / self._determinant_squared)

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
        if (emf := self.cathode_circuit.emf_of(origin)) is not None:
            end = self.plate_circuit.electrode_to_output
            return self._plate_from_cathode * end * emf * self._per_determinant
        return self._value(self._inside(origin))

    def _inside(self, origin: str) -> ByCathode:
        """Of :meth:`output_of`, but for resistors of the cathode circuit."""
        plate, end = self.plate_circuit, self.plate_circuit.electrode_to_output
        if (emf := self.grid_circuit.emf_of(origin)) is not None:
            return self._from_grid("plate") * (emf * end)
        if origin == "device":
            # A current from plate to cathode; most of what the two ends do cancels.
            at_plate = ByCathode(self._grid_loaded, self._grid_admittances[0])
            return at_plate * (plate.impedance_ohm * (-self.device.transconductance_S * end))
        if origin == "grid_current":
            into_cathode = ByCathode(_NOTHING, self._plate_from_cathode)
            at_plate = into_cathode + self._from_grid("plate") * -self.grid_circuit.impedance_ohm
            return at_plate * end
        own = plate.emf_of(origin)
        if own is None:
            raise ValueError(f"origin: {origin!r}: must be a resistor, 'device' or 'grid_current'")
        plate_emf, direct = own
        # The EMF sits in the plate circuit itself, so the voltage outside the lead is the EMF less
        # the drop that the electrode's current makes in the outside impedance.
        through = plate.to_output
        if is_present(self.stage.plate_lead_H):
            through = end
            direct = direct + plate_emf * (plate.to_output - end)
        number = self._from_plate("plate") * (plate_emf * through)
        if is_present(direct):
            number = number + self._determinant * direct
        if origin == "decoupling" and is_present(ratio := self.stage.grid_bias_ratio):
            number = number + self._inside("grid_leak") * (ratio * plate.decoupled)
        return number


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
    f = frequency_Hz.reshape(-1, *np.ones_like(shape, dtype=int))
    for block in blocks(shape, max(1, block_size(shape) // max(f.size, 1))):
        yield block, Network(stage.cut(block), device.cut(block), f, arrival)
