"""A batch of stages with a device and targets: everything about them, worked out when asked for."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from objectives.arrays import FloatArray
from objectives.circuit.corners import corner_frequency
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
from objectives.radio.attenuation import attenuation_dB
from objectives.scores.registry import REGISTRY
from objectives.stage import Stage
from objectives.targets import BAND_POINTS, Targets
from objectives.textbook import TextbookEstimate, textbook_estimate
from objectives.transient.cascade import CascadeStage
from objectives.transient.driven import DrivenStages
from objectives.transient.headroom import Headroom, headroom


@dataclass(frozen=True)
class Assessment:
    """A batch of stages with one device, everything worked out once and only when asked for."""

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

    @cached_property
    def reference(self) -> Network:
        """The network at the reference frequency."""
        return Network(self.loaded, self.linear, self.targets.reference_Hz)

    @cached_property
    def input_corner_Hz(self) -> FloatArray:
        """Where |Vg/Vs| is half a power below its reference level; inf where nowhere."""
        return corner_frequency(
            self.loaded, self.linear, "grid", self.targets.reference_Hz, upper=True
        )

    @cached_property
    def output_corners_Hz(self) -> tuple[FloatArray, FloatArray]:
        """Lower and upper half-power frequencies of the whole stage."""
        low, high = (
            corner_frequency(
                self.loaded, self.linear, "output", self.targets.reference_Hz, upper=upper
            )
            for upper in (False, True)
        )
        return low, high

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
            self.loaded,
            self.linear,
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
        network = Network(self.loaded, self.linear, ripple.frequency_Hz)
        return ripple.voltage_V * np.abs(network.output_of("decoupling"))

    @cached_property
    def radio_margins_dB(self) -> dict[str, FloatArray]:
        """For each band that is scored the least attenuation at the grid, less what is required.

        Each is sampled at :data:`BAND_POINTS` frequencies.
        """
        bands = self.targets.scored_bands
        if not bands:
            return {}
        f = np.concatenate([band.frequencies_Hz for band in bands])
        attenuation = attenuation_dB(self.loaded, self.linear, f, self.targets.carrier.arrival)
        per_band = attenuation.reshape(*attenuation.shape[:-1], len(bands), BAND_POINTS)
        worst = per_band.min(axis=-1)
        return {band.name: worst[..., at] - band.attenuation_dB for at, band in enumerate(bands)}

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
        return np.broadcast_to(np.asarray(value, float), self.point.plate_current_A.shape)


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
