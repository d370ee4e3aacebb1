"""Harmonic levels against Fourier series in closed form and a device that is exactly quadratic."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest
from numpy.typing import ArrayLike
from scipy.integrate import quad

from closed_forms import clipped_sine_harmonics
from objectives.arrays import FloatArray
from objectives.devices.law import ConductionLaw
from objectives.stage import Stage
from objectives.transient.cascade import Cascade, CascadeStage
from objectives.transient.excitation import sine
from objectives.transient.spectrum import distortion_percent, harmonics, high_harmonics_dB
from objectives.transient.steady_state import periodic


def test_harmonics_of_a_known_sum() -> None:
    t = np.arange(96) / 96
    signal = 3.0 + 2.0 * np.cos(2 * np.pi * t) + 0.5 * np.cos(2 * np.pi * 7 * t + 0.3)
    found = harmonics(signal)
    assert found.shape == (48,)
    expected = np.zeros(48, complex)
    expected[[0, 1, 7]] = 3.0, 2.0, 0.5 * np.exp(0.3j)
    np.testing.assert_allclose(found, expected, atol=1e-12)
    assert high_harmonics_dB(found, 100.0, 650.0, 750.0) == pytest.approx(20 * np.log10(0.25))
    assert distortion_percent(found) == pytest.approx(25.0)


def test_power_of_the_band_is_parseval() -> None:
    rng = np.random.default_rng(2)
    signal = rng.normal(size=(5, 201))
    found = harmonics(signal)
    above = high_harmonics_dB(found, note_Hz=100.0, above_Hz=450.0)
    rest = signal - np.fft.irfft(np.fft.rfft(signal)[:, :5], 201)
    power = 2 * np.mean(rest**2, axis=-1) / np.abs(found[:, 1]) ** 2
    np.testing.assert_allclose(above, 10 * np.log10(power), atol=1e-9)
    one = high_harmonics_dB(found, 100.0, 450.0, 500.0)
    np.testing.assert_allclose(one, 20 * np.log10(np.abs(found[:, 5] / found[:, 1])))


@pytest.mark.parametrize("clip", [0.2, 1.0, 4.9, 5.0, 7.0])
def test_clipped_sine_closed_form_is_the_integral(clip: float) -> None:
    found = clipped_sine_harmonics(5.0, clip, 9)
    edges = [np.arcsin(min(clip / 5.0, 1.0)), np.pi - np.arcsin(min(clip / 5.0, 1.0))]
    for n in range(1, 10):
        by_quadrature = quad(
            lambda t, n=n: 2 / np.pi * np.clip(5.0 * np.sin(t), -clip, clip) * np.sin(n * t),
            0, np.pi, points=edges, limit=200,
        )[0]  # fmt: skip
        assert found[n - 1] == pytest.approx(by_quadrature, abs=1e-9)


def test_clipped_sine_closed_form_is_the_transform() -> None:
    count = 20000
    t = np.arange(count) / count
    found = harmonics(np.clip(5.0 * np.sin(2 * np.pi * t), -1.5, 1.5))
    np.testing.assert_allclose(
        np.abs(found[1:40]), np.abs(clipped_sine_harmonics(5.0, 1.5, 39)), atol=1e-6
    )


@dataclass(frozen=True)
class SquareLaw(ConductionLaw):
    """``I = K (v - V_0)^2`` above cut-off, whatever the plate does: no valve, but exact."""

    per_V2: float = 1e-4
    cut_off_V: float = -5.0

    def plate_current(self, grid_V: ArrayLike, plate_V: ArrayLike) -> FloatArray:
        return self.linearise(grid_V, plate_V)[0]

    def linearise(
        self, grid_V: ArrayLike, plate_V: ArrayLike
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        over = np.maximum(np.asarray(grid_V, float) - self.cut_off_V, 0.0)
        none = np.zeros(np.broadcast_shapes(over.shape, np.shape(plate_V)))
        return self.per_V2 * over**2 + none, 2 * self.per_V2 * over + none, none

    def grid_current(self, grid_V: ArrayLike, plate_V: ArrayLike) -> FloatArray:
        return np.zeros(np.broadcast_shapes(np.shape(grid_V), np.shape(plate_V)))

    def linearise_grid(
        self, grid_V: ArrayLike, plate_V: ArrayLike
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        none = self.grid_current(grid_V, plate_V)
        return none, none, none

    def at(self, index: object) -> SquareLaw:
        return self


@pytest.mark.slow
@pytest.mark.parametrize("amplitude", [0.05, 1.0, 3.0])
def test_square_law_stage_has_the_second_harmonic_and_no_other(amplitude: float) -> None:
    stage = Stage(
        supply_V=300.0, plate_load_ohm=10e3, cathode_resistor_ohm=0.0, grid_bias_V=-2.0,
        input_coupling_F=1e-6, grid_leak_ohm=1e6,
    )  # fmt: skip
    f = 1000.0
    run = periodic(
        Cascade((CascadeStage(stage, SquareLaw()),)), sine(amplitude, f), 1 / f, 400,
        ((0, "plate"), (0, "grid")),
    )  # fmt: skip
    found = np.abs(harmonics(run[0, "plate"]))
    actual = np.abs(harmonics(run[0, "grid"]))[1]
    assert float(run.rest_V[0, "grid"]) == pytest.approx(-2.0)
    # A sine of peak A on an overdrive U adds 2 K U A cos and K A^2/2 (1 + cos 2wt): A/(4 U).
    assert found[2] / found[1] == pytest.approx(actual / (4 * 3.0), rel=1e-4)
    assert np.all(found[3:] < 1e-6 * found[1])
    assert found[1] == pytest.approx(10e3 * 2 * 1e-4 * 3.0 * actual, rel=1e-6)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: harmonics(np.ones(3)), "samples: 3: must be at least 4"),
        (
            lambda: high_harmonics_dB(np.ones(5), 100.0, 5e3),
            r"above_Hz: 5000\.0: must be low enough for harmonics of 100 Hz below 400 Hz",
        ),
    ],
)
def test_bad_input_is_named(call: object, message: str) -> None:
    with pytest.raises(ValueError, match=message):
        call()  # type: ignore[operator]
