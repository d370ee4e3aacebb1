"""What a living page is given beyond the document: its steppers and its addresses."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal


@dataclass(frozen=True)
class Stepper:
    """A part that can be stepped: its value, and the next values below and above."""

    key: str
    part: str
    """Field of Stage."""
    label: str
    origin: str
    """Where its values come from, in words."""
    text: str
    """The value as it is read."""
    short: str
    down: str
    up: str
    """The value and its neighbours as an address has them; empty at an end."""


@dataclass(frozen=True)
class FormField:
    """A value of a brief that can be edited: its path in the file and its text."""

    path: str
    label: str
    text: str
    long: bool


@dataclass(frozen=True)
class FormGroup:
    """The fields of one table of a brief."""

    title: str
    fields: Sequence[FormField]


@dataclass(frozen=True)
class Watch:
    """How far an exploration is: candidates, their rate, and the front so far in two scores."""

    kind: str = ""
    done: int = 0
    total: int = 0
    per_second: float = 0.0
    front: int = 0
    points: Sequence[tuple[float, ...]] = ()
    axes: Sequence[str] = ()

    @property
    def dots(self) -> Sequence[tuple[float, float]]:
        """The points on a square from 0 to 1, the second score upwards."""
        if not self.points:
            return ()
        columns = list(zip(*self.points, strict=True))
        lows, spans = [min(c) for c in columns], [(max(c) - min(c)) or 1.0 for c in columns]
        return [((x - lows[0]) / spans[0], 1 - (y - lows[1]) / spans[1]) for x, y in self.points]


@dataclass(frozen=True)
class Offer:
    """A design that does what was wished: its address, the parts that differ, and the scores."""

    query: str
    parts: str
    scores: str


@dataclass(frozen=True)
class OnDemand:
    """A section that is worked out when it is asked for."""

    key: str
    title: str
    buttons: Mapping[str, str]
    """What can be asked for, and the words of its button."""


@dataclass(frozen=True)
class Live:
    """What a living page knows when it opens."""

    root: str
    here: str
    """Addresses of the server and of the page, each with a slash at its end."""
    steppers: Sequence[Stepper]
    designs: Mapping[str, str]
    """Of each card the address of its stage."""
    start: str
    """Address of the stage that the page opens on."""
    broken: Sequence[str]
    """Limits that this stage breaks."""
    wished: Sequence[tuple[str, str]]
    """Name and label of each score that can be steered by."""
    on_demand: Sequence[OnDemand]
    toml: str
    """The brief."""
    form: Sequence[FormGroup]
    kind: Literal["front", "brief", "stage"]
    """Whether a front, a brief without one, or a single stage is shown."""
