"""What people call a device, its electrodes and the stage made with it.

Texts are written once, in the words of a valve: grid, plate, cathode. A device of another kind
brings a :class:`Terms`, and :meth:`Terms.say` puts its words in their place; for a valve it hands
every text back as it is. A text is said once, where it leaves for people: said twice, the cathode
of a field-effect transistor would pass through "source" to "signal source".
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from types import MappingProxyType

__all__ = ["BIPOLAR", "FIELD_EFFECT", "VALVE", "AsIs", "Terms"]


class AsIs(str):
    """A text that :meth:`Terms.say` leaves alone: a user's own, or about another device."""

    __slots__ = ()


@dataclass(frozen=True)
class Terms:
    """The vocabulary of one kind of device.

    Attributes
    ----------
    kind : 'valve', 'transistor'
    stage : 'common-cathode stage'
    words : words or phrases of a valve to those of this kind; the longest that fits is taken, and
        one that stands for itself keeps what lies inside it. A capital first letter is kept.
    symbols : the same for symbols in formulas, letter by letter
    """

    kind: str = "valve"
    stage: str = "common-cathode stage"
    grid: str = "grid"
    plate: str = "plate"
    cathode: str = "cathode"
    source: str = "source"
    """What the signal comes from; a transistor may have a source of its own."""
    grid_leak: str = "grid leak"
    leak: str = "leak"
    plate_curves: str = "plate curves"
    plate_resistance: str = "plate resistance"
    amplification_factor: str = "amplification factor"
    bias_line: str = "cathode-bias line"
    conduction: str = "grid conduction"
    """What ends the swing on the loud side."""
    conduction_begins: str = "the grid begins to conduct"
    cold: str = "valve cold (transconductance 0)"
    leads: str = "leads, pins and mica"
    supplies: str = "heater, power supply"
    """What a circuit diagram leaves out."""
    conduction_at: str = "grid at the cathode's voltage"
    """Where the swing on the loud side ends."""
    V_gk: str = "V_gk"
    V_pk: str = "V_pk"
    V_g: str = "V_g"
    V_p: str = "V_p"
    V_k: str = "V_k"
    V_b: str = "V_b"
    V_s: str = "V_s"
    I_p: str = "I_p"
    I_g: str = "I_g"
    R_g: str = "R_g"
    R_k: str = "R_k"
    R_s: str = "R_s"
    R_leak: str = "R_leak"
    C_g: str = "C_g"
    C_gk: str = "C_gk"
    C_gp: str = "C_gp"
    r_p: str = "r_p"
    g_g: str = "g_g"
    A_k: str = "A_k"
    words: Mapping[str, str] = field(default_factory=lambda: MappingProxyType({}), repr=False)
    symbols: Mapping[str, str] = field(default_factory=lambda: MappingProxyType({}), repr=False)

    def write(self, template: str) -> str:
        """Return a template with this device's words in it: ``"{grid} stopper"``.

        Raises
        ------
        KeyError
            If the template names a word that is not a field of this class.
        """
        return template.format_map(vars(self))

    def say(self, text: str) -> str:
        """Return a text that was written for a valve in the words of this kind of device."""
        if not self._spelled or isinstance(text, AsIs):
            return text
        return self._pattern.sub(lambda found: self._spelled[found[0]], text)

    @cached_property
    def _spelled(self) -> dict[str, str]:
        capital = {_capital(old): _capital(new) for old, new in self.words.items()}
        return {**capital, **self.words, **self.symbols}

    @cached_property
    def _pattern(self) -> re.Pattern[str]:
        longest_first = sorted(self._spelled, key=len, reverse=True)
        return re.compile(rf"(?<!\w)(?:{'|'.join(map(re.escape, longest_first))})(?!\w)")


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


VALVE = Terms()
"""The words that texts are written in."""


_TRANSISTOR = {
    "valve": "transistor",
    "valves": "transistors",
    "a livelier valve": "a livelier transistor",
    "heater, power supply": "power supply",
    "valve cold (transconductance 0)": "transconductance taken to 0",
    "with it cold": "with its transconductance taken to 0",
    "valve cold": "transconductance 0",
    "while warming up": "as it is switched on",
    "leads, pins and mica": "leads and case",
    "direct current, hum and microphony": "direct current and hum",
    "amplification factor": "intrinsic gain",
    "a resonance in the plate lead": "a resonance in that lead",
    # A follower on the plate is a valve, whatever drives it.
    "cathode follower": "cathode follower",
}
FIELD_EFFECT = Terms(
    kind="transistor",
    stage="common-source stage",
    grid="gate",
    plate="drain",
    cathode="source",
    source="signal source",
    grid_leak="gate leak",
    plate_curves="output characteristics",
    plate_resistance="drain–source resistance",
    amplification_factor="intrinsic gain",
    bias_line="self-bias line",
    conduction="gate conduction",
    conduction_begins="the gate begins to conduct",
    cold="transconductance taken to 0",
    leads="leads and case",
    supplies="power supply",
    conduction_at="gate at the source's voltage",
    V_gk="V_gs", V_pk="V_ds", V_p="V_d", V_k="V_s", V_b="V_dd", V_s="V_sig", I_p="I_d",
    R_k="R_s", R_s="R_sig", C_gk="C_gs", C_gp="C_gd", r_p="r_ds", A_k="A_s", g_g="g_gs",
    words=MappingProxyType(
        {
            **_TRANSISTOR,
            "grid": "gate",
            "grids": "gates",
            "plate": "drain",
            "anode": "drain",
            "cathode": "source",
            "plate curves": "output characteristics",
            "plate resistance": "drain–source resistance",
            "cathode-bias line": "self-bias line",
            # The signal comes from a source too; where both occur this one gets its full name.
            "source": "signal source",
            "signal source": "signal source",
            "gate-source": "gate-source",
            "drain-source": "drain-source",
            "common-source": "common-source",
            # And a third kind of source is where a number comes from.
            "no source": "no source",
            "without a source": "without a source",
        }
    ),
    symbols=MappingProxyType(
        {
            "V_gk": "V_gs", "Vgk": "Vgs", "V_pk": "V_ds", "V_p": "V_d", "V_k": "V_s",
            "V_b": "V_dd", "V_s": "V_sig", "I_p": "I_d", "R_k": "R_s", "R_s": "R_sig",
            "C_gk": "C_gs", "C_gp": "C_gd", "r_p": "r_ds", "A_k": "A_s", "g_g": "g_gs",
        }
    ),
)  # fmt: skip
"""A junction field-effect transistor: gate, drain, source."""


BIPOLAR = Terms(
    kind="transistor",
    stage="common-emitter stage",
    grid="base",
    plate="collector",
    cathode="emitter",
    grid_leak="bias resistance",
    leak="bias resistance",
    plate_curves="output characteristics",
    plate_resistance="collector–emitter resistance",
    amplification_factor="intrinsic gain",
    bias_line="emitter-resistor line",
    conduction="saturation",
    conduction_begins="saturation begins",
    cold="transconductance taken to 0",
    leads="leads and case",
    supplies="power supply",
    conduction_at="0.2 V collector to emitter",
    V_gk="V_be", V_pk="V_ce", V_p="V_c", V_k="V_e", V_g="V_b", V_b="V_cc", I_p="I_c", I_g="I_b",
    R_k="R_e", C_gk="C_be", C_gp="C_bc", C_g="C_b", r_p="r_ce", g_g="g_be", A_k="A_e", R_g="R_b",
    R_leak="R_bias",
    words=MappingProxyType(
        {
            **_TRANSISTOR,
            "grid": "base",
            "grids": "bases",
            "plate": "collector",
            "anode": "collector",
            "cathode": "emitter",
            "grid leak": "bias resistance",
            "leak": "bias resistance",
            "grid conduction": "saturation",
            "the grid begins to conduct": "saturation begins",
            "conduction: grid at the cathode's voltage": "saturation: 0.2 V collector to emitter",
            "plate curves": "output characteristics",
            "plate resistance": "collector–emitter resistance",
            "cathode-bias line": "emitter-resistor line",
        }
    ),
    symbols=MappingProxyType(
        {
            "V_gk": "V_be", "Vgk": "Vbe", "V_pk": "V_ce", "V_p": "V_c", "V_k": "V_e",
            "V_g": "V_b", "V_b": "V_cc", "I_p": "I_c", "I_g": "I_b", "R_k": "R_e",
            "C_gk": "C_be", "C_gp": "C_bc", "C_g": "C_b", "r_p": "r_ce", "g_g": "g_be",
            "A_k": "A_e", "R_g": "R_b", "R_leak": "R_bias",
        }
    ),
)  # fmt: skip
"""A bipolar transistor: base, collector, emitter."""
