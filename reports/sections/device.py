"""What is known of the devices: their numbers with sources, and how well their laws fit."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

import numpy as np
import pandas as pd

from objectives.assessment import Assessment
from objectives.devices.data_rows import DataRow, data_rows
from objectives.devices.fit_record import QUANTITIES, FitPoint
from objectives.devices.law import Datum
from objectives.devices.protocol import Device, OperatingPoint
from objectives.devices.terms import Terms
from objectives.format import (
    first,
    part_value,
    plain_words,
    quantity,
    score_unit,
    sentence,
    signed_percent,
)
from objectives.tolerance.spreads import DEVICE_QUANTITIES
from reports.charts.plate_curves import plate_curves_chart
from reports.charts.residuals import residual_chart, residual_title
from reports.layout import Block, Figure, Prose, Section, Table
from reports.sections.limits import numbered_sources


def device_section(pick: Assessment, neighbours: Sequence[tuple[str, Device]] = ()) -> Section:
    """Return what is known of the stage's device and of those of the stages around it."""
    device = pick.device
    blocks: list[Block] = [Prose([device.description] if device.description else [])]
    blocks.append(Table(device_table(device, pick.point)))
    if device.fit is not None and device.fit.points:
        fit = device.fit
        blocks += [
            Prose([f"How the law was fitted: {fit.method.rstrip('.')}."]),
            Figure(
                "residuals",
                residual_chart(device.name, fit),
                "Error of the law at each published number, in per cent of it.",
                residual_title(device.name, fit),
            ),
            *numbered_sources(Table(error_table(device), _ERRORS)),
            *numbered_sources(Table(residual_table(device), _RESIDUALS.format(name="law"))),
            Figure(
                "plate-curves",
                plate_curves_chart(
                    device.name,
                    device.law,
                    fit,
                    rated_V=device.plate_voltage_max_V,
                    rated_W=device.plate_dissipation_max_W,
                ),
                "Plate curves of the law at several grid voltages, and the published "
                + ("readings and points" if fit.curves else "points")
                + " beside them; dashed: the rated dissipation.",
                f"What the law of the {device.name} passes, and what was published",
            ),
            *_curve_blocks(device),
        ]
    blocks += _neighbours(device, neighbours)
    title = f"The {device.name} as it is modelled here"
    return Section("valve", title, blocks)


_ERRORS = "Largest error of the law, source by source, the worst first."
_RESIDUALS = "Published numbers and what the {name} gives for them."


def device_table(device: Device, point: OperatingPoint | None = None) -> pd.DataFrame:
    """Return the numbers of a device with their sources; ``point`` as :func:`data_rows`."""
    rows = [_texts(row, device.terms) for row in data_rows(device, point)]
    rows += list(_spread_rows(device))
    return pd.DataFrame(rows, columns=["data", "values", "source"])


def _texts(row: DataRow, terms: Terms) -> tuple[str, str, str]:
    values = "; ".join(_datum(datum, terms) for datum in row.data)
    return terms.write(row.label), values, row.source or "—"


def _datum(datum: Datum, terms: Terms) -> str:
    return f"{terms.write(datum.label)} {quantity(first(datum.value), datum.unit, 6)}"


def _spread_rows(device: Device) -> Iterator[tuple[str, str, str]]:
    """Yield a row for each figure and source; the capacitances have theirs in common."""
    together: dict[tuple[str, str], list[str]] = {}
    for spread in device.spreads:
        what = device.terms.write(DEVICE_QUANTITIES[spread.quantity])
        together.setdefault((spread.words(), spread.source), []).append(what)
    for (words, source), quantities in together.items():
        yield f"spread between {device.terms.kind}s", f"{', '.join(quantities)}: {words}", source


def _neighbours(device: Device, neighbours: Sequence[tuple[str, Device]]) -> list[Block]:
    """Return what is known of the other devices in the circuit: laws, residuals, sources."""
    blocks: list[Block] = []
    same = [role for role, other in neighbours if other.name == device.name]
    if same:
        have = "have" if len(same) > 1 else "has"
        blocks.append(Prose([f"The {' and the '.join(same)} {have} the same {device.name}."]))
    others: dict[str, tuple[Device, list[str]]] = {}
    for role, other in neighbours:
        if other.name != device.name:
            others.setdefault(other.name, (other, []))[1].append(role)
    for name, (other, roles) in others.items():
        where, values, source = _texts(data_rows(other)[0], other.terms)
        text = f"The {' and the '.join(roles)}: {name}. {sentence(where)}: {values}. "
        blocks.append(Prose([f"{text}Source: {source}."]))
        if other.fit is not None and other.fit.points:
            caption = _RESIDUALS.format(name=f"law of the {name}")
            blocks += numbered_sources(Table(residual_table(other), caption))
        blocks += _curve_blocks(other)
    return blocks


def _curve_blocks(device: Device) -> list[Block]:
    frame = curve_table(device)
    if frame.empty:
        return []
    return numbered_sources(
        Table(
            frame,
            "Readings off published plate curves, and the law's error in plate voltage at the "
            "same current: positive where the law needs more voltage.",
        )
    )


def curve_table(device: Device) -> pd.DataFrame:
    """Return how far the law lies from readings off published curves; empty without any."""
    rows = []
    for curve in device.fit.curves if device.fit is not None else ():
        error = curve.plate_error_V(device.law)
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
                "reading accuracy": quantity(curve.within_V, "V"),
                "used": curve.used,
                "source": curve.source,
            }
        )
    return pd.DataFrame(rows)


def error_table(device: Device) -> pd.DataFrame:
    """Return the largest error at each source's numbers, the worst first; empty without a fit."""
    together: dict[tuple[str, str, str], list[FitPoint]] = {}
    for p in device.fit.points if device.fit is not None else ():
        together.setdefault((p.quantity, p.used, p.source), []).append(p)
    worst = [
        (max(points, key=lambda p: abs(p.residual_percent)), len(points))
        for points in together.values()
    ]
    worst.sort(key=lambda row: -abs(row[0].residual_percent))
    return pd.DataFrame(
        [
            {
                "quantity": QUANTITIES[p.quantity],
                "numbers": f"{count}",
                "largest error": signed_percent(float(p.residual_percent)),
                "where": _conditions(p.conditions),
                "used": p.used,
                "source": p.source,
            }
            for p, count in worst
        ]
    )


def residual_table(device: Device) -> pd.DataFrame:
    """Return each published number with what the law gives for it; empty without a fit."""
    points = device.fit.points if device.fit is not None else ()
    return pd.DataFrame([_residual_row(point) for point in points])


def _residual_row(point: FitPoint) -> dict[str, str]:
    unit = score_unit(point.quantity)
    return {
        "quantity": QUANTITIES[point.quantity],
        "conditions": _conditions(point.conditions),
        "published": quantity(point.published, unit),
        "law": quantity(point.law, unit, 3),
        "residual": signed_percent(float(point.residual_percent)),
        "used": point.used,
        "source": point.source,
    }


def _conditions(conditions: Mapping[str, float]) -> str:
    return ", ".join(f"{plain_words(n)} {part_value(n, v)}" for n, v in conditions.items())
