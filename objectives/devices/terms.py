"""What people call a device, its electrodes and the stage made with it.

Texts are templates, written for any kind of device: ``"{grid} stopper"``.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Terms:
    """The vocabulary of one kind of device.

    Attributes
    ----------
    kind : 'valve', 'transistor'
    stage : 'common-cathode stage'
    """

    kind: str = "valve"
    stage: str = "common-cathode stage"
    grid: str = "grid"
    plate: str = "plate"
    cathode: str = "cathode"
    source: str = "source"
    """What the signal comes from; a transistor may have a source of its own."""
    grid_leak: str = "grid leak"
    leak: str = "leak"
    plate_curves: str = "plate curves"
    plate_resistance: str = "plate resistance"
    amplification_factor: str = "amplification factor"
    bias_line: str = "cathode-bias line"
    conduction: str = "grid conduction"
    """What ends the swing on the loud side."""
    conduction_begins: str = "the grid begins to conduct"
    cold: str = "valve cold (transconductance 0)"
    leads: str = "leads, pins and mica"
    supplies: str = "heater, power supply"
    """What a circuit diagram leaves out."""
    conduction_at: str = "grid at the cathode's voltage"
    """Where the swing on the loud side ends."""
    stock: str = "the series"
    """What the values of parts are compared with: ``E12``, ``the drawer``."""
    V_gk: str = "V_gk"
    V_pk: str = "V_pk"
    V_g: str = "V_g"
    V_p: str = "V_p"
    V_k: str = "V_k"
    V_b: str = "V_b"
    V_s: str = "V_s"
    I_p: str = "I_p"
    I_g: str = "I_g"
    R_g: str = "R_g"
    R_k: str = "R_k"
    R_s: str = "R_s"
    R_leak: str = "R_leak"
    C_g: str = "C_g"
    C_gk: str = "C_gk"
    C_gp: str = "C_gp"
    C_pk: str = "C_pk"
    r_p: str = "r_p"
    g_g: str = "g_g"
    A_k: str = "A_k"

    def write(self, template: str) -> str:
        """Return a template with this device's words in it: ``"{grid} stopper"``.

        Raises
        ------
        KeyError
            If the template names a word that is not a field of this class.
        """
        return template.format_map(vars(self))


VALVE = Terms()
"""A valve: grid, plate, cathode."""

FIELD_EFFECT = Terms(
    kind="transistor",
    stage="common-source stage",
    grid="gate",
    plate="drain",
    cathode="source",
    source="signal source",
    grid_leak="gate leak",
    plate_curves="output characteristics",
    plate_resistance="drain–source resistance",
    amplification_factor="intrinsic gain",
    bias_line="self-bias line",
    conduction="gate conduction",
    conduction_begins="the gate begins to conduct",
    cold="transconductance taken to 0",
    leads="leads and case",
    supplies="power supply",
    conduction_at="gate at the source's voltage",
    V_gk="V_gs", V_pk="V_ds", V_p="V_d", V_k="V_s", V_b="V_dd", V_s="V_sig", I_p="I_d",
    R_k="R_s", R_s="R_sig", C_gk="C_gs", C_gp="C_gd", C_pk="C_ds",
    r_p="r_ds", A_k="A_s", g_g="g_gs",
)  # fmt: skip
"""A junction field-effect transistor: gate, drain, source."""

BIPOLAR = Terms(
    kind="transistor",
    stage="common-emitter stage",
    grid="base",
    plate="collector",
    cathode="emitter",
    grid_leak="bias resistance",
    leak="bias resistance",
    plate_curves="output characteristics",
    plate_resistance="collector–emitter resistance",
    amplification_factor="intrinsic gain",
    bias_line="emitter-resistor line",
    conduction="saturation",
    conduction_begins="saturation begins",
    cold="transconductance taken to 0",
    leads="leads and case",
    supplies="power supply",
    conduction_at="0.2 V collector to emitter",
    V_gk="V_be", V_pk="V_ce", V_p="V_c", V_k="V_e", V_g="V_b", V_b="V_cc", I_p="I_c", I_g="I_b",
    R_k="R_e", C_gk="C_be", C_gp="C_bc", C_pk="C_ce", C_g="C_b", r_p="r_ce", g_g="g_be",
    A_k="A_e", R_g="R_b", R_leak="R_bias",
)  # fmt: skip
"""A bipolar transistor: base, collector, emitter."""
