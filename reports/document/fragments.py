"""Pieces of a living page: a slot filled anew, the brief as a form, an exploration under way."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from reports.document.blocks import drawings, specs_of
from reports.document.html import set_block
from reports.document.templates import environment
from reports.layout import Slot
from reports.live import FormGroup, Offer, Watch


def slot_html(slot: Slot) -> str:
    """Return what stands in a slot, as the page of a document has it."""
    blocks = set_block(slot, specs_of(drawings([slot])))["blocks"]
    return "".join(_macro("blocks", "render", block) for block in blocks)


def form_html(groups: Sequence[FormGroup]) -> str:
    """Return a brief as a form."""
    return _macro("fragments", "form", groups)


def watch_html(watch: Watch) -> str:
    """Return how far an exploration is."""
    return _macro("fragments", "watch", watch)


def offers_html(offers: Sequence[Offer]) -> str:
    """Return designs to choose from."""
    return _macro("fragments", "offers", offers)


def _macro(template: str, name: str, value: object) -> str:
    module: Any = environment().get_template(f"{template}.html.jinja").module
    return str(getattr(module, name)(value))
