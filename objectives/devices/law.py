"""The contract of a conduction law: the currents of a device, and its parameters."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import ClassVar, Self, TypeAlias

import numpy as np
from numpy.typing import ArrayLike

from objectives.arrays import Batch, FloatArray, Floats
from objectives.checks import InputError

Parameter: TypeAlias = float | FloatArray
Linearised: TypeAlias = tuple[FloatArray, FloatArray, FloatArray]
"""A current (A), and its derivatives by grid and by plate voltage (S)."""


@dataclass(frozen=True)
class Datum:
    """One number of a device: its label (a template for ``Terms.write``), value and unit."""

    label: str
    value: Floats = Floats()
    unit: str = ""


class ConductionLaw(Batch, ABC):
    """Any inverting three-terminal device: control (grid), output (plate), common (cathode).

    A law is a frozen dataclass of its parameters. They are floats, or arrays that broadcast with
    the voltages, so that one call evaluates devices that differ from candidate to candidate.
    Voltages are relative to the cathode, currents flow into the electrode.
    """

    title: ClassVar[str]
    """What the equation is called."""
    parameter_labels: ClassVar[Mapping[str, tuple[str, str]]] = {}
    """Label and unit of the parameters whose field says too little."""
    current_powers: ClassVar[Mapping[str, float]] = {}
    """Parameters that go with the plate current at given voltages, and to which power."""
    mu_powers: ClassVar[Mapping[str, float]] = {}
    """The same for the amplification factor."""
    saturation_V: ClassVar[float | None] = None
    """Plate voltage (V) that ends the swing towards more current; None: grid conduction does."""

    @abstractmethod
    def linearise(self, grid_V: ArrayLike, plate_V: ArrayLike) -> Linearised:
        """Return plate current (A), transconductance (S) and plate conductance (S).

        Each has the broadcast shape of voltages and parameters.
        """

    @abstractmethod
    def linearise_grid(self, grid_V: ArrayLike, plate_V: ArrayLike) -> Linearised:
        """Return grid current (A) and its derivatives by grid and by plate voltage (S)."""

    def plate_current(self, grid_V: ArrayLike, plate_V: ArrayLike) -> FloatArray:
        """Return the plate current (A)."""
        return self.linearise(grid_V, plate_V)[0]

    def grid_current(self, grid_V: ArrayLike, plate_V: ArrayLike) -> FloatArray:
        """Return the grid current (A); zeros where the law has none."""
        return self.linearise_grid(grid_V, plate_V)[0]

    def flat(self, shape: tuple[int, ...]) -> Self:
        """Return the law with array parameters as one flat axis of stages of that shape.

        Raises
        ------
        InputError
            If the parameters are neither scalars nor of that shape.
        """
        if self.shape == ():
            return self
        if self.shape != shape:
            raise InputError(
                "law", self.shape, f"the parameters must be scalars or have the stages' {shape}"
            )
        return self.at(np.unravel_index(np.arange(int(np.prod(shape))), shape))

    def multiplied(self, factors: Mapping[str, ArrayLike]) -> Self:
        """Return the law with some parameters multiplied, by name."""
        changed = {n: _product(getattr(self, n), factor) for n, factor in factors.items()}
        return replace(self, **changed)  # type: ignore[type-var]

    def varied(self, *, current: ArrayLike = 1.0, mu: ArrayLike = 1.0) -> Self:
        """Return the law with plate current and amplification factor multiplied.

        The grid current of a valve stays. So does the base current of a transistor: its current
        gain is multiplied with the collector current.
        """
        both = ((self.current_powers, current), (self.mu_powers, mu))
        return self.multiplied(
            {n: np.asarray(by, float) ** power for of, by in both for n, power in of.items()}
        )

    def parameters(self) -> tuple[Datum, ...]:
        """Return the parameters, but for those of :meth:`grid_parameters`."""
        return self._labelled(self)

    def grid_parameters(self) -> tuple[Datum, ...]:
        """Return the parameters of a grid current of another source than the law, if it has one."""
        return ()

    def _labelled(self, of: Batch) -> tuple[Datum, ...]:
        return tuple(
            Datum(label, value, unit)
            for name, value in of.numeric_fields().items()
            for label, unit in (self.parameter_labels.get(name, (name, "")),)
        )


def _product(parameter: Parameter, factor: ArrayLike) -> Parameter:
    product = np.asarray(parameter, float) * np.asarray(factor, float)
    return float(product) if product.ndim == 0 else product
