"""One device in its three connections: which electrode is grounded, and what the input then sees.

The device is the same at the same operating point, and so is its load R; what changes is where the
signal goes in. Seen from the driven electrode, a capacitance to an electrode that has the gain A
takes (1 - A) times its own current: with the cathode grounded A is negative and large, and C_gp
counts (1 + |A|) times (Miller); with the grid grounded C_gp leads to the plate's load alone; in a
follower C_gk is all but bootstrapped away.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal, TypeAlias

import numpy as np

from objectives.arrays import Batch, ComplexArray, FloatArray, IntArray
from objectives.circuit.small_signal import SmallSignal
from objectives.roots import bracketed_roots

Electrode: TypeAlias = Literal["grid", "cathode", "plate"]
ELECTRODES: Final[tuple[Electrode, ...]] = ("grid", "cathode", "plate")

DRIVEN: Final[dict[Electrode, tuple[Electrode, Electrode]]] = {
    "cathode": ("grid", "plate"),
    "grid": ("cathode", "plate"),
    "plate": ("grid", "cathode"),
}
"""Where the signal goes in and comes out, by the electrode that is grounded."""

_LOG2_HZ: Final = np.linspace(np.log2(10.0), np.log2(1e11), 400)


@dataclass(frozen=True)
class Connection(Batch):
    """What the input sees in one connection; shape of the batch."""

    gain: FloatArray
    """By hand: from the driven electrode to the output, with its sign."""
    still_F: FloatArray
    """To the grounded electrode."""
    bridging_F: FloatArray
    """To the output."""
    input_F: FloatArray
    """By hand: what charges, with the output moving at the gain of mid-band."""
    input_ohm: FloatArray
    """By hand; inf where no current flows into the driven electrode."""
    corner_Hz: FloatArray
    """By hand: 1 / (2 pi R C) with the source's resistance and the input's in parallel; inf where
    the input takes no charge."""
    exact_corner_Hz: FloatArray
    """Where the driven electrode has half of the power that it has at low frequencies."""


def connection(
    grounded: Electrode, device: SmallSignal, load_ohm: FloatArray, source_ohm: FloatArray
) -> Connection:
    """Return what the input sees with one electrode grounded; all shapes broadcast.

    Parameters
    ----------
    load_ohm :
        R, from the output electrode to ground.
    source_ohm :
        Resistance of what drives the input.

    Source: gains mu R/(rp + R), (mu + 1) R/(rp + R) and mu R/(rp + (mu + 1) R), input resistance
    (rp + R)/(mu + 1) at the cathode, input capacitance C_gp + C_gk (1 - A) of a follower: F.
    Langford-Smith (ed.), Radiotron Designer's Handbook, 4th ed., 1953 (from memory).
    """
    d = device
    mu, rp = d.transconductance_S / d.plate_conductance_S, 1.0 / d.plate_conductance_S
    c_gk, c_gp, c_pk = d.grid_cathode_F, d.grid_plate_F, d.plate_cathode_F
    gain, still_F, bridging_F = {
        "cathode": (-mu * load_ohm / (rp + load_ohm), c_gk, c_gp),
        "grid": ((mu + 1) * load_ohm / (rp + load_ohm), c_gk, c_pk),
        "plate": (mu * load_ohm / (rp + (mu + 1) * load_ohm), c_gp, c_gk),
    }[grounded]
    input_F = still_F + bridging_F * (1.0 - gain)
    with np.errstate(divide="ignore"):
        into_S = d.grid_conductance_S * (1.0 - gain if grounded == "plate" else 1.0)
        if grounded == "grid":
            into_S = into_S + (mu + 1) / (rp + load_ohm)
        input_ohm = 1.0 / into_S
        resistance = 1.0 / (1.0 / np.asarray(source_ohm) + into_S)
        corner = np.where(input_F > 0, 1.0 / (2 * np.pi * resistance * input_F), np.inf)
    still_F, bridging_F, input_F, input_ohm, corner = np.broadcast_arrays(
        still_F, bridging_F, input_F, input_ohm, corner
    )
    return Connection(
        gain=np.asarray(gain),
        still_F=still_F,
        bridging_F=bridging_F,
        input_F=input_F,
        input_ohm=input_ohm,
        corner_Hz=corner,
        exact_corner_Hz=_corner_Hz(grounded, d, load_ohm, source_ohm),
    )


def input_admittance_S(
    grounded: Electrode, device: SmallSignal, load_ohm: FloatArray, frequency_Hz: FloatArray
) -> ComplexArray:
    """Return the exact admittance at the driven electrode; all shapes broadcast.

    The three electrodes' currents by their voltages make a matrix whose rows and columns sum to
    zero; the grounded electrode's row and column are struck out and the load put on the output.

    Source: the indefinite admittance matrix, J. Shekel, Matrix representation of transistor
    circuits, Proc. IRE 40, 1952, p. 1493 (from memory).
    """
    d, s = device, 2j * np.pi * np.asarray(frequency_Hz, float)
    gm, ggp = d.transconductance_S, d.grid_plate_conductance_S
    ygk = d.grid_conductance_S + s * d.grid_cathode_F
    ygp = s * d.grid_plate_F
    ypk = d.plate_conductance_S + s * d.plate_cathode_F
    y: dict[Electrode, dict[Electrode, ComplexArray]] = {
        "grid": {"grid": ygk + ygp, "cathode": -ygk - ggp, "plate": ggp - ygp},
        "plate": {"grid": gm - ygp, "cathode": -gm - ypk, "plate": ypk + ygp},
    }
    y["cathode"] = {at: -y["grid"][at] - y["plate"][at] for at in ELECTRODES}
    into, out = DRIVEN[grounded]
    return np.asarray(y[into][into] - y[into][out] * y[out][into] / (y[out][out] + 1.0 / load_ohm))


def _corner_Hz(
    grounded: Electrode, device: SmallSignal, load_ohm: FloatArray, source_ohm: FloatArray
) -> FloatArray:
    shape = np.broadcast_shapes(device.shape, np.shape(load_ohm), np.shape(source_ohm))
    flat = device.map(lambda a: np.broadcast_to(a, shape).ravel())
    load, source = (np.broadcast_to(a, shape).ravel() for a in (load_ohm, source_ohm))

    def power(log2_f: FloatArray, at: slice | IntArray) -> FloatArray:
        some, f = flat.map(lambda a: a[at]), 2.0**log2_f
        into = input_admittance_S(grounded, some, load[at], f)
        return np.asarray(1.0 / np.abs(1.0 + source[at] * into) ** 2)

    each = slice(None)
    low = power(_LOG2_HZ[:1], each)
    walked = np.stack([power(np.full(low.shape, x), each) for x in _LOG2_HZ])
    below = walked < 0.5 * low
    corner = np.full(low.shape, np.inf)
    rows = np.flatnonzero(below.any(axis=0))
    if rows.size:
        end = below.argmax(axis=0)[rows]
        corner[rows] = (
            2.0
            ** bracketed_roots(
                lambda x, at: power(x, at) - 0.5 * low[at], _LOG2_HZ[end - 1], _LOG2_HZ[end], rows
            ).x
        )
    return corner.reshape(shape)
