"""Writes a new brief: a few answers, and ranges of parts worked out from the valve's own law."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from typing import Final

import jinja2
import tomlkit

from explorer.brief.conditions import Reference
from explorer.sizing import sizes
from explorer.units import format_quantity
from objectives.devices.valve import Valve
from objectives.format import number

_STRAY_F: Final = 0.5e-12
"""Wiring from grid to plate (F): a holder and short leads (common practice, no source)."""

_DERATING: Final = 0.9
"""Share of the ratings that may be used (common practice, no source)."""

_WELL_UNDER: Final = 4.0
"""A quarter of its corner a single pole is down by 0.3 dB."""


@dataclass(frozen=True)
class BriefAnswers:
    """What a new brief is written from; None where nothing is asked.

    ``radio`` holds keys of the table of radio bands, each with the attenuation required (dB);
    ``drawer`` is the path of a CSV list of parts as the brief is to name it.
    """

    valve: Valve
    supply_V: float
    source_ohm: float
    load_ohm: float
    title: str | None = None
    corner_Hz: float | None = None
    gain_dB: float | None = None
    radio: Sequence[tuple[str, float]] = ()
    drawer: str | None = None


def new_brief_text(answers: BriefAnswers, name: str) -> str:
    """Return the TOML text of a brief, each line explained; ``name`` is that of its file."""
    return _template().render(
        name=name,
        answers=answers,
        stray_F=_STRAY_F,
        derating=_DERATING,
        reference_Hz=_reference_Hz(answers.corner_Hz),
        sizes=sizes(
            answers.valve,
            answers.supply_V,
            answers.source_ohm,
            answers.load_ohm,
            corner_Hz=answers.corner_Hz,
            radio=bool(answers.radio),
            derating=_DERATING,
            stray_grid_plate_F=_STRAY_F,
        ),
    )


def _reference_Hz(corner_Hz: float | None) -> float | None:
    """Return a frequency well under a low corner, at which levels are compared; else None."""
    if corner_Hz is None or corner_Hz >= _WELL_UNDER * Reference().frequency:
        return None
    return corner_Hz / _WELL_UNDER


@cache
def _template() -> jinja2.Template:
    environment = jinja2.Environment(
        loader=jinja2.PackageLoader("explorer", "briefs"),
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        keep_trailing_newline=True,
        autoescape=False,  # TOML, not HTML
    )
    environment.filters["text"] = lambda text: tomlkit.string(text).as_string()
    environment.filters["quantity"] = lambda value, unit: f'"{format_quantity(value, unit, 3)}"'
    environment.filters["level"] = lambda value: f'"{number(value)} dB"'
    return environment.get_template("new.toml.jinja")
