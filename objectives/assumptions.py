"""What a hand calculation leaves out of a stage, as switches that are made together or alone."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike

from objectives.arrays import Batch, FloatArray, Floats
from objectives.circuit.small_signal import SmallSignal
from objectives.stage import Stage


@dataclass(frozen=True)
class Assumptions(Batch):
    """Switches, 1 where an assumption is made and 0 where it is not; fields broadcast."""

    perfect_source: Floats = Floats(0.0)
    """No source resistance, and so no cable that matters."""
    no_cable: Floats = Floats(0.0)
    no_leak: Floats = Floats(0.0)
    full_bypass: Floats = Floats(0.0)
    """The cathode is grounded for signals."""
    no_next_stage: Floats = Floats(0.0)
    """Nothing loads the plate but its own load."""
    constant_gain: Floats = Floats(0.0)
    """At every frequency the Miller capacitance of mid-band."""
    ideal_stopper: Floats = Floats(0.0)
    """A stopper without capacitance or lead inductance."""
    no_strays: Floats = Floats(0.0)
    """No capacitance of wiring, and no inductance of the electrodes' leads."""

    def of_stage(self, stage: Stage) -> Stage:
        """Return the stage with all of them made but the constant gain."""
        perfect, bypassed, alone = self.perfect_source, self.full_bypass, self.no_next_stage
        ideal, bare = self.ideal_stopper, self.no_strays
        strays = (
            "stray_grid_plate_F", "stray_grid_cathode_F", "stray_plate_cathode_F",
            "stray_grid_ground_F", "stray_plate_ground_F",
            "grid_lead_H", "plate_lead_H", "cathode_lead_H", "grid_capacitor_lead_H",
        )  # fmt: skip
        return replace(
            stage,
            source_ohm=_where(perfect, 0.0, stage.source_ohm),
            cable_F=_where(np.maximum(perfect, self.no_cable), 0.0, stage.cable_F),
            grid_leak_ohm=_where(self.no_leak, np.inf, stage.grid_leak_ohm),
            bypass_F=_where(bypassed, np.inf, stage.bypass_F),
            bypass_series_ohm=_where(bypassed, 0.0, stage.bypass_series_ohm),
            cathode_unbypassed_ohm=_where(bypassed, 0.0, stage.cathode_unbypassed_ohm),
            load_ohm=_where(alone, np.inf, stage.load_ohm),
            load_F=_where(alone, 0.0, stage.load_F),
            stopper_shunt_F=_where(ideal, 0.0, stage.stopper_shunt_F),
            stopper_lead_H=_where(ideal, 0.0, stage.stopper_lead_H),
            **{name: _where(bare, 0.0, getattr(stage, name)) for name in strays},
        )

    def of_device(self, stage: Stage, device: SmallSignal) -> SmallSignal:
        """Return the device, its wiring strays taken off where there are to be none."""
        bare = self.no_strays
        return replace(
            device,
            grid_cathode_F=device.grid_cathode_F - bare * stage.stray_grid_cathode_F,
            grid_plate_F=device.grid_plate_F - bare * stage.stray_grid_plate_F,
            plate_cathode_F=device.plate_cathode_F - bare * stage.stray_plate_cathode_F,
        )


def _where(made: FloatArray, value: float, otherwise: ArrayLike) -> FloatArray:
    return np.where(made > 0.5, value, otherwise)
