"""The textbook estimate of the input corner, step by step, beside the exact answer."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from objectives.arrays import Batch, FloatArray
from objectives.assumptions import Assumptions
from objectives.circuit.corners import corner_frequency
from objectives.circuit.small_signal import SmallSignal
from objectives.stage import Stage, parallel


def miller_capacitance_F(
    grid_cathode_F: FloatArray, grid_plate_F: FloatArray, gain_magnitude: FloatArray
) -> FloatArray:
    """Return ``C_gk + C_gp (1 + |A|)`` in farads.

    Source: J. M. Miller, Dependence of the input impedance of a three-electrode vacuum tube upon
    the load in the plate circuit, Scientific Papers of the Bureau of Standards 15 (351), 1920.
    """
    return grid_cathode_F + grid_plate_F * (1.0 + gain_magnitude)


@dataclass(frozen=True)
class Simplification:
    """The input corner with one simplification made in the otherwise exact network."""

    name: str
    corner_Hz: FloatArray
    error_percent: FloatArray


@dataclass(frozen=True)
class SecondEstimate(Batch):
    """The estimate with the plate's own time constant, shape of the stage.

    The grid has the voltage ``(1 + s plate_s)/(1 + s sum_s + s^2 pairs_s^2 + s^3 triple_s^3)`` of
    that at low frequencies.
    """

    plate_ohm: FloatArray
    """What the capacitance at the plate looks back into."""
    plate_F: FloatArray
    """From the plate to ground."""
    still_F: FloatArray
    """What of the grid's capacitance does not lead to the plate."""
    shorted_ohm: FloatArray
    """What the grid looks back into with the cable as a short."""
    plate_s: FloatArray
    sum_s: FloatArray
    """Sum of the open-circuit time constants of grid, cable and plate."""
    pairs_s: FloatArray
    """Root of the sum, over pairs, of one's time constant times the other's with it shorted."""
    triple_s: FloatArray
    """Third root of the same of all three."""
    corner_Hz: FloatArray

    def share(self, frequency_Hz: ArrayLike) -> FloatArray:
        """Return the squared voltage of the grid, of that at low frequencies."""
        w = 2 * np.pi * np.asarray(frequency_Hz)
        real = 1.0 - (w * self.pairs_s) ** 2
        imaginary = w * self.sum_s - (w * self.triple_s) ** 3
        return np.asarray((1.0 + (w * self.plate_s) ** 2) / (real**2 + imaginary**2))


@dataclass(frozen=True)
class HandEstimate(Batch):
    """Every number of the two estimates, shape of the stage."""

    plate_resistance_ohm: FloatArray
    amplification_factor: FloatArray
    load_line_ohm: FloatArray
    """Plate load in parallel with what follows."""
    unbypassed_ohm: FloatArray
    """What of the cathode circuit no bypass is across; 0 with the cathode grounded for signals."""
    gain_magnitude: FloatArray
    cathode_gain: FloatArray
    """Share of the grid's voltage that the cathode follows; 0 with the cathode grounded."""
    grid_cathode_F: FloatArray
    grid_plate_F: FloatArray
    grid_ground_F: FloatArray
    """What is fitted and what strays from grid to ground."""
    input_F: FloatArray
    thevenin_ohm: FloatArray
    conduction_ohm: FloatArray
    """What a conducting grid presents, raised by the cathode that follows; inf for none."""
    resistance_ohm: FloatArray
    """Both of them in parallel."""
    cable_F: FloatArray
    cable_ohm: FloatArray
    """What the cable looks back into, the grid's capacitance taken off."""
    corner_Hz: FloatArray
    """The first estimate: one time constant, at the gain of mid-band."""
    second: SecondEstimate


@dataclass(frozen=True)
class TextbookEstimate(HandEstimate):
    """The two estimates beside the exact answer, and what each simplification does to it."""

    exact_corner_Hz: FloatArray
    error_percent: FloatArray
    second_error_percent: FloatArray
    simplifications: tuple[Simplification, ...]


@dataclass(frozen=True)
class Assumed:
    """A stage with some assumptions made: what the hand finds, and what the network does."""

    hand: HandEstimate
    corner_Hz: FloatArray
    """By hand: the first estimate where the gain is taken as constant, else the second."""
    counted_Hz: FloatArray
    """The same counted, as the exact corner is, from the level at the reference; the first estimate
    counts from low frequencies."""
    stage: Stage
    device: SmallSignal
    """The otherwise exact network with the same assumptions."""


# A device that passes no current has neither plate resistance nor amplification factor.
@np.errstate(divide="ignore", invalid="ignore")
def hand_estimate(stage: Stage, device: SmallSignal, reference_Hz: float) -> HandEstimate:
    """Work out the input corner as a textbook does, in two estimates.

    The estimate takes A = mu R/(rp + R) with R the plate load in parallel with the next stage, the
    Miller capacitance at that gain with what lies from grid to ground beside it, the Thevenin
    resistance that the grid sees (source in parallel with the leak, plus the stopper, by the leak's
    position), and f = 1/(2 pi R C). A cable on the source adds its own time constant, with the
    grid's capacitance taken off, to R C: the sum of open-circuit time constants, which is near
    where one of them dominates and 22 % low where two poles are equal. A second estimate counts
    the plate's own time constant as well, R_out (C_out + C_gp): beyond it the gain, and with it the
    Miller capacitance, falls, and the grid sees a resistance as well. A bypass counts as a short.
    Where some of the cathode circuit, Rk, has none across it, (mu + 1) Rk joins the denominator of
    the gain, and of C_gk and of what a conducting grid (the base of a transistor) takes only that
    share counts that the cathode does not follow.

    Source: the Miller formula above; mid-band gain, with and without an unbypassed cathode
    resistor, e.g. F. Langford-Smith (ed.), Radiotron Designer's Handbook, 4th ed., 1953, ch. 12;
    for transistors, and for open-circuit time constants, e.g. P. R. Gray, R. G. Meyer, Analysis and
    Design of Analog Integrated Circuits, who have the plate's too; products of open- and
    short-circuit time constants: B. L. Cochrun, A. Grabel, A method for the determination of the
    transfer function of electronic circuits, IEEE Trans. Circuit Theory 20, 1973 (from memory).
    """
    stage, device = stage.broadcast(), device.broadcast()
    gm, gp = device.transconductance_S, device.plate_conductance_S
    c_gk, c_gp = device.grid_cathode_F, device.grid_plate_F
    load = parallel(stage.plate_load_ohm, stage.load_ohm)
    unbypassed = _unbypassed_ohm(stage)
    # 1 + (gm + gp) Rk is what the cathode resistor divides the current by.
    gain = gm / (gp + (1.0 + (gm + gp) * unbypassed) / load)
    followed = gain * unbypassed / load
    ground_F = stage.grid_capacitor_F + stage.stray_grid_ground_F
    input_F = miller_capacitance_F(c_gk * (1.0 - followed), c_gp, gain) + ground_F
    source, stopper = stage.source_ohm, stage.stopper_ohm
    leak, at_grid = stage.grid_leak_ohm, stage.leak_at_grid > 0.5
    thevenin = np.where(at_grid, parallel(source + stopper, leak), parallel(source, leak) + stopper)

    conduction = 1.0 / (device.grid_conductance_S * (1.0 - followed))
    resistance = parallel(thevenin, conduction)

    onward = np.where(
        at_grid, stopper + parallel(leak, conduction), parallel(leak, stopper + conduction)
    )
    cable_ohm = parallel(source, onward)

    shorted = np.where(at_grid, parallel(stopper, leak), stopper)
    second = _second_estimate(
        grid=(resistance, parallel(shorted, conduction), input_F),
        to_plate_F=c_gp,
        miller_F=c_gp * (1.0 + gain),
        plate=(
            parallel(load, (1.0 + (gm + gp) * unbypassed) / gp),
            stage.load_F + stage.plate_capacitor_F + stage.stray_plate_ground_F
            + device.plate_cathode_F,
        ),
        cable_s=cable_ohm * stage.cable_F,
        reference_Hz=reference_Hz,
    )  # fmt: skip
    return HandEstimate(
        plate_resistance_ohm=1.0 / gp,
        amplification_factor=gm / gp,
        load_line_ohm=load,
        unbypassed_ohm=unbypassed,
        gain_magnitude=gain,
        cathode_gain=followed,
        grid_cathode_F=c_gk,
        grid_plate_F=c_gp,
        grid_ground_F=ground_F,
        input_F=input_F,
        thevenin_ohm=thevenin,
        conduction_ohm=conduction,
        resistance_ohm=resistance,
        cable_F=stage.cable_F,
        cable_ohm=cable_ohm,
        corner_Hz=_one_pole_Hz(resistance, input_F, cable_ohm * stage.cable_F),
        second=second,
    )


_ALONE: Final = {
    "perfect source": "perfect_source",
    "cable ignored": "no_cable",
    "leak ignored": "no_leak",
    "full bypass": "full_bypass",
    "no next stage": "no_next_stage",
    "constant gain": "constant_gain",
    "ideal stopper": "ideal_stopper",
}
"""The simplifications that are made one by one, by their names: fields of Assumptions."""


def textbook_estimate(stage: Stage, device: SmallSignal, reference_Hz: float) -> TextbookEstimate:
    """Work out the estimate and the error of each simplification against the exact corner.

    Each simplification is made alone in the exact network; the last row makes them all, as in a
    quick hand calculation: stopper and Miller capacitance at the unloaded gain.
    """
    stage, device = stage.broadcast(), device.broadcast()
    hand = hand_estimate(stage, device, reference_Hz)
    # None of them, then each of them alone, along a first axis.
    none_first = np.eye(len(_ALONE), len(_ALONE) + 1, 1)
    switches = none_first.reshape(*none_first.shape, *[1] * len(stage.shape))
    alone = Assumptions(**dict(zip(_ALONE.values(), switches, strict=True)))
    made = assumed(stage, device, alone, reference_Hz)
    truth, *each = grid_corner_Hz(made.stage, made.device, reference_Hz)
    corners = dict(zip(_ALONE, each, strict=True))
    gain = device.transconductance_S / (device.plate_conductance_S + 1.0 / stage.plate_load_ohm)
    all_at_once = miller_capacitance_F(device.grid_cathode_F, device.grid_plate_F, gain)
    corners["all of them at once"] = _one_pole_Hz(
        stage.stopper_ohm, all_at_once + stage.grid_capacitor_F
    )
    return TextbookEstimate(
        **{field.name: getattr(hand, field.name) for field in fields(hand)},
        exact_corner_Hz=truth,
        error_percent=percent_off(hand.corner_Hz, truth),
        second_error_percent=percent_off(hand.second.corner_Hz, truth),
        simplifications=tuple(
            Simplification(name, corner, percent_off(corner, truth))
            for name, corner in corners.items()
        ),
    )


def assumed(
    stage: Stage, device: SmallSignal, assumptions: Assumptions, reference_Hz: float
) -> Assumed:
    """Make assumptions in a stage, for the hand and for the network; all shapes broadcast.

    With a constant gain the network has a device that does not amplify, with the input capacitance
    and conductance of mid-band.
    """
    bare = assumptions.of_device(stage, device).broadcast()
    stage = assumptions.of_stage(stage).broadcast()
    hand = hand_estimate(stage, bare, reference_Hz)
    constant = assumptions.constant_gain > 0.5

    def held(value: ArrayLike, otherwise: FloatArray) -> FloatArray:
        return np.where(constant, value, otherwise)

    return Assumed(
        hand,
        held(hand.corner_Hz, hand.second.corner_Hz),
        # Half of 1/(1 + (f_ref/f)^2) is left there.
        held(np.hypot(hand.corner_Hz, np.sqrt(2) * reference_Hz), hand.second.corner_Hz),
        replace(
            stage,
            cathode_resistor_ohm=held(0.0, stage.cathode_resistor_ohm),
            cathode_unbypassed_ohm=held(0.0, stage.cathode_unbypassed_ohm),
        ),
        SmallSignal(
            transconductance_S=held(0.0, bare.transconductance_S),
            plate_conductance_S=bare.plate_conductance_S,
            grid_cathode_F=held(hand.input_F - hand.grid_ground_F, bare.grid_cathode_F),
            grid_plate_F=held(0.0, bare.grid_plate_F),
            plate_cathode_F=held(0.0, bare.plate_cathode_F),
            grid_conductance_S=held(1.0 / hand.conduction_ohm, bare.grid_conductance_S),
            grid_plate_conductance_S=held(0.0, bare.grid_plate_conductance_S),
        ),
    )


def grid_corner_Hz(stage: Stage, device: SmallSignal, reference_Hz: float) -> FloatArray:
    """Return the exact input corner (Hz): half the power that the grid has at the reference."""
    return corner_frequency(stage, device, "grid", reference_Hz, upper=True)


def percent_off(value: FloatArray, truth: FloatArray) -> FloatArray:
    """Return the error in per cent; nan where neither is finite."""
    with np.errstate(invalid="ignore"):
        return 100 * (value / truth - 1)


def _one_pole_Hz(
    resistance: FloatArray, capacitance: FloatArray, more_s: FloatArray | float = 0.0
) -> FloatArray:
    with np.errstate(divide="ignore"):
        return 1.0 / (2 * np.pi * (resistance * capacitance + more_s))


def _second_estimate(
    *,
    grid: tuple[FloatArray, FloatArray, FloatArray],
    to_plate_F: FloatArray,
    miller_F: FloatArray,
    plate: tuple[FloatArray, FloatArray],
    cable_s: FloatArray,
    reference_Hz: float,
) -> SecondEstimate:
    """Return the second estimate.

    ``grid`` has what the grid looks back into, the same with the cable as a short, and its
    capacitance, of which ``miller_F`` leads to the plate; ``plate`` its resistance and capacitance.
    """
    (grid_ohm, shorted_ohm, input_F), (plate_ohm, plate_F) = grid, plate
    still_F = input_F - miller_F
    plate_s = plate_ohm * (plate_F + to_plate_F)
    both_F2 = plate_ohm * (still_F * (plate_F + to_plate_F) + to_plate_F * plate_F)
    estimate = SecondEstimate(
        plate_ohm=plate_ohm,
        plate_F=plate_F,
        still_F=still_F,
        shorted_ohm=shorted_ohm,
        plate_s=plate_s,
        sum_s=grid_ohm * input_F + cable_s + plate_s,
        pairs_s=np.sqrt(grid_ohm * both_F2 + cable_s * (shorted_ohm * input_F + plate_s)),
        triple_s=np.cbrt(cable_s * shorted_ohm * both_F2),
        corner_Hz=np.full(np.shape(plate_s), np.inf),
    )
    return replace(estimate, corner_Hz=_half_power_Hz(estimate, reference_Hz))


def _half_power_Hz(estimate: SecondEstimate, reference_Hz: float) -> FloatArray:
    """Return where the share is first half of that at the reference; inf where it never is.

    That is a cubic in the square of the frequency, here in the inverse, with the sum of the time
    constants as the unit of time.
    """
    unit = np.where(estimate.sum_s > 0, estimate.sum_s, 1.0)
    two, three = (estimate.pairs_s / unit) ** 2, (estimate.triple_s / unit) ** 3
    wanted = 2.0 / estimate.share(reference_Hz)
    linear = (estimate.sum_s / unit) ** 2 - 2 * two - wanted * (estimate.plate_s / unit) ** 2
    companion = np.zeros((*two.shape, 3, 3))
    companion[..., 0, :] = -np.stack([linear, two**2 - 2 * three, three**2], axis=-1) / (
        1.0 - wanted[..., np.newaxis]
    )
    companion[..., 1, 0] = companion[..., 2, 1] = 1.0
    inverse = np.linalg.eigvals(companion)
    beyond = (inverse.real > 0) & (
        inverse.real * (2 * np.pi * reference_Hz * unit[..., np.newaxis]) ** 2 < 1
    )
    real = beyond & (np.abs(inverse.imag) <= 1e-9 * np.abs(inverse))
    largest = np.where(real, inverse.real, 0.0).max(axis=-1)
    with np.errstate(divide="ignore"):
        return np.asarray(1.0 / (2 * np.pi * unit * np.sqrt(largest)))


def _unbypassed_ohm(stage: Stage) -> FloatArray:
    """Return the cathode resistance (ohm) for signals, with a bypass that is there as a short."""
    resistor = stage.cathode_resistor_ohm
    bypassed = parallel(resistor, stage.bypass_series_ohm)
    rest = np.where(stage.bypass_F > 0, bypassed, resistor)
    return rest + stage.cathode_unbypassed_ohm
