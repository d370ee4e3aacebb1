"""TODO objectives.tolerance.builds."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np

from objectives.arrays import FloatArray, flatten
from objectives.assessment import Assessment
from objectives.circuit.corners import Port, corner_frequency, level_dB, swept_level_dB
from objectives.circuit.starting_point import operating_point_near
from objectives.devices.protocol import OperatingPoint
from objectives.scores.registry import greatest
from objectives.targets import BAND_POINTS
from objectives.tolerance.spreads import Spread
from objectives.tolerance.varied_device import spread_batch

__all__ = ["batch_shape", "build", "flat", "judged_excesses"]


def batch_shape(nominal: Assessment) -> tuple[int, ...]:
    """Return the shape of the candidates, a follower's fields included; at least one axis."""
    follower = () if nominal.follower is None else nominal.follower[0].shape
    return np.broadcast_shapes(nominal.stage.shape, follower) or (1,)


def flat(nominal: Assessment) -> Assessment:
    """Return the assessment with one flat axis of candidates and targets fit for draws."""
    shape = batch_shape(nominal)
    stage = flatten(nominal.stage, shape)
    # One field of the full shape makes the whole batch have it.
    stage = replace(
        stage, supply_V=np.broadcast_to(np.asarray(nominal.stage.supply_V, float), shape).ravel()
    )
    follower = nominal.follower
    if follower is not None:
        follower = flatten(follower[0], shape), follower[1]
    targets = replace(nominal.targets, tolerance=None, preferred={}, prices={})
    return replace(nominal, stage=stage, targets=targets, follower=follower)


@dataclass(frozen=True)
class _Built(Assessment):
    """Built stages, solved from what is known of the nominal ones: same results, sooner.

    ``nominal`` is the flat batch of candidates; the rows ``rows`` of it were built.
    """

    nominal: Assessment | None = None
    rows: slice = field(default_factory=lambda: slice(None))

    @cached_property
    def point(self) -> OperatingPoint:
        if self.nominal is None or self.follower is not None:
            return super().point
        near = self.nominal.point.grid_cathode_V[self.rows, np.newaxis]
        return operating_point_near(self.stage, self.device.law, near)

    @cached_property
    def input_corner_Hz(self) -> FloatArray:
        if self.nominal is None:
            return super().input_corner_Hz
        near = self.nominal.input_corner_Hz
        return self._corner("grid", near, upper=True)

    @cached_property
    def output_corners_Hz(self) -> tuple[FloatArray, FloatArray]:
        if self.nominal is None:
            return super().output_corners_Hz
        low, high = self.nominal.output_corners_Hz
        return self._corner("output", low, upper=False), self._corner("output", high, upper=True)

    @cached_property
    def radio_margins_dB(self) -> dict[str, FloatArray]:
        bands = self.targets.radio_bands
        if not bands:
            return {}
        at_reference = level_dB(self.reference, "grid")
        return {
            band.name: at_reference
            - swept_level_dB(
                self.loaded,
                self.linear,
                np.geomspace(band.low_Hz, band.high_Hz, BAND_POINTS),
                "grid",
            ).max(axis=-1)
            - band.attenuation_dB
            for band in bands
        }

    def _corner(self, port: Port, near_Hz: FloatArray, *, upper: bool) -> FloatArray:
        return corner_frequency(
            self.loaded,
            self.linear,
            port,
            self.targets.reference_Hz,
            upper=upper,
            near_Hz=near_Hz[self.rows, np.newaxis],
        )


def build(
    base: Assessment, rows: slice, spreads: Sequence[Spread], factors: FloatArray
) -> Assessment:
    """Return the stages built from some candidates, shape (rows, draws).

    Parameters
    ----------
    base :
        The candidates, as of :func:`flat`.
    rows :
        Which of them are built.
    factors :
        Shape (draws, spreads), as of :func:`draw_factors`.
    """
    stage, device = spread_batch(
        base.stage.at(rows), base.device, spreads, factors, point=base.point.at(rows)
    )
    targets = base.targets
    if any(spread.quantity == "supply_V" for spread in spreads):
        # The draws raise the supply themselves.
        targets = replace(targets, supply_rise=0.0)
    follower = base.follower
    if follower is not None:
        # It stands on the same supply; its own parts and valve are taken as nominal.
        own = follower[0].at(rows).expand()
        rise = stage.supply_V / np.asarray(base.stage.supply_V)[rows, np.newaxis]
        follower = replace(own, supply_V=np.asarray(own.supply_V) * rise), follower[1]
    return _Built(stage, device, targets, follower, base, rows)


def judged_excesses(built: Assessment) -> list[FloatArray]:
    """Return how far each rating that draws are judged by is exceeded, as a fraction.

    A rating of a part's own value (unit ohm) is kept by the nominal part and left out.
    """
    return [rating.excess for rating in built.ratings if rating.unit != "ohm"]


def _worst_excess(built: Assessment) -> FloatArray:
    none = np.full(built.point.plate_current_A.shape, -np.inf)
    return greatest([none, *judged_excesses(built)])
