"""The same device with its grid grounded and as a follower, which Miller's effect spares."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from objectives.arrays import FloatArray
from objectives.circuit.three_connections import Connection, connection
from objectives.format import first, quantity
from reports.sheet.formula import of
from reports.sheet.steps import ONE, Equation, Step, Worked, amplification, load_resistance


def three_connections(worked: Worked) -> dict[str, Connection]:
    """Return what the input sees with cathode, grid and plate grounded, in this order.

    Each with the load of the stage and driven from the resistance that its grid sees.
    """
    e = worked.hand
    return {
        grounded: connection(grounded, worked.whole.linear, e.load_line_ohm, e.thevenin_ohm)
        for grounded in ("cathode", "grid", "plate")
    }


def grounded_grid_step(worked: Worked, of_it: Connection) -> Step:
    """Return gain, input capacitance and input resistance with the grid grounded."""
    t, d = worked.terms, worked.whole.linear
    gain = of(f"A_{t.grid[0]}", first(of_it.gain))
    rp = of(t.r_p, first(worked.hand.plate_resistance_ohm), "ohm")
    load, more = load_resistance(worked), amplification(worked) + ONE
    still = of(t.C_gk, first(of_it.still_F), "F")
    bridging = of(t.C_pk, first(of_it.bridging_F), "F")
    into = (rp + load) / more
    if first(d.grid_conductance_S) * first(of_it.input_ohm) > 1e-4:
        into = into | ONE / of(t.g_g, first(d.grid_conductance_S), "S")
    words = (
        f"Ground the {t.grid} and drive the {t.cathode}. {t.C_gp} now lies from {t.plate} to "
        f"ground: it loads the {t.plate}, and the input does not charge it."
    )
    if bridging.value > 0:
        words += (
            f" What bridges input and output is {t.C_pk}; the {t.plate} moves with the input, so "
            f"that it counts 1 − {gain.symbol} times: it gives charge back."
        )
    words += " The price is an input of low resistance."
    return Step(
        "grounded-grid",
        f"The same {t.kind} with its {t.grid} grounded",
        words,
        [
            Equation(gain, more * load / (rp + load)),
            Equation(
                of("C_in", first(of_it.input_F), "F"),
                still + bridging * (ONE - gain) if bridging.value > 0 else still,
            ),
            Equation(of("R_in", first(of_it.input_ohm), "ohm"), into),
        ],
    )


def follower_name(worked: Worked) -> str:
    """Return what a device with its plate grounded is called, with its article."""
    cathode = worked.terms.cathode
    return f"{'an' if cathode[0] in 'aeiou' else 'a'} {cathode} follower"


def follower_step(worked: Worked, of_it: Connection) -> Step:
    """Return gain and input capacitance as a follower."""
    t = worked.terms
    gain = of(t.A_k, first(of_it.gain))
    rp = of(t.r_p, first(worked.hand.plate_resistance_ohm), "ohm")
    load, mu = load_resistance(worked), amplification(worked)
    return Step(
        "follower",
        f"The same {t.kind} as {follower_name(worked)}",
        f"Move R from the {t.plate} to the {t.cathode} and keep the {t.plate} still. {t.C_gp} "
        f"leads to an electrode that does not move: it counts once. The {t.cathode} follows the "
        f"{t.grid}, so next to no voltage changes across {t.C_gk}: it is bootstrapped.",
        [
            Equation(gain, mu * load / (rp + (mu + ONE) * load)),
            Equation(
                of("C_in", first(of_it.input_F), "F"),
                of(t.C_gp, first(of_it.still_F), "F")
                + of(t.C_gk, first(of_it.bridging_F), "F") * (ONE - gain),
            ),
        ],
    )


def comparison_rows(
    worked: Worked, connections: Mapping[str, Connection]
) -> tuple[Sequence[str], Sequence[Sequence[str]]]:
    """Return headings and rows: each connection with gain, input and exact corner."""
    t = worked.terms
    names = {
        "cathode": f"{t.cathode} grounded",
        "grid": f"{t.grid} grounded",
        "plate": f"{t.cathode} follower",
    }
    heads = ("connection", "gain", "input capacitance", "input resistance", "input corner, exact")
    rows = [
        (
            names[grounded],
            quantity(c.gain, "ratio", 3),
            _q(c.input_F, "F"),
            _resistance(c.input_ohm),
            _q(c.exact_corner_Hz, "Hz"),
        )
        for grounded, c in connections.items()
    ]
    return heads, rows


def comparison_words(worked: Worked, connections: Mapping[str, Connection]) -> str:
    """Return why Miller's effect spares two of the three."""
    t, e = worked.terms, worked.hand
    common, grounded, follower = (connections[key] for key in ("cathode", "grid", "plate"))
    ratio = first(follower.exact_corner_Hz) / first(common.exact_corner_Hz)
    words = (
        f"Each is driven through {_q(e.thevenin_ohm, 'ohm')} and works into "
        f"{_q(e.load_line_ohm, 'ohm')}; {t.kind} and wiring between its electrodes are the same. "
        "Miller's effect needs a capacitance that joins input and output, and an output that moves "
        f"against the input. With the {t.grid} grounded {t.C_gp} no longer joins the two; in the "
        f"follower what joins them, {t.C_gk}, joins electrodes that move together."
    )
    if math.isfinite(ratio):
        words += (
            f" So the follower's corner lies {quantity(ratio, 'ratio', 2)} times as high as with "
            f"the {t.cathode} grounded."
        )
    return (
        f"{words} With the {t.grid} grounded the input is no more than "
        f"{_resistance(grounded.input_ohm)}, and {t.C_gp} with the load sets the corner, at the "
        f"{t.plate}."
    )


def _q(value: FloatArray, unit: str) -> str:
    return quantity(value, unit, 3)


def _resistance(value: FloatArray) -> str:
    return "no current" if first(value) > 1e9 else _q(value, "ohm")
