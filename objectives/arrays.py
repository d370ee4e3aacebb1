"""What makes a dataclass of numbers a batch: fields that broadcast, index and gain axes together.

Every record of ``objectives`` is a frozen dataclass whose numeric fields are floats or arrays that
broadcast against each other. The leading axes are candidates; a trailing axis is added where a
frequency sweep must broadcast against them.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import fields, replace
from typing import Any, Self, TypeVar

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["Batch", "BoolArray", "ComplexArray", "FloatArray", "IntArray", "flatten"]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
ComplexArray = NDArray[np.complex128]
IntArray = NDArray[np.intp]


class Batch:
    """Mixin for frozen dataclasses whose numeric fields broadcast against each other."""

    def numeric_fields(self) -> dict[str, FloatArray]:
        """Return the numeric fields by name, each as a float array (scalars have shape ``()``)."""
        found = {}
        for field in fields(self):  # type: ignore[arg-type]
            value = getattr(self, field.name)
            if isinstance(value, (bool, int, float, np.ndarray, np.generic)):
                found[field.name] = np.asarray(value, dtype=float)
        return found

    @property
    def shape(self) -> tuple[int, ...]:
        """The common shape of all numeric fields."""
        return np.broadcast_shapes(*(a.shape for a in self.numeric_fields().values()))

    def map(self, change: Callable[[FloatArray], ArrayLike]) -> Self:
        """Return a copy with ``change`` applied to every numeric field."""
        changed: dict[str, Any] = {
            name: np.asarray(change(value)) for name, value in self.numeric_fields().items()
        }
        return replace(self, **changed)  # type: ignore[type-var]

    def broadcast(self) -> Self:
        """Return a copy in which every numeric field has the common shape, at least one axis."""
        shape = self.shape or (1,)
        return self.map(lambda a: np.broadcast_to(a, shape))

    def expand(self) -> Self:
        """Return a copy with a trailing axis of length one, to broadcast against frequencies."""
        return self.map(lambda a: a[..., np.newaxis])

    def at(self, index: Any) -> Self:
        """Return the candidates at ``index`` (any NumPy index of the common shape).

        Fields of shape ``()`` hold for every candidate and stay as they are.
        """
        shape = self.shape
        return self.map(lambda a: a if a.shape == () else np.broadcast_to(a, shape)[index])


_B = TypeVar("_B", bound=Batch)


def flatten(batch: _B, shape: tuple[int, ...]) -> _B:
    """Return the batch with one flat axis of the common shape ``shape``.

    A field that holds one number for all stays one number.
    """
    return batch.map(lambda a: a.reshape(()) if a.size == 1 else np.broadcast_to(a, shape).ravel())
