"""A document as Markdown, with the drawings as files beside it."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence

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
from reports.layout import (
    Card,
    Document,
    Figure,
    Gauges,
    Prose,
    Row,
    Section,
    Slot,
    Sounds,
    Steps,
    Svg,
    Table,
)


def markdown_text(document: Document, specs: Specs) -> str:
    """Return a document as Markdown."""
    answer = document.answer
    cautions = "\n".join(f"> - {md(text)}" for text in answer.cautions)
    parts = [
        f"# {md(document.title)}",
        md(answer.lead),
        f"*{md(answer.badge)}*",
        f"> **{md(answer.danger)}**\n>\n{cautions}",
        *(_markdown_block(note, specs) for note in with_notes_joined(answer.notes)),
        f"## {md(answer.build_title)}",
        _markdown_block(answer.build, specs),
        "## What it does",
        _markdown_block(answer.does, specs),
    ]
    if answer.cards:
        parts += ["## Close by", "\n".join(map(_card, answer.cards))]
    if answer.chart is not None:
        parts.append(_markdown_block(answer.chart, specs))
    parts += _sections(document.sections, "##", specs)
    parts += ["## Appendix", *_sections(document.appendix, "###", specs)]
    return _joined(parts)


def sections_text(title: str, sections: Sequence[Section]) -> str:
    """Return sections without charts as a Markdown document of their own."""
    return _joined([f"# {md(title)}", *_sections(sections, "##", {})])


def _sections(sections: Sequence[Section], level: str, specs: Specs) -> Iterator[str]:
    for section in sections:
        yield f"{level} {md(section.title)}"
        for block in with_notes_joined(section.blocks):
            yield _markdown_block(block, specs)


def _joined(parts: Iterable[str]) -> str:
    return "\n\n".join(part for part in parts if part) + "\n"


def _card(card: Card) -> str:
    return f"- **{md(card.name)}** ({md(card.key)}): {md(card.parts)}; {md(card.gives)}"


def _markdown_block(block: SetBlock, specs: Specs) -> str:
    match block:
        case Prose():
            texts = [md(text) for text in block.paragraphs]
            return "\n".join(f"- {t}" for t in texts) if block.listed else "\n\n".join(texts)
        case Notes():
            bullet = "" if len(block.texts) == 1 else "- "
            return "\n".join(f"> {bullet}{md(text)}" for text in block.texts)
        case Gauges():
            marks = {True: "yes", False: "**no**", None: "—"}
            gauges = [
                (md(row.label), f"**{md(row.value)}**", md(row.asked), marks[row.kept],
                 md(row.verdict))
                for row in block.rows
            ]  # fmt: skip
            return pipes(["score", "value", "asked", "kept", ""], gauges, escaped=True)
        case Sounds():
            files = [f"- [{md(label)}]({block.folder}/{name})" for label, name in block.rows]
            return "\n".join(files) + (f"\n\n{md(block.caption)}" if block.caption else "")
        case Row():
            return "\n\n".join(
                _markdown_block(each, specs)
                for column in block.columns
                for each in with_notes_joined(column)
            )
        case Slot():
            inner = [_markdown_block(each, specs) for each in with_notes_joined(block.blocks)]
            return "\n\n".join(part for part in inner if part)
        case Steps():
            rows = [
                (md(what), subscripts(md(formula).replace(r"\_", "_")), md(result))
                for what, formula, result in block.rows
            ]
            return pipes(["what", "how", "result"], rows, escaped=True)
        case Figure():
            picture = _picture(block.name, alternative_text(block, specs), block.caption)
            return f"**{md(block.title)}**\n\n{picture}" if block.title else picture
        case Svg():
            return _picture(block.name, block.words, block.caption)
        case Table():
            return _markdown_table(block)


def _markdown_table(block: Table) -> str:
    rows = []
    for at, values in enumerate(block.frame.itertuples(index=False, name=None)):
        texts = [md(cell_text(v)) for v in values]
        if row_style(block.marked.get(at, "")) in ("pick", "broken"):
            texts = [f"**{text}**" if text else "" for text in texts]
        rows.append(texts)
    table = pipes([str(name) for name in block.frame.columns], rows, escaped=True)
    return f"{md(block.caption)}\n\n{table}" if block.caption else table


def _picture(name: str, words: str, caption: str) -> str:
    image = f"![{md(words)}]({FIGURES}/{name}.svg)"
    return f"{image}\n\n{md(caption)}" if caption else image


def pipes(names: Sequence[str], rows: Sequence[Sequence[str]], *, escaped: bool = False) -> str:
    """Return a table; ``escaped`` says that its cells are Markdown already."""
    lines = ["| " + " | ".join(map(md, names)) + " |", "|" + " --- |" * len(names)]
    lines += ["| " + " | ".join(row if escaped else map(md, row)) + " |" for row in rows]
    return "\n".join(lines)


def md(text: str) -> str:
    """Return text with the characters that Markdown would take for markup made harmless."""
    return re.sub(r"([\\`|<*_\[\]])", r"\\\1", text).replace("\n", " ")
