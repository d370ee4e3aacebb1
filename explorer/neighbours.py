"""The next values of a part, and the stages that are a step from another."""

from __future__ import annotations

from itertools import combinations

import numpy as np

from explorer.brief.stock import Stock
from explorer.choices import Choice
from explorer.evaluation import Parts
from explorer.problem import Problem
from objectives.arrays import FloatArray
from objectives.elements import ELEMENTS

_SAME = 1e-9
"""Values that differ by no more than this share are one."""


def preferred_values(choice: Choice, stock: Stock) -> FloatArray:
    """Return the preferred values within the range of a continuous part."""
    values = stock.preferred(ELEMENTS[choice.part].kind, choice.low, choice.high)
    return values[(values >= choice.low) & (values <= choice.high)]


def other_values(choice: Choice, stock: Stock, own: float) -> FloatArray:
    """Return the values of a part but its own; of a continuous one the preferred values."""
    values = choice.values
    if choice.continuous:
        setting = ELEMENTS[choice.part].kind == "setting"
        values = np.empty(0) if setting else preferred_values(choice, stock)
    same = (values == own) | (np.abs(values - own) <= _SAME * abs(own) if own < np.inf else False)
    return np.asarray(values[~same])


def next_values(choice: Choice, stock: Stock, own: float) -> FloatArray:
    """Return the next value below and above its own; of devices every other."""
    values = other_values(choice, stock, own)
    if choice.names:
        return values
    return np.concatenate([values[values < own][-1:], values[values > own][:1]])


def neighbours(problem: Problem, stock: Stock, stage: Parts) -> Parts:
    """Return a stage, and every stage that is a step of one part, or of two, from it.

    Load and cathode resistor, say, are often better moved together.

    Parameters
    ----------
    problem :
        Its choices tell the values of each part.
    stock :
        Tells the next value of a part that may have any.
    stage :
        A batch of one.

    Returns
    -------
    Parts
        Each of shape (N,).
    """
    own = {part: float(values[0]) for part, values in stage.items()}
    steps = [(c.part, v) for c in problem.choices for v in next_values(c, stock, own[c.part])]
    pairs = [dict(pair) for pair in combinations(steps, 2) if pair[0][0] != pair[1][0]]
    moved = [{}, *({part: value} for part, value in steps), *pairs]
    return {part: np.array([move.get(part, own[part]) for move in moved]) for part in own}
