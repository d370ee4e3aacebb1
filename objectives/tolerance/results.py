"""What a tolerance study finds: yields and bands of the designs, and the pick in detail."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from objectives.arrays import FloatArray, IntArray
from objectives.circuit.corners import Port
from objectives.tolerance.setup import ToleranceSetup
from objectives.tolerance.worst_case import Swing, WorstCase


@dataclass(frozen=True)
class SensitivityIndex:
    """Share of a score's variance that one quantity brings about.

    Attributes
    ----------
    first : alone (Sobol's first-order index)
    total : alone and together with others (total index), ``total_margin`` its 95 % half-width
    """

    score: str
    quantity: str
    first: float
    total: float
    total_margin: float


@dataclass(frozen=True)
class ResponseBand:
    """Percentiles of a response over so many draws, each of shape (frequencies,)."""

    port: Port
    draws: int
    frequency_Hz: FloatArray
    nominal_dB: FloatArray
    low_dB: FloatArray
    middle_dB: FloatArray
    high_dB: FloatArray


@dataclass(frozen=True)
class HardestWindow:
    """The window that most built stages of one design miss, and the quantity that moves it most.

    ``share`` is the quantity's first-order index (share of the score's variance).
    """

    score: str
    kept: float
    quantity: str
    share: float


@dataclass(frozen=True)
class SlowBands:
    """Bands of the pick's scores that take a solution in time, from fewer built stages.

    Attributes
    ----------
    draws : built stages
    solved : how many of them were solved; the rest were read off a response surface
    nominal : by score
    bands : by score, shape (percentiles,)
    """

    draws: int
    solved: int
    nominal: Mapping[str, float]
    bands: Mapping[str, FloatArray]


@dataclass(frozen=True)
class ToleranceStudy:
    """What tolerances do to every design shown and, in detail, to the pick.

    Arrays named by design have shape (designs,), bands (percentiles, designs); fractions are 0..1.
    """

    setup: ToleranceSetup
    candidates: tuple[str, ...]
    """Designs, in the order of the arrays."""
    scores: tuple[str, ...]
    draws: int
    """Built stages of each design."""
    solved: IntArray
    """How many of these were solved; the rest were read off the design's response surface."""
    percentiles: tuple[float, float, float]
    nominal: Mapping[str, FloatArray]
    bands: Mapping[str, FloatArray]
    good: FloatArray
    """Yield: fraction of built stages that keep every window and rating."""
    good_low: FloatArray
    good_high: FloatArray
    """95 % confidence interval of the yield (Wilson), as if the draws were independent."""
    kept: Mapping[str, FloatArray]
    """For each window the fraction that keeps it."""
    ratings_kept: FloatArray
    """Fraction that exceeds no rating; 1 where ratings were not asked for."""
    hardest: tuple[HardestWindow | None, ...]
    """None where every built stage keeps every window."""
    pick: int
    """Row of the pick; what follows is of the pick alone."""
    responses: tuple[ResponseBand, ...]
    indices: tuple[SensitivityIndex, ...]
    index_samples: int
    """Base sample of the indices; each takes that times (quantities + 2) built stages."""
    swings: tuple[Swing, ...]
    worst: tuple[WorstCase, ...]
    extremes: Mapping[str, tuple[float, float]]
    """Least and greatest value of each score among the built stages of the pick."""
    evaluations: int
    seconds: float
    slow: SlowBands | None = None
    """None where no such score is asked for."""
