"""The steps from the operating point to the input corner, each in symbols and in numbers."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from objectives.assessment import Assessment
from objectives.devices.terms import Terms
from objectives.format import first, number, quantity
from objectives.stage import Stage
from objectives.textbook import HandEstimate
from reports.sheet.formula import Formula, constant, of, root, square

ONE: Final = constant("1")
TWO_PI: Final = constant("2π")


@dataclass(frozen=True)
class Equation:
    """A quantity and what it is made of; stated where there is nothing to work out."""

    left: Formula
    right: Formula | None = None


@dataclass(frozen=True)
class Step:
    """One step of a derivation: its title, what happens in it, and the equations."""

    key: str
    title: str
    words: str
    equations: Sequence[Equation] = ()


@dataclass(frozen=True)
class Worked:
    """A stage worked out by hand under some assumptions."""

    whole: Assessment
    """The stage itself, one of a batch of one, with nothing assumed."""
    stage: Stage
    """The stage for signals, with what is assumed made in it."""
    hand: HandEstimate
    constant_gain: bool = True

    @property
    def terms(self) -> Terms:
        """The words of its device."""
        return self.whole.device.terms

    @classmethod
    def of(cls, whole: Assessment) -> Worked:
        """Return the first estimate of a stage, which assumes no more than a constant gain."""
        return cls(whole, whole.loaded, whole.textbook)


def gain_below(worked: Worked) -> Formula:
    """Return what divides µ R in the gain: all the resistance that the signal current passes."""
    t, e = worked.terms, worked.hand
    below = of(t.r_p, first(e.plate_resistance_ohm), "ohm") + load_resistance(worked)
    if first(e.unbypassed_ohm) > 0:
        below = below + (amplification(worked) + ONE) * of(t.R_k, first(e.unbypassed_ohm), "ohm")
    return below


def amplification(worked: Worked) -> Formula:
    """Return µ."""
    return of("µ", first(worked.hand.amplification_factor))


def load_resistance(worked: Worked) -> Formula:
    """Return R, what the plate works into."""
    return of("R", first(worked.hand.load_line_ohm), "ohm")


def gain_magnitude(worked: Worked) -> Formula:
    """Return |A|."""
    return of("|A|", first(worked.hand.gain_magnitude))


def point_step(worked: Worked) -> Step:
    """Return the operating point."""
    t, point, stage = worked.terms, worked.whole.point, worked.whole.stage
    plate_A, supply_A = first(point.plate_current_A), first(point.supply_current_A)
    own = math.isclose(plate_A, supply_A, rel_tol=1e-6)
    current = of(t.I_p if own else "I", supply_A, "A")
    drop = current * of("R_L", first(stage.plate_load_ohm), "ohm")
    across = of(t.V_b, first(stage.supply_V), "V") - drop
    if first(point.cathode_V) != 0:
        across = across - of(t.V_k, first(point.cathode_V), "V")
    return Step(
        "point",
        f"Where the {t.kind} works",
        f"The {t.kind}'s curves, the DC load line and the bias line meet in one point; it is "
        "solved, not guessed.",
        [
            Equation(of(t.I_p, plate_A, "A")),
            Equation(of(t.V_gk, first(point.grid_cathode_V), "V")),
            Equation(of(t.V_pk, first(point.plate_cathode_V), "V"), across),
        ],
    )


def slopes_step(worked: Worked) -> Step:
    """Return transconductance, plate resistance and amplification factor."""
    t = worked.terms
    gm = of("g_m", first(worked.whole.linear.transconductance_S), "S")
    rp = of(t.r_p, first(worked.hand.plate_resistance_ohm), "ohm")
    return Step(
        "slopes",
        "What small signals see of it",
        f"Two slopes of the curves at that point: transconductance, how much more current a volt "
        f"at the {t.grid} makes, and {t.plate_resistance}, how many volts at the {t.plate} one "
        "ampere more takes. Their product is the most that it can amplify.",
        [Equation(gm), Equation(rp), Equation(amplification(worked), gm * rp)],
    )


def load_step(worked: Worked) -> Step:
    """Return what the plate works into."""
    t, stage = worked.terms, worked.stage
    own = of("R_L", first(stage.plate_load_ohm), "ohm")
    if math.isinf(first(stage.load_ohm)):
        words = f"Nothing follows that takes current: the {t.plate} load alone."
        right = own
    else:
        words = (
            f"For signals the supply is ground, so {t.plate} load and what follows lie in parallel "
            "(a ∥ b = ab/(a + b))."
        )
        right = own | of("R_o", first(stage.load_ohm), "ohm")
    title = f"What the {t.plate} works into"
    return Step("load", title, words, [Equation(load_resistance(worked), right)])


def gain_step(worked: Worked) -> Step:
    """Return the gain, and what the cathode follows of the grid."""
    t, e = worked.terms, worked.hand
    below, mu = gain_below(worked), amplification(worked)
    equations = [Equation(gain_magnitude(worked), mu * load_resistance(worked) / below)]
    words = (
        f"For signals the {t.kind} is a source of µ times the {t.grid}'s voltage behind {t.r_p}; R "
        f"takes its share of it. The {t.plate} falls as the {t.grid} rises."
    )
    unbypassed = of(t.R_k, first(e.unbypassed_ohm), "ohm")
    if unbypassed.value > 0:
        words += (
            f" What of the {t.cathode} circuit has no bypass counts µ + 1 times, and the "
            f"{t.cathode} follows the {t.grid} by {t.A_k}."
        )
        followed = of(t.A_k, first(e.cathode_gain))
        equations.append(Equation(followed, mu * unbypassed / below))
    return Step("gain", "How much it amplifies", words, equations)


def capacitance_step(worked: Worked) -> Step:
    """Return the input capacitance."""
    t, e = worked.terms, worked.hand
    own = of(t.C_gk, first(e.grid_cathode_F), "F")
    if first(e.cathode_gain) > 0:
        own = own * (ONE - of(t.A_k, first(e.cathode_gain)))
    right = own + of(t.C_gp, first(e.grid_plate_F), "F") * (ONE + gain_magnitude(worked))
    words = (
        f"When the {t.grid} rises by a volt the {t.plate} falls by |A| volts: {t.C_gp} is charged "
        f"by 1 + |A| volts, and seen from the {t.grid} it is 1 + |A| times as large (Miller, 1920)."
    )
    if first(e.grid_ground_F) > 0:
        right = right + of(t.C_g, first(e.grid_ground_F), "F")
        words += f" {t.C_g} is what else lies from {t.grid} to ground."
    left = of("C_in", first(e.input_F), "F")
    return Step("capacitance", "What it is at the input", words, [Equation(left, right)])


def resistance_step(worked: Worked) -> Step:
    """Return the Thevenin resistance that the grid sees."""
    t, stage = worked.terms, worked.stage
    source, stopper = first(stage.source_ohm), first(stage.stopper_ohm)
    leak = first(stage.grid_leak_ohm)
    rs, rg, rl = (
        of(symbol, value, "ohm")
        for symbol, value in ((t.R_s, source), (t.R_g, stopper), (t.R_leak, leak))
    )
    there, at_grid = math.isfinite(leak), first(stage.leak_at_grid) > 0.5
    series = rg if source == 0 else rs + rg
    if not there:
        right = series
    elif at_grid:
        right = series | rl
    else:
        right = rg if source == 0 else (rs | rl) + rg
    words = f"Look back from the {t.grid} with the {t.source}'s own voltage at zero."
    if source > 0:
        words += f" {t.R_s} is all that drives the stage, as one resistance."
    if there and (source > 0 or at_grid):
        words += f" The {t.leak} is in parallel with what lies before it."
    left = of("R_th", first(worked.hand.thevenin_ohm), "ohm")
    return Step("resistance", f"What the {t.grid} sees", words, [Equation(left, right)])


def conduction_step(worked: Worked) -> Step:
    """Return what a conducting grid takes."""
    t, e = worked.terms, worked.hand
    below = of(t.g_g, first(worked.whole.linear.grid_conductance_S), "S")
    if first(e.cathode_gain) > 0:
        below = below * (ONE - of(t.A_k, first(e.cathode_gain)))
    into = of("R_in", first(e.conduction_ohm), "ohm")
    both = of("R_th", first(e.thevenin_ohm), "ohm") | into
    return Step(
        "conduction",
        f"What the {t.grid} itself takes",
        f"The {t.grid} conducts; for signals that is a resistance in parallel.",
        [Equation(into, ONE / below), Equation(of("R_tot", first(e.resistance_ohm), "ohm"), both)],
    )


def conducts(worked: Worked) -> bool:
    """Return whether what the grid conducts matters."""
    return first(worked.hand.thevenin_ohm) > 1e-4 * first(worked.hand.conduction_ohm)


def _at_grid(worked: Worked) -> Formula:
    name = "R_tot" if conducts(worked) else "R_th"
    return of(name, first(worked.hand.resistance_ohm), "ohm")


def plate_step(worked: Worked) -> Step:
    """Return the plate's own time constant, where the gain is not taken as constant."""
    t, e = worked.terms, worked.hand
    title = f"The {t.plate}'s own time constant"
    if worked.constant_gain:
        return Step(
            "plate",
            title,
            f"Assumed away: the gain is taken as |A| at every frequency. In truth the {t.plate} "
            "has a corner of its own; beyond it the gain falls, and with it what Miller's effect "
            "makes of the capacitance.",
        )
    second = e.second
    behind = of(t.r_p, first(e.plate_resistance_ohm), "ohm")
    if first(e.unbypassed_ohm) > 0:
        more = (amplification(worked) + ONE) * of(t.R_k, first(e.unbypassed_ohm), "ohm")
        behind = behind + more
    out = of("R_out", first(second.plate_ohm), "ohm")
    both = of("C_out", first(second.plate_F), "F") + of(t.C_gp, first(e.grid_plate_F), "F")
    return Step(
        "plate",
        title,
        f"The capacitance at the {t.plate}, C_out, looks back into load and {t.kind} in parallel. "
        f"Beyond this corner the gain falls, and with it what Miller's effect makes of {t.C_gp}.",
        [
            Equation(out, load_resistance(worked) | behind),
            Equation(of("τ_out", first(second.plate_s), "s"), out * both),
        ],
    )


def corner_step(worked: Worked, reference_Hz: float) -> Step:
    """Return the input corner of one or of two time constants."""
    if not worked.constant_gain:
        return _second_corner(worked, reference_Hz)
    e, t = worked.hand, worked.terms
    corner = of("f", first(e.corner_Hz), "Hz")
    resistance, capacitance = _at_grid(worked), of("C_in", first(e.input_F), "F")
    title = "The input corner"
    if not first(e.cable_F) * first(e.cable_ohm) > 0:
        words = f"Resistance and capacitance at the {t.grid} are one RC section."
        if first(e.resistance_ohm) == 0:
            return Step("corner", title, f"{words} Without resistance it has no corner.")
        right = ONE / (TWO_PI * resistance * capacitance)
        return Step("corner", title, words, [Equation(corner, right)])
    own, cable = _time_constants(worked)
    return Step(
        "corner",
        title,
        "The cable has a time constant of its own. The sum of both sets the corner, nearly where "
        "one is much the larger, and up to 22 % too low where they are equal.",
        [
            Equation(own, resistance * capacitance),
            Equation(cable, _cable(worked)),
            Equation(corner, ONE / (TWO_PI * (own + cable))),
        ],
    )


def _cable(worked: Worked) -> Formula:
    e = worked.hand
    return of("R_c", first(e.cable_ohm), "ohm") * of("C_c", first(e.cable_F), "F")


def _time_constants(worked: Worked) -> tuple[Formula, Formula]:
    e = worked.hand
    own = first(e.resistance_ohm * e.input_F)
    return of("τ", own, "s"), of("τ_c", first(e.cable_ohm * e.cable_F), "s")


def _second_corner(worked: Worked, reference_Hz: float) -> Step:
    e, t, second = worked.hand, worked.terms, worked.hand.second
    own, cable = _time_constants(worked)
    has_cable, corner = cable.value > 0, first(second.corner_Hz)
    out = of("τ_out", first(second.plate_s), "s")
    c_gp, c_out = of(t.C_gp, first(e.grid_plate_F), "F"), of("C_out", first(second.plate_F), "F")
    still = of("C", first(second.still_F), "F")
    r_out = of("R_out", first(second.plate_ohm), "ohm")
    pairs = still * (c_out + c_gp) + c_gp * c_out
    resistance = _at_grid(worked)
    shorted = of("R′", first(second.shorted_ohm), "ohm")
    capacitance = of("C_in", first(e.input_F), "F")
    t1, t2, t3 = (
        of(name, first(value), "s")
        for name, value in (
            ("T_1", second.sum_s),
            ("T_2", second.pairs_s),
            ("T_3", second.triple_s),
        )
    )
    equations = [Equation(own, resistance * capacitance)]
    by_pairs = resistance * r_out * pairs
    if has_cable:
        equations.append(Equation(cable, _cable(worked)))
        by_pairs = by_pairs + cable * (shorted * capacitance + out)
    equations += [
        Equation(t1, own + out + cable if has_cable else own + out),
        Equation(t2, root(by_pairs)),
    ]
    if has_cable:
        equations.append(Equation(t3, root(cable * shorted * r_out * pairs, cube=True)))
    if not math.isfinite(corner):
        words = "Without resistance at the input it has no corner."
        return Step("corner", "The input corner", words, equations)
    omega = of("ω", 2 * math.pi * corner, "rad/s")
    # (ωT₁ − (ωT₃)³)² without a cube of its own: x³ is x² x.
    real = square(ONE - square(omega * t2))
    imaginary = omega * t1
    if has_cable:
        imaginary = imaginary - square(omega * t3) * omega * t3
    share = of("S", first(second.share(corner)))
    left = f"{number(second.share(reference_Hz))} at {quantity(reference_Hz, 'Hz')}"
    equations += [
        Equation(of("f", corner, "Hz")),
        Equation(omega, TWO_PI * of("f", corner, "Hz")),
        Equation(share, (ONE + square(omega * out)) / (real + square(imaginary))),
    ]
    return Step(
        "corner",
        "The input corner",
        f"Two time constants make a second-order response. S is the share of the {t.grid}'s "
        f"squared voltage that is left, and f, found by trial, is where that is half of its "
        f"{left}. C is what of the input capacitance does not lead to the {t.plate}.",
        equations,
    )


def derivation(worked: Worked, reference_Hz: float, *, conducting: bool) -> list[Step]:
    """Return all steps; that of a conducting grid where it matters for the stage."""
    return [
        point_step(worked),
        slopes_step(worked),
        load_step(worked),
        gain_step(worked),
        capacitance_step(worked),
        resistance_step(worked),
        *([conduction_step(worked)] if conducting else []),
        plate_step(worked),
        corner_step(worked, reference_Hz),
    ]
