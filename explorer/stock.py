"""TODO explorer.stock."""

from __future__ import annotations

import numpy as np

from explorer.brief.model import Brief
from explorer.brief.parts import PARTS
from explorer.problem import Choice


def _preferred(brief: Brief, choices: tuple[Choice, ...]) -> dict[str, np.ndarray]:
    """Return for each varied part the values that series departure is measured against."""
    kinds = {info.stage_field: info.kind for info in PARTS.values()}
    found = {}
    for choice in choices:
        if choice.part not in kinds:
            continue  # a position is no value
        ends = (
            np.array([choice.low, choice.high])
            if choice.continuous
            else choice.values[np.isfinite(choice.values) & (choice.values > 0)]
        )
        if ends.size:
            found[choice.part] = brief.stock.preferred(
                kinds[choice.part], float(ends.min()), float(ends.max())
            )
    return found


def _prices(brief: Brief, choices: tuple[Choice, ...]) -> dict[str, tuple[np.ndarray, np.ndarray]]:
    """Return for each varied part what the drawer holds of its kind, and the prices."""
    kinds = {info.stage_field: info.kind for info in PARTS.values()}
    drawer = brief.stock.parts
    if drawer is None:
        return {}
    found = {}
    for choice in choices:
        if choice.part in kinds:
            parts = drawer.parts(kinds[choice.part])
            found[choice.part] = (parts.value, parts.price)
    return found
