"""One stage, or a driver and the stage it drives, as one nonlinear network to be solved in time.

Each stage is the dense nodal system of :mod:`objectives.circuit.nodal` with its device taken out
(only the interelectrode capacitances stay) and the direct sources put in::

    E x' + A x = b u + c + P i(v),      v = Q x,      P = -Q^T

x holds node voltages and branch currents, u the EMF of the source, c the supplies and fixed biases,
v the grid-cathode and plate-cathode voltages and i the grid and plate currents of the devices.
E is singular: only the rows ``z = (E x)`` of capacitors are states.

Lead inductances are left out: at audio frequencies a nanohenry is nothing, and it would only add
poles at hundreds of megahertz. A full bypass is a capacitor of :data:`FULL_BYPASS_F`: a short for
signals whose mean voltage is what the mean cathode current makes of it. An output coupled without
a capacitor is a short that keeps the direct voltage it has at rest.

Source of the form: nonlinear nodal state space, D. T. Yeh, J. S. Abel, J. O. Smith, "Automated
physical modeling of nonlinear audio circuits for real-time audio effects, Part I: theoretical
development", IEEE Trans. Audio, Speech, Language Process. 18(4), 2010 (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike

from objectives.arrays import Batch, BoolArray, FloatArray, Floats
from objectives.checks import InputError, require
from objectives.circuit.nodal import NODE_OF, UNKNOWNS, descriptor
from objectives.circuit.operating_point import operating_point
from objectives.circuit.small_signal import SmallSignal, small_signal
from objectives.devices.law import ConductionLaw
from objectives.devices.protocol import Device, OperatingPoint
from objectives.stage import Stage
from objectives.transient.systems import (
    device_currents,
    equilibrated_solve,
    jacobian,
    solve_small,
)

# Insulation: it defines the direct voltage of a node that nothing else defines, and carries next to
# nothing beside any part that is fitted. An open output must lose its direct voltage in seconds,
# or its periodic steady state would be undefined for all practical purposes.
_INSULATION_OHM = 1e11
_OPEN_OUTPUT_OHM = 1e9
FULL_BYPASS_F = 1.0
"""What stands for a full bypass (F). Nothing of an audio signal is left across it (8 mohm at
20 Hz), yet what it gains or loses in a period stands clear of rounding, so that the periodic
steady state finds the voltage at which it is none."""

PLACES = {"input": "c", **NODE_OF}
"""Where a stage's voltage to ground may be taken, and the node of :mod:`objectives.circuit.nodal`:
the input is after the source resistance (or divider), the others are the electrodes and the load.
"""

Place = tuple[int, str]
"""Number of the stage, counted from 0, and a key of :data:`PLACES`."""

_CAPACITORS = ("i_input_coupling", "i_bypass", "i_output_coupling")


@dataclass(frozen=True)
class CascadeStage(Batch):
    """One stage of a cascade: its parts, its device's equation and capacitances (strays included).

    Shapes broadcast; array parameters of ``law`` must have the whole shape of the cascade.
    ``follower_A`` is the direct current that a directly coupled follower takes from the plate.
    """

    parts: Stage
    law: ConductionLaw
    grid_cathode_F: Floats = Floats(0.0)
    grid_plate_F: Floats = Floats(0.0)
    plate_cathode_F: Floats = Floats(0.0)
    follower_A: Floats = Floats(0.0)

    @classmethod
    def of(
        cls,
        parts: Stage,
        device: Device,
        point: OperatingPoint | None = None,
        linear: SmallSignal | None = None,
    ) -> CascadeStage:
        """Return a stage with its device, capacitances taken at the operating point.

        Operating point and linearised device are worked out where they are not given.
        """
        point = operating_point(parts, device.law) if point is None else point
        linear = small_signal(parts, device, point) if linear is None else linear
        return cls(
            parts,
            device.law,
            linear.grid_cathode_F,
            linear.grid_plate_F,
            linear.plate_cathode_F,
            point.supply_current_A - point.plate_current_A,
        )

    def flat(self, shape: tuple[int, ...] | None = None) -> CascadeStage:
        """Return the stage with every candidate on one axis, at least one candidate.

        ``shape`` is that of the candidates, the stage's own by default.
        """
        shape = self.shape if shape is None else shape
        size = int(np.prod(shape))

        def ravel(value: ArrayLike) -> FloatArray:
            return np.broadcast_to(value, shape).reshape(size)

        own = {name: ravel(value) for name, value in self.numeric_fields().items()}
        return CascadeStage(self.parts.map(ravel), self.law.flat(shape), **own)


@dataclass(frozen=True)
class Cascade:
    """One stage, or a driver and the stage that it drives.

    The output of the first stage feeds the input of the second through ``series_ohm``, with
    ``shunt_ohm`` to ground after it (the two sides of a level control's tap); the second stage's
    own ``source_ohm`` does not count. Both are ignored with a single stage.
    """

    stages: tuple[CascadeStage, ...]
    series_ohm: ArrayLike = 0.0
    shunt_ohm: ArrayLike = np.inf

    def __post_init__(self) -> None:
        if len(self.stages) not in (1, 2):
            raise InputError("stages", len(self.stages), "there must be one or two")
        for number, stage in enumerate(self.stages):
            load = np.asarray(stage.parts.plate_load_ohm)
            require(
                f"stages[{number}].plate_load_ohm", load, (load > 0) & np.isfinite(load),
                "more than 0 and finite",
            )  # fmt: skip
        series, shunt = np.asarray(self.series_ohm, float), np.asarray(self.shunt_ohm, float)
        require("series_ohm", series, (series >= 0) & np.isfinite(series), "0 or more, finite")
        require("shunt_ohm", shunt, shunt > 0, "more than 0 (inf where absent)")

    @property
    def last(self) -> int:
        """Number of the last stage, the one that is judged."""
        return len(self.stages) - 1

    @property
    def shape(self) -> tuple[int, ...]:
        """Shape of the batch."""
        shapes = [stage.shape for stage in self.stages]
        return np.broadcast_shapes(*shapes, np.shape(self.series_ohm), np.shape(self.shunt_ohm))

    @cached_property
    def state_space(self) -> StateSpace:
        """The network of every candidate, on one flat axis, at rest."""
        return _state_space(self)


@dataclass(frozen=True)
class StateSpace:
    """The matrices of a cascade, batch on the first axis, and its state at rest.

    Attributes
    ----------
    E, A : shape (N, n, n)
    source, constant : b and c, shape (N, n)
    Q : shape (m, n); rows grid-cathode, plate-cathode of each stage in turn
    laws : equation of each stage's device on the flat axis
    rest : x at rest, shape (N, n)
    index : position of each unknown by (number of the stage, name)
    states : rows of E that hold a capacitor in any candidate
    slow : positions within ``states`` of the coupling and bypass capacitors' voltages
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

    @property
    def size(self) -> int:
        """Number of candidates."""
        return int(self.E.shape[0])

    @property
    def state_scale(self) -> FloatArray:
        """What one volt on its node or across its capacitor is in each state, shape (states,)."""
        largest = np.abs(self.E[:, self.states, :]).max(axis=(0, 2))
        # Some of a batch's candidates may have no capacitor where others have.
        return np.where(largest > 0, largest, 1.0)

    @property
    def rest_state(self) -> FloatArray:
        """Z at rest, shape (states, N)."""
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
        stage, name = place
        key = (stage, PLACES.get(name, ""))
        if key not in self.index:
            raise InputError(
                "place", place, f"must be (number of the stage, one of {', '.join(PLACES)})"
            )
        return self.index[key]


def _state_space(cascade: Cascade) -> StateSpace:
    shape = cascade.shape
    stages = [stage.flat(shape) for stage in cascade.stages]
    series, shunt = (
        np.broadcast_to(np.asarray(a, float), shape).ravel()
        for a in (cascade.series_ohm, cascade.shunt_ohm)
    )
    width, size = len(UNKNOWNS), int(np.prod(shape))
    n = width * len(stages)
    index = {
        (number, name): number * width + at
        for number in range(len(stages))
        for at, name in enumerate(UNKNOWNS)
    }
    E, A = np.zeros((size, n, n)), np.zeros((size, n, n))
    source, constant = np.zeros((size, n)), np.zeros((size, n))
    Q, ports = np.zeros((2 * len(stages), n)), np.empty((2 * len(stages), size))
    shorts = []
    for number, stage in enumerate(stages):
        parts = _solvable(stage.parts)
        if number > 0:
            parts = replace(parts, source_ohm=series)
        block = slice(number * width, (number + 1) * width)
        none = np.zeros(size)
        device = SmallSignal(
            none, none, stage.grid_cathode_F, stage.grid_plate_F, stage.plate_cathode_F
        )
        passive = descriptor(parts, device)
        E[:, block, block], A[:, block, block] = passive.E, passive.A
        at = {name: index[number, name] for name in UNKNOWNS}
        if number == 0:
            source[:, block] = passive.B
        else:
            # The EMF of the second stage's source branch is the output of the first.
            before = index[number - 1, "o"]
            A[:, at["i_source"], before] -= 1.0
            A[:, before, at["i_source"]] -= 1.0
            A[:, at["c"], at["c"]] += 1.0 / shunt
        for node, current_A in _direct_currents(parts).items():
            constant[:, at[node]] += current_A
        constant[:, at["q"]] -= stage.follower_A
        for row, electrode in ((2 * number, "g"), (2 * number + 1, "p")):
            Q[row, at[electrode]], Q[row, at["k"]] = 1.0, -1.0
        point = operating_point(parts, stage.law, extra_plate_current_A=stage.follower_A)
        ports[2 * number], ports[2 * number + 1] = point.grid_cathode_V, point.plate_cathode_V
        shorts.append((at["i_output_coupling"], np.isinf(np.asarray(parts.output_coupling_F))))

    laws = tuple(stage.law for stage in stages)
    if all(law.shape == () for law in laws) and laws[0] == laws[-1]:
        # The same object: both devices are then evaluated in one call.
        laws = (laws[0],) * len(laws)
    rest = _at_rest(A, constant, Q, laws, ports, shorts)
    for row, infinite in shorts:
        # The short keeps the direct voltage that it has at rest.
        voltage = np.einsum("nj,nj->n", A[:, row, :], rest)
        constant[:, row] += np.where(infinite, voltage, 0.0)
    states = tuple(int(i) for i in np.flatnonzero(np.any(E != 0, axis=(0, 2))))
    capacitors = [index[number, name] for number in range(len(laws)) for name in _CAPACITORS]
    slow = tuple(states.index(row) for row in capacitors if row in states)
    return StateSpace(E, A, source, constant, Q, laws, rest, index, states, slow)


def _direct_currents(parts: Stage) -> dict[str, FloatArray]:
    """Return the direct currents (A) that supply and fixed bias send into nodes."""
    bias_A = parts.bias_V / np.asarray(parts.grid_leak_ohm)
    at_grid = np.asarray(parts.leak_at_grid)
    feed_A = np.asarray(parts.supply_V) / np.asarray(parts.plate_load_ohm)
    return {"q": feed_A, "a": bias_A * (1.0 - at_grid), "x": bias_A * at_grid}


def _solvable(parts: Stage) -> Stage:
    """Return the stage without lead inductances, no node floating, no voltage undetermined."""
    # Coupled without a capacitor, an open output has no memory.
    direct = np.isinf(np.asarray(parts.output_coupling_F))
    return replace(
        parts,
        bypass_F=np.minimum(np.asarray(parts.bypass_F), FULL_BYPASS_F),
        stopper_lead_H=0.0, grid_capacitor_lead_H=0.0,
        grid_lead_H=0.0, plate_lead_H=0.0, cathode_lead_H=0.0,
        grid_leak_ohm=np.minimum(np.asarray(parts.grid_leak_ohm), _INSULATION_OHM),
        load_ohm=np.minimum(
            np.asarray(parts.load_ohm), np.where(direct, _INSULATION_OHM, _OPEN_OUTPUT_OHM)
        ),
    )  # fmt: skip


def _at_rest(
    A: FloatArray,
    constant: FloatArray,
    Q: FloatArray,
    laws: tuple[ConductionLaw, ...],
    start: FloatArray,
    shorts: list[tuple[int, BoolArray]],
) -> FloatArray:
    """Return x (N, n) with the source at 0 V and no current in the capacitors."""
    # The start, each stage alone, is the answer wherever capacitors keep the stages apart.
    direct = A.copy()
    for row, infinite in shorts:
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
        raise ArithmeticError(f"candidate {worst}: no operating point of the cascade found")
    i = device_currents(laws, v)[0]
    return np.asarray(solved[..., 0] + np.einsum("njk,kn->nj", solved[..., 1:], i))
