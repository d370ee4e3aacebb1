"""How a law was fitted: each published or measured number with what the law gives for it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from objectives.arrays import FloatArray, IntArray
from objectives.devices.law import ConductionLaw
from objectives.roots import bracketed_roots

QUANTITIES: Mapping[str, str] = {
    "plate_current_A": "plate current",
    "transconductance_S": "transconductance",
    "plate_resistance_ohm": "plate resistance",
    "amplification_factor": "amplification factor",
    "stage_gain": "stage gain",
    "output_V_rms": "output at a stated distortion",
}
"""What a :class:`FitPoint` may state, and what people call it."""

FAINT_A = 1e-4
"""Plate current below which a law counts as in cut-off: there a volt is a factor of current."""


@dataclass(frozen=True)
class FitPoint:
    """One published or measured number and what the law gives for it.

    Attributes
    ----------
    quantity : one of :data:`QUANTITIES`, which end in their units
    conditions : the voltages (``grid_V``, ``plate_V``), or the parts of the stage (``supply_V``,
        ``plate_load_ohm``, ``next_leak_ohm``, ``cathode_resistor_ohm``), and for an output its
        ``distortion_percent``, by name
    published, law : the number, and what the fitted law gives, in the unit of ``quantity``
    used : ``"fitted"``, or ``"tested"`` where the fit has not seen it
    source : where the number is published
    """

    quantity: str
    conditions: Mapping[str, float] = field(hash=False)
    published: float
    law: float
    used: str
    source: str

    @property
    def faint(self) -> bool:
        """Whether this is a current near cut-off."""
        return self.quantity == "plate_current_A" and self.published < FAINT_A

    @property
    def residual_percent(self) -> float:
        """Departure of the law from the published number, in per cent of the latter."""
        return 100.0 * (self.law / self.published - 1.0)


@dataclass(frozen=True)
class CurveReading:
    """One reading off a published plate curve, and what the law gives there (V, V, A, A)."""

    grid_V: float
    plate_V: float
    plate_current_A: float
    law_A: float


@dataclass(frozen=True)
class CurveReadings:
    """Readings off the published plate curves of one chart.

    Attributes
    ----------
    readings : voltages, current read, current by the law
    within_V, within_A : how closely the chart was read along either axis, one sigma (V, A)
    used : ``"fitted"``, or ``"tested"`` where the fit has not seen them
    source : whose chart, and who read it
    """

    readings: tuple[CurveReading, ...]
    within_V: float
    within_A: float
    used: str
    source: str

    @property
    def points(self) -> tuple[FitPoint, ...]:
        """The readings as single numbers."""
        return tuple(
            FitPoint(
                "plate_current_A",
                {"grid_V": r.grid_V, "plate_V": r.plate_V},
                r.plate_current_A,
                r.law_A,
                self.used,
                self.source,
            )
            for r in self.readings
        )

    def column(self, name: str) -> FloatArray:
        """Return one field of all readings, shape ``(readings,)``."""
        return np.array([getattr(r, name) for r in self.readings])

    def plate_error_V(self, law: ConductionLaw) -> FloatArray:
        """Return how far along the plate voltage the law's curve lies from each reading (V).

        Positive where the law needs more plate voltage for the current that was read. A chart is
        steep: there a small error of voltage is a large one of current. Shape ``(readings,)``.
        """
        grid, plate = self.column("grid_V"), self.column("plate_V")
        current = self.column("plate_current_A")

        def excess(plate_V: FloatArray, of: IntArray) -> FloatArray:
            return np.asarray(law.plate_current(grid[of], plate_V) - current[of])

        low, high = np.full(plate.shape, 1e-3), 4.0 * plate + 100.0
        return np.asarray(bracketed_roots(excess, low, high).x - plate)


@dataclass(frozen=True)
class FitRecord:
    """How a law was fitted and how well it does.

    Attributes
    ----------
    method : the fit in words
    points : every number it was fitted to or tested on; empty for a set taken from elsewhere
    curves : readings off plate curves that it was fitted to or tested on
    """

    method: str
    points: tuple[FitPoint, ...] = ()
    curves: tuple[CurveReadings, ...] = ()

    def worst_percent(self, used: str | None = None, quantity: str | None = None) -> float:
        """Return the largest absolute residual (per cent); nan where no point matches.

        Currents near cut-off do not count: see :attr:`cut_off_ratio`.
        """
        found = [
            abs(p.residual_percent)
            for p in self.points
            if used in (None, p.used) and quantity in (None, p.quantity) and not p.faint
        ]
        return max(found, default=float("nan"))

    @property
    def cut_off_ratio(self) -> float:
        """What the law gives over what is published near cut-off, the worst; nan where none is."""
        ratios = [p.law / p.published for p in self.points if p.faint]
        return max(ratios, key=lambda r: abs(np.log(max(r, 1e-300))), default=float("nan"))
