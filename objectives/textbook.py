"""The textbook estimate of the input corner, step by step, beside the exact answer."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike

from objectives.arrays import FloatArray
from objectives.circuit.corners import corner_frequency
from objectives.circuit.small_signal import SmallSignal
from objectives.stage import Stage, parallel


def miller_capacitance_F(
    grid_cathode_F: FloatArray, grid_plate_F: FloatArray, gain_magnitude: FloatArray
) -> FloatArray:
    """Return C_gk + C_gp (1 + |A|) in farads.

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
class SecondEstimate:
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
class TextbookEstimate:
    """Every number of the estimate, shape of the stage."""

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
    exact_corner_Hz: FloatArray
    error_percent: FloatArray
    second: SecondEstimate
    second_error_percent: FloatArray
    simplifications: tuple[Simplification, ...]


def textbook_estimate(stage: Stage, device: SmallSignal, reference_Hz: float) -> TextbookEstimate:
    """Work out the estimate and the error of each simplification against the exact corner.

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
    share counts that the cathode does not follow. Each simplification is then made alone in the
    exact network; the last row makes them all, as in a quick hand calculation.

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

    with np.errstate(divide="ignore"):
        conduction = 1.0 / (device.grid_conductance_S * (1.0 - followed))
    resistance = parallel(thevenin, conduction)

    def exact(of: Stage) -> FloatArray:
        return corner_frequency(of, device, "grid", reference_Hz, upper=True)

    onward = np.where(
        at_grid, stopper + parallel(leak, conduction), parallel(leak, stopper + conduction)
    )
    cable_ohm = parallel(source, onward)

    def one_pole(
        resistance: FloatArray, capacitance: FloatArray, more_s: FloatArray | float = 0.0
    ) -> FloatArray:
        with np.errstate(divide="ignore"):
            return 1.0 / (2 * np.pi * (resistance * capacitance + more_s))

    truth = exact(stage)
    # A device that does not amplify, with the input capacitance and conductance of mid-band.
    held = corner_frequency(
        replace(stage, cathode_resistor_ohm=0.0, cathode_unbypassed_ohm=0.0),
        SmallSignal(0.0, gp, input_F - ground_F, 0.0, 0.0, 1.0 / conduction),
        "grid", reference_Hz, upper=True,
    )  # fmt: skip
    no_next = {"load_ohm": np.inf, "load_F": 0.0}
    bypassed = {"bypass_F": np.inf, "bypass_series_ohm": 0.0, "cathode_unbypassed_ohm": 0.0}
    perfect = {"source_ohm": 0.0, "cable_F": 0.0}
    alone_gain = gm / (gp + 1.0 / stage.plate_load_ohm)
    all_at_once = miller_capacitance_F(c_gk, c_gp, alone_gain) + stage.grid_capacitor_F
    corners = {
        "perfect source": exact(replace(stage, **perfect)),
        "cable ignored": exact(replace(stage, cable_F=0.0)),
        "leak ignored": exact(replace(stage, grid_leak_ohm=np.inf)),
        "full bypass": exact(replace(stage, **bypassed)),
        "no next stage": exact(replace(stage, **no_next)),
        "constant gain": held,
        "ideal stopper": exact(replace(stage, stopper_shunt_F=0.0, stopper_lead_H=0.0)),
        "all of them at once": one_pole(stopper, all_at_once),
    }
    estimate = one_pole(resistance, input_F, cable_ohm * stage.cable_F)
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
    return TextbookEstimate(
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
        corner_Hz=estimate,
        exact_corner_Hz=truth,
        error_percent=_percent(estimate, truth),
        second=second,
        second_error_percent=_percent(second.corner_Hz, truth),
        simplifications=tuple(
            Simplification(name, corner, _percent(corner, truth))
            for name, corner in corners.items()
        ),
    )


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


def _percent(value: FloatArray, truth: FloatArray) -> FloatArray:
    """Return the error in per cent; nan where neither is finite."""
    with np.errstate(invalid="ignore"):
        return 100 * (value / truth - 1)
