"""Numbers of the network by the impedance of the cathode circuit, Zk, which they are linear in.

A bypass changes neither the operating point nor anything else of the network. So in an outer
product of part values Zk alone has the axis of the bypass; what goes with it is worked out without
that axis, and joined in real numbers.
"""

from __future__ import annotations

from dataclasses import dataclass

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
        a, b = self.rest, self.slope
        return SquaredByCathode(
            squared(a),
            2.0 * (a.real * b.real + a.imag * b.imag),
            2.0 * (a.imag * b.real - a.real * b.imag),
            squared(b),
        )


@dataclass(frozen=True)
class SquaredByCathode:
    """``rest + real Re(Zk) + imag Im(Zk) + slope |Zk|^2``, the sum of squared magnitudes."""

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

    def at(self, real: FloatArray, imag: FloatArray, square: FloatArray) -> FloatArray:
        """Return the number, of the real and the imaginary part of Zk and of |Zk|^2."""
        return np.asarray(self.rest + self.real * real + self.imag * imag + self.slope * square)
