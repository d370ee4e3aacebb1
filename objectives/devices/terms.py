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

__all__ = ["BIPOLAR", "FIELD_EFFECT", "VALVE", "AsIs", "Terms", "terms_of"]


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
    words: Mapping[str, str] = field(default_factory=lambda: MappingProxyType({}), repr=False)
    symbols: Mapping[str, str] = field(default_factory=lambda: MappingProxyType({}), repr=False)

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


def terms_of(device: object) -> Terms:
    """Return the vocabulary of a device; that of a valve where it brings none."""
    found: Terms = getattr(device, "terms", VALVE)
    return found
