"""Stability of the linear network: its poles, how well they are damped, and the stopper that helps.

With the inductance of its grid, plate and cathode leads a stage is a tuned-plate tuned-grid
circuit, and the grid-plate capacitance couples the two. The poles come from the dense system of
:mod:`objectives.nodal`, so an element that is added there is in them.

What the network does not know is the time that electrons need and the loss in leads, pins and
mica. Both take gain from the valve at very high frequencies, so poles beyond
:data:`QUASI_STATIC_HZ` are found but, unless asked for, not counted.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import TypeVar

import numpy as np
from scipy.optimize import elementwise

from objectives.batch import ComplexArray, FloatArray
from objectives.corners import LOWEST_HZ
from objectives.network import Network, SmallSignal
from objectives.nodal import UNKNOWNS, Descriptor, descriptor
from objectives.scores import Assessment, score
from objectives.stage import Stage

__all__ = [
    "COMMON_STOPPER_OHM",
    "MARGIN_CAP_DB",
    "QUASI_STATIC_HZ",
    "WELL_DAMPED",
    "PortResistance",
    "Resonance",
    "damping_ratio",
    "descriptor_poles",
    "least_damping",
    "negative_input_resistance",
    "network_poles",
    "resonances",
    "smallest_stopper",
    "transconductance_margin_dB",
]

QUASI_STATIC_HZ = 300e6
"""Up to here the valve is taken to follow its grid at once.

The 12AT7, made for the purpose, is offered as an amplifier and mixer to about 300 MHz (RCA data
sheet, from memory); transit-time loading grows with the square of frequency beyond (W. R. Ferris,
Input resistance of vacuum tubes as ultra-high-frequency amplifiers, Proc. IRE 24, 1936, p. 82,
from memory).
"""
WELL_DAMPED = 0.1
"""Damping ratio asked of a well-behaved stage unless another is: a quality factor of 5.

Common practice, no source.
"""
COMMON_STOPPER_OHM = (100.0, 10e3)
"""Range of grid stoppers fitted against parasitic oscillation: common practice, no source."""
MARGIN_CAP_DB = 60.0
"""Transconductance margins beyond this (a factor of 1000) are not told apart."""

_CHUNK = 2048
# rad/s. Poles of a stage lie from 1 to 1e11; compared with 60-digit arithmetic over random stages
# this shift leaves errors of 1e-8 at both ends, and the poles at infinity a hundred times beyond
# _FASTEST.
_SHIFT = 1e6
_FASTEST = 1e13
_SLOWEST = 2 * np.pi * LOWEST_HZ
_ON_AXIS = 1e-5
_REAL_LOOP = 1e-3

_B = TypeVar("_B", Stage, SmallSignal)
_A = TypeVar("_A", FloatArray, ComplexArray)


# -- poles -----------------------------------------------------------------------------------------


def descriptor_poles(system: Descriptor) -> ComplexArray:
    """Return the finite eigenvalues s (rad/s) of ``(s E + A) x = 0``, batched.

    Returns
    -------
    Shape (..., m), sorted by magnitude. m is the same for a whole batch; where a stage has fewer
    poles the last ones are ``-inf`` (infinitely fast, and in the left half plane).

    A capacitor loop or a cutset of inductors makes E singular in a way that defeats a plain
    ``inv(E)``. Instead the pencil is inverted at a real shift: with ``M = (shift E + A)^-1 E``,
    ``M x = x / (shift - s)``, so poles at infinity become eigenvalues 0 of an ordinary problem that
    LAPACK solves for the whole batch, and only the rows of E that hold anything take part.

    Source: shift-and-invert of a matrix pencil, e.g. Y. Saad, Numerical Methods for Large
    Eigenvalue Problems, 2nd ed., SIAM, 2011, ch. 8 (from memory).
    """
    E, A = system.E, system.A
    return _pencil_eigenvalues(E, A)


def _pencil_eigenvalues(E: FloatArray, A: FloatArray) -> ComplexArray:
    lead = E.shape[:-2]
    n = E.shape[-1]
    shifted = _SHIFT * E + A
    # Rows of conductances and rows of elastances differ by twenty decades.
    scale = 1.0 / np.abs(shifted).max(axis=-1, keepdims=True)
    used = np.flatnonzero(np.any(E != 0, axis=(*range(len(lead)), -1)))
    if used.size == 0:
        return np.full((*lead, 0), -np.inf, complex)
    columns = np.zeros((n, used.size))
    columns[used, np.arange(used.size)] = 1.0
    # Nonzero eigenvalues of X Y and Y X are the same: E = columns @ E[used].
    reduced = E[..., used, :] @ np.linalg.solve(shifted * scale, columns * scale)
    inverse = np.linalg.eigvals(reduced)
    with np.errstate(divide="ignore", invalid="ignore"):
        s = np.asarray(_SHIFT - 1.0 / inverse, complex)
        # An infinite pole comes out as a huge one of any sign; no lumped network has real poles
        # there, a centimetre of wire being longer than the wave.
        s[~(np.abs(s) < _FASTEST)] = -np.inf
    return np.take_along_axis(s, np.argsort(np.abs(s), axis=-1), axis=-1)


def network_poles(stage: Stage, device: SmallSignal) -> ComplexArray:
    """Return the poles (rad/s) of every stage, shape (..., m) as :func:`descriptor_poles`.

    Raises
    ------
    ValueError
        If an inductance or a shunt capacitance is negative or not finite.
    """
    return _in_chunks(stage, device, lambda s, d: descriptor_poles(descriptor(s, d)))


def damping_ratio(poles_rad_per_s: ComplexArray) -> FloatArray:
    """Return ``-Re(s)/|s|`` of each pole: 1 real and decaying, 0 undamped, negative growing.

    A pole slower than :data:`objectives.corners.LOWEST_HZ` (a node that floats at direct current
    has one at 0) counts as 1: rounding gives it either sign.
    """
    s = np.asarray(poles_rad_per_s, complex)
    size = np.abs(s)
    counted = np.isfinite(size) & (size > _SLOWEST)
    return np.asarray(np.where(counted, -s.real / np.where(counted, size, 1.0), 1.0))


def _counted_damping(poles: ComplexArray, highest_Hz: float) -> FloatArray:
    within = np.abs(poles) <= 2 * np.pi * highest_Hz
    return np.where(within, damping_ratio(poles), 1.0)


def least_damping(
    stage: Stage, device: SmallSignal, *, highest_Hz: float = QUASI_STATIC_HZ
) -> FloatArray:
    """Return the least damping ratio over the poles up to ``highest_Hz``, shape of the stage.

    1 where every pole is real and decaying; negative where the stage oscillates (a growing real
    pole gives -1).
    """
    damping = _counted_damping(network_poles(stage, device), highest_Hz)
    return np.asarray(damping.min(axis=-1, initial=1.0))


@dataclass(frozen=True)
class Resonance:
    """One complex pair of poles of one stage."""

    frequency_Hz: float
    """|s|/(2 pi)."""
    damping: float
    """Damping ratio; a lightly damped pair has a quality factor of 1/(2 damping)."""
    damping_without_valve: float
    """Of the nearest pole in frequency with the transconductance taken to 0 (valve cold)."""
    counted: bool
    """Whether it lies where the network describes a valve."""


def resonances(
    stage: Stage, device: SmallSignal, *, highest_Hz: float = QUASI_STATIC_HZ
) -> list[Resonance]:
    """Return the complex pairs of a single stage, by rising frequency.

    Raises
    ------
    ValueError
        If the batch is not of one stage.
    """
    count = int(np.prod(np.broadcast_shapes(stage.shape, device.shape)))
    if count != 1:
        raise ValueError(f"stage: a batch of {count}: must be one stage")
    hot = network_poles(stage, device).ravel()
    cold = network_poles(stage, replace(device, transconductance_S=0.0)).ravel()
    cold = cold[np.isfinite(cold)]
    found = []
    for s in hot[np.isfinite(hot) & (hot.imag > 0)]:
        # A rounded double pole is no resonance.
        if damping_ratio(s) > 1 - 1e-6:
            continue
        # Pairs are matched in position relative to their own size.
        nearest = cold[np.argmin(np.abs(cold - s))]
        size = float(np.abs(s))
        found.append(
            Resonance(
                frequency_Hz=size / (2 * np.pi),
                damping=float(damping_ratio(s)),
                damping_without_valve=float(damping_ratio(nearest)),
                counted=size <= 2 * np.pi * highest_Hz,
            )
        )
    return found


# -- how far from oscillation ----------------------------------------------------------------------


def transconductance_margin_dB(
    stage: Stage, device: SmallSignal, *, highest_Hz: float = QUASI_STATIC_HZ
) -> FloatArray:
    """Return by how much (dB) the transconductance may rise before the stage oscillates.

    Everything but gm stays. With gm = 0 the network is passive; the smallest gm that brings a pole
    up to ``highest_Hz`` onto the imaginary axis is compared with the actual one. It is negative
    when the stage oscillates, or would while its heater warms up, and capped at
    :data:`MARGIN_CAP_DB`.

    Critical values are found exactly, not by a sweep: with ``H(s)`` the control voltage that 1 A
    from plate to cathode makes, poles sit at ``1 + gm H(s) = 0``, so a crossing at ``s = jw`` needs
    ``H(jw)`` real and negative. The zeros of ``H(s) - H(-s)`` hold every such w and are the
    eigenvalues of a pencil twice the size.

    Source: return ratio of the controlled source, H. W. Bode, Network Analysis and Feedback
    Amplifier Design, Van Nostrand, 1945, ch. 4 (from memory).
    """
    return _in_chunks(stage, device, lambda s, d: _margin_dB(s, d, highest_Hz))


def _margin_dB(stage: Stage, device: SmallSignal, highest_Hz: float) -> FloatArray:
    system = descriptor(stage, replace(device, transconductance_S=0.0))
    E, A = system.E, system.A
    lead, n = E.shape[:-2], E.shape[-1]
    at = {name: UNKNOWNS.index(name) for name in "gkp"}
    drive, control = np.zeros(n), np.zeros(n)
    drive[at["p"]], drive[at["k"]] = 1.0, -1.0
    control[at["g"]], control[at["k"]] = 1.0, -1.0
    double_E, double_A = (np.zeros((*lead, 2 * n + 1, 2 * n + 1)) for _ in range(2))
    double_E[..., :n, :n], double_E[..., n:-1, n:-1] = E, -E
    double_A[..., :n, :n], double_A[..., n:-1, n:-1] = A, A
    double_A[..., :n, -1], double_A[..., n:-1, -1] = -drive, -drive
    double_A[..., -1, :n], double_A[..., -1, n:-1] = control, -control
    zeros = _pencil_eigenvalues(double_E, double_A)
    size = np.abs(zeros)
    usable = (
        (np.abs(zeros.real) <= _ON_AXIS * size)
        & (zeros.imag > 0)
        & (size > _SLOWEST)
        & (size <= 2 * np.pi * highest_Hz)
    )
    *stages, _ = where = np.nonzero(usable)
    omega = zeros.imag[where]
    matrix = 1j * omega[:, None, None] * E[tuple(stages)] + A[tuple(stages)]
    scale = 1.0 / np.abs(matrix).max(axis=-1, keepdims=True)
    loop = np.linalg.solve(matrix * scale, drive[:, None] * scale)[..., 0] @ control
    gm = np.broadcast_to(np.asarray(device.transconductance_S, float), lead)[tuple(stages)]
    with np.errstate(divide="ignore"):
        critical = -1.0 / (gm * loop.real)
    critical[(critical <= 0) | (np.abs(loop.imag) > _REAL_LOOP * np.abs(loop))] = np.inf
    ratio = np.full(usable.shape, np.inf)
    ratio[where] = critical
    with np.errstate(divide="ignore"):
        margin = 20 * np.log10(ratio.min(axis=-1, initial=np.inf))
    return np.asarray(np.clip(margin, -MARGIN_CAP_DB, MARGIN_CAP_DB))


# -- the stopper -----------------------------------------------------------------------------------


def smallest_stopper(
    stage: Stage,
    device: SmallSignal,
    *,
    damping: float = WELL_DAMPED,
    margin_dB: float | None = None,
    highest_Hz: float = QUASI_STATIC_HZ,
    range_ohm: tuple[float, float] = (1.0, 1e6),
) -> FloatArray:
    """Return the smallest stopper (ohm) that keeps each stage well damped, shape of the stage.

    Well damped: :func:`least_damping` at least ``damping`` and, where ``margin_dB`` is given,
    :func:`transconductance_margin_dB` at least that. 0 where no stopper is needed, nan where none
    within ``range_ohm`` does: a resonance in the plate lead may be out of its reach, and beyond
    some value its own shunt capacitance takes over. The range is scanned four times a decade and
    the first crossing refined to 0.1 %. The linear device is taken as given: what a grid current
    through the stopper would do to the operating point is left out.

    Raises
    ------
    ValueError
        If ``damping`` is not below 1, or the range is not rising and positive.
    """
    if not damping < 1:
        raise ValueError(f"damping: {damping!r}: must be less than 1")
    low, high = range_ohm
    if not 0 < low < high < np.inf:
        raise ValueError(f"range_ohm: {range_ohm!r}: must be two rising, positive resistances")
    shape = np.broadcast_shapes(stage.shape, device.shape)
    stages, devices = _flat(stage, shape), _flat(device, shape)
    count = int(np.prod(shape))

    def surplus(stopper_ohm: FloatArray, which: FloatArray) -> FloatArray:
        index = which.astype(np.intp)
        own = replace(stages.at(index), stopper_ohm=stopper_ohm)
        valve = devices.at(index)
        value = least_damping(own, valve, highest_Hz=highest_Hz) - damping
        if margin_dB is not None:
            room = transconductance_margin_dB(own, valve, highest_Hz=highest_Hz) - margin_dB
            value = np.minimum(value, room / MARGIN_CAP_DB)
        return np.broadcast_to(value, index.shape)

    everyone = np.arange(count)
    result = np.full(count, np.nan)
    below = np.zeros(count)
    steps = np.geomspace(low, high, 1 + int(np.ceil(4 * np.log10(high / low))))
    active = everyone[surplus(below, everyone.astype(float)) < 0]
    result[np.setdiff1d(everyone, active)] = 0.0
    first = np.full(count, np.nan)
    for step in steps:
        if not active.size:
            break
        enough = surplus(np.full(active.size, step), active.astype(float)) >= 0
        first[active[enough]] = step
        below[active[~enough]] = step
        active = active[~enough]
    found = np.flatnonzero(np.isfinite(first))
    if found.size:
        root = elementwise.find_root(
            surplus,
            (below[found], first[found]),
            args=(found.astype(float),),
            tolerances={"xatol": 1e-3, "xrtol": 1e-3, "fatol": 0.0, "frtol": 0.0},
        )
        # The side that is damped enough, so that the answer keeps what it promises.
        left, right = root.bracket
        result[found] = np.where(root.f_bracket[1] >= 0, right, left)
    return result.reshape(shape)


@dataclass(frozen=True)
class PortResistance:
    """Where the grid looks most negative, shape of the stage."""

    resistance_ohm: FloatArray
    """Least series resistance, Re(1/Y) of what the stopper works into; positive where no frequency
    shows a negative one."""
    frequency_Hz: FloatArray


def negative_input_resistance(
    stage: Stage,
    device: SmallSignal,
    *,
    lowest_Hz: float = 1e6,
    highest_Hz: float = QUASI_STATIC_HZ,
) -> PortResistance:
    """Return the most negative series resistance that the stopper looks into, and where.

    An inductive plate load makes the input conductance negative through the grid-plate
    capacitance, a capacitive cathode circuit through the grid-cathode capacitance. A stopper that
    is larger than the magnitude leaves nothing negative between the two frequencies, so no wiring
    in front of it that resonates between them can start an oscillation, provided the stage with an
    open grid does not oscillate by itself. It is the hand calculation beside the exact poles and
    errs on the safe side. Swept 100 times a decade, by default from 1 MHz: lower, it would take
    a coil to resonate with the capacitances of a valve.

    Source: J. M. Miller, Dependence of the input impedance of a three-electrode vacuum tube upon
    the load in the plate circuit, Scientific Papers of the Bureau of Standards 15 (351), 1920.

    Raises
    ------
    ValueError
        If the frequencies are not positive and rising.
    """
    if not 0 < lowest_Hz < highest_Hz < np.inf:
        raise ValueError(
            f"lowest_Hz, highest_Hz: {lowest_Hz!r}, {highest_Hz!r}: must rise and be positive"
        )
    decades = np.log10(highest_Hz / lowest_Hz)
    f = np.geomspace(lowest_Hz, highest_Hz, 1 + int(np.ceil(100 * decades)))
    network = Network(stage.expand(), device.expand(), f)
    wide, s = network.stage, network.s
    behind = 1.0 / network.input_admittance_S + s * np.asarray(wide.grid_lead_H, float)
    shunt = np.asarray(wide.leak_at_grid, float) / np.asarray(wide.grid_leak_ohm, float) + s * (
        np.asarray(wide.grid_capacitor_F, float) + np.asarray(wide.stray_grid_ground_F, float)
    )
    series = (behind / (1.0 + behind * shunt)).real
    worst = series.argmin(axis=-1)
    return PortResistance(
        resistance_ohm=np.asarray(np.take_along_axis(series, worst[..., None], -1)[..., 0]),
        frequency_Hz=np.asarray(f[worst]),
    )


# -- scores ----------------------------------------------------------------------------------------


@score(
    "least_damping_ratio", "", "maximise",
    "least damping ratio of the network's poles up to 300 MHz, lead inductances included",
    source="generalised eigenvalues of the nodal system",
)  # fmt: skip
def _least_damping(a: Assessment) -> FloatArray:
    return least_damping(a.loaded, a.linear)


@score(
    "stability_margin_dB", "dB", "maximise",
    "how much the transconductance may rise before the stage oscillates below 300 MHz, up to "
    "60 dB; negative: it oscillates",
    source="return ratio, Bode 1945 (from memory)",
)  # fmt: skip
def _stability_margin(a: Assessment) -> FloatArray:
    return transconductance_margin_dB(a.loaded, a.linear)


# -- shared ----------------------------------------------------------------------------------------

_REACTANCES = (
    "cable_F", "stopper_shunt_F", "stopper_lead_H", "grid_capacitor_F", "plate_capacitor_F",
    "load_F", "stray_grid_ground_F", "stray_plate_ground_F", "grid_lead_H", "plate_lead_H",
    "cathode_lead_H",
)  # fmt: skip


def _flat(batch: _B, shape: tuple[int, ...]) -> _B:
    """Return the batch with every field on one flat axis of the common shape."""
    return batch.map(lambda a: np.broadcast_to(a, shape).ravel())


def _in_chunks(stage: Stage, device: SmallSignal, work: Callable[[Stage, SmallSignal], _A]) -> _A:
    """Apply ``work`` to some thousands of stages at a time: a dense system takes 8 kB each."""
    _require_usable(stage, _REACTANCES)
    _require_usable(device, ("grid_cathode_F", "grid_plate_F", "plate_cathode_F"))
    shape = np.broadcast_shapes(stage.shape, device.shape)
    stages, devices = _flat(stage, shape), _flat(device, shape)
    count = int(np.prod(shape))
    cuts = [slice(at, at + _CHUNK) for at in range(0, max(count, 1), _CHUNK)]
    done = [work(stages.at(cut), devices.at(cut)) for cut in cuts]
    if done[0].ndim > 1:
        width = max(part.shape[-1] for part in done)
        done = [
            np.pad(part, ((0, 0), (0, width - part.shape[-1])), constant_values=-np.inf)
            for part in done
        ]
    joined = np.concatenate(done)
    return joined.reshape(shape + joined.shape[1:])


def _require_usable(batch: Stage | SmallSignal, names: tuple[str, ...]) -> None:
    for name, value in batch.numeric_fields().items():
        if name in names and not np.all((value >= 0) & np.isfinite(value)):
            wrong = value[~((value >= 0) & np.isfinite(value))].flat[0]
            raise ValueError(f"{name}: {float(wrong)!r}: must be finite and 0 or more")
