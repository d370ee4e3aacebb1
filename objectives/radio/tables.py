"""Tables of what one buys and meets: radio bands, resistor styles, cables and wiring."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cache
from importlib import resources
from typing import Literal, Self, TypeVar

import numpy as np
from numpy.typing import ArrayLike
from pydantic import TypeAdapter, ValidationError

from objectives.arrays import FloatArray
from objectives.checks import one_of, require
from objectives.stage import Stage
from objectives.targets import RadioBand

_T = TypeVar("_T")


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
        return self.capacitance_F * np.asarray(amount, float)


@dataclass(frozen=True)
class ResistorStyle:
    """What a resistor of one make is besides its resistance; see ``data/resistor_styles.toml``."""

    name: str
    description: str
    power_W: float
    shunt_F: float
    """End-to-end capacitance."""
    lead_H: float
    """Inductance of body and leads in series."""
    source: str
    shunt_range_F: tuple[float, float]
    """What to expect from part to part."""
    tolerance: float
    """Of the resistance, plus and minus (a fraction), as the style is commonly sold."""
    excess_noise_per_V: float
    """R.m.s. excess noise in a decade of frequency over the direct voltage across it (V/V)."""
    excess_range_per_V: tuple[float, float]
    """What to expect from part to part."""
    body_mm: float | None = None
    lead_mm: float | None = None
    lead_diameter_mm: float | None = None

    def fitted(self, stage: Stage) -> Stage:
        """Return the stage with a stopper of this style and unchanged resistance."""
        return replace(stage, stopper_shunt_F=self.shunt_F, stopper_lead_H=self.lead_H)

    def in_series(self, count: int) -> Self:
        """Return so many of them in series, each with its share of the resistance.

        Raises
        ------
        ValueError
            If ``count`` is less than 1.
        """
        require("count", count, count >= 1, "1 or more")
        low, high = self.shunt_range_F
        # Each has its share of the voltage, and their noises do not know of each other.
        quiet, loud = self.excess_range_per_V
        return replace(
            self,
            name=self.name if count == 1 else f"{count} x {self.name} in series",
            shunt_F=self.shunt_F / count,
            shunt_range_F=(low / count, high / count),
            lead_H=self.lead_H * count,
            excess_noise_per_V=self.excess_noise_per_V / np.sqrt(count),
            excess_range_per_V=(quiet / np.sqrt(count), loud / np.sqrt(count)),
            power_W=self.power_W * count,
        )


@dataclass(frozen=True)
class CapacitorStyle:
    """What a small capacitor of one make is besides its capacitance."""

    name: str
    description: str
    lead_H: float
    """Inductance of body and leads in series."""
    source: str
    body_mm: float | None = None
    lead_mm: float | None = None
    lead_diameter_mm: float | None = None


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


def _named(field: str, name: str, entries: Mapping[str, _T]) -> _T:
    """Return the entry of a name, which may be written with other case and spacing."""
    plain = {_plain(known): known for known in entries}
    known = plain.get(_plain(name), name)
    one_of(field, known, entries)
    return entries[known]


@cache
def resistor_styles() -> tuple[ResistorStyle, ...]:
    """Return every resistor style of the table."""
    return _read("resistor_styles.toml", "style", ResistorStyle)


def resistor_style(name: str) -> ResistorStyle:
    """Return a style by name, e.g. ``"carbon film 1/2 W"``; case and spacing do not matter.

    An unknown name is an InputError that lists those there are.
    """
    return _named("resistor_style", name, {style.name: style for style in resistor_styles()})


@cache
def capacitor_styles() -> tuple[CapacitorStyle, ...]:
    """Return every capacitor style of the table."""
    return _read("capacitor_styles.toml", "style", CapacitorStyle)


def capacitor_style(name: str) -> CapacitorStyle:
    """Return a style by name, e.g. ``"ceramic disc"``; case and spacing do not matter.

    An unknown name is an InputError that lists those there are.
    """
    return _named("capacitor_style", name, {style.name: style for style in capacitor_styles()})


@cache
def radio_bands() -> tuple[StandardBand, ...]:
    """Return the standard bands, from long wave to 900 MHz."""
    return _read("radio.toml", "band", StandardBand)


def radio_band(key: str) -> StandardBand:
    """Return a standard band by its key: ``"AM"``, ``"short wave"``, ``"FM"``, ``"900 MHz"`` ...

    An unknown key is an InputError that lists those there are.
    """
    return _named("radio_band", key, {band.key: band for band in radio_bands()})


@cache
def wirings() -> tuple[Wiring, ...]:
    """Return the cables and pieces of wiring of the table."""
    return _read("radio.toml", "wiring", Wiring)


def wiring(name: str) -> Wiring:
    """Return a cable or piece of wiring by name, e.g. ``"instrument cable"``.

    An unknown name is an InputError that lists those there are.
    """
    return _named("wiring", name, {entry.name: entry for entry in wirings()})


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
    require("length_m", length, length > 0, "more than 0")
    require("diameter_m", diameter, diameter > 0, "more than 0")
    require("length_m", length, length >= 3 * diameter, "at least three diameters of the wire")
    return np.asarray(2e-7 * length * (np.log(4 * length / diameter) - 1))
