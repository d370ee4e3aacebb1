"""The textbook estimate beside the exact answer, written out as a worked calculation."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from objectives.assessment import Assessment
from objectives.circuit.corners import level_dB
from objectives.format import first, number, quantity
from objectives.textbook import TextbookEstimate, textbook_estimate
from reports.model import Steps

__all__ = ["operating_point_steps", "simplification_frame", "textbook_steps"]


def _q(value: ArrayLike, unit: str) -> str:
    return quantity(first(value), unit, 5)


def operating_point_steps(pick: Assessment) -> Steps:
    """Return the direct voltages and currents of the first stage, each from the ones before."""
    stage, point = pick.stage, pick.point
    supply, load = _q(stage.supply_V, "V"), _q(stage.plate_load_ohm, "ohm")
    cathode = _q(stage.cathode_total_ohm, "ohm")
    rows = [
        (
            "plate current, where the valve's curves meet the DC load line and the bias line",
            "I_p, solved",
            _q(point.plate_current_A, "A"),
        ),
    ]
    taken = first(point.grid_current_A)
    counts = abs(taken) > 1e-6 * abs(first(point.plate_current_A))
    total = "(I_p + I_g)" if counts else "I_p"
    if counts:
        rows.append(("grid current", "I_g, solved", _q(point.grid_current_A, "A")))
    rows += [
        *_bias_step(pick),
        (
            "cathode voltage to ground",
            f"V_k = {total} R_k = {_q(point.cathode_current_A, 'A')} × {cathode}",
            _q(point.cathode_V, "V"),
        ),
        (
            "plate voltage to ground",
            f"V_p = V_b − I R_L = {supply} − {_q(point.supply_current_A, 'A')} × {load}",
            _q(point.plate_V, "V"),
        ),
        (
            "plate–cathode voltage",
            f"V_pk = V_p − V_k = {_q(point.plate_V, 'V')} − {_q(point.cathode_V, 'V')}",
            _q(point.plate_cathode_V, "V"),
        ),
        (
            "grid–cathode voltage",
            f"V_gk = V_g − V_k = {_q(np.round(point.grid_V, 6), 'V')} − {_q(point.cathode_V, 'V')}",
            _q(point.grid_cathode_V, "V"),
        ),
        (
            "plate dissipation",
            f"P = I_p V_pk = {_q(point.plate_current_A, 'A')} × {_q(point.plate_cathode_V, 'V')}",
            _q(point.plate_dissipation_W, "W"),
        ),
    ]
    return Steps(rows)


def _bias_step(pick: Assessment) -> list[tuple[str, str, str]]:
    """Return the grid's voltage from a fixed bias, where there is one."""
    if first(pick.stage.bias_V) == 0:
        return []
    bias, through = pick.stage.grid_return()
    return [
        (
            "grid voltage to ground, from the bias through all that the grid current passes",
            f"V_g = V_bias − I_g R = {_q(bias, 'V')} − "
            f"{_q(pick.point.grid_current_A, 'A')} × {_q(through, 'ohm')}",
            _q(pick.point.grid_V, "V"),
        )
    ]


def textbook_steps(pick: Assessment, estimate: TextbookEstimate | None = None) -> Steps:
    """Return the hand calculation of gain and input corner, then the exact answers.

    Every formula carries the numbers that were put in, so that it can be worked again with a
    pocket calculator; five significant figures are shown and the full ones used.
    """
    reference = pick.targets.reference_Hz
    e = estimate or textbook_estimate(pick.loaded, pick.linear, reference)
    stage = pick.loaded.broadcast()
    gm = _q(pick.linear.transconductance_S, "S")
    rp, load = _q(e.plate_resistance_ohm, "ohm"), _q(e.load_line_ohm, "ohm")
    mu = number(first(e.amplification_factor), 5)
    gain = first(e.gain_magnitude)
    gain_text = number(gain, 5)
    rows = [
        (
            "amplification factor, from transconductance and plate resistance at the point",
            f"µ = g_m r_p = {gm} × {rp}",
            mu,
        ),
        _load_step(_q(stage.plate_load_ohm, "ohm"), _q(stage.load_ohm, "ohm"), load),
        _gain_step(e, mu, rp, load, gain_text),
        ("the same in decibels", f"20 log10 |A| = 20 × log10({gain_text})",
         _q(20 * math.log10(gain), "dB") if gain > 0 else "—"),
        *_following_step(e, mu, rp, load),
        _capacitance_step(e, gain_text),
        _thevenin_step(pick, _q(e.thevenin_ohm, "ohm")),
        *_conduction_steps(pick, e),
        (
            "input corner, textbook",
            "f = 1/(2π R C_in) = 1 / "
            f"(2 × π × {_q(e.resistance_ohm, 'ohm')} × {_q(e.input_F, 'F')})",
            _q(e.corner_Hz, "Hz"),
        ),
        (
            "input corner, exact",
            "root of |V_g/V_s| = 1/√2 of its level at "
            f"{_q(reference, 'Hz')}, whole network",
            _q(e.exact_corner_Hz, "Hz"),
        ),
        (
            "error of the textbook estimate",
            f"f/f_exact − 1 = {_q(e.corner_Hz, 'Hz')} / {_q(e.exact_corner_Hz, 'Hz')} − 1",
            f"{number(first(e.error_percent), 3)}\u00a0%",
        ),
        (
            "gain from grid to plate, exact",
            f"20 log10 |V_p/V_g| at {_q(reference, 'Hz')}, whole network",
            _q(level_dB(pick.reference, "plate") - level_dB(pick.reference, "grid"), "dB"),
        ),
        (
            "gain from source to output, exact",
            f"20 log10 |V_o/V_s| at {_q(reference, 'Hz')}, whole network",
            _q(level_dB(pick.reference, "output"), "dB"),
        ),
    ]  # fmt: skip
    return Steps(rows)


def _gain_step(e: TextbookEstimate, mu: str, rp: str, load: str, gain: str) -> tuple[str, str, str]:
    if first(e.unbypassed_ohm) == 0:
        formula = f"|A| = µ R/(r_p + R) = {mu} × {load} / ({rp} + {load})"
        return "gain from grid to plate, cathode taken as grounded", formula, gain
    left = _q(e.unbypassed_ohm, "ohm")
    return (
        f"gain from grid to plate, {left} of the cathode circuit without a bypass",
        f"|A| = µ R/(r_p + R + (µ + 1) R_k) = {mu} × {load} / "
        f"({rp} + {load} + ({mu} + 1) × {left})",
        gain,
    )


def _following_step(e: TextbookEstimate, mu: str, rp: str, load: str) -> list[tuple[str, str, str]]:
    if first(e.unbypassed_ohm) == 0:
        return []
    left = _q(e.unbypassed_ohm, "ohm")
    return [
        (
            "share of the grid's voltage that the cathode follows",
            f"A_k = µ R_k/(r_p + R + (µ + 1) R_k) = {mu} × {left} / "
            f"({rp} + {load} + ({mu} + 1) × {left})",
            number(first(e.cathode_gain), 5),
        )
    ]


def _follows(e: TextbookEstimate) -> tuple[str, str]:
    """Return the factor by which a cathode that follows the grid counts, and its numbers."""
    if first(e.cathode_gain) == 0:
        return "", ""
    return " (1 − A_k)", f" × (1 − {number(first(e.cathode_gain), 5)})"


def _conduction_steps(pick: Assessment, e: TextbookEstimate) -> list[tuple[str, str, str]]:
    """Return what a conducting grid adds; nothing where it does not matter."""
    conduction, thevenin = first(e.conduction_ohm), first(e.thevenin_ohm)
    if not thevenin > 1e-4 * conduction:
        return []
    symbol, follows = _follows(e)
    conductance = _q(pick.linear.grid_conductance_S, "S")
    taken = f"1 / ({conductance}{follows})" if follows else f"1 / {conductance}"
    return [
        (
            "resistance that the conducting grid presents",
            f"R_in = 1/(g_g{symbol}) = {taken}",
            _q(conduction, "ohm"),
        ),
        (
            "both in parallel",
            f"R ∥ R_in = 1 / (1/({_q(thevenin, 'ohm')}) + 1/({_q(conduction, 'ohm')}))",
            _q(e.resistance_ohm, "ohm"),
        ),
    ]


def _capacitance_step(e: TextbookEstimate, gain_text: str) -> tuple[str, str, str]:
    fitted = first(e.grid_capacitor_F) > 0
    symbol, follows = _follows(e)
    symbols = f"C_gk{symbol} + C_gp (1 + |A|)" + (" + C_g" if fitted else "")
    own = f"{_q(e.grid_cathode_F, 'F')}{follows}"
    numbers = f"{own} + {_q(e.grid_plate_F, 'F')} × (1 + {gain_text})"
    if fitted:
        numbers += f" + {_q(e.grid_capacitor_F, 'F')}"
    what = "input capacitance, Miller effect included"
    if fitted:
        what += ", and the capacitor fitted at the grid"
    return what, f"C_in = {symbols} = {numbers}", _q(e.input_F, "F")


def _load_step(own: str, following: str, result: str) -> tuple[str, str, str]:
    what = "resistance that the plate works into, for signals"
    if following.startswith("∞"):
        return what, f"R = R_L = {own}", result
    return what, f"R = R_L ∥ R_o = 1 / (1/({own}) + 1/({following}))", result


def _thevenin_step(pick: Assessment, result: str) -> tuple[str, str, str]:
    stage = pick.stage.broadcast()
    source, stopper, leak = (
        first(v) for v in (stage.source_ohm, stage.stopper_ohm, stage.grid_leak_ohm)
    )
    at_grid = first(stage.leak_at_grid) > 0.5
    what = "Thevenin resistance that the grid sees"
    rs, rg = _q(source, "ohm"), _q(stopper, "ohm")
    if math.isinf(leak):
        return what, f"R = R_s + R_g = {rs} + {rg}", result
    rl = _q(leak, "ohm")
    if at_grid:
        if source + stopper == 0:
            return what, "R = (R_s + R_g) ∥ R_leak = 0\u00a0Ω", result
        return (
            f"{what}, leak on its grid side",
            f"R = (R_s + R_g) ∥ R_leak = 1 / (1/({rs} + {rg}) + 1/({rl}))",
            result,
        )
    side = f"{what}, leak on the source side of the stopper"
    if source == 0:
        return side, f"R = R_s ∥ R_leak + R_g = 0\u00a0Ω + {rg}", result
    return side, f"R = R_s ∥ R_leak + R_g = 1 / (1/({rs}) + 1/({rl})) + {rg}", result


def simplification_frame(
    pick: Assessment, estimate: TextbookEstimate | None = None
) -> pd.DataFrame:
    """Return each simplification made alone: name, what it leaves out, corner and error.

    Columns: simplification, meaning, corner_Hz, error_percent; the exact answer comes first, the
    textbook estimate last.
    """
    e = estimate or textbook_estimate(pick.loaded, pick.linear, pick.targets.reference_Hz)
    rows: list[tuple[str, str, float, float]] = [
        ("none: the exact network", "every element counts", first(e.exact_corner_Hz), 0.0)
    ]
    rows += [
        (s.name, s.meaning, first(s.corner_Hz), first(s.error_percent)) for s in e.simplifications
    ]
    rows.append(
        (
            "the textbook estimate above",
            "one RC section with source, leak, stopper and loaded gain",
            first(e.corner_Hz),
            first(e.error_percent),
        )
    )
    return pd.DataFrame(rows, columns=["simplification", "meaning", "corner_Hz", "error_percent"])
