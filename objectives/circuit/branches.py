"""Branches of a circuit as terms of the closed forms: what is absent, and what is a short."""

from __future__ import annotations

from typing import Any, TypeAlias

import numpy as np
from numpy.typing import NDArray

from objectives.arrays import BoolArray

# Real or complex: a branch that is not there leaves a term real.
Term: TypeAlias = NDArray[np.inexact[Any]]
ONE: Term = np.asarray(1.0)


def is_present(value: Term | BoolArray) -> bool:
    """Return whether a branch is there: false where one number, 0, holds for the whole batch.

    Leaving it out then changes no result, as it would multiply by one or add nothing, and no
    shape; a sweep over many stages is bound by the number of array operations.
    """
    return value.size != 1 or bool(value.item() != 0)
