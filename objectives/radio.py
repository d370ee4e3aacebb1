"""Radio frequencies at the grid: bands, real resistors, and what the valve detects.

A stopper keeps radio off the grid as long as it is a resistor. Its own capacitance bridges it from
some frequency on; :func:`stopper_limits` says from where, :func:`alternatives` what a smaller body
or a capacitor at the grid would do instead. What gets through is made audible by the curvature of
the valve's own law; :func:`detection` says how loud.
"""

from __future__ import annotations

import tomllib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache
from importlib import resources
from typing import TYPE_CHECKING, Literal, Self, TypeVar

import numpy as np
from numpy.typing import ArrayLike
from pydantic import TypeAdapter, ValidationError
from scipy.optimize import elementwise

from objectives.batch import ComplexArray, FloatArray
from objectives.corners import HALF_POWER_DB, HIGHEST_HZ, level_dB
from objectives.network import Network, SmallSignal
from objectives.noise import to_dBu
from objectives.operating_point import OperatingPoint
from objectives.scores import BAND_POINTS, Assessment, RadioBand, greatest, score_of_facets
from objectives.stage import Stage

if TYPE_CHECKING:
    from objectives.triodes import ConductionLaw

__all__ = [
    "GRID_CAPACITORS_F",
    "QUIETEST_DBU",
    "Alternative",
    "Carrier",
    "Curvature",
    "Detection",
    "ResistorStyle",
    "StandardBand",
    "StopperLimits",
    "Wiring",
    "alternatives",
    "assessed_detection",
    "attenuation_dB",
    "curvature",
    "detected_by_band_dBu",
    "detection",
    "radio_band",
    "radio_bands",
    "resistor_style",
    "resistor_styles",
    "stopper_impedance_ohm",
    "stopper_limits",
    "wire_inductance_H",
    "wiring",
    "wirings",
]

GRID_CAPACITORS_F = (10e-12, 22e-12, 47e-12, 100e-12, 220e-12)
"""Capacitors from grid to ground that :func:`alternatives` tries."""
QUIETEST_DBU = -300.0
"""Detected levels below this are not told apart."""
_POINTS_PER_DECADE = 24
_CHUNK = 256
_T = TypeVar("_T")


# -- tables ----------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Carrier:
    """An amplitude-modulated carrier in series with the source.

    100 mV is a stated example, not a limit from a standard; 30 % is the modulation depth at which
    receivers are customarily measured (common practice, no source).
    """

    emf_V: float = 0.1
    """Root-mean-square EMF (V) of the unmodulated carrier."""
    modulation: float = 0.3
    """Modulation depth, 0 to 1."""
    audio_Hz: float = 1000.0
    """Frequency (Hz) of the modulating tone."""

    def __post_init__(self) -> None:
        for name, value, allowed, good in (
            ("emf_V", self.emf_V, "a finite voltage above 0", 0 < self.emf_V < np.inf),
            ("modulation", self.modulation, "0 to 1", 0 <= self.modulation <= 1),
            ("audio_Hz", self.audio_Hz, "a finite frequency above 0", 0 < self.audio_Hz < np.inf),
        ):
            if not good:
                raise ValueError(f"carrier.{name}: {value!r}: must be {allowed}")


@dataclass(frozen=True)
class StandardBand:
    """A band of the radio spectrum (Hz), who uses it and how it is modulated."""

    key: str
    name: str
    low_Hz: float
    high_Hz: float
    modulation: str
    source: str

    def required(self, attenuation_dB: float) -> RadioBand:
        """Return the band as a target: so many dB of attenuation at the grid."""
        return RadioBand(self.name, self.low_Hz, self.high_Hz, attenuation_dB)


@dataclass(frozen=True)
class Wiring:
    """The capacitance (F) of a cable per metre, or of a piece of wiring."""

    name: str
    capacitance_F: float
    per: Literal["metre", "piece"]
    source: str

    def total_F(self, amount: ArrayLike) -> FloatArray:
        """Return the capacitance (F) of so many metres or pieces."""
        return np.asarray(self.capacitance_F * np.asarray(amount, float))


@dataclass(frozen=True)
class ResistorStyle:
    """What a resistor of one make is besides its resistance; see ``data/resistor_styles.toml``."""

    name: str
    description: str
    power_W: float
    shunt_F: float
    """End-to-end capacitance."""
    lead_H: float
    """Inductance of body and leads in line."""
    source: str
    shunt_range_F: tuple[float, float]
    """What to expect from part to part."""
    body_mm: float | None = None
    lead_mm: float | None = None
    lead_diameter_mm: float | None = None

    def fitted(self, stage: Stage) -> Stage:
        """Return the stage with a stopper of this style and unchanged resistance."""
        return replace(stage, stopper_shunt_F=self.shunt_F, stopper_lead_H=self.lead_H)

    def in_series(self, count: int) -> Self:
        """Return so many of them in line, each with its share of the resistance.

        Raises
        ------
        ValueError
            If ``count`` is less than 1.
        """
        if count < 1:
            raise ValueError(f"count: {count!r}: must be 1 or more")
        low, high = self.shunt_range_F
        return replace(
            self,
            name=self.name if count == 1 else f"{count} x {self.name} in series",
            shunt_F=self.shunt_F / count,
            shunt_range_F=(low / count, high / count),
            lead_H=self.lead_H * count,
            power_W=self.power_W * count,
        )


def _read(file: str, table: str, kind: type[_T]) -> tuple[_T, ...]:
    text = resources.files("objectives").joinpath("data", file).read_text("utf-8")
    try:
        return tuple(TypeAdapter(list[kind]).validate_python(tomllib.loads(text)[table]))  # type: ignore[valid-type]
    except ValidationError as error:
        first = error.errors()[0]
        where = ".".join(str(part) for part in first["loc"])
        raise ValueError(f"{file}: {table}.{where}: {first['input']!r}: {first['msg']}") from None


def _plain(name: str) -> str:
    """Return a name as it is compared: case, spacing and the ways to write a half do not count."""
    text = name.casefold()
    for written, plain in (("½", "1/2"), ("¼", "1/4"), ("ω", "ohm")):
        text = text.replace(written, plain)
    return "".join(c for c in text if c.isalnum() or c == "/")


def _named(field_name: str, name: str, entries: Sequence[_T], names: Callable[[_T], str]) -> _T:
    for entry in entries:
        if _plain(names(entry)) == _plain(name):
            return entry
    known = ", ".join(repr(names(entry)) for entry in entries)
    raise ValueError(f"{field_name}: {name!r}: must be one of {known}")


@cache
def resistor_styles() -> tuple[ResistorStyle, ...]:
    """Return every resistor style of the table."""
    return _read("resistor_styles.toml", "style", ResistorStyle)


def resistor_style(name: str) -> ResistorStyle:
    """Return a style by name, e.g. ``"carbon film 1/2 W"``; case and spacing do not matter.

    Raises
    ------
    ValueError
        If there is none of that name; the message lists those there are.
    """
    return _named("resistor_style", name, resistor_styles(), lambda style: style.name)


@cache
def radio_bands() -> tuple[StandardBand, ...]:
    """Return the standard bands, from long wave to 900 MHz."""
    return _read("radio.toml", "band", StandardBand)


def radio_band(key: str) -> StandardBand:
    """Return a standard band by its key: ``"AM"``, ``"short wave"``, ``"FM"``, ``"900 MHz"`` ...

    Raises
    ------
    ValueError
        If there is none of that key; the message lists those there are.
    """
    return _named("radio_band", key, radio_bands(), lambda band: band.key)


@cache
def wirings() -> tuple[Wiring, ...]:
    """Return the cables and pieces of wiring of the table."""
    return _read("radio.toml", "wiring", Wiring)


def wiring(name: str) -> Wiring:
    """Return a cable or piece of wiring by name, e.g. ``"instrument cable"``.

    Raises
    ------
    ValueError
        If there is none of that name; the message lists those there are.
    """
    return _named("wiring", name, wirings(), lambda entry: entry.name)


def wire_inductance_H(length_m: ArrayLike, diameter_m: ArrayLike) -> FloatArray:
    """Return the partial inductance (H) of a straight round wire at high frequency.

    ``2e-7 l (ln(4 l/d) - 1)``, good where the wire is much longer than thick (from l = 3 d on).

    Raises
    ------
    ValueError
        If a length or a diameter is not positive, or the wire is shorter than three diameters.

    Source: E. B. Rosa, The self and mutual inductances of linear conductors, Bulletin of the Bureau
    of Standards 4, 1908, p. 301 (from memory), with the current in the skin.
    """
    length, diameter = np.asarray(length_m, float), np.asarray(diameter_m, float)
    for name, value in (("length_m", length), ("diameter_m", diameter)):
        if np.any(~(value > 0)):
            raise ValueError(f"{name}: {float(np.min(value))!r}: must be more than 0")
    if np.any(length < 3 * diameter):
        raise ValueError(
            f"length_m: {float(np.min(length))!r}: must be at least three diameters of the wire"
        )
    return np.asarray(2e-7 * length * (np.log(4 * length / diameter) - 1))


# -- rejection -------------------------------------------------------------------------------------


def attenuation_dB(
    stage: Stage, device: SmallSignal, frequency_Hz: ArrayLike, reference_Hz: float
) -> FloatArray:
    """Return how far (dB) the grid is below its level at the reference, shape (..., frequencies).

    Both levels are relative to the source's EMF; negative where the grid has more than at the
    reference frequency.
    """
    f = np.atleast_1d(np.asarray(frequency_Hz, float))
    swept = level_dB(Network(stage.expand(), device.expand(), f), "grid")
    return level_dB(Network(stage, device, reference_Hz), "grid")[..., None] - swept


def stopper_impedance_ohm(stage: Stage, frequency_Hz: ArrayLike) -> ComplexArray:
    """Return the stopper's impedance (ohm) with its own capacitance and inductance."""
    s = 2j * np.pi * np.asarray(frequency_Hz, float)
    r = np.asarray(stage.stopper_ohm, float)
    return np.asarray(
        r / (1 + s * r * np.asarray(stage.stopper_shunt_F)) + s * np.asarray(stage.stopper_lead_H)
    )


@dataclass(frozen=True)
class StopperLimits:
    """Up to where the stopper works, shape of the stage; inf: beyond 10 GHz."""

    impedance_Hz: FloatArray
    """Where its impedance is 3.01 dB off its resistance, by its capacitance or its inductance."""
    rejection_Hz: FloatArray
    """Where the attenuation at the grid is 3.01 dB off that of an ideal resistor in its place.

    Off either way: past a lead resonance the real part may for a while attenuate more.
    """
    greatest_dB: FloatArray
    """The most attenuation at any frequency up to 1 GHz."""
    greatest_Hz: FloatArray
    """Where that is: from here on the attenuation has stopped rising."""


def stopper_limits(stage: Stage, device: SmallSignal, reference_Hz: float) -> StopperLimits:
    """Find up to where the stopper is a resistor, and where the attenuation stops rising.

    Swept 24 times a decade from the reference frequency to 10 GHz, the first crossing refined by
    root finding. A stage without a stopper has limits of inf.
    """
    shape = np.broadcast_shapes(stage.shape, device.shape)
    stages = stage.map(lambda a: np.broadcast_to(a, shape).ravel())
    devices = device.map(lambda a: np.broadcast_to(a, shape).ravel())
    count = int(np.prod(shape))
    decades = np.log10(HIGHEST_HZ / reference_Hz)
    f = np.geomspace(reference_Hz, HIGHEST_HZ, 1 + int(np.ceil(decades * _POINTS_PER_DECADE)))

    def impedance_off(log2_f: FloatArray, which: FloatArray) -> FloatArray:
        own = stages.at(which.astype(np.intp))
        r = np.asarray(own.stopper_ohm)
        z = np.abs(stopper_impedance_ohm(own, 2.0**log2_f))
        off = 20 * np.log10(np.where(r > 0, z, 1.0) / np.where(r > 0, r, 1.0))
        return np.asarray(np.abs(off) - HALF_POWER_DB)

    def rejection_off(log2_f: FloatArray, which: FloatArray) -> FloatArray:
        own, valve = stages.at(which.astype(np.intp)), devices.at(which.astype(np.intp))
        ideal = replace(own, stopper_shunt_F=0.0, stopper_lead_H=0.0)
        here = 2.0**log2_f
        off = level_dB(Network(own, valve, here), "grid") - level_dB(
            Network(ideal, valve, here), "grid"
        )
        fitted = np.asarray(own.stopper_ohm) > 0
        return np.asarray(np.where(fitted, np.abs(off), 0.0) - HALF_POWER_DB)

    slow = f[f <= 1e9]
    attenuation = np.empty((count, slow.size))
    for start in range(0, count, _CHUNK):
        some = slice(start, start + _CHUNK)
        attenuation[some] = attenuation_dB(stages.at(some), devices.at(some), slow, reference_Hz)
    best = attenuation.argmax(axis=-1)
    return StopperLimits(
        impedance_Hz=_first_crossing_Hz(impedance_off, f, count).reshape(shape),
        rejection_Hz=_first_crossing_Hz(rejection_off, f, count).reshape(shape),
        greatest_dB=attenuation.max(axis=-1).reshape(shape),
        greatest_Hz=f[best].reshape(shape),
    )


def _first_crossing_Hz(
    excess: Callable[[FloatArray, FloatArray], FloatArray], f: FloatArray, count: int
) -> FloatArray:
    """Return for each of ``count`` stages where ``excess`` first turns positive; inf if nowhere."""
    log2_f = np.log2(f)
    result = np.full(count, np.inf)
    # Sweep some hundreds of stages at a time: each takes a few kB an array.
    for start in range(0, count, _CHUNK):
        which = np.arange(start, min(start + _CHUNK, count), dtype=float)
        over = excess(log2_f, which[:, None]) > 0
        result[which[over[:, 0]].astype(np.intp)] = f[0]
        first = over.argmax(axis=-1)
        at = np.flatnonzero(first > 0)
        if not at.size:
            continue
        root = elementwise.find_root(
            excess,
            (log2_f[first[at] - 1], log2_f[first[at]]),
            args=(which[at],),
            tolerances={"xatol": 1e-9, "xrtol": 0.0, "fatol": 0.0, "frtol": 0.0},
        )
        result[which[at].astype(np.intp)] = 2.0 ** np.asarray(root.x)
    return result


@dataclass(frozen=True)
class Alternative:
    """One other way to keep radio off the grid of one stage, and what it costs."""

    label: str
    stopper_shunt_F: float
    stopper_lead_H: float
    grid_capacitor_F: float
    input_corner_Hz: float
    upper_corner_Hz: float
    stopper_limit_Hz: float
    worst_margin_dB: float
    """Over the targets' bands; nan without any."""
    worst_band: str
    attenuation_dB: Mapping[str, float]
    """Least over each of the targets' bands, by the band's name."""
    detected_dBu: float
    """Audio left by the carrier in the worst band; nan without any."""


def alternatives(
    assessment: Assessment,
    *,
    styles: Sequence[ResistorStyle] | None = None,
    grid_capacitors_F: Sequence[float] = GRID_CAPACITORS_F,
) -> list[Alternative]:
    """Try other stopper styles and capacitors at the grid on one stage, resistance unchanged.

    The first row is the stage as it is; then the styles of the table (two quarter-watt parts in
    series among them), then a second small capacitor from grid to ground. All are worked out as one
    batch.

    Raises
    ------
    ValueError
        If the assessment is not of one stage.
    """
    one = assessment.single()
    stage = one.stage
    if styles is None:
        styles = (*resistor_styles(), resistor_style("carbon film 1/4 W").in_series(2))
    rows: list[tuple[str, dict[str, float]]] = [("as it is", {})]
    if float(np.ravel(stage.stopper_ohm)[0]) > 0:
        rows += [
            (style.name, {"stopper_shunt_F": style.shunt_F, "stopper_lead_H": style.lead_H})
            for style in styles
        ]
    fitted_F = float(np.ravel(stage.grid_capacitor_F)[0])
    rows += [
        (
            f"{added_F * 1e12:g} pF more from grid to ground",
            {"grid_capacitor_F": fitted_F + added_F},
        )
        for added_F in grid_capacitors_F
    ]
    names = ("stopper_shunt_F", "stopper_lead_H", "grid_capacitor_F")
    varied = {
        name: np.array([change.get(name, getattr(stage, name)) for _, change in rows], float)
        for name in names
    }
    batch = replace(one, stage=replace(stage, **varied))
    limits = stopper_limits(batch.loaded, batch.linear, batch.targets.reference_Hz)
    margins = batch.radio_margins_dB
    bands = list(margins)
    table = np.array([margins[name] for name in bands]) if bands else np.zeros((0, len(rows)))
    detected = batch["detected_radio_dBu"] if bands else np.full(len(rows), np.nan)
    upper, inputs = batch["upper_corner_Hz"], batch["input_corner_Hz"]
    return [
        Alternative(
            label=label,
            **{name: float(varied[name][at]) for name in names},
            input_corner_Hz=float(inputs[at]),
            upper_corner_Hz=float(upper[at]),
            stopper_limit_Hz=float(limits.rejection_Hz[at]),
            worst_margin_dB=float(table[:, at].min()) if bands else float("nan"),
            worst_band=bands[int(table[:, at].argmin())] if bands else "",
            attenuation_dB={
                band.name: float(margins[band.name][at]) + band.attenuation_dB
                for band in batch.targets.radio_bands
            },
            detected_dBu=float(detected[at]),
        )
        for at, (label, _) in enumerate(rows)
    ]


# -- detection -------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Curvature:
    """Second partial derivatives of a law's currents (A/V^2), shape of the voltages."""

    plate_by_grid: FloatArray
    """Of plate current by grid voltage twice: the slope of the transconductance."""
    plate_mixed: FloatArray
    """By grid and plate voltage: how the transconductance moves with the plate."""
    plate_by_plate: FloatArray
    grid_by_grid: FloatArray
    grid_mixed: FloatArray
    grid_by_plate: FloatArray


def curvature(law: ConductionLaw, grid_V: ArrayLike, plate_V: ArrayLike) -> Curvature:
    """Return the second derivatives at grid and plate voltages (V) relative to the cathode.

    The law's exact first derivatives are differenced once, with the five-point central formula, so
    any law serves; steps of 2 mV at the grid and a thousandth of the plate voltage are small
    against the volts over which a law bends and leave at least seven good digits.

    Source: M. Abramowitz, I. A. Stegun, Handbook of Mathematical Functions, 1964, table 25.2 (from
    memory).
    """
    vg, vp = np.asarray(grid_V, float), np.asarray(plate_V, float)
    at_grid = np.full_like(vg, 2e-3)
    at_plate = 1e-3 * np.maximum(np.abs(vp), 1.0)

    def slopes(plus_g: ArrayLike, plus_p: ArrayLike) -> FloatArray:
        _, gm, gp = law.linearise(vg + plus_g, vp + plus_p)
        _, gg, ggp = law.linearise_grid(vg + plus_g, vp + plus_p)
        return np.stack(np.broadcast_arrays(gm, gp, gg, ggp))

    def by(h: FloatArray, along: Callable[[FloatArray], FloatArray]) -> FloatArray:
        near, far = along(h) - along(-h), along(2 * h) - along(-2 * h)
        return np.asarray((8 * near - far) / (12 * h))

    zero = np.zeros(())
    gm_g, _, gg_g, _ = by(at_grid, lambda h: slopes(h, zero))
    gm_p, gp_p, gg_p, ggp_p = by(at_plate, lambda h: slopes(zero, h))
    return Curvature(gm_g, gm_p, gp_p, gg_g, gg_p, ggp_p)


@dataclass(frozen=True)
class Detection:
    """What a carrier leaves behind as audio, shape (..., frequencies)."""

    frequency_Hz: FloatArray
    """Carrier frequencies, shape (frequencies,)."""
    grid_cathode_V: FloatArray
    """Root-mean-square carrier between grid and cathode."""
    plate_cathode_V: FloatArray
    """Root-mean-square carrier between plate and cathode."""
    input_V: FloatArray
    """Root-mean-square audio at the modulating frequency, referred to the source's EMF."""
    grid_curve_only_V: FloatArray
    """The same with the curvature along the grid voltage alone: (m/2)(gm'/gm)|Vgk|^2 referred."""
    second_harmonic_ratio: float
    """Second harmonic of the tone over the tone: m/4 for a square law."""

    @property
    def level_dBu(self) -> FloatArray:
        """The audio in dBu, not below :data:`QUIETEST_DBU`."""
        return np.maximum(to_dBu(np.maximum(self.input_V, 1e-30)), QUIETEST_DBU)


def detection(
    stage: Stage,
    device: SmallSignal,
    point: OperatingPoint,
    law: ConductionLaw,
    frequency_Hz: ArrayLike,
    carrier: Carrier | None = None,
) -> Detection:
    """Estimate the audio that an amplitude-modulated carrier leaves by square-law detection.

    With v and u the carrier between grid or plate and cathode, the second-order part of the plate
    current is ``gm' v^2/2 + gm_p v u + gp' u^2/2`` (gm' and so on: :class:`Curvature`). Averaged
    over a cycle of carriers with peak phasors V and U it is Q/4 with
    ``Q = gm' |V|^2 + 2 gm_p Re(V U*) + gp' |U|^2``. An envelope ``1 + m cos(W t)`` multiplies it by
    ``(1 + m cos)^2``, whose part at W is ``2 m cos``: a current of peak ``m Q/2`` from plate to
    cathode at the audio frequency, as if a voltage ``m Q/(2 gm)`` stood in series with the grid.
    The curvature of the grid current makes a second one, from grid to cathode. The exact network
    carries both to the output; divided by its gain at the audio frequency they compare with a
    signal at the source.

    At radio frequencies the plate is nearly a short through its capacitance, so U is small and the
    terms with it are too (they are kept). Left out: what fourth and higher orders add, which is
    little while the carrier is small against the volts over which the curve bends.

    Parameters
    ----------
    stage, device, point, law :
        Batch, its linear device, operating points and equation.
    frequency_Hz :
        Carrier frequencies.
    carrier :
        EMF, modulation depth and tone; the customary one if None.

    Source: square-law detection as in e.g. F. E. Terman, Radio Engineers' Handbook, 1943, sec. 7
    (from memory), here with the mixed terms written out.
    """
    wave = carrier or Carrier()
    f = np.atleast_1d(np.asarray(frequency_Hz, float))
    radio = Network(stage.expand(), device.expand(), f)
    peak = np.sqrt(2) * wave.emf_V
    v = peak * (radio.grid - radio.cathode)
    u = peak * (radio.plate - radio.cathode)
    bend = curvature(law, point.grid_cathode_V, point.plate_cathode_V)
    vv, vu, uu = np.abs(v) ** 2, 2 * (v * u.conj()).real, np.abs(u) ** 2

    def current(gg: FloatArray, gp: FloatArray, pp: FloatArray) -> FloatArray:
        q = gg[..., None] * vv + gp[..., None] * vu + pp[..., None] * uu
        return np.asarray(wave.modulation / 2 * q / np.sqrt(2))

    in_plate = current(bend.plate_by_grid, bend.plate_mixed, bend.plate_by_plate)
    in_grid = current(bend.grid_by_grid, bend.grid_mixed, bend.grid_by_plate)
    audio = Network(stage, device, wave.audio_Hz)
    gm = np.asarray(device.transconductance_S, float)
    gain = np.abs(audio.output)
    # Without transconductance the plate current has no curvature either.
    per_plate_A = audio.output_of("device") / np.where(gm > 0, gm, 1.0)
    per_grid_A = audio.output_of("grid_current")

    def referred(at_output: ComplexArray | FloatArray) -> FloatArray:
        # A stage that passes nothing has no level to refer to: inf.
        size, out = np.abs(at_output), gain[..., None]
        return np.asarray(np.divide(size, out, out=np.full(size.shape, np.inf), where=out > 0))

    both = in_plate * per_plate_A[..., None] + in_grid * per_grid_A[..., None]
    zero = np.zeros_like(bend.plate_by_grid)
    grid_only = current(bend.plate_by_grid, zero, zero) * per_plate_A[..., None]
    return Detection(
        frequency_Hz=f,
        grid_cathode_V=np.asarray(np.abs(v) / np.sqrt(2)),
        plate_cathode_V=np.asarray(np.abs(u) / np.sqrt(2)),
        input_V=referred(both),
        grid_curve_only_V=referred(grid_only),
        second_harmonic_ratio=wave.modulation / 4,
    )


def assessed_detection(a: Assessment, frequency_Hz: ArrayLike | None = None) -> Detection:
    """Return :func:`detection` of a batch with its targets' carrier.

    Without frequencies those of the targets' radio bands are taken, :data:`BAND_POINTS` to a band,
    band by band.

    Raises
    ------
    ValueError
        If no frequencies are given and the targets have no radio bands.
    """
    if frequency_Hz is None:
        bands = a.targets.radio_bands
        if not bands:
            raise ValueError("targets.radio_bands: not given: detection needs at least one")
        frequency_Hz = np.concatenate(
            [np.geomspace(band.low_Hz, band.high_Hz, BAND_POINTS) for band in bands]
        )
    return detection(a.loaded, a.linear, a.point, a.device.law, frequency_Hz, a.targets.carrier)


def detected_by_band_dBu(a: Assessment) -> dict[str, FloatArray]:
    """Return for each radio band of the targets the loudest audio (dBu) of a carrier in it."""
    level = assessed_detection(a).level_dBu
    per_band = level.reshape(*level.shape[:-1], -1, BAND_POINTS).max(axis=-1)
    return {band.name: per_band[..., at] for at, band in enumerate(a.targets.radio_bands)}


@score_of_facets(
    "detected_radio_dBu", "dBu", "minimise",
    "loudest audio that a carrier in the radio bands leaves by detection, referred to the source",
    greatest,
    source="square law of the device's own curve at its operating point",
    requires=("radio_bands",),
)  # fmt: skip
def _detected(a: Assessment) -> Sequence[FloatArray]:
    return tuple(np.minimum(level, -QUIETEST_DBU) for level in detected_by_band_dBu(a).values())
