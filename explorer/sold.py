"""The decision where a part may have any value: what is built has a value that is sold."""

from __future__ import annotations

import numpy as np

from explorer.brief.stock import Stock
from explorer.decision import Decision, KnownYields, decide
from explorer.evaluation import Evaluation
from explorer.neighbours import preferred_values
from explorer.problem import Problem


def decide_of_sold(
    problem: Problem, stock: Stock, serious: Evaluation, known: KnownYields
) -> Decision:
    """Return the decision; where a part may have any value, of values that are sold.

    Each serious candidate is taken once more with the values of the stock series below and above
    its own.
    """
    continuous = [choice for choice in problem.choices if choice.continuous]
    if not continuous:
        return decide(problem, serious, stock, known=known)
    parts = dict(serious.parts)
    for choice in continuous:
        values = preferred_values(choice, stock)
        if values.size == 0:
            return decide(problem, serious, stock, known=known)
        above = np.clip(np.searchsorted(values, parts[choice.part]), 0, values.size - 1)
        parts = {name: np.tile(a, 2) for name, a in parts.items()}
        parts[choice.part] = np.concatenate([values[np.maximum(above - 1, 0)], values[above]])
    rows = np.stack(list(parts.values()), axis=-1)
    once = np.unique(rows, axis=0, return_index=True)[1]
    stocked = problem.evaluate({name: a[once] for name, a in parts.items()})
    stocked = stocked.take(stocked.feasible)
    sold = np.repeat([False, True], [len(serious), len(stocked)])
    return decide(problem, Evaluation.join([serious, stocked]), stock, sold, known)
