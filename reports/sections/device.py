"""TODO reports.sections.device."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import fields, is_dataclass
from typing import Any, Final

import numpy as np
import pandas as pd

from objectives.assessment import Assessment
from objectives.devices.bipolar import BipolarTransistor
from objectives.devices.field_effect import JunctionFet
from objectives.devices.protocol import Device
from objectives.devices.terms import AsIs
from objectives.devices.transistor_table import Transistor
from objectives.devices.valve import Valve
from objectives.format import (
    first,
    part_value,
    plain_words,
    quantity,
    score_unit,
    sentence,
    signed_percent,
)
from objectives.tolerance.spreads import TRANSISTOR_QUANTITIES, published_spreads
from reports.charts.plate_curves import plate_curves_chart
from reports.charts.residuals import residual_chart
from reports.model import Block, Figure, Prose, Section, Table
from reports.sections.limits import numbered_sources


def _valve(pick: Assessment, neighbours: Sequence[tuple[str, Device]] = ()) -> Section:
    """Return what is known of the device; an entry of the valve table tells most."""
    device = pick.device
    entry = getattr(device, "valve", device)
    blocks: list[Block] = [Prose([t for t in (getattr(entry, "description", ""),) if t])]
    rows = [_law_row(device.law, entry), _capacitance_row(pick, entry), *_entry_rows(pick, entry)]
    blocks.append(Table(pd.DataFrame(rows, columns=["data", "values", "source"])))
    fit = getattr(entry, "fit", None)
    points = tuple(getattr(fit, "points", ()))
    if fit is not None and points:
        blocks.append(Prose([f"How the law was fitted: {str(fit.method).rstrip('.')}."]))
        if isinstance(entry, Valve):
            blocks.append(
                Figure(
                    "residuals",
                    residual_chart(entry),
                    "How far the law is from each published number, in per cent of it.",
                )
            )
        frame = pd.DataFrame([_residual_row(point) for point in points])
        blocks += numbered_sources(
            Table(frame, "Published numbers and what the law gives for them.")
        )
        if isinstance(entry, Valve):
            blocks += _plate_curves(entry)
    blocks += _neighbours(device, neighbours)
    return Section("valve", f"The {device.name} as it is modelled here", blocks)


def _neighbours(device: Device, neighbours: Sequence[tuple[str, Device]]) -> list[Block]:
    """Return what is known of the other devices in the circuit: laws, residuals, sources."""
    blocks: list[Block] = []
    same = [role for role, other in neighbours if other.name == device.name]
    if same:
        blocks.append(
            Prose([AsIs(f"The {' and the '.join(same)} {'have' if len(same) > 1 else 'has'} the "
                        f"same {device.name}.")])
        )  # fmt: skip
    others: dict[str, tuple[Device, list[str]]] = {}
    for role, other in neighbours:
        if other.name != device.name:
            others.setdefault(other.name, (other, []))[1].append(role)
    for name, (other, roles) in others.items():
        entry = getattr(other, "valve", other)
        where, values, source = _law_row(other.law, entry)
        blocks.append(
            Prose([AsIs(f"The {' and the '.join(roles)}: {name}. {sentence(where)}: {values}. "
                        f"Source: {source}.")])
        )  # fmt: skip
        points = tuple(getattr(getattr(entry, "fit", None), "points", ()))
        if points:
            frame = pd.DataFrame([_residual_row(point) for point in points])
            blocks += numbered_sources(
                Table(frame, AsIs(f"Published numbers of the {name} and what its law gives."))
            )
        if isinstance(entry, Valve):
            blocks += _curve_table(entry)
    return blocks


def _law_row(law: Any, entry: Any) -> tuple[str, str, str]:
    """Return the equation's name and its parameters, those of its grid current among them."""
    name = _LAW_WORDS.get(type(law).__name__) or _spaced(type(law).__name__)
    values = "; ".join(_parameters(law)) if is_dataclass(law) else ""
    return f"equation: {name}", values, str(getattr(entry, "law_source", "") or "—")


def _parameters(law: Any, prefix: str = "") -> Iterator[str]:
    for parameter in fields(law):
        value = getattr(law, parameter.name)
        if is_dataclass(value) and not isinstance(value, type):
            yield from _parameters(value, f"{parameter.name} ")
        elif isinstance(value, (int, float, np.ndarray)):
            unit = score_unit(parameter.name)
            plain = plain_words(parameter.name) if unit else parameter.name
            label = _PARAMETER_WORDS.get(parameter.name, plain)
            yield f"{prefix}{label} {quantity(first(value), unit)}"


_LAW_WORDS: Final = {
    "SquareLawFet": "square law of the channel, and gate diode",
    "Bipolar": "transport current with the Early effect, and base current",
}
_PARAMETER_WORDS: Final = {
    "idss_A": "I_dss",
    "cutoff_V": "cut-off voltage",
    "channel_modulation_per_V": "channel modulation",
    "gate_saturation_A": "gate saturation current",
    "gate_leakage_A": "gate leakage",
    "temperature_K": "at",
    "saturation_A": "saturation current",
    "forward_gain": "forward current gain",
    "early_V": "Early voltage",
    "leakage_A": "base leakage",
    "leakage_ideality": "its ideality",
    "base_ohm": "base resistance",
    "channel_noise_factor": "channel noise factor",
}
"""What parameters of a transistor are called, where their name in the table does not say it."""


def _spaced(name: str) -> str:
    """Return a class name as words: ``DempwolfZolzer`` gives ``Dempwolf Zolzer``."""
    return "".join(f" {c}" if c.isupper() and at else c for at, c in enumerate(name))


def _capacitance_row(pick: Assessment, entry: Any) -> tuple[str, str, str]:
    names = ("grid–cathode", "grid–plate", "plate–cathode")
    values = pick.device.capacitances(pick.point)
    texts = [f"{name} {quantity(value, 'F')}" for name, value in zip(names, values, strict=True)]
    source = str(getattr(entry, "capacitance_source", "") or "—")
    return "capacitances, without strays", "; ".join(texts), source


_RATING_UNITS: Final = {
    "plate_voltage_max_V": "V",
    "plate_dissipation_max_W": "W",
    "cathode_current_max_A": "A",
    "heater_cathode_max_V": "V",
    "grid_leak_cathode_bias_max_ohm": "ohm",
    "grid_leak_fixed_bias_max_ohm": "ohm",
    "grid_negative_max_V": "V",
}


def _entry_rows(pick: Assessment, entry: Any) -> Iterator[tuple[str, str, str]]:
    """Yield what an entry of a device table says of ratings, noise and spread."""
    stated = [
        f"{plain_words(name).removesuffix(' max')} {quantity(value, unit)}"
        for name, unit in _RATING_UNITS.items()
        if (value := getattr(entry, name, None)) is not None
    ]
    if isinstance(entry, JunctionFet | BipolarTransistor):
        yield from _transistor_rows(pick, entry)
        return
    if stated:
        yield "ratings, each a maximum", "; ".join(stated), getattr(entry, "ratings_source", "—")
    for name, title in (("noise", "noise"), ("spread", "spread between valves, one sigma")):
        record = getattr(entry, name, None)
        if not is_dataclass(record):
            continue
        texts = [
            f"{plain_words(field.name)} {quantity(value, score_unit(field.name))}"
            for field in fields(record)
            if isinstance(value := getattr(record, field.name), (int, float))
        ]
        yield title, "; ".join(texts), str(getattr(record, "source", "—"))


def _transistor_rows(pick: Assessment, entry: Transistor) -> Iterator[tuple[str, str, str]]:
    ratings = [
        f"{r.name} {quantity(r.allowed, r.unit)}" for r in entry.ratings(pick.stage, pick.point)
    ]
    yield "ratings, each a maximum", "; ".join(ratings), entry.sources.ratings
    noise = [
        f"{_PARAMETER_WORDS.get(name, plain_words(name))} "
        f"{quantity(getattr(entry, name), score_unit(name))}"
        for name in entry.noise_parameters
    ]
    yield "noise", "; ".join(noise), entry.sources.noise
    for own in published_spreads(entry):
        what = TRANSISTOR_QUANTITIES[own.quantity]
        yield "spread between transistors", f"{what}: {own.words()}", own.source


def _plate_curves(entry: Valve) -> list[Block]:
    """Return the law's plate curves with what is published of them, and how far they lie apart."""
    curves = entry.fit.curves if entry.fit is not None else ()
    blocks: list[Block] = [
        Figure(
            "plate-curves",
            plate_curves_chart(entry),
            "Plate curves of the law at several grid voltages, and the published "
            + ("readings and points" if curves else "points")
            + " beside them; dashed: the rated dissipation.",
        )
    ]
    return blocks + _curve_table(entry)


def _curve_table(entry: Valve) -> list[Block]:
    """Return how far the law lies from readings off published curves, where there are any."""
    rows = []
    for curve in entry.fit.curves if entry.fit is not None else ():
        error = curve.plate_error_V(entry.law)
        worst = int(np.argmax(np.abs(error)))
        at = curve.readings[worst]
        rows.append(
            {
                "readings off curves": f"{len(curve.readings)}",
                "r.m.s. error along the plate voltage": quantity(
                    float(np.sqrt(np.mean(error**2))), "V", 2
                ),
                "largest": quantity(float(error[worst]), "V", 2),
                "where": f"{quantity(at.grid_V, 'V')}, {quantity(at.plate_V, 'V')}",
                "could be read to": quantity(curve.within_V, "V"),
                "used": curve.used,
                "source": curve.source,
            }
        )
    if not rows:
        return []
    return numbered_sources(
        Table(
            pd.DataFrame(rows),
            "Readings off published plate curves, and how far along the plate voltage the law's "
            "curve lies from them: positive where it needs more voltage for the current.",
        )
    )


def _residual_row(point: Any) -> dict[str, str]:
    unit = score_unit(point.quantity)
    return {
        "quantity": plain_words(point.quantity),
        "conditions": _conditions(point.conditions),
        "published": quantity(point.published, unit),
        "law": quantity(point.law, unit, 3),
        "residual": signed_percent(float(point.residual_percent)),
        "used": point.used,
        "source": point.source,
    }


def _conditions(conditions: Mapping[str, float]) -> str:
    return ", ".join(f"{plain_words(n)} {part_value(n, v)}" for n, v in conditions.items())
