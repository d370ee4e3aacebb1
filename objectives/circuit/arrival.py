"""How radio arrives at a stage, and up to which frequency the network is trusted with it.

A carrier is an EMF of its own, with an impedance of its own, at the place where it enters. What is
called attenuation anywhere in the project is ``20 log10 |E/Vg|``: that EMF over the voltage from
grid to ground, at the carrier's frequency.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from dataclasses import dataclass
from typing import ClassVar, Final, Literal, NamedTuple

import numpy as np

from objectives import constants
from objectives.arrays import ComplexArray
from objectives.checks import require
from objectives.circuit.branches import ONE, Term, is_present
from objectives.stage import Stage

Way = Literal["at the jack", "along the cable", "common mode", "through the supply"]

QUASI_STATIC_HZ: Final = 300e6
"""Up to here the valve is taken to follow its grid at once.

The 12AT7, made for the purpose, is offered as an amplifier and mixer to about 300 MHz (RCA data
sheet, from memory); transit-time loading grows with the square of frequency beyond (W. R. Ferris,
Input resistance of vacuum tubes as ultra-high-frequency amplifiers, Proc. IRE 24, 1936, p. 82,
from memory).
"""

LUMPED: Final = 0.1
"""Share of a wavelength up to which a wire counts as a lumped part (common practice, no source)."""

CABLE_SPEED: Final = 0.66
"""Speed in a cable over that of light: solid polyethylene."""

WIRING_M: Final = 0.15
"""From the input terminals through stopper, socket and valve and back along the chassis (m), unless
a brief says otherwise (common practice, no source)."""

BOND_H: Final = 23e-9
"""A screen's pigtail to the chassis: 30 mm of 1 mm wire, by E. B. Rosa's formula."""


class Trust(NamedTuple):
    """Up to which frequency (Hz) the network is trusted, and what ends it."""

    highest_Hz: float
    because: Literal["wiring", "cable", "device"]


def source_side(stage: Stage, s: ComplexArray) -> tuple[Term, Term]:
    """Return the share of the source's EMF at the input terminals, and the impedance there."""
    rs = stage.source_ohm
    cable_s = rs * stage.cable_F
    if not is_present(cable_s):
        return ONE, rs
    loaded = 1.0 / (1.0 + s * cable_s)
    return loaded, rs * loaded


@dataclass(frozen=True, kw_only=True)
class Arrival(ABC):
    """One way in for radio. All else of the stage is as signals find it.

    Attributes
    ----------
    way : what it is called
    by_cable : whether the cable is a part of the network that radio goes through
    impedance_ohm : what the EMF stands behind; 0 where the network itself is all there is
    wiring_m : the longest path through the wiring
    cable_m : length of the cable; 0 where there is none
    """

    way: ClassVar[Way]
    by_cable: ClassVar[bool] = True

    impedance_ohm: float = 0.0
    wiring_m: float = WIRING_M
    cable_m: float = 0.0

    def __post_init__(self) -> None:
        ohm, wiring, cable = self.impedance_ohm, self.wiring_m, self.cable_m
        require("carrier.impedance_ohm", ohm, 0 <= ohm < np.inf, "0 or more, finite")
        require("carrier.wiring_m", wiring, 0 < wiring < np.inf, "a finite length above 0")
        require("carrier.cable_m", cable, 0 <= cable < np.inf, "0 or more, finite")

    @abstractmethod
    def input_side(self, stage: Stage, s: ComplexArray) -> tuple[Term, Term]:
        """Return the share of the carrier's EMF at the input terminals, and the impedance there.

        Both with nothing joined to the terminals on the side of the stage.
        """

    @property
    def supply_ohm(self) -> float:
        """Impedance (ohm) of the supply, in series with an EMF of the carrier; 0 for none."""
        return 0.0

    @property
    def trust(self) -> Trust:
        """Up to which frequency the network holds, and which of its limits comes first.

        A lumped network knows no length: wiring and cable must be short against the wave
        (:data:`LUMPED` of it; in the cable the wave is shorter by :data:`CABLE_SPEED`), and the
        device must follow its grid at once (:data:`QUASI_STATIC_HZ`). What a valve has inside in
        the way of lead inductance is not in the network either; its leads are shorter than the
        wiring that counts here.
        """
        limits = [
            Trust(LUMPED * constants.c / self.wiring_m, "wiring"),
            Trust(QUASI_STATIC_HZ, "device"),
        ]
        if self.by_cable and self.cable_m > 0:
            limits.append(Trust(LUMPED * CABLE_SPEED * constants.c / self.cable_m, "cable"))
        return min(limits)


@dataclass(frozen=True, kw_only=True)
class AtJack(Arrival):
    """At the input terminals, from a resistance: all that lies ahead of them is this EMF.

    Source and cable are part of what the EMF stands for, so neither earns any attenuation. 50 ohm,
    the impedance of radio-frequency generators and cables, is the hard case.
    """

    way = "at the jack"
    by_cable = False
    impedance_ohm: float = 50.0

    def input_side(self, stage: Stage, s: ComplexArray) -> tuple[Term, Term]:
        """See :meth:`Arrival.input_side`."""
        return ONE, np.asarray(self.impedance_ohm)


@dataclass(frozen=True, kw_only=True)
class AlongCable(Arrival):
    """In series with the conductor of the cable, half of whose capacitance lies on either side.

    The lumped form of a field that couples evenly along a cable that ends in the source.

    Attributes
    ----------
    cable_F : the cable's own share of ``Stage.cable_F``; the rest is the source's and ahead of it
    """

    way = "along the cable"
    cable_F: float = np.inf

    def __post_init__(self) -> None:
        super().__post_init__()
        require("carrier.cable_F", self.cable_F, self.cable_F >= 0, "0 or more")

    def input_side(self, stage: Stage, s: ComplexArray) -> tuple[Term, Term]:
        """See :meth:`Arrival.input_side`."""
        loaded, z = source_side(stage, s)
        ahead_F = stage.cable_F - np.minimum(self.cable_F, stage.cable_F) / 2
        return loaded * (1.0 + s * (stage.source_ohm * ahead_F)), z


@dataclass(frozen=True, kw_only=True)
class CommonMode(Arrival):
    """Along the screen of a lead, which a bond with some inductance joins to the chassis.

    The current from the EMF through its impedance into the bond lifts the source's ground, and with
    it source and cable, against the chassis.

    150 ohm is the common-mode impedance of leads from 150 kHz up in IEC 61000-4-6 (T. Williams,
    R. Marshall, Pitfalls and practice of IEC 61000-4-6 conducted immunity testing).
    """

    way = "common mode"
    impedance_ohm: float = 150.0
    bond_H: float = BOND_H

    def __post_init__(self) -> None:
        super().__post_init__()
        bond = self.bond_H
        require("carrier.bond_H", bond, 0 < bond < np.inf, "a finite inductance above 0")

    def input_side(self, stage: Stage, s: ComplexArray) -> tuple[Term, Term]:
        """See :meth:`Arrival.input_side`."""
        bond = s * self.bond_H
        share = bond / (self.impedance_ohm + bond)
        return share, source_side(stage, s)[1] + share * self.impedance_ohm


@dataclass(frozen=True, kw_only=True)
class ThroughSupply(Arrival):
    """At the top of the plate load, from a resistance; the grid hears it through C_gp.

    All that lies ahead of it is this EMF: neither the resistance of the supply nor its decoupling
    capacitor, whose leads are not in the network, earns any attenuation. What a bias divider
    passes on to the grid is left out: it is filtered by the leak, and far below what C_gp passes.
    """

    way = "through the supply"
    impedance_ohm: float = 50.0

    def input_side(self, stage: Stage, s: ComplexArray) -> tuple[Term, Term]:
        """See :meth:`Arrival.input_side`."""
        return np.asarray(0.0), source_side(stage, s)[1]

    @property
    def supply_ohm(self) -> float:
        """See :meth:`Arrival.supply_ohm`."""
        return self.impedance_ohm
