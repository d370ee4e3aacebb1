"""What makes a dataclass of numbers a batch: fields that broadcast, index and gain axes together.

Every record of ``objectives`` is a frozen dataclass whose numeric fields are float arrays that
broadcast against each other. The leading axes are candidates; a trailing axis is added where a
frequency sweep must broadcast against them.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import fields
from functools import cached_property
from typing import Any, Self, TypeVar, overload

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
ComplexArray = NDArray[np.complex128]
IntArray = NDArray[np.intp]


class Floats:
    """A field of a dataclass that takes a number or anything like an array, and is a float array.

    The number is made an array once, when the record is made; whoever reads it needs no conversion.

    Parameters
    ----------
    default :
        Value of a field that is not given; None where it must be.
    """

    def __init__(self, default: float | None = None) -> None:
        self._default = default

    def __set_name__(self, owner: type, name: str) -> None:
        self._name = name

    @overload
    def __get__(self, record: None, owner: type) -> float: ...
    @overload
    def __get__(self, record: object, owner: type) -> FloatArray: ...
    def __get__(self, record: object | None, owner: type) -> float | FloatArray:
        if record is not None:
            value: FloatArray = record.__dict__[self._name]
            return value
        if self._default is None:
            # To a dataclass this says that the field has no default.
            raise AttributeError(self._name)
        return self._default

    def __set__(self, record: object, value: ArrayLike) -> None:
        record.__dict__[self._name] = np.asarray(value, float)


class Batch:
    """Mixin for frozen dataclasses whose numeric fields broadcast against each other.

    A field that holds another batch takes part: its fields broadcast and index with the others.
    """

    def nested_batches(self) -> dict[str, Batch]:
        """Return the fields that hold another batch, by name."""
        own = {field.name: getattr(self, field.name) for field in fields(self)}  # type: ignore[arg-type]
        return {name: value for name, value in own.items() if isinstance(value, Batch)}

    def numeric_fields(self) -> dict[str, FloatArray]:
        """Return the numeric fields by name, each as a float array (scalars have shape ``()``)."""
        found = {}
        for field in fields(self):  # type: ignore[arg-type]
            value = getattr(self, field.name)
            if isinstance(value, (bool, int, float, np.ndarray, np.generic)):
                found[field.name] = np.asarray(value, dtype=float)
        return found

    @cached_property
    def shape(self) -> tuple[int, ...]:
        """The common shape of all numeric fields."""
        own = {a.shape for a in self.numeric_fields().values()}
        return np.broadcast_shapes(*own, *(b.shape for b in self.nested_batches().values()))

    def map(self, change: Callable[[FloatArray], ArrayLike]) -> Self:
        """Return a copy with every numeric field indexed, reshaped or broadcast by ``change``."""
        # Not by way of the constructor: what the record checks of its values still holds.
        own, made = vars(self), object.__new__(type(self))
        for field in fields(self):  # type: ignore[arg-type]
            name, value = field.name, own[field.name]
            if isinstance(value, np.ndarray):
                value = np.asarray(change(value), float)
            elif isinstance(value, (bool, int, float, np.generic)):
                value = np.asarray(change(np.asarray(value, float)))
            elif isinstance(value, Batch):
                value = value.map(change)
            vars(made)[name] = value
        return made

    def broadcast(self) -> Self:
        """Return a copy in which every numeric field has the common shape, at least one axis."""
        shape = self.shape or (1,)
        return self.map(lambda a: np.broadcast_to(a, shape))

    def reshape(self, shape: tuple[int, ...]) -> Self:
        """Return a copy in which every numeric field has this shape; it must hold as many."""
        return self.map(lambda a: a.reshape(shape))

    def expand(self) -> Self:
        """Return a copy with a trailing axis of length one, to broadcast against frequencies."""
        return self.map(lambda a: a[..., np.newaxis])

    def at(self, index: Any) -> Self:
        """Return the candidates at ``index`` (any NumPy index of the common shape).

        Fields of shape ``()`` hold for every candidate and stay as they are.
        """
        shape = self.shape
        if shape == ():
            return self
        return self.map(lambda a: a if a.shape == () else np.broadcast_to(a, shape)[index])

    def varied(self) -> Self:
        """Return a copy in which a field has length 1 along every axis that it does not vary along.

        One that varies nowhere is a single number. The fewer a field holds, the less there is to
        work out of it.
        """
        return self.map(varying)

    def cut(self, block: tuple[slice, ...]) -> Self:
        """Return a block of the common shape; a field of length 1 along an axis keeps it whole."""
        return self.map(lambda a: cut(a, block))

    def take(self, rows: IntArray, shape: tuple[int, ...]) -> Self:
        """Return the candidates at ``rows``, counted through ``shape``, as one flat axis.

        A field that holds one number for all stays one number.
        """
        along: dict[int, IntArray] = {}
        places: dict[tuple[int, ...], IntArray] = {}

        def place(axis: int) -> IntArray:
            """Return where the candidates are along an axis, counted from the last."""
            if axis not in along:
                inner = math.prod(shape[len(shape) - axis + 1 :])
                # Twice a quotient: NumPy takes several times as long for a remainder.
                whole = rows // (inner * shape[-axis])
                along[axis] = rows // inner - whole * shape[-axis]
            return along[axis]

        def taken(a: FloatArray) -> FloatArray:
            if a.size == 1:
                return a.reshape(())
            if a.shape not in places:
                own = np.zeros(1, np.intp)
                for at, length in enumerate(a.shape):
                    if length > 1:
                        own = own * length + place(a.ndim - at)
                places[a.shape] = own
            return a.ravel()[places[a.shape]]

        return self.map(taken)


_B = TypeVar("_B", bound=Batch)


def flatten(batch: _B, shape: tuple[int, ...]) -> _B:
    """Return the batch with one flat axis of the common shape ``shape``.

    A field that holds one number for all stays one number.
    """
    return batch.map(lambda a: a.reshape(()) if a.size == 1 else np.broadcast_to(a, shape).ravel())


def varying(a: FloatArray) -> FloatArray:
    """Return an array with length 1 along the axes that it does not vary along; see ``varied``."""
    for axis, (length, stride) in enumerate(zip(a.shape, a.strides, strict=True)):
        if length < 2:
            continue
        first = a[(slice(None),) * axis + (slice(1),)]
        # Few that vary have the same value at both ends; those need no second look.
        last = a[(slice(None),) * axis + (slice(-1, None),)]
        if stride == 0 or (np.array_equal(first, last) and bool(np.all(a == first))):
            a = first
    return a.reshape(()) if a.size == 1 else a


def cut(a: FloatArray, block: tuple[slice, ...]) -> FloatArray:
    """Return an array at a block of a shape that it broadcasts to; a length of 1 stays."""
    if a.ndim == 0:
        return a
    own = block[len(block) - a.ndim :]
    return a[tuple(slice(None) if n == 1 else at for n, at in zip(a.shape, own, strict=True))]


def around(mask: BoolArray) -> tuple[slice, ...]:
    """Return the least block that holds all that is true; of one element where nothing is."""
    if not mask.any():
        return (slice(0, 1),) * mask.ndim
    block = []
    for axis in range(mask.ndim):
        there = np.flatnonzero(mask.any(axis=tuple(a for a in range(mask.ndim) if a != axis)))
        block.append(slice(int(there[0]), int(there[-1]) + 1))
    return tuple(block)


def blocks(shape: tuple[int, ...], most: int) -> Iterator[tuple[slice, ...]]:
    """Yield blocks that make up a shape, of ``most`` elements or fewer where it can be."""
    axis, inner = len(shape), 1
    while axis and inner * shape[axis - 1] <= most:
        axis -= 1
        inner *= shape[axis]
    whole = (slice(None),) * (len(shape) - axis)
    if axis == 0:
        yield whole
        return
    step = max(1, most // inner)
    for lead in np.ndindex(shape[: axis - 1]):
        for start in range(0, shape[axis - 1], step):
            yield (*(slice(i, i + 1) for i in lead), slice(start, start + step), *whole)
