"""The second estimate of the input corner, with the plate's time constant, as worked steps."""

from __future__ import annotations

import math
from functools import partial
from typing import TypeAlias

from objectives.assessment import Assessment
from objectives.format import SPACE, first, number, quantity
from reports.layout import Steps

_Row: TypeAlias = tuple[str, str, str]
_q = partial(quantity, digits=5)


def second_steps(pick: Assessment) -> Steps:
    """Return the second estimate of the input corner, which counts the plate's time constant."""
    e = pick.textbook
    exact = _q(e.exact_corner_Hz, "Hz")
    return Steps(
        [
            *_second_steps(pick),
            (
                "difference from the exact corner",
                f"f₂/f_exact − 1 = {_q(e.second.corner_Hz, 'Hz')} / {exact} − 1",
                f"{number(e.second_error_percent, 3)}{SPACE}%",
            ),
        ]
    )


def _second_steps(pick: Assessment) -> list[_Row]:
    """Return the corner of the time constants of grid, cable and plate."""
    t, e = pick.device.terms, pick.textbook
    second, reference = e.second, _q(pick.targets.reference_Hz, "Hz")
    grid_ohm, plate_ohm = _q(e.resistance_ohm, "ohm"), _q(second.plate_ohm, "ohm")
    still, out, to_plate = (_q(c, "F") for c in (second.still_F, second.plate_F, e.grid_plate_F))
    grid_s, cable_s = _q(e.resistance_ohm * e.input_F, "s"), _q(e.cable_ohm * e.cable_F, "s")
    plate_s, sum_s = _q(second.plate_s, "s"), _q(second.sum_s, "s")
    pairs_s, triple_s = _q(second.pairs_s, "s"), _q(second.triple_s, "s")
    behind, numbers = t.r_p, _q(e.plate_resistance_ohm, "ohm")
    if first(e.unbypassed_ohm) > 0:
        behind = f"({t.r_p} + (µ + 1) {t.R_k})"
        numbers += f" + ({number(e.amplification_factor, 5)} + 1) × {_q(e.unbypassed_ohm, 'ohm')}"
    cable = first(e.cable_F) * first(e.cable_ohm) > 0
    both = f"({still} × ({out} + {to_plate}) + {to_plate} × {out})"
    shorted = _q(second.shorted_ohm, "ohm")
    rows = [
        (
            f"resistance that the {t.plate}'s capacitance sees",
            f"R_out = R ∥ {behind} = 1 / (1/({_q(e.load_line_ohm, 'ohm')}) + 1/({numbers}))",
            plate_ohm,
        ),
        (
            f"time constant at the {t.plate}, of load, strays and what is fitted there",
            f"τ_out = R_out (C_out + {t.C_gp}) = {plate_ohm} × ({out} + {to_plate})",
            plate_s,
        ),
        (
            "sum of the time constants",
            f"T₁ = τ + τ_out{' + τ_c' * cable} = {grid_s} + {plate_s}" + f" + {cable_s}" * cable,
            sum_s,
        ),
        (
            f"the same by pairs, with C the input capacitance that does not lead to the {t.plate}"
            + f", and R′ what the {t.grid} sees with the cable as a short" * cable,
            f"T₂ = √(R R_out (C (C_out + {t.C_gp}) + {t.C_gp} C_out)"
            + " + τ_c (R′ C_in + τ_out)" * cable
            + f") = √({grid_ohm} × {plate_ohm} × {both}"
            + f" + {cable_s} × ({shorted} × {_q(e.input_F, 'F')} + {plate_s})" * cable
            + ")",
            pairs_s,
        ),
    ]
    if cable:
        rows.append(
            (
                "the same of all three",
                f"T₃ = ∛(τ_c R′ R_out (C (C_out + {t.C_gp}) + {t.C_gp} C_out)) = "
                f"∛({cable_s} × {shorted} × {plate_ohm} × {both})",
                triple_s,
            )
        )

    def share(name: str, frequency: str) -> str:
        w = f"2 × π × {frequency}"
        third, cubed = (" − (ωT₃)³", f" − ({w} × {triple_s})³") if cable else ("", "")
        return (
            f"{name} = (1 + (ωτ_out)²) / ((1 − (ωT₂)²)² + (ωT₁{third})²) = "
            f"(1 + ({w} × {plate_s})²) / ((1 − ({w} × {pairs_s})²)² + ({w} × {sum_s}{cubed})²)"
        )

    corner = _q(second.corner_Hz, "Hz")
    rows += [
        (
            f"share of the {t.grid}'s squared voltage that is left at {reference}",
            share("S", reference),
            number(second.share(pick.targets.reference_Hz), 5),
        ),
        (
            f"input corner, second estimate, with the time constant at the {t.plate}",
            f"f₂ by trial, where S is half of that at {reference}",
            corner,
        ),
    ]
    if math.isfinite(first(second.corner_Hz)):
        left = number(second.share(second.corner_Hz), 5)
        rows.append(("share that is left there", share("S", corner), left))
    return rows
