"""What the figures of a report rest on: the assumptions made, and the sources of the data."""

from __future__ import annotations

from objectives.devices.protocol import Device
from objectives.elements import ELEMENTS
from objectives.format import first, number, quantity
from reports.layout import Prose, Section
from reports.model import StageData


def assumptions_section(data: StageData) -> Section:
    """Return the assumptions as a section."""
    listed = Prose(assumption_sentences(data), listed=True)
    return Section("assumptions", "Assumptions", [listed])


def sources_section(data: StageData) -> Section:
    """Return the sources as a section."""
    return Section("sources", "Sources", [Prose(source_lines(data), listed=True)])


def assumption_sentences(data: StageData) -> list[str]:
    """Return what was assumed, one sentence an item."""
    pick, terms = data.pick, data.terms
    targets, stage = pick.targets, pick.stage
    low, high = (quantity(f, "Hz") for f in targets.noise_band_Hz)
    uncounted = "hum, microphony" if terms.kind == "valve" else "hum"
    wiring = "; ".join(
        f"{w.kind} {w.between} {quantity(w.capacitance_F, 'F')} ({w.source})" for w in data.wiring
    )
    ahead = (
        "Ahead of its decoupling the supply" if first(stage.decoupling_ohm) > 0 else "The supply"
    )
    sentences = [
        f"{ahead} is a short to ground for signals, and holds its voltage.",
        "Small-signal figures hold for signals that do not move the operating point.",
        f"The {terms.grid_leak} and the stopper carry only the {terms.grid} current that the law "
        f"of the {terms.kind} gives.",
        f"Gain is stated at {quantity(targets.reference_Hz, 'Hz')}, from the EMF of the "
        f"{terms.source} to the load.",
        f"Noise: resistors at {number(targets.temperature_K)} K, A-weighted from {low} to {high}; "
        f"{uncounted} and the excess noise of a decoupling resistor are not counted.",
        _excess_noise(data),
        f"Wiring: the stopper has {quantity(stage.stopper_shunt_F, 'F')} end to end (common "
        "practice, no source, unless measured); strays as the brief states them"
        + (f", {wiring} among them." if wiring else "."),
        "Electrodes' stray capacitances act at the electrodes, inside the lead inductances.",
    ]
    bias_V = first(stage.bias_V)
    if bias_V != 0:
        follows = "follows the supply"
        if first(stage.grid_bias_ratio) == 0:
            follows = "is constant and free of noise and ripple"
        sentences.append(
            f"The {terms.grid_leak} returns to {quantity(bias_V, 'V')}, which {follows}."
        )
    sentences += _caveats(pick.device)
    if data.next_device:
        sentences.append(
            "The following stage counts as its leak and its input capacitance at the reference "
            "frequency."
        )
    return sentences


def _excess_noise(data: StageData) -> str:
    """Return how noisy the resistors are taken to be that have a direct voltage across them."""
    pick = data.pick
    listed = [
        f"{ELEMENTS[name].label_for(data.terms)} {quantity(per_V, 'V')}"
        for name, per_V in pick.targets.excess_noise_per_V.items()
        if first(pick.direct_voltages_V[name]) > 0
    ]
    if not listed:
        return "The excess noise of resistors under direct voltage is not counted."
    return (
        "Excess noise of resistors, in a decade of frequency for each volt across them, the middle "
        f"of what is published of their style: {', '.join(listed)}. One part may differ several "
        "times from another."
    )


def _caveats(device: Device) -> list[str]:
    found = []
    for caveat in device.caveats:
        of = caveat.datum
        value = "" if of is None else quantity(of.value, of.unit)
        found.append(caveat.text.format(name=device.name, value=value))
    return found


def source_lines(data: StageData) -> list[str]:
    """Return where laws, data and standards come from."""
    device = data.pick.device
    return [
        f"{device.name}: law: {device.sources.law}.",
        f"{device.name}: capacitances: {device.sources.capacitance}.",
        f"{device.name}: ratings: {device.sources.ratings}.",
        f"{device.name}: noise: {device.sources.noise}.",
        "Miller capacitance: J. M. Miller, Scientific Papers of the Bureau of Standards 15, 1920.",
        "Thermal noise: H. Nyquist, Physical Review 32, 1928.",
        "Excess noise: IEC 60195; by kind of resistor P. Horowitz, W. Hill, The Art of "
        "Electronics, 2nd ed., 1989, quoted second-hand.",
        "A-weighting: IEC 61672-1. Preferred values: IEC 60063. Markings: IEC 60062.",
    ]
