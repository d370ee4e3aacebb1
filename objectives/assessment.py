"""A batch of stages with a device and targets: everything about them, worked out when asked for."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property, reduce
from typing import Any, Final, TypeVar

import numpy as np

from objectives.arrays import Batch, BoolArray, FloatArray
from objectives.circuit.corners import WALKED_HZ, Port, bounds_crossed, corner_frequency
from objectives.circuit.follower import (
    CathodeFollower,
    FollowerPoint,
    coupled_operating_point,
    with_follower,
)
from objectives.circuit.network import Network
from objectives.circuit.noise import NoiseBudget, noise_budget
from objectives.circuit.operating_point import operating_point
from objectives.circuit.small_signal import SmallSignal, small_signal
from objectives.devices.lookup import device as device_of
from objectives.devices.protocol import Device, OperatingPoint, Rating
from objectives.elements import ELEMENTS
from objectives.radio.attenuation import least_attenuation_dB
from objectives.scores.registry import REGISTRY
from objectives.stage import Stage
from objectives.targets import BAND_POINTS, Targets
from objectives.textbook import TextbookEstimate, textbook_estimate
from objectives.transient.cascade import CascadeStage
from objectives.transient.driven import DrivenStages
from objectives.transient.headroom import Headroom, headroom

_B = TypeVar("_B", bound=Batch)
_CORNERS: Final[dict[str, tuple[Port, bool]]] = {
    "input_corner_Hz": ("grid", True),
    "lower_corner_Hz": ("output", False),
    "upper_corner_Hz": ("output", True),
}
"""Scores that are a corner: where, and whether above the reference."""
CORNERS: Final = frozenset(_CORNERS)


@dataclass(frozen=True)
class Assessment:
    """A batch of stages with one device, everything worked out once and only when asked for.

    The fields of the stage broadcast. Where each lies along an axis of its own (an outer product of
    part values), what depends on a few of them is worked out on their axes alone.
    """

    stage: Stage
    device: Device
    targets: Targets
    follower: tuple[CathodeFollower, Device] | None = None
    """A cathode follower wired straight to the plate, and its device."""

    @cached_property
    def coupled(self) -> tuple[OperatingPoint, FollowerPoint] | None:
        """Operating points of stage and follower, solved together; None without a follower."""
        if self.follower is None:
            return None
        follower, device = self.follower
        return coupled_operating_point(self.stage, self.device.law, follower, device.law)

    @cached_property
    def point(self) -> OperatingPoint:
        """Operating points."""
        if self.coupled is not None:
            return self.coupled[0]
        return operating_point(self.stage, self.device.law)

    @cached_property
    def loaded(self) -> Stage:
        """The stage as signals see it: with its follower's input, if any, as its load."""
        if self.follower is None or self.coupled is None:
            return self.stage
        return with_follower(self.stage, *self.follower, self.coupled[1])

    @cached_property
    def linear(self) -> SmallSignal:
        """Linearised device with strays."""
        return small_signal(self.stage, self.device, self.point)

    @property
    def shape(self) -> tuple[int, ...]:
        """Shape of the batch; an outer product where the fields of the stage are its axes."""
        return self.point.plate_current_A.shape

    @cached_property
    def _signals(self) -> tuple[Stage, SmallSignal]:
        """What of the stage and its device varies, as signals see them."""
        return self.loaded.varied(), self.linear.varied()

    @cached_property
    def reference(self) -> Network:
        """The network at the reference frequency; its results broadcast to the batch."""
        return Network(*self._signals, self.targets.reference_Hz)

    @cached_property
    def input_corner_Hz(self) -> FloatArray:
        """Where |Vg/Vs| is half a power below its reference level; inf where nowhere."""
        return self.corner_Hz("grid", upper=True)

    @cached_property
    def lower_corner_Hz(self) -> FloatArray:
        """Lower half-power frequency of the whole stage; 0 where there is none."""
        return self.corner_Hz("output", upper=False)

    @cached_property
    def upper_corner_Hz(self) -> FloatArray:
        """Upper half-power frequency of the whole stage; inf where there is none."""
        return self.corner_Hz("output", upper=True)

    @property
    def output_corners_Hz(self) -> tuple[FloatArray, FloatArray]:
        """Lower and upper half-power frequencies of the whole stage."""
        return self.lower_corner_Hz, self.upper_corner_Hz

    def corner_Hz(self, port: Port, *, upper: bool) -> FloatArray:
        """Return where the level at a port is half a power below that at the reference."""
        found = corner_frequency(*self._signals, port, self.targets.reference_Hz, upper=upper)
        return np.broadcast_to(found, self.shape)

    def within(self, score: str, at_least: float, at_most: float) -> BoolArray:
        """Return which stages have a score from one number to another, shape of the batch.

        Of a corner this takes levels at frequencies that all stages share, not the corner itself.
        """
        target_Hz = self.targets.input_corner_Hz
        if score == "input_corner_error_octaves" and target_Hz is not None and at_least <= 0:
            ratio = 2.0**at_most
            return self.within("input_corner_Hz", target_Hz / ratio, target_Hz * ratio)
        value = self.among(score, [bound for bound in (at_least, at_most) if 0 < bound < np.inf])
        return np.asarray((at_least <= value) & (value <= at_most))

    def among(self, score: str, bounds: Sequence[float]) -> FloatArray:
        """Return a score, or of a corner any frequency between the same two of some bounds (Hz).

        That takes levels at the bounds, which all stages share, and not the corner itself.
        """
        sought = _CORNERS.get(score)
        if sought is None or max(bounds, default=np.inf) > WALKED_HZ:
            return self[score]
        port, upper = sought
        reference_Hz = self.targets.reference_Hz
        crossed = bounds_crossed(*self._signals, port, reference_Hz, bounds, upper=upper)
        ends = np.sort(bounds)
        between = np.sqrt(np.r_[ends[0] / 4, ends] * np.r_[ends, ends[-1] * 4])
        place = len(ends) - crossed if upper else crossed
        return np.broadcast_to(between[place], self.shape)

    def at(self, index: Any) -> Assessment:
        """Return some stages as a batch of one axis, with points and corners that are worked out.

        ``index`` is a mask of the batch's shape, or numbers counted through it.
        """
        index = np.asarray(index)
        rows = np.flatnonzero(index) if index.dtype == bool else index
        shape = self.shape

        def taken(points: _B) -> _B:
            own = points.varied().take(rows, shape)
            return own.map(lambda a: np.broadcast_to(a, rows.shape))

        return self._some(lambda b: b.take(rows, shape), taken, lambda a: a.ravel()[rows])

    def cut(self, block: tuple[slice, ...]) -> Assessment:
        """Return a block of the batch, with points and corners that are worked out."""
        if self.point.plate_current_A[block].shape == self.shape:
            return self
        return self._some(lambda b: b.cut(block), lambda b: b.cut(block), lambda a: a[block])

    def _some(
        self,
        stages: Callable[[Any], Any],
        points: Callable[[Any], Any],
        scores: Callable[[FloatArray], FloatArray],
    ) -> Assessment:
        """Return some stages, taken so of batches of stages, of points, and of scores."""
        follower = self.follower
        if follower is not None:
            follower = stages(follower[0]), follower[1]
        some = replace(self, stage=stages(self.stage), follower=follower)
        # Where a cached property looks first.
        if self.coupled is not None:
            vars(some)["coupled"] = points(self.coupled[0]), points(self.coupled[1])
        else:
            vars(some)["point"] = points(self.point)
        for corner in _CORNERS.keys() & vars(self).keys():
            vars(some)[corner] = scores(vars(self)[corner])
        return some

    @cached_property
    def headroom(self) -> Headroom:
        """Swings on the AC load line at the reference frequency."""
        return headroom(self.device.law, self.point, self.reference)

    @cached_property
    def in_cascade(self) -> CascadeStage:
        """The stage as it is solved in time, on a stiff supply."""
        stiff = replace(self.loaded, decoupling_ohm=0.0, decoupling_F=0.0)
        return CascadeStage.of(stiff, self.device, self.point, self.linear)

    @cached_property
    def driven(self) -> DrivenStages:
        """The stage under the drive of the targets.

        Raises
        ------
        ValueError
            If the targets have no drive.
        """
        if self.targets.drive is None:
            raise ValueError("targets.drive: not given: large-signal scores need it")
        return DrivenStages.of(self.targets.drive, self.in_cascade)

    @cached_property
    def direct_voltages_V(self) -> dict[str, FloatArray]:
        """Direct voltage across each resistor that carries current, by field of Stage.

        That of the grid leak is what excess noise of a bias divider goes by: seen from the leak,
        either resistor counts by its voltage times the share that the other leaves of it.
        """
        point, stage = self.point, self.stage
        currents = {"supply": point.supply_current_A, "cathode": point.cathode_current_A}
        across = {
            name: currents[element.direct_current] * getattr(stage, name)
            for name, element in ELEMENTS.items()
            if element.direct_current
        }
        upper = stage.grid_bias_ratio
        across["grid_leak_ohm"] = np.sqrt(2.0) * stage.supply_V * upper * (1.0 - upper)
        return across

    @cached_property
    def noise(self) -> NoiseBudget:
        """A-weighted noise referred to the source."""
        t = self.targets
        terminals_V = self.direct_voltages_V
        return noise_budget(
            *self._signals,
            self.device.noise(self.point, t.temperature_K),
            excess_V={
                ELEMENTS[name].key: terminals_V[name] * per_V
                for name, per_V in t.excess_noise_per_V.items()
            },
            # What a follower's grid takes is no resistor and makes no thermal noise.
            thermal_load_ohm=self.stage.load_ohm,
            reference_Hz=t.reference_Hz,
            temperature_K=t.temperature_K,
            band_Hz=t.noise_band_Hz,
        )

    @cached_property
    def hum_V(self) -> FloatArray:
        """R.m.s. voltage at the output that the supply's ripple makes.

        Raises
        ------
        ValueError
            If the targets have no ripple.
        """
        ripple = self.targets.ripple
        if ripple is None:
            raise ValueError("targets.ripple: not given: hum needs it")
        network = Network(*self._signals, ripple.frequency_Hz)
        return ripple.voltage_V * np.abs(network.output_of("decoupling"))

    @cached_property
    def radio_margins_dB(self) -> dict[str, FloatArray]:
        """For each band that is scored the least attenuation at the grid, less what is required.

        Each is sampled at :data:`BAND_POINTS` frequencies.
        """
        return self._radio_margins_dB(slice(None))

    @property
    def radio_margin_at_most_dB(self) -> FloatArray:
        """A bound of the RF margin from above: the least margin at the edges of the bands alone."""
        margins = self._radio_margins_dB(slice(None, None, BAND_POINTS - 1))
        return np.asarray(reduce(np.minimum, margins.values(), np.full(self.shape, np.inf)))

    def _radio_margins_dB(self, samples: slice) -> dict[str, FloatArray]:
        bands = self.targets.scored_bands
        if not bands:
            return {}
        f = np.stack([band.frequencies_Hz[samples] for band in bands])
        worst = least_attenuation_dB(*self._signals, f, self.targets.carrier.arrival)
        return {
            band.name: np.broadcast_to(least - band.attenuation_dB, self.shape)
            for band, least in zip(bands, worst, strict=True)
        }

    @cached_property
    def textbook(self) -> TextbookEstimate:
        """The hand calculation of gain and input corner, with the error of each simplification."""
        return textbook_estimate(self.loaded, self.linear, self.targets.reference_Hz)

    @cached_property
    def ratings(self) -> list[Rating]:
        """Every rating of the valve and of the rated resistors."""
        t, stage, point = self.targets, self.stage, self.point
        if t.supply_rise > 0:
            return self.with_supply_raised(t.supply_rise).ratings
        found = list(self.device.ratings(stage, point))
        if self.follower is not None and self.coupled is not None:
            after, device = self.follower
            found += [
                replace(rating, name=f"follower {rating.name}")
                for rating in device.ratings(after.as_stage(), self.coupled[1].point)
            ]
        terms = self.device.terms
        currents = {"supply": point.supply_current_A, "cathode": point.cathode_current_A}
        for name, limit in t.part_ratings.items():
            element = ELEMENTS[name]
            current, label = currents[element.direct_current], element.label_for(terms)
            across = current * getattr(stage, name)
            for kind, value, allowed, unit in (
                ("power", across * current, limit.power_W, "W"),
                ("voltage", across, limit.voltage_V, "V"),
            ):
                if np.isfinite(allowed):
                    found.append(
                        Rating(f"{label} {kind}", value, np.asarray(allowed), unit, "brief", name)
                    )
        return [replace(rating, allowed=rating.allowed * t.derating) for rating in found]

    def with_supply_raised(self, rise: float) -> Assessment:
        """Return the stages with every supply raised by a fraction, and no further rise to come."""
        stage = replace(self.stage, supply_V=self.stage.supply_V * (1 + rise))
        follower = self.follower
        if follower is not None:
            after, device = follower
            follower = replace(after, supply_V=after.supply_V * (1 + rise)), device
        targets = replace(self.targets, supply_rise=0.0)
        return replace(self, stage=stage, targets=targets, follower=follower)

    def single(self) -> Assessment:
        """Return the same one stage with the fields of stage and follower as scalars.

        Raises
        ------
        ValueError
            If the batch is not of one stage.
        """
        count = self.point.plate_current_A.size
        if count != 1:
            raise ValueError(f"assessment: a batch of {count}: must be one stage")
        follower = self.follower
        if follower is not None:
            follower = follower[0].reshape(()), follower[1]
        return replace(self, stage=self.stage.reshape(()), follower=follower)

    def __getitem__(self, name: str) -> FloatArray:
        """Return one score of every stage, shape of the batch."""
        value = REGISTRY[name].compute(self)
        return np.broadcast_to(np.asarray(value, float), self.shape)


def assess(stage: Stage, device: Device | str, targets: Targets | None = None) -> Assessment:
    """Return stages with a device, ready to give any score.

    Parameters
    ----------
    stage :
        One stage or a batch: arrays as part values, which broadcast.
    device :
        What amplifies, or its name; ValueError if there is none of that name.
    targets :
        What the stages are measured against; without them only scores that need no target exist.

    Examples
    --------
    A stage with two plate loads; every score is an array of the batch's shape:

    >>> import objectives
    >>> stage = objectives.Stage(
    ...     supply_V=300.0, plate_load_ohm=[100e3, 220e3], cathode_resistor_ohm=1500.0,
    ...     stopper_ohm=68e3, load_ohm=1e6)
    >>> stages = objectives.assess(stage, "12AX7")
    >>> stages["gain_dB"].round(0).tolist()
    [35.0, 37.0]
    """
    amplifier = device_of(device) if isinstance(device, str) else device
    return Assessment(stage, amplifier, targets or Targets())
