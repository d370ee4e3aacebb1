"""The textbook estimate beside the exact answer, written out as a worked calculation."""

from __future__ import annotations

import math
from functools import partial
from typing import Final, TypeAlias

import numpy as np
import pandas as pd

from objectives.assessment import Assessment
from objectives.circuit.corners import level_dB
from objectives.devices.terms import Terms
from objectives.format import SPACE, first, number, quantity
from objectives.textbook import TextbookEstimate
from reports.layout import Steps

_Row: TypeAlias = tuple[str, str, str]
_q = partial(quantity, digits=5)


def operating_point_steps(pick: Assessment) -> Steps:
    """Return the direct voltages and currents of the first stage, each from the ones before."""
    stage, point, t = pick.stage, pick.point, pick.device.terms
    current, across = _q(point.plate_current_A, "A"), _q(point.plate_cathode_V, "V")
    plate, cathode = _q(point.plate_V, "V"), _q(point.cathode_V, "V")
    rows = [
        (
            f"{t.plate} current, where the {t.kind}'s curves meet the DC load line and the bias "
            "line",
            f"{t.I_p}, solved",
            current,
        )
    ]
    total = t.I_p
    if abs(first(point.grid_current_A)) > 1e-6 * abs(first(point.plate_current_A)):
        total = f"({t.I_p} + {t.I_g})"
        rows.append((f"{t.grid} current", f"{t.I_g}, solved", _q(point.grid_current_A, "A")))
    if first(stage.bias_V) != 0:
        bias, through = stage.grid_return()
        rows.append(
            (
                f"{t.grid} voltage to ground, from the bias through all that the {t.grid} current "
                "passes",
                f"{t.V_g} = V_bias − {t.I_g} R = {_q(bias, 'V')} − "
                f"{_q(point.grid_current_A, 'A')} × {_q(through, 'ohm')}",
                _q(point.grid_V, "V"),
            )
        )
    rows += [
        (
            f"{t.cathode} voltage to ground",
            f"{t.V_k} = {total} {t.R_k} = {_q(point.cathode_current_A, 'A')} × "
            f"{_q(stage.cathode_total_ohm, 'ohm')}",
            cathode,
        ),
        (
            f"{t.plate} voltage to ground",
            f"{t.V_p} = {t.V_b} − I R_L = {_q(stage.supply_V, 'V')} − "
            f"{_q(point.supply_current_A, 'A')} × {_q(stage.plate_load_ohm, 'ohm')}",
            plate,
        ),
        (
            f"{t.plate}–{t.cathode} voltage",
            f"{t.V_pk} = {t.V_p} − {t.V_k} = {plate} − {cathode}",
            across,
        ),
        (
            f"{t.grid}–{t.cathode} voltage",
            f"{t.V_gk} = {t.V_g} − {t.V_k} = {_q(np.round(point.grid_V, 6), 'V')} − {cathode}",
            _q(point.grid_cathode_V, "V"),
        ),
        (
            f"{t.plate} dissipation",
            f"P = {t.I_p} {t.V_pk} = {current} × {across}",
            _q(point.plate_dissipation_W, "W"),
        ),
    ]
    return Steps(rows)


def textbook_steps(pick: Assessment) -> Steps:
    """Return the hand calculation of gain and input corner, then the exact answers.

    Every formula carries the numbers that were put in, so that it can be worked again with a
    pocket calculator; five significant figures are shown and the full ones used.
    """
    t, e = pick.device.terms, pick.textbook
    reference = _q(pick.targets.reference_Hz, "Hz")
    corner, exact = _q(e.corner_Hz, "Hz"), _q(e.exact_corner_Hz, "Hz")
    return Steps(
        [
            *_gain_steps(pick),
            _capacitance_step(e, t),
            _thevenin_step(pick),
            *_conduction_steps(pick),
            *_corner_steps(pick),
            (
                "input corner, exact",
                f"root of |{t.V_g}/{t.V_s}| = 1/√2 of its level at {reference}, whole network",
                exact,
            ),
            (
                "difference of the estimate from the exact corner",
                f"f/f_exact − 1 = {corner} / {exact} − 1",
                f"{number(e.error_percent, 3)}{SPACE}%",
            ),
            (
                f"gain from {t.grid} to {t.plate}, exact",
                f"20 log10 |{t.V_p}/{t.V_g}| at {reference}, whole network",
                _q(level_dB(pick.reference, "plate") - level_dB(pick.reference, "grid"), "dB"),
            ),
            (
                f"gain from {t.source} to output, exact",
                f"20 log10 |V_o/{t.V_s}| at {reference}, whole network",
                _q(level_dB(pick.reference, "output"), "dB"),
            ),
        ]
    )


def _gain_steps(pick: Assessment) -> list[_Row]:
    """Return amplification factor, load, gain and what the cathode follows of the grid."""
    t, e, stage = pick.device.terms, pick.textbook, pick.loaded
    magnitude, unbypassed = first(e.gain_magnitude), first(e.unbypassed_ohm)
    mu, gain = number(e.amplification_factor, 5), number(magnitude, 5)
    rp, load = _q(e.plate_resistance_ohm, "ohm"), _q(e.load_line_ohm, "ohm")
    own, following = _q(stage.plate_load_ohm, "ohm"), _q(stage.load_ohm, "ohm")
    parallel = f" ∥ R_o = 1 / (1/({own}) + 1/({following}))"
    rows = [
        (
            f"{t.amplification_factor}, from transconductance and {t.plate_resistance} at the "
            "operating point",
            f"µ = g_m {t.r_p} = {_q(pick.linear.transconductance_S, 'S')} × {rp}",
            mu,
        ),
        (
            f"resistance that the {t.plate} works into, for signals",
            "R = R_L" + (f" = {own}" if math.isinf(first(stage.load_ohm)) else parallel),
            load,
        ),
    ]
    left = _q(unbypassed, "ohm")
    below, numbers = f"{t.r_p} + R", f"{rp} + {load}"
    what = f"{t.cathode} taken as grounded"
    if unbypassed > 0:
        below, numbers = f"{below} + (µ + 1) {t.R_k}", f"{numbers} + ({mu} + 1) × {left}"
        what = f"{left} of the {t.cathode} circuit without a bypass"
    decibels = _q(20 * math.log10(magnitude), "dB") if magnitude > 0 else "—"
    rows += [
        (
            f"gain from {t.grid} to {t.plate}, {what}",
            f"|A| = µ R/({below}) = {mu} × {load} / ({numbers})",
            gain,
        ),
        ("the same in decibels", f"20 log10 |A| = 20 × log10({gain})", decibels),
    ]
    if unbypassed > 0:
        rows.append(
            (
                f"share of the {t.grid}'s voltage that the {t.cathode} follows",
                f"{t.A_k} = µ {t.R_k}/({below}) = {mu} × {left} / ({numbers})",
                number(e.cathode_gain, 5),
            )
        )
    return rows


def _follows(e: TextbookEstimate, t: Terms) -> tuple[str, str]:
    """Return the factor by which a cathode that follows the grid counts, and its numbers."""
    if first(e.cathode_gain) == 0:
        return "", ""
    return f" (1 − {t.A_k})", f" × (1 − {number(e.cathode_gain, 5)})"


def _conduction_steps(pick: Assessment) -> list[_Row]:
    """Return what a conducting grid adds; nothing where it does not matter."""
    t, e = pick.device.terms, pick.textbook
    if not first(e.thevenin_ohm) > 1e-4 * first(e.conduction_ohm):
        return []
    symbol, follows = _follows(e, t)
    conductance = _q(pick.linear.grid_conductance_S, "S")
    conduction = _q(e.conduction_ohm, "ohm")
    return [
        (
            f"resistance that the conducting {t.grid} presents",
            f"R_in = 1/({t.g_g}{symbol}) = 1 / ({conductance}{follows})",
            conduction,
        ),
        (
            "both in parallel",
            f"R ∥ R_in = 1 / (1/({_q(e.thevenin_ohm, 'ohm')}) + 1/({conduction}))",
            _q(e.resistance_ohm, "ohm"),
        ),
    ]


def _corner_steps(pick: Assessment) -> list[_Row]:
    """Return the corner of one RC section, or of the time constants of grid and cable together."""
    t, e = pick.device.terms, pick.textbook
    at_grid = f"{_q(e.resistance_ohm, 'ohm')} × {_q(e.input_F, 'F')}"
    corner = _q(e.corner_Hz, "Hz")
    if not first(e.cable_F) * first(e.cable_ohm) > 0:
        formula = f"f = 1/(2π R C_in) = 1 / (2 × π × {at_grid})"
        return [("input corner, first estimate", formula, corner)]
    cable = f"{_q(e.cable_ohm, 'ohm')} × {_q(e.cable_F, 'F')}"
    grid_s, cable_s = first(e.resistance_ohm * e.input_F), first(e.cable_ohm * e.cable_F)
    return [
        (f"time constant at the {t.grid}", f"τ = R C_in = {at_grid}", _q(grid_s, "s")),
        (
            f"time constant of the cable, the capacitance at the {t.grid} taken off",
            f"τ_c = R_c C_c = {cable}",
            _q(cable_s, "s"),
        ),
        (
            "input corner, first estimate, from the sum of open-circuit time constants",
            f"f = 1/(2π (τ + τ_c)) = 1 / (2 × π × ({_q(grid_s, 's')} + {_q(cable_s, 's')}))",
            corner,
        ),
    ]


def _capacitance_step(e: TextbookEstimate, t: Terms) -> _Row:
    symbol, follows = _follows(e, t)
    what = "input capacitance, Miller effect included"
    symbols = f"{t.C_gk}{symbol} + {t.C_gp} (1 + |A|)"
    numbers = (
        f"{_q(e.grid_cathode_F, 'F')}{follows} + {_q(e.grid_plate_F, 'F')} × "
        f"(1 + {number(e.gain_magnitude, 5)})"
    )
    if first(e.grid_ground_F) > 0:
        what += f", with what is fitted and what strays from {t.grid} to ground"
        symbols += f" + {t.C_g}"
        numbers += f" + {_q(e.grid_ground_F, 'F')}"
    return what, f"C_in = {symbols} = {numbers}", _q(e.input_F, "F")


def _thevenin_step(pick: Assessment) -> _Row:
    stage, t = pick.stage, pick.device.terms
    source, stopper, leak = stage.source_ohm, stage.stopper_ohm, stage.grid_leak_ohm
    rs, rg, rl = _q(source, "ohm"), _q(stopper, "ohm"), _q(leak, "ohm")
    what = f"Thevenin resistance that the {t.grid} sees"
    if math.isinf(first(leak)):
        formula = f"{t.R_s} + {t.R_g} = {rs} + {rg}"
    elif first(stage.leak_at_grid) > 0.5:
        what += f", {t.leak} on the {t.grid} side of the stopper"
        shorted = first(source) + first(stopper) == 0
        numbers = _q(0.0, "ohm") if shorted else f"1 / (1/({rs} + {rg}) + 1/({rl}))"
        formula = f"({t.R_s} + {t.R_g}) ∥ {t.R_leak} = {numbers}"
    else:
        what += f", {t.leak} on the {t.source} side of the stopper"
        numbers = f"1 / (1/({rs}) + 1/({rl}))" if first(source) > 0 else _q(0.0, "ohm")
        formula = f"{t.R_s} ∥ {t.R_leak} + {t.R_g} = {numbers} + {rg}"
    return what, f"R = {formula}", _q(pick.textbook.thevenin_ohm, "ohm")


_MEANINGS: Final = {
    "perfect source": ("perfect {source}", "no {source} resistance, no cable"),
    "cable ignored": ("cable ignored", "no capacitance between {source} and stage"),
    "leak ignored": ("{leak} ignored", "no {grid_leak}"),
    "full bypass": ("full bypass", "{cathode} grounded for signals"),
    "no next stage": ("no next stage", "nothing loads the {plate} but its own load"),
    "constant gain": (
        "constant gain",
        "at every frequency the Miller capacitance of mid-band",
    ),
    "ideal stopper": ("ideal stopper", "a stopper without capacitance or lead inductance"),
    "all of them at once": (
        "all of them at once",
        "stopper and Miller capacitance at the full unloaded gain only",
    ),
}
"""What each simplification is called, and what it comes to."""


def simplification_frame(pick: Assessment) -> pd.DataFrame:
    """Return each simplification made alone: name, what it leaves out, corner and error.

    Columns: simplification, meaning, corner_Hz, error_percent; the exact answer comes first, the
    first and the second textbook estimate last.
    """
    e, t = pick.textbook, pick.device.terms
    cable = ", cable" if first(e.cable_F) > 0 else ""
    estimate = f"{{source}}{cable}, {{leak}}, stopper and loaded gain"
    rows = [
        ("none: the exact network", "every element counts", first(e.exact_corner_Hz), 0.0),
        *(
            (*map(t.write, _MEANINGS[s.name]), first(s.corner_Hz), first(s.error_percent))
            for s in e.simplifications
        ),
        (
            "the first estimate above",
            t.write(estimate),
            first(e.corner_Hz),
            first(e.error_percent),
        ),
        (
            "the second estimate above",
            t.write("that, and the time constant at the {plate}"),
            first(e.second.corner_Hz),
            first(e.second_error_percent),
        ),
    ]
    return pd.DataFrame(rows, columns=["simplification", "meaning", "corner_Hz", "error_percent"])
