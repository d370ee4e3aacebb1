"""A chain of one or two stages as one nonlinear network, ready to be stepped through time.

Each stage is the dense nodal system of :mod:`objectives.nodal` with its device taken out (only the
interelectrode capacitances stay) and the direct sources put in::

    E x' + A x = b u + c + P i(v),      v = Q x,      P = -Q^T

x holds node voltages and branch currents, u the EMF of the source, c the supplies and fixed biases,
v the grid-cathode and plate-cathode voltages and i the grid and plate currents of the devices.
E is singular: only the rows ``z = (E x)`` of capacitors are states.

Lead inductances are left out: at audio frequencies a nanohenry is nothing, and it would only add
poles at hundreds of megahertz. A capacitor of infinite capacitance across the cathode resistor or
to the output is a short for signals that keeps its direct voltage.

Source of the form: nonlinear nodal state space, D. T. Yeh, J. S. Abel, J. O. Smith, "Automated
physical modeling of nonlinear audio circuits for real-time audio effects, Part I: theoretical
development", IEEE Trans. Audio, Speech, Language Process. 18(4), 2010 (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike

from objectives.arrays import BoolArray, FloatArray, IntArray
from objectives.circuit.nodal import UNKNOWNS, descriptor
from objectives.circuit.operating_point import operating_point
from objectives.circuit.small_signal import SmallSignal, small_signal
from objectives.devices.protocol import ConductionLaw, Device, OperatingPoint, flat_law
from objectives.stage import Stage
from objectives.transient.systems import device_currents, equilibrated_solve, jacobian, solve_small

__all__ = ["PLACES", "Chain", "Circuit", "Link", "Place"]

# Insulation: it defines the direct voltage of a node that nothing else defines, and bears no
# weight beside any part that is fitted. An open output must forget its direct voltage in seconds,
# or its periodic steady state would be undefined for all practical purposes.
_INSULATION_OHM = 1e11
_OPEN_OUTPUT_OHM = 1e9
PLACES = {"input": "c", "grid": "g", "cathode": "k", "plate": "p", "output": "o"}
"""Where a link's voltage to ground may be taken, and the node of :mod:`objectives.nodal`: the
input is after the source resistance (or divider), the others are the electrodes and the load."""


Place = tuple[int, str]
"""Number of the link, counted from 0, and a key of :data:`PLACES`."""


_CAPACITORS = ("i_input_coupling", "i_bypass", "i_output_coupling")


@dataclass(frozen=True)
class Link:
    """One stage of a chain: its parts, its device's equation and capacitances (strays included).

    Shapes broadcast; array parameters of ``law`` must have the chain's whole shape.
    ``drawn_A`` is a direct current that something coupled directly takes from the plate.
    """

    stage: Stage
    law: ConductionLaw
    grid_cathode_F: ArrayLike = 0.0
    grid_plate_F: ArrayLike = 0.0
    plate_cathode_F: ArrayLike = 0.0
    drawn_A: ArrayLike = 0.0

    @classmethod
    def of(cls, stage: Stage, device: Device) -> Link:
        """Return the link of a stage with a device, capacitances at its operating point."""
        linear = small_signal(stage, device, operating_point(stage, device.law))
        return cls(
            stage, device.law, linear.grid_cathode_F, linear.grid_plate_F, linear.plate_cathode_F
        )

    @classmethod
    def solved(
        cls, stage: Stage, device: Device, linear: SmallSignal, point: OperatingPoint
    ) -> Link:
        """Return the link of a stage whose operating point and linearised device are known."""
        return cls(
            stage,
            device.law,
            linear.grid_cathode_F,
            linear.grid_plate_F,
            linear.plate_cathode_F,
            point.supply_current_A - point.plate_current_A,
        )

    def flat(self) -> Link:
        """Return the link with every candidate on one axis, at least one candidate."""
        shape = self.shape
        if len(shape) == 1:
            return self
        size = int(np.prod(shape))

        def ravel(value: ArrayLike) -> FloatArray:
            return np.broadcast_to(np.asarray(value, float), shape).reshape(size)

        return Link(
            self.stage.map(ravel),
            flat_law(self.law, shape),
            ravel(self.grid_cathode_F),
            ravel(self.grid_plate_F),
            ravel(self.plate_cathode_F),
            ravel(self.drawn_A),
        )

    def at(self, index: slice | IntArray) -> Link:
        """Return some of the candidates of a link that has one axis."""
        shape = self.shape

        def some(value: ArrayLike) -> ArrayLike:
            return value if np.ndim(value) == 0 else np.broadcast_to(value, shape)[index]

        law = self.law
        return Link(
            self.stage.at(index),
            law if np.shape(law.plate_current(0.0, 100.0)) == () else law.at(index),
            some(self.grid_cathode_F),
            some(self.grid_plate_F),
            some(self.plate_cathode_F),
            some(self.drawn_A),
        )

    @property
    def shape(self) -> tuple[int, ...]:
        """Common shape of all fields."""
        own = (self.grid_cathode_F, self.grid_plate_F, self.plate_cathode_F, self.drawn_A)
        law = np.shape(self.law.plate_current(0.0, 100.0))
        return np.broadcast_shapes(self.stage.shape, law, *(np.shape(a) for a in own))


@dataclass(frozen=True)
class Chain:
    """One stage, or a driver and the stage that it drives.

    The output of the first link feeds the input of the second through ``series_ohm``, with
    ``shunt_ohm`` to ground after it (the two sides of a level control's tap); the second stage's
    own ``source_ohm`` is put aside. Both are ignored with a single link.
    """

    links: tuple[Link, ...]
    series_ohm: ArrayLike = 0.0
    shunt_ohm: ArrayLike = np.inf

    def __post_init__(self) -> None:
        if len(self.links) not in (1, 2):
            raise ValueError(f"links: {len(self.links)} of them: must be one or two")
        for number, link in enumerate(self.links):
            where = f"links[{number}].stage"
            load = np.asarray(link.stage.plate_load_ohm, float)
            _require(f"{where}.plate_load_ohm", load, (load > 0) & np.isfinite(load), "more than 0")
        series, shunt = np.asarray(self.series_ohm, float), np.asarray(self.shunt_ohm, float)
        _require("series_ohm", series, (series >= 0) & np.isfinite(series), "0 or more, finite")
        _require("shunt_ohm", shunt, shunt > 0, "more than 0 (inf where absent)")

    @property
    def shape(self) -> tuple[int, ...]:
        """Shape of the batch."""
        shapes = [link.shape for link in self.links]
        return np.broadcast_shapes(*shapes, np.shape(self.series_ohm), np.shape(self.shunt_ohm))

    @cached_property
    def circuit(self) -> Circuit:
        """The network of every candidate, on one flat axis, at rest."""
        return _circuit(self)


@dataclass(frozen=True)
class Circuit:
    """The matrices of a chain, batch on the first axis, and its state at rest.

    Attributes
    ----------
    E, A : shape (N, n, n)
    source, constant : b and c, shape (N, n)
    Q : shape (m, n); rows grid-cathode, plate-cathode of each link in turn
    laws : equation of each link on the flat axis
    rest : x at rest, shape (N, n)
    index : position of each unknown by (link, name)
    states : rows of E that hold a capacitor in any candidate
    slow : positions within ``states`` of the coupling and bypass capacitors' voltages
    reach_V : twice the highest supply, shape (N,): no capacitor is charged to more by the supplies
    """

    E: FloatArray
    A: FloatArray
    source: FloatArray
    constant: FloatArray
    Q: FloatArray
    laws: tuple[ConductionLaw, ...]
    rest: FloatArray
    index: dict[tuple[int, str], int]
    states: tuple[int, ...]
    slow: tuple[int, ...]
    reach_V: FloatArray

    @property
    def size(self) -> int:
        """Number of candidates."""
        return int(self.E.shape[0])

    def at(self, block: slice | IntArray) -> Circuit:
        """Return some of the candidates."""
        return replace(
            self,
            E=self.E[block],
            A=self.A[block],
            source=self.source[block],
            constant=self.constant[block],
            rest=self.rest[block],
            reach_V=self.reach_V[block],
            laws=self.laws_at(block),
        )

    @cached_property
    def _alike(self) -> bool:
        """Whether every law holds for all candidates."""
        return all(np.shape(law.plate_current(0.0, 100.0)) == () for law in self.laws)

    def laws_at(self, index: slice | IntArray) -> tuple[ConductionLaw, ...]:
        """Return the laws of some of the candidates."""
        if self._alike:
            return self.laws
        return tuple(
            law if np.shape(law.plate_current(0.0, 100.0)) == () else law.at(index)
            for law in self.laws
        )

    @property
    def state_scale(self) -> FloatArray:
        """What one volt on its node or across its capacitor is in each state, shape (states,)."""
        found = np.abs(self.E[:, self.states, :]).max(axis=(0, 2))
        # Some of a batch's candidates may have no capacitor where others have.
        return np.where(found > 0, found, 1.0)

    @property
    def rest_state(self) -> FloatArray:
        """z at rest, shape (states, N)."""
        return np.asarray(np.einsum("nij,nj->in", self.E[:, self.states, :], self.rest))

    @property
    def rest_ports(self) -> FloatArray:
        """Voltages between electrodes at rest (V), shape (m, N)."""
        return np.asarray(np.einsum("mj,nj->mn", self.Q, self.rest))

    def at_rest(self, place: Place) -> FloatArray:
        """Return the direct voltage (V to ground) of a place at rest, shape (N,)."""
        return self.rest[:, self.row(place)]

    def row(self, place: Place) -> int:
        """Return the position in x of a place."""
        link, name = place
        key = (link, PLACES.get(name, ""))
        if key not in self.index:
            raise ValueError(
                f"place: {place!r}: must be (number of the link, one of {', '.join(PLACES)})"
            )
        return self.index[key]


def _circuit(chain: Chain) -> Circuit:
    shape = chain.shape
    size = int(np.prod(shape)) if shape else 1
    width = len(UNKNOWNS)
    n = width * len(chain.links)

    def flat(value: ArrayLike) -> FloatArray:
        return np.broadcast_to(np.asarray(value, float), shape).reshape(size)

    E, A = np.zeros((size, n, n)), np.zeros((size, n, n))
    source, constant = np.zeros((size, n)), np.zeros((size, n))
    Q = np.zeros((2 * len(chain.links), n))
    index = {
        (number, name): number * width + at
        for number in range(len(chain.links))
        for at, name in enumerate(UNKNOWNS)
    }
    laws = []
    ports = np.empty((2 * len(chain.links), size))
    held = []
    for number, link in enumerate(chain.links):
        part = slice(number * width, (number + 1) * width)
        stage = link.stage.map(flat)
        if number > 0:
            stage = replace(stage, source_ohm=flat(chain.series_ohm))
        stage = replace(
            stage,
            stopper_lead_H=0.0, grid_lead_H=0.0, plate_lead_H=0.0, cathode_lead_H=0.0,
            grid_leak_ohm=np.minimum(stage.grid_leak_ohm, _INSULATION_OHM),
            load_ohm=np.minimum(stage.load_ohm, _open_output_ohm(stage)),
        )  # fmt: skip
        passive = SmallSignal(
            transconductance_S=flat(0.0),
            plate_conductance_S=flat(0.0),
            grid_cathode_F=flat(link.grid_cathode_F),
            grid_plate_F=flat(link.grid_plate_F),
            plate_cathode_F=flat(link.plate_cathode_F),
        )
        system = descriptor(stage, passive)
        E[:, part, part], A[:, part, part] = system.E, system.A
        at = {name: index[number, name] for name in UNKNOWNS}
        if number == 0:
            source[:, part] = system.B
        else:
            # The EMF of the second stage's source branch is the output of the first.
            before = index[number - 1, "o"]
            A[:, at["i_source"], before] -= 1.0
            A[:, before, at["i_source"]] -= 1.0
            A[:, at["c"], at["c"]] += 1.0 / flat(chain.shunt_ohm)
        feed = np.asarray(stage.supply_V) / np.asarray(stage.plate_load_ohm)
        constant[:, at["q"]] += feed - flat(link.drawn_A)
        bias = stage.bias_V / np.asarray(stage.grid_leak_ohm)
        at_grid = np.asarray(stage.leak_at_grid)
        constant[:, at["a"]] += bias * (1.0 - at_grid)
        constant[:, at["x"]] += bias * at_grid
        for row, electrode in ((2 * number, "g"), (2 * number + 1, "p")):
            Q[row, at[electrode]], Q[row, at["k"]] = 1.0, -1.0
        law = flat_law(link.law, shape)
        laws.append(law)
        point = operating_point(stage, law, extra_plate_current_A=flat(link.drawn_A))
        ports[2 * number], ports[2 * number + 1] = point.grid_cathode_V, point.plate_cathode_V
        biased = np.asarray(stage.cathode_resistor_ohm) > 0
        held.append((at["i_bypass"], np.isinf(np.asarray(stage.bypass_F)) & biased))
        held.append((at["i_output_coupling"], np.isinf(np.asarray(stage.output_coupling_F))))

    if all(np.shape(law.plate_current(0.0, 100.0)) == () for law in laws) and (laws[0] == laws[-1]):
        laws[-1] = laws[0]
    rest = _at_rest(A, constant, Q, tuple(laws), ports, held)
    for row, infinite in held:
        # The short keeps the direct voltage that it has at rest.
        voltage = np.einsum("nj,nj->n", A[:, row, :], rest)
        constant[:, row] += np.where(infinite, voltage, 0.0)
    states = tuple(int(i) for i in np.flatnonzero(np.any(E != 0, axis=(0, 2))))
    capacitors = [index[number, name] for number in range(len(laws)) for name in _CAPACITORS]
    slow = tuple(states.index(row) for row in capacitors if row in states)
    reach = 2 * np.max([np.asarray(flat(link.stage.supply_V)) for link in chain.links], axis=0)
    return Circuit(E, A, source, constant, Q, tuple(laws), rest, index, states, slow, reach)


def _open_output_ohm(stage: Stage) -> FloatArray:
    """Return what stands for an infinite load; coupled without a capacitor it has no memory."""
    direct = np.isinf(np.asarray(stage.output_coupling_F, float))
    return np.where(direct, _INSULATION_OHM, _OPEN_OUTPUT_OHM)


def _at_rest(
    A: FloatArray,
    constant: FloatArray,
    Q: FloatArray,
    laws: tuple[ConductionLaw, ...],
    start: FloatArray,
    held: list[tuple[int, BoolArray]],
) -> FloatArray:
    """Return x (N, n) with the source at 0 V and no current in the capacitors.

    The start, each stage solved alone, is the answer already wherever capacitors keep the stages
    apart; with stages coupled directly a few steps of a damped Newton method follow.
    """
    direct = A.copy()
    for row, infinite in held:
        direct[infinite, row, :] = 0.0
        direct[infinite, row, row] = 1.0
    right = np.concatenate(
        [constant[..., None], np.broadcast_to(-Q.T, (A.shape[0], *Q.T.shape))], axis=-1
    )
    solved = equilibrated_solve(direct, right)
    ports = np.einsum("mj,njk->mkn", Q, solved)
    p, K = ports[:, 0], np.ascontiguousarray(ports[:, 1:])
    v = start.copy()
    for _ in range(200):
        i, by_grid, by_plate = device_currents(laws, v)
        excess = v - p - np.einsum("mkn,kn->mn", K, i)
        step = solve_small(jacobian(K, by_grid, by_plate), -excess[:, None])[:, 0]
        # The exponential foot of the grid current punishes a step far into conduction.
        reach = np.max(np.abs(step) / np.tile([[1.0], [50.0]], (len(laws), 1)), axis=0)
        v = v + step / np.maximum(reach, 1.0)
        if np.max(reach, initial=0.0) < 1e-9:
            break
    else:
        worst = int(np.argmax(reach))
        raise ArithmeticError(f"candidate {worst}: no operating point of the chain found")
    i = device_currents(laws, v)[0]
    return np.asarray(solved[..., 0] + np.einsum("njk,kn->nj", solved[..., 1:], i))


def _require(name: str, value: FloatArray, good: BoolArray, allowed: str) -> None:
    if not np.all(good):
        worst = value[~good].ravel()[0]
        raise ValueError(f"{name}: {float(worst)!r}: must be {allowed}")
