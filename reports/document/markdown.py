"""Sections as Markdown, with the drawings as files beside it."""

from __future__ import annotations

import re
from collections.abc import Sequence

from reports.document.blocks import (
    FIGURES,
    Notes,
    SetBlock,
    Specs,
    alternative_text,
    cell_text,
    row_style,
    subscripts,
    with_notes_joined,
)
from reports.model import Figure, Prose, Section, Steps, Svg, Table


def markdown_text(title: str, sections: Sequence[Section], specs: Specs) -> str:
    """Return the sections as one Markdown document."""
    parts = [f"# {_md(title)}"]
    for section in sections:
        parts.append(f"## {_md(section.title)}")
        parts += [_markdown_block(block, specs) for block in with_notes_joined(section.blocks)]
    return "\n\n".join(part for part in parts if part) + "\n"


def _markdown_block(block: SetBlock, specs: Specs) -> str:
    match block:
        case Prose():
            texts = [_md(text) for text in block.paragraphs]
            return "\n".join(f"- {t}" for t in texts) if block.listed else "\n\n".join(texts)
        case Notes():
            lines = [f"**{block.word}**", ""] if block.word else []
            bullet = "" if len(block.texts) == 1 else "- "
            lines += [bullet + _md(text) for text in block.texts]
            return "\n".join(f"> {line}".rstrip() for line in lines)
        case Steps():
            rows = [
                (_md(what), subscripts(_md(formula).replace(r"\_", "_")), _md(result))
                for what, formula, result in block.rows
            ]
            return _pipes(["what", "how", "result"], rows, escaped=True)
        case Figure():
            return _picture(block.name, alternative_text(block, specs), block.caption)
        case Svg():
            return _picture(block.name, block.words, block.caption)
        case Table():
            return _markdown_table(block)


def _markdown_table(block: Table) -> str:
    rows = []
    for at, values in enumerate(block.frame.itertuples(index=False, name=None)):
        texts = [_md(cell_text(v)) for v in values]
        if row_style(block.marked.get(at, "")) in ("pick", "broken"):
            texts = [f"**{text}**" if text else "" for text in texts]
        rows.append(texts)
    table = _pipes([str(name) for name in block.frame.columns], rows, escaped=True)
    return f"{_md(block.caption)}\n\n{table}" if block.caption else table


def _picture(name: str, words: str, caption: str) -> str:
    image = f"![{_md(words)}]({FIGURES}/{name}.svg)"
    return f"{image}\n\n{_md(caption)}" if caption else image


def _pipes(names: Sequence[str], rows: Sequence[Sequence[str]], *, escaped: bool = False) -> str:
    lines = ["| " + " | ".join(map(_md, names)) + " |", "|" + " --- |" * len(names)]
    lines += ["| " + " | ".join(row if escaped else map(_md, row)) + " |" for row in rows]
    return "\n".join(lines)


def _md(text: str) -> str:
    """Return text with the characters that Markdown would take for markup made harmless."""
    return re.sub(r"([\\`|<*_\[\]])", r"\\\1", text).replace("\n", " ")
