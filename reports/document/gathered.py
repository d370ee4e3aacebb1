"""TODO reports.document.gathered."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import Any, Final, TypeAlias

from reports.model import Block, Figure, Note

_FIGURES: Final = "figures"
_NOTE_WORDS: Final = {"caution": "Caution"}
_Specs: TypeAlias = Mapping[str, dict[str, Any]]


@dataclass(frozen=True)
class _Notes:
    """Notes of one kind that follow each other, to be set in one frame."""

    kind: str
    texts: Sequence[str]

    @property
    def word(self) -> str:
        return _NOTE_WORDS.get(self.kind, "")


def _gathered(blocks: Sequence[Block]) -> list[Block | _Notes]:
    """Return the blocks with runs of notes of one kind put together."""
    found: list[Block | _Notes] = []
    for kind, run in groupby(blocks, key=lambda b: b.kind if isinstance(b, Note) else None):
        if kind is None:
            found += run
        else:
            found.append(_Notes(kind, [note.text for note in run if isinstance(note, Note)]))
    return found


def _alternative(figure: Figure, specs: _Specs) -> str:
    return str(specs[figure.name].get("description") or figure.caption or figure.name)
