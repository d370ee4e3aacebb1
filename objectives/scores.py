"""The scores: named, united, directed numbers of a stage, in one registry.

A new score is one function of an :class:`Assessment` and one :func:`score` entry, or
:func:`score_of_facets` where it has a kink.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import TYPE_CHECKING, Literal

import numpy as np

from objectives.batch import FloatArray
from objectives.corners import HIGHEST_HZ, corner_frequency, level_dB
from objectives.device import Device, Rating, small_signal
from objectives.network import Network, SmallSignal
from objectives.noise import NoiseBudget, noise_budget
from objectives.operating_point import OperatingPoint, operating_point
from objectives.stage import Stage
from objectives.surroundings import (
    CathodeFollower,
    FollowerPoint,
    coupled_operating_point,
    with_follower,
)

if TYPE_CHECKING:
    from objectives.large_scores import Drive
    from objectives.radio import Carrier
    from objectives.tolerance import ToleranceSetup

__all__ = [
    "BAND_POINTS",
    "REGISTRY",
    "Assessment",
    "PartRating",
    "RadioBand",
    "Score",
    "Targets",
    "departure_percent",
    "greatest",
    "least",
    "magnitude",
    "score",
    "score_of_facets",
]

Direction = Literal["maximise", "minimise", "neither"]
Combine = Callable[[Sequence[FloatArray]], FloatArray]
BAND_POINTS = 9
"""Frequencies at which a radio band is sampled, spread evenly in log f, both edges included."""


@dataclass(frozen=True)
class RadioBand:
    """A band (Hz) in which the grid must be attenuated by at least so many dB."""

    name: str
    low_Hz: float
    high_Hz: float
    attenuation_dB: float


@dataclass(frozen=True)
class PartRating:
    """Maximum power (W) and voltage (V) of a fitted resistor; inf where not stated."""

    power_W: float = np.inf
    voltage_V: float = np.inf


@dataclass(frozen=True)
class Targets:
    """What the stage is measured against."""

    reference_Hz: float = 1000.0
    temperature_K: float = 300.0
    noise_band_Hz: tuple[float, float] = (20.0, 20e3)
    input_corner_Hz: float | None = None
    radio_bands: tuple[RadioBand, ...] = ()
    preferred: Mapping[str, FloatArray] = field(default_factory=dict)
    """For each varied part (a field of Stage) the values that count as preferred."""
    prices: Mapping[str, tuple[FloatArray, FloatArray]] = field(default_factory=dict)
    """For each varied part the values of the drawer (ascending) and the price of each."""
    part_ratings: Mapping[str, PartRating] = field(default_factory=dict)
    """Ratings of ``plate_load_ohm``, ``cathode_resistor_ohm``, ``cathode_unbypassed_ohm``."""
    derating: float = 1.0
    """Share of every rating that may be used."""
    supply_rise: float = 0.0
    """Ratings are checked with the supply this much (a fraction) above its voltage."""
    tolerance: ToleranceSetup | None = None
    """Spreads, windows and draws of the tolerance yield."""
    drive: Drive | None = None
    """The signal, and the stage it comes from, under which large-signal scores are stated."""
    carrier: Carrier | None = None
    """The radio carrier that detection is stated for; None: the customary one."""


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
    def noise(self) -> NoiseBudget:
        """A-weighted noise referred to the source."""
        t = self.targets
        return noise_budget(
            self.loaded,
            self.linear,
            self.device.noise(self.point, t.temperature_K),
            # What a follower's grid takes is no resistor and makes no thermal noise.
            thermal_load_ohm=self.stage.load_ohm,
            reference_Hz=t.reference_Hz,
            temperature_K=t.temperature_K,
            band_Hz=t.noise_band_Hz,
        )

    @cached_property
    def radio_margins_dB(self) -> dict[str, FloatArray]:
        """For each band the least attenuation at the grid, less what is required.

        Each band is sampled at :data:`BAND_POINTS` frequencies.
        """
        bands = self.targets.radio_bands
        if not bands:
            return {}
        f = np.concatenate([np.geomspace(band.low_Hz, band.high_Hz, BAND_POINTS) for band in bands])
        swept = level_dB(Network(self.loaded.expand(), self.linear.expand(), f), "grid")
        attenuation = level_dB(self.reference, "grid")[..., None] - swept
        per_band = attenuation.reshape(*attenuation.shape[:-1], len(bands), BAND_POINTS)
        worst = per_band.min(axis=-1)
        return {band.name: worst[..., at] - band.attenuation_dB for at, band in enumerate(bands)}

    @cached_property
    def ratings(self) -> list[Rating]:
        """Every rating of the valve and of the rated resistors."""
        t, stage, point = self.targets, self.stage, self.point
        if t.supply_rise > 0:
            raised = replace(
                stage, supply_V=np.asarray(stage.supply_V, float) * (1 + t.supply_rise)
            )
            high = replace(self, stage=raised, targets=replace(t, supply_rise=0.0))
            if self.follower is not None:
                after, device = self.follower
                up = np.asarray(after.supply_V, float) * (1 + t.supply_rise)
                high = replace(high, follower=(replace(after, supply_V=up), device))
            return high.ratings
        found = list(self.device.ratings(stage, point))
        if self.follower is not None and self.coupled is not None:
            after, device = self.follower
            found += [
                replace(rating, name=f"follower {rating.name}")
                for rating in device.ratings(after.as_stage(), self.coupled[1].point)
            ]
        for name, current in (
            ("plate_load_ohm", point.supply_current_A),
            ("cathode_resistor_ohm", point.cathode_current_A),
            ("cathode_unbypassed_ohm", point.cathode_current_A),
        ):
            limit = t.part_ratings.get(name)
            if limit is None:
                continue
            across = current * np.asarray(getattr(stage, name))
            label = name.removesuffix("_ohm")
            for kind, value, allowed, unit in (
                ("power", across * current, limit.power_W, "W"),
                ("voltage", across, limit.voltage_V, "V"),
            ):
                if np.isfinite(allowed):
                    found.append(
                        Rating(f"{label} {kind}", value, np.asarray(allowed), unit, "brief")
                    )
        return [Rating(r.name, r.value, r.allowed * t.derating, r.unit, r.source) for r in found]

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
            follower = follower[0].map(lambda a: a.reshape(())), follower[1]
        return replace(self, stage=self.stage.map(lambda a: a.reshape(())), follower=follower)

    def __getitem__(self, name: str) -> FloatArray:
        """Return one score of every stage, shape of the batch."""
        value = REGISTRY[name].compute(self)
        return np.broadcast_to(np.asarray(value, float), self.point.plate_current_A.shape)


def _only(parts: Sequence[FloatArray]) -> FloatArray:
    return parts[0]


@dataclass(frozen=True)
class Score:
    """One named number of a stage."""

    name: str
    unit: str
    direction: Direction
    meaning: str
    source: str
    facets: Callable[[Assessment], Sequence[FloatArray]] = field(repr=False)
    """What the score is made of: numbers that vary smoothly with the parts of the stage."""
    combine: Combine = field(default=_only, repr=False)
    """Makes the score of its facets, and may have a kink: the least of several, a distance."""
    requires: frozenset[str] = frozenset()
    """Fields of :class:`Targets` without which the score has no meaning."""
    costly: bool = False
    """Whether it takes milliseconds a stage or more; then it is not shown for a whole front."""
    of_stock: bool = False
    """Whether it is of the parts as they are bought, so that a built stage has none of its own."""

    def compute(self, assessment: Assessment) -> FloatArray:
        """Return the score of every stage, a shape that broadcasts to the batch."""
        return self.combine(self.facets(assessment))

    @property
    def label(self) -> str:
        """The name in words, without its unit: 'input corner error'."""
        suffix = f"_{self.name.rsplit('_', 1)[-1]}"
        return self.name.removesuffix(suffix).replace("_", " ").replace("rf ", "RF ")


REGISTRY: dict[str, Score] = {}


_One = Callable[["Assessment"], FloatArray]
_Several = Callable[["Assessment"], Sequence[FloatArray]]


def least(parts: Sequence[FloatArray]) -> FloatArray:
    """Return the least of several arrays, element by element."""
    return np.asarray(np.min(np.broadcast_arrays(*parts), axis=0))


def greatest(parts: Sequence[FloatArray]) -> FloatArray:
    """Return the greatest of several arrays, element by element."""
    return np.asarray(np.max(np.broadcast_arrays(*parts), axis=0))


def magnitude(parts: Sequence[FloatArray]) -> FloatArray:
    """Return the magnitude of the only array."""
    return np.abs(parts[0])


def score(
    name: str,
    unit: str,
    direction: Direction,
    meaning: str,
    source: str = "definition",
    requires: tuple[str, ...] = (),
    costly: bool = False,
    of_stock: bool = False,
) -> Callable[[_One], _One]:
    """Enter a function into the registry under ``name`` (which ends in its unit)."""

    def enter(compute: _One) -> _One:
        _enter(
            Score(
                name, unit, direction, meaning, source, lambda a: (compute(a),), _only,
                frozenset(requires), costly, of_stock,
            )
        )  # fmt: skip
        return compute

    return enter


def score_of_facets(
    name: str,
    unit: str,
    direction: Direction,
    meaning: str,
    combine: Combine,
    source: str = "definition",
    requires: tuple[str, ...] = (),
) -> Callable[[_Several], _Several]:
    """Enter a score with a kink: the function returns what is smooth, ``combine`` the score."""

    def enter(facets: _Several) -> _Several:
        _enter(Score(name, unit, direction, meaning, source, facets, combine, frozenset(requires)))
        return facets

    return enter


def _enter(entry: Score) -> None:
    if entry.name in REGISTRY:
        raise ValueError(f"score {entry.name!r} is registered already")
    REGISTRY[entry.name] = entry


@score("gain_dB", "dB", "maximise", "source to output, at the reference frequency")
def _gain(a: Assessment) -> FloatArray:
    return level_dB(a.reference, "output")


@score("plate_gain_dB", "dB", "maximise", "grid to plate, at the reference frequency")
def _plate_gain(a: Assessment) -> FloatArray:
    return level_dB(a.reference, "plate") - level_dB(a.reference, "grid")


@score(
    "input_corner_Hz", "Hz", "neither",
    "where the voltage at the grid is 3.01 dB under its reference level",
)  # fmt: skip
def _input_corner(a: Assessment) -> FloatArray:
    return np.minimum(a.input_corner_Hz, HIGHEST_HZ)


@score_of_facets(
    "input_corner_error_octaves", "octaves", "minimise",
    "distance of the input corner from its target, |log2(f/target)|",
    magnitude,
    requires=("input_corner_Hz",),
)  # fmt: skip
def _input_corner_error(a: Assessment) -> Sequence[FloatArray]:
    target = a.targets.input_corner_Hz
    if target is None:
        raise ValueError("targets.input_corner: not given: input_corner_error_octaves needs it")
    return (np.log2(_input_corner(a) / target),)


@score("lower_corner_Hz", "Hz", "minimise", "lower -3.01 dB frequency, source to output")
def _lower_corner(a: Assessment) -> FloatArray:
    return a.output_corners_Hz[0]


@score("upper_corner_Hz", "Hz", "maximise", "upper -3.01 dB frequency, source to output")
def _upper_corner(a: Assessment) -> FloatArray:
    return np.minimum(a.output_corners_Hz[1], HIGHEST_HZ)


@score_of_facets(
    "rf_margin_dB", "dB", "maximise",
    "least attenuation at the grid over the radio bands, less what is required",
    least,
    requires=("radio_bands",),
)  # fmt: skip
def _rf_margin(a: Assessment) -> Sequence[FloatArray]:
    if not a.radio_margins_dB:
        raise ValueError("targets.radio_bands: not given: rf_margin_dB needs at least one")
    return tuple(a.radio_margins_dB.values())


@score(
    "noise_dBu", "dBu", "minimise", "A-weighted noise referred to the source",
    source="IEC 61672-1 weighting; Nyquist 1928; device noise as its table entry says",
)  # fmt: skip
def _noise(a: Assessment) -> FloatArray:
    return a.noise.total_dBu


def departure_percent(a: Assessment) -> FloatArray:
    """Return 100 |ln(value/nearest preferred value)| per varied part, shape (..., parts)."""
    shape = a.stage.shape
    columns = []
    for part, preferred in a.targets.preferred.items():
        value = np.broadcast_to(np.asarray(getattr(a.stage, part), float), shape)
        usable = np.isfinite(value) & (value > 0)  # none, full and direct are not part values
        logs = np.log(preferred)
        at = np.log(np.where(usable, value, preferred[0]))
        right = np.clip(np.searchsorted(logs, at), 1, len(logs) - 1) if len(logs) > 1 else 0
        near = np.minimum(np.abs(at - logs[right]), np.abs(at - logs[np.maximum(right - 1, 0)]))
        columns.append(np.where(usable, 100 * near, 0.0))
    return np.stack(columns, axis=-1) if columns else np.zeros((*shape, 1))


@score(
    "series_departure_percent", "%", "minimise",
    "largest distance of a varied part from its nearest preferred value, |ln ratio|",
    source="IEC 60063 for the preferred values",
    of_stock=True,
)  # fmt: skip
def _departure(a: Assessment) -> FloatArray:
    # A value of the series may differ from it by rounding in its last digit: no departure.
    return np.asarray(np.round(departure_percent(a).max(axis=-1), 9))


@score(
    "series_departure_rms_percent", "%", "minimise",
    "root-mean-square distance of the varied parts from their nearest preferred values",
    source="IEC 60063 for the preferred values",
    of_stock=True,
)  # fmt: skip
def _departure_rms(a: Assessment) -> FloatArray:
    return np.asarray(np.round(np.sqrt(np.mean(departure_percent(a) ** 2, axis=-1)), 9))


def _of_point(name: str, unit: str, attribute: str, meaning: str) -> None:
    def compute(a: Assessment) -> FloatArray:
        return np.asarray(getattr(a.point, attribute))

    score(name, unit, "neither", meaning)(compute)


_of_point("plate_current_A", "A", "plate_current_A", "quiescent plate current")
_of_point("plate_voltage_V", "V", "plate_V", "quiescent plate voltage to ground")
_of_point("plate_cathode_voltage_V", "V", "plate_cathode_V", "quiescent plate-cathode voltage")
_of_point("cathode_voltage_V", "V", "cathode_V", "quiescent cathode voltage to ground")
_of_point("grid_cathode_voltage_V", "V", "grid_cathode_V", "quiescent grid-cathode voltage")
_of_point("plate_dissipation_W", "W", "plate_dissipation_W", "quiescent plate dissipation")
_of_point("transconductance_S", "S", "transconductance_S", "transconductance at the point")
_of_point("plate_resistance_ohm", "ohm", "plate_resistance_ohm", "plate resistance at the point")
_of_point(
    "amplification_factor_ratio", "", "amplification_factor", "amplification factor at the point"
)


@score(
    "input_capacitance_F", "F", "minimise",
    "capacitance looking into the grid at the reference frequency, Miller effect included",
)  # fmt: skip
def _input_capacitance(a: Assessment) -> FloatArray:
    return a.reference.input_admittance_S.imag / (2 * np.pi * a.targets.reference_Hz)


@score(
    "output_resistance_ohm", "ohm", "minimise",
    "magnitude of the impedance that the load looks back into, at the reference frequency",
)  # fmt: skip
def _output_resistance(a: Assessment) -> FloatArray:
    # A volt in series with a load resistor R gives V(o) = Zrest/(R + Zrest) with the capacitance
    # of the load counted in the rest; measured with a large R that does not load the stage.
    probe = 1e12
    network = Network(replace(a.loaded, load_ohm=probe), a.linear, a.targets.reference_Hz)
    return np.abs(network.output_of("load")) * probe
