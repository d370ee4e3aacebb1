"""Numbers of the network by the impedance of the cathode circuit, Zk, which they are linear in.

A bypass changes neither the operating point nor anything else of the network. So in an outer
product of part values Zk alone has the axis of the bypass; what goes with it is worked out without
that axis, and joined in real numbers.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from objectives.arrays import ComplexArray, FloatArray
from objectives.circuit.branches import Term


def squared(value: Term) -> FloatArray:
    """Return |value|^2."""
    return np.asarray(value.real * value.real + value.imag * value.imag)


@dataclass(frozen=True)
class ByCathode:
    """``rest + slope Zk``."""

    rest: Term
    slope: Term

    def __add__(self, other: ByCathode) -> ByCathode:
        """Return the sum."""
        return ByCathode(self.rest + other.rest, self.slope + other.slope)

    def __mul__(self, factor: Term) -> ByCathode:
        """Return the product with a number that does not go with Zk."""
        return ByCathode(self.rest * factor, self.slope * factor)

    def at(self, zk: Term) -> ComplexArray:
        """Return the number."""
        return np.asarray(self.rest + self.slope * zk, complex)

    def squared(self) -> SquaredByCathode:
        """Return its squared magnitude."""
        both = np.asarray(self.rest * self.slope.conj(), complex)
        return SquaredByCathode(squared(self.rest), both.real, both.imag, squared(self.slope))


@dataclass(frozen=True)
class SquaredByCathode:
    """``rest + 2 real Re(Zk) + 2 imag Im(Zk) + slope |Zk|^2``, the sum of squared magnitudes."""

    rest: FloatArray
    real: FloatArray
    imag: FloatArray
    slope: FloatArray

    def __add__(self, other: SquaredByCathode) -> SquaredByCathode:
        """Return the sum."""
        return SquaredByCathode(
            self.rest + other.rest,
            self.real + other.real,
            self.imag + other.imag,
            self.slope + other.slope,
        )

    def __mul__(self, factor: FloatArray) -> SquaredByCathode:
        """Return the product with a real number that does not go with Zk."""
        return SquaredByCathode(
            self.rest * factor, self.real * factor, self.imag * factor, self.slope * factor
        )

    def at(self, cathode: CathodeImpedance) -> FloatArray:
        """Return the number.

        By products of matrices where the axes allow it, with the last axis of Zk for rows and those
        after it for columns: NumPy takes several times as long to broadcast along short axes.
        """
        own = self.rest, self.real, self.imag, self.slope
        axis, count = cathode.last, cathode.ohm.ndim
        shape = np.broadcast(*own).shape
        shape = (1,) * (count - len(shape)) + shape
        lead, tail = shape[:axis], shape[axis + 1 :]
        if len(shape) > count or shape[axis : axis + 1] != (1,) or math.prod(tail) == 1:
            return np.asarray(sum(map(np.multiply, own, np.moveaxis(cathode.parts, -1, 0))))
        matrix = np.empty((*lead, len(own), *tail))
        for row, values in enumerate(own):
            matrix[(slice(None),) * axis + (slice(row, row + 1),)] = values
        product = cathode.matrix @ matrix.reshape(*lead, len(own), -1)
        return product.reshape(*product.shape[:-1], *tail)


@dataclass(frozen=True)
class CathodeImpedance:
    """Zk, as :class:`SquaredByCathode` is joined with it."""

    ohm: Term

    @cached_property
    def parts(self) -> FloatArray:
        """1, 2 Re(Zk), 2 Im(Zk) and |Zk|^2 along a last axis."""
        zk = self.ohm
        return np.stack([np.ones(zk.shape), 2.0 * zk.real, 2.0 * zk.imag, squared(zk)], axis=-1)

    @cached_property
    def last(self) -> int:
        """The last axis of Zk that is longer than 1."""
        return max((axis for axis, n in enumerate(self.ohm.shape) if n > 1), default=0)

    @cached_property
    def matrix(self) -> FloatArray:
        """The parts without the axes beyond the last that is longer than 1."""
        return self.parts.reshape(*self.ohm.shape[: self.last + 1], 4)
