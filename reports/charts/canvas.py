"""A sheet of SVG to draw circuits on: strokes, words, and how far they reach."""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import pairwise
from typing import Final, Literal, TypeAlias

from markupsafe import escape

from reports.theme import FONT, INK, MUTED, PAPER

Point: TypeAlias = tuple[float, float]
Anchor: TypeAlias = Literal["start", "middle", "end"]

_GLYPH: Final = 0.52
"""Width of a glyph over its height, on the generous side."""


@dataclass(kw_only=True)
class Canvas:
    """A drawing in the making; lengths are pixels, y counts downwards."""

    drawn: list[str] = field(default_factory=list)
    box: list[float] = field(default_factory=lambda: [0.0, 0.0, 0.0, 0.0])
    """Left, top, right and bottom of what is drawn."""

    def svg(self, in_words: str) -> str:
        """Return what is drawn, with its alternative in words."""
        left, top, right, bottom = self.box
        span = [left - 4, top - 4, right - left + 8, bottom - top + 14]
        return (
            '<svg xmlns="http://www.w3.org/2000/svg" class="circuit" role="img" '
            f'aria-label="{escape(in_words)}" viewBox="{" ".join(f"{v:.4g}" for v in span)}" '
            f'width="{span[2]:.0f}" height="{span[3]:.0f}" font-family="{escape(FONT)}">'
            f"{''.join(self.drawn)}</svg>"
        )

    def reach(self, *points: Point) -> None:
        """Let the drawing extend to some points."""
        xs, ys = zip(*points, strict=True)
        own = self.box
        self.box = [min(own[0], *xs), min(own[1], *ys), max(own[2], *xs), max(own[3], *ys)]

    def path(self, path: str, colour: str = INK, *, filled: bool = False) -> None:
        """Draw a path in the words of SVG; it does not extend the drawing."""
        fill = colour if filled else "none"
        self.drawn.append(f'<path d="{path}" fill="{fill}" stroke="{colour}" stroke-width="1.8"/>')

    def wire(self, *points: Point) -> None:
        """Draw straight lines from point to point."""
        self.reach(*points)
        for (x, y), (u, v) in pairwise(points):
            if (x, y) != (u, v):
                self.path(f"M{x:.5g} {y:.5g}L{u:.5g} {v:.5g}")

    def dot(self, *points: Point, open_: bool = False) -> None:
        """Draw dots: joints of wires, or open ones as terminals."""
        for x, y in points:
            self.reach((x - 4, y - 4), (x + 4, y + 4))
            fill, r = (PAPER, 4) if open_ else (INK, 3)
            self.drawn.append(
                f'<circle cx="{x:.5g}" cy="{y:.5g}" r="{r}" fill="{fill}" stroke="{INK}" '
                'stroke-width="1.8"/>'
            )

    def width(self, text: str, size: float = 12) -> float:
        """Return how wide words are, about."""
        return _GLYPH * size * len(text)

    def text(
        self, at: Point, text: str, anchor: Anchor = "middle", *, size: float = 12,
        colour: str = MUTED, weight: int = 400, part: str = "",
    ) -> None:  # fmt: skip
        """Write words whose middle height is that of the point."""
        (x, y), width = at, self.width(text, size)
        left = x - {"start": 0.0, "middle": width / 2, "end": width}[anchor]
        self.reach((left, y - size / 2), (left + width, y + size / 2))
        tie = f' data-part="{part}"' if part else ""
        self.drawn.append(
            f'<text x="{x:.5g}" y="{y:.5g}" dy="0.35em" text-anchor="{anchor}" '
            f'font-size="{size}" font-weight="{weight}" fill="{colour}"{tie}>{escape(text)}</text>'
        )
