"""What a document is made of: blocks, sections, the first screen, and how they lie together."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any, Literal, TypeAlias

import altair as alt
import pandas as pd

from reports.charts.forms import Filled
from reports.theme import spec_of


@dataclass(frozen=True)
class Prose:
    """Paragraphs of plain text (no markup); with ``listed`` each is an item of a list."""

    paragraphs: Sequence[str]
    listed: bool = False
    style: Literal["", "buy", "also", "why"] = ""
    """How it is set where it stands apart from running text."""


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
    title: str = ""
    """What it is called where it has no caption, for those who do not see it."""


@dataclass(frozen=True)
class Figure:
    """An Altair chart with its caption and a short name for its file."""

    name: str
    chart: alt.TopLevelMixin | Filled
    caption: str = ""
    title: str = ""
    """What it shows, in words."""

    @cached_property
    def spec(self) -> dict[str, Any]:
        """The chart's Vega-Lite specification, dressed in our theme."""
        return self.chart.spec if isinstance(self.chart, Filled) else spec_of(self.chart)


@dataclass(frozen=True)
class Svg:
    """A drawing as SVG text, with an alternative in words."""

    name: str
    markup: str
    words: str
    caption: str = ""
    narrow: str = ""
    """The same for a narrow page; empty where one serves both."""


@dataclass(frozen=True)
class Gauge:
    """A score of one design against what is asked of it, in words and as places on a scale."""

    label: str
    asked: str
    value: str
    verdict: str
    kept: bool | None
    """None where nothing is asked that could be missed."""
    zone: tuple[float, float] | None
    """What is wanted, from 0 at the left end of the scale to 1; None where nothing is."""
    at: float
    """Where the value stands; nan where it has no place."""


@dataclass(frozen=True)
class Gauges:
    """What a design does, score by score."""

    rows: Sequence[Gauge]


@dataclass(frozen=True)
class Sounds:
    """Sound files to be played one after another: rows of label and file name."""

    folder: str
    rows: Sequence[tuple[str, str]]
    caption: str = ""


@dataclass(frozen=True)
class Slot:
    """Blocks about one design, in whose place those of another can be put."""

    name: str
    blocks: Sequence[Block]


@dataclass(frozen=True)
class Row:
    """Blocks side by side where the page is wide enough, one below the other where it is not."""

    columns: Sequence[Sequence[Block]]


Block: TypeAlias = Prose | Note | Steps | Table | Figure | Svg | Gauges | Sounds | Slot | Row


@dataclass(frozen=True)
class Section:
    """One titled part of a report, and what of it stands in the appendix."""

    key: str
    title: str
    blocks: Sequence[Block]
    appendix: Sequence[Block] = ()


@dataclass(frozen=True)
class Card:
    """A design that can be chosen: its name, its parts, and what it gives for what."""

    key: str
    name: str
    parts: str
    gives: str


@dataclass(frozen=True)
class Answer:
    """The first screen: what to build, what it does, why, and what else was close."""

    lead: str
    badge: str
    danger: str
    cautions: Sequence[str]
    notes: Sequence[Note]
    """What must be known before the rest is read."""
    build_title: str
    build: Slot
    does: Slot
    cards: Sequence[Card]
    """The design of the slots first."""
    chart: Figure | None


@dataclass(frozen=True)
class Document:
    """A report as it is laid out, for the screen, for paper and as text."""

    title: str
    answer: Answer
    sections: Sequence[Section]
    appendix: Sequence[Section]
    beside: Mapping[str, Sequence[Slot]] = field(default_factory=dict)
    """Of each other card, what stands in the slots once it is chosen."""
