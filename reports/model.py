"""What a report is given and what it is made of; no search, no brief, no document format here."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import TypeAlias

import altair as alt
import pandas as pd

from objectives.assessment import Assessment
from objectives.devices.protocol import Device

__all__ = [
    "Block",
    "Figure",
    "Note",
    "PartLine",
    "Prose",
    "ReportContents",
    "ScoreUse",
    "Section",
    "Steps",
    "Svg",
    "Table",
]


@dataclass(frozen=True)
class Prose:
    """Paragraphs of plain text (no markup); with ``listed`` each is an item of a list."""

    paragraphs: Sequence[str]
    listed: bool = False


@dataclass(frozen=True)
class Note:
    """A set-off paragraph; ``kind`` is 'caution', 'finding' or 'remark'."""

    text: str
    kind: str = "remark"


@dataclass(frozen=True)
class Steps:
    """A worked calculation: rows of (what, formula with numbers, result)."""

    rows: Sequence[tuple[str, str, str]]


@dataclass(frozen=True)
class Table:
    """A table of ready-made text or numbers; ``marked`` maps row positions to a mark.

    A row marked 'pick' or 'broken' is set off from all others, any other mark more quietly.
    With ``linked`` (HTML only) a column of candidate ids ties the rows to the front's charts.
    """

    frame: pd.DataFrame
    caption: str = ""
    marked: Mapping[int, str] = field(default_factory=dict)
    linked: bool = False


@dataclass(frozen=True)
class Figure:
    """An Altair chart with its caption and a short name for its file."""

    name: str
    chart: alt.TopLevelMixin
    caption: str = ""


@dataclass(frozen=True)
class Svg:
    """A drawing as SVG text, with an alternative in words."""

    name: str
    markup: str
    words: str
    caption: str = ""


Block: TypeAlias = Prose | Note | Steps | Table | Figure | Svg


@dataclass(frozen=True)
class Section:
    """One titled part of a report."""

    key: str
    title: str
    blocks: Sequence[Block]
    native: bool = False
    """Whether its words are those of its own device already."""


@dataclass(frozen=True)
class ScoreUse:
    """How the brief uses one score."""

    name: str
    unit: str
    meaning: str
    source: str
    use: str
    """In words: 'maximise', 'minimise', 'near 5.4 kHz', 'at least 0 dB', 'shown', 'constant'."""
    free: bool
    """Whether it is one of the scores that span the front."""
    better: int
    """+1 when more is better, -1 when less is, 0 when neither."""


@dataclass(frozen=True)
class PartLine:
    """One line of the parts list of the pick."""

    field: str
    """Field of Stage, e.g. 'stopper_ohm'."""
    label: str
    value: str
    marking: str
    """IEC 60062 code, or '' where no part is fitted."""
    chosen: str
    """'fixed by the brief', 'chosen from E12 10 kΩ–470 kΩ', ..."""
    stress: str
    """Power or voltage that the part must stand, in words; '' where it does not matter."""


@dataclass(frozen=True)
class ReportContents:
    """A finished exploration, in words, tables and batches that a report can recompute from."""

    title: str
    scenario: str
    job: Sequence[str]
    """The job in words, one sentence an item."""
    uses: Sequence[ScoreUse]
    constants: Mapping[str, float]
    """Scores that are the same for every candidate, shown once."""
    method: Sequence[str]
    """How the front was found: exact or searched, evaluations, hypervolume, seconds."""
    front: pd.DataFrame
    """Full front: 'candidate' id, one column a varied part (SI), one a score, 'marks'."""
    readable: pd.DataFrame
    """At most 40 rows of the front, pick first; same columns."""
    readable_stages: Assessment
    """The rows of ``readable`` as a batch."""
    pick: Assessment
    """The pick as a batch of one."""
    pick_reasons: Sequence[str]
    part_labels: Mapping[str, str]
    """Field of Stage to the trade's name, for every varied part."""
    parts: Sequence[PartLine]
    limits: pd.DataFrame
    """Limit, value at the pick, allowed, room left, source."""
    feasible: bool
    """False: no candidate keeps every limit; ``readable`` then holds the nearest ones."""
    blocking: Sequence[str]
    """In words, which limits block when nothing is feasible."""
    assumptions: Sequence[str]
    sources: Sequence[str]
    cautions: Sequence[str]
    neighbours: Sequence[tuple[str, Device]] = ()
    """Devices of the stages before and behind, with what each is there."""
    extra_sections: Sequence[Section] = ()
    """Further sections worked out by whoever assembled the contents (tolerance, harmonics, ...)."""
    search_trace: pd.DataFrame | None = None
    """Evaluations and hypervolume as the search went on."""


def _listed(items: Sequence[str]) -> Prose:
    return Prose(list(items), listed=True)
