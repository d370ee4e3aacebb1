"""The blocks of a report one after another, wherever they stand."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from reports.layout import Block, Row, Section, Slot


def flat(blocks: Iterable[Block]) -> Iterator[Block]:
    """Yield blocks, in place of slots what stands in them."""
    for block in blocks:
        if isinstance(block, Slot):
            yield from flat(block.blocks)
        elif isinstance(block, Row):
            for column in block.columns:
                yield from flat(column)
        else:
            yield block


def all_of(section: Section) -> list[Block]:
    """Return every block of a section, those in the appendix last."""
    return list(flat([*section.blocks, *section.appendix]))
