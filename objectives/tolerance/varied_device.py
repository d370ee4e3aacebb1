"""A device that differs from build to build, and the batch of builds that spreads make."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from objectives.arrays import FloatArray
from objectives.checks import InputError
from objectives.circuit.operating_point import operating_point
from objectives.devices.law import ConductionLaw
from objectives.devices.modified import ModifiedDevice
from objectives.devices.protocol import Device, OperatingPoint
from objectives.stage import Stage
from objectives.tolerance.spreads import (
    DEVICE_QUANTITIES,
    END_OF_LIFE,
    TRANSISTOR_QUANTITIES,
    Spread,
    quantities,
)

_MU_STEP = 1e-4


@dataclass(frozen=True, kw_only=True)
class SpreadDevice(ModifiedDevice):
    """A device whose law and capacitances differ from draw to draw; all else is the nominal's."""

    capacitance_factors: tuple[ArrayLike, ArrayLike, ArrayLike] = (1.0, 1.0, 1.0)
    """Of grid-cathode, grid-plate and plate-cathode capacitance."""

    def capacitances(self, point: OperatingPoint) -> tuple[ArrayLike, ArrayLike, ArrayLike]:
        """Return grid-cathode, grid-plate and plate-cathode capacitance (F)."""
        nominal = self.nominal.capacitances(point)
        by_gk, by_gp, by_pk = (np.asarray(factor, float) for factor in self.capacitance_factors)
        gk, gp, pk = (np.asarray(value, float) for value in nominal)
        return gk * by_gk, gp * by_gp, pk * by_pk


def at_end_of_life(device: Device) -> SpreadDevice:
    """Return a valve that is worn out: :data:`END_OF_LIFE` of its current at any given voltages."""
    law = device.law.varied(current=END_OF_LIFE)
    return SpreadDevice.of(device, name=f"worn {device.name}", law=law)


def spread_batch(
    stage: Stage,
    device: Device,
    spreads: Sequence[Spread],
    factors: FloatArray,
    *,
    point: OperatingPoint | None = None,
) -> tuple[Stage, SpreadDevice]:
    """Return the stages and the device with their quantities multiplied.

    The valve: the factor of ``valve_transconductance`` multiplies plate current and
    transconductance at any given voltages; that of ``valve_amplification_factor`` multiplies the
    amplification factor at any given current and leaves the transconductance at that current
    alone. Both are exact for the three-halves law and for Dempwolf and Zölzer's without grid
    current. Where the amplification factor is not the law's parameter itself (Koren, transistors)
    it scales as asked to first order round the nominal operating point. In a stage with a cathode
    resistor both move the operating point, so what is left of them there is less than what was
    put in.

    ``factors``, shape (draws, spreads), are what each quantity is multiplied by, and ``point`` the
    nominal operating points where they are known already.

    Raises
    ------
    InputError
        If the law has array parameters, or a quantity is not one of the device's.
    """
    names = quantities(spreads)
    count = len(factors)
    shape = (*(stage.shape or (1,)), count)
    by_name = {name: np.asarray(factors[:, at], float) for at, name in enumerate(names)}
    drawn = stage.expand()
    changed: dict[str, Any] = {
        name: np.asarray(getattr(drawn, name), float) * factor
        for name, factor in by_name.items()
        if name not in DEVICE_QUANTITIES
    }
    # One field of the full shape makes the whole batch have it, whatever else spreads.
    changed["supply_V"] = np.broadcast_to(changed.get("supply_V", drawn.supply_V), shape)
    law = device.law
    current = by_name.get("valve_transconductance")
    mu = by_name.get("valve_amplification_factor")
    if current is not None or mu is not None:
        if law.shape != ():
            raise InputError("device.law", law.shape, "a spread starts from one device")
        ones = np.ones(shape)
        mu_factor: ArrayLike = ones
        if mu is not None:
            point = operating_point(stage, law) if point is None else point
            needed = _step_needed(law, point)[..., np.newaxis]
            mu_factor = 1 / np.maximum(1 - needed * (1 - 1 / mu), 0.05) * ones
        law = law.varied(current=ones if current is None else current * ones, mu=mu_factor)
    law = _of_other_parameters(device, law, by_name, np.ones(shape))
    together = by_name.get("valve_capacitance", 1.0)
    gk, gp, pk = (
        np.asarray(by_name.get(name, 1.0) * together)
        for name in ("valve_grid_cathode_F", "valve_grid_plate_F", "valve_plate_cathode_F")
    )
    built = SpreadDevice.of(device, law=law, capacitance_factors=(gk, gp, pk))
    return replace(drawn, **changed), built


def _of_other_parameters(
    device: Device, law: ConductionLaw, factors: Mapping[str, FloatArray], ones: FloatArray
) -> ConductionLaw:
    """Return the law with the parameters behind a transistor's own quantities multiplied."""
    known = {own.quantity: own.powers for own in device.spreads if own.powers}
    for quantity in TRANSISTOR_QUANTITIES.keys() & factors.keys():
        if quantity not in known:
            which = f"one that the {device.name} publishes, {', '.join(known) or 'which is none'}"
            raise InputError("spread.quantity", quantity, f"must be {which}")
        by = factors[quantity] * ones
        law = law.multiplied({name: by**power for name, power in known[quantity].items()})
    return law


def _step_needed(law: ConductionLaw, point: OperatingPoint) -> FloatArray:
    """Return the relative step of a law's mu for one of its true amplification factor."""
    grid_V, plate_V = point.grid_cathode_V, point.plate_cathode_V
    current, gm, _ = law.linearise(grid_V, plate_V)
    factors = []
    for side in (-1.0, 1.0):
        other = law.varied(mu=1.0 + side * _MU_STEP)
        moved = grid_V
        for _ in range(2):
            # Newton's steps to the grid voltage that restores the current.
            excess, slope, _ = other.linearise(moved, plate_V)
            step = (excess - current) / np.where(slope > 0, slope, np.inf)
            moved = moved - np.clip(step, -1.0, 1.0)
        _, gm, gp = other.linearise(moved, plate_V)
        factors.append(gm / np.where(gp > 0, gp, np.nan))
    with np.errstate(divide="ignore", invalid="ignore"):
        answer = np.log(factors[1] / factors[0]) / (2 * _MU_STEP)
    # Near cut-off the factor hardly follows the parameter; the step is held there.
    return np.asarray(1.0 / np.clip(np.nan_to_num(answer, nan=1.0), 0.5, 2.0))
