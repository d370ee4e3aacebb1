"""Draws: the random numbers that say by how much each quantity of a built stage is off.

A *spread* says how far one quantity may be from its nominal value and how it is distributed. A
*draw* is one set of factors for all quantities; a *built stage* is a stage whose parts have them.
All designs share the same draws (common random numbers), so two designs differ by what they are and
not by their luck, and a yield is a repeatable function of the parts that a search can climb.

Draws are points of a scrambled Sobol sequence: I. M. Sobol, USSR Comput. Math. Math. Phys. 7(4),
1967; A. B. Owen, Scrambled net variance for integrals of smooth functions, Ann. Statist. 25(4),
1997 (both from memory). Their error in a yield falls faster than that of independent draws.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from objectives.arrays import FloatArray
from objectives.checks import InputError
from objectives.tolerance.spreads import Spread


def draw_units(spreads: Sequence[Spread], draws: int, seed: int) -> FloatArray:
    """Return cumulative probabilities, shape (draws, spreads): a scrambled Sobol sequence.

    The same seed gives the same numbers; a longer run starts with those of a shorter one.
    """
    if not spreads:
        return np.empty((draws, 0))
    from scipy.stats import qmc  # half a second, which only a study of builds needs

    sequence = qmc.Sobol(len(spreads), scramble=True, rng=np.random.default_rng(seed))
    return np.asarray(sequence.random_base2(max(math.ceil(math.log2(draws)), 0))[:draws])


def draw_factors(spreads: Sequence[Spread], units: FloatArray) -> FloatArray:
    """Return what each quantity is multiplied by, shape (draws, spreads) as ``units``.

    Raises
    ------
    InputError
        If ``units`` has not one column a spread.
    """
    if units.shape[1:] != (len(spreads),):
        raise InputError("units", units.shape, f"must have one column a spread, {len(spreads)}")
    if not spreads:
        return np.empty(units.shape)
    return np.stack([s.factor(units[:, at]) for at, s in enumerate(spreads)], axis=-1)
