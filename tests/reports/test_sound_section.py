"""The sound section and its files: what they show is what the study holds."""

from __future__ import annotations

import wave
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from flat_blocks import all_of
from scipy.io import wavfile

import reports.sound
from objectives.assessment import Assessment
from objectives.devices.triodes import GridCurrent, Koren
from objectives.stage import Stage
from objectives.transient.drive_signal import DriveSignal
from objectives.transient.large_signal_study import LargeSignalStudy, large_signal_study
from reports.charts.drive import blocking_data, spectrum_data, waveform_data
from reports.layout import Figure, Note, Prose, Section, Table
from reports.model import ReportData
from reports.sections.drive import drive_section
from reports.sound import Recording, plucked_chord, recordings, write_wav, write_wavs
from stand_in import StandIn
from valid_charts import valid_spec

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def driven(contents: ReportData) -> Assessment:
    """The demo pick behind an invented clipper, its valve with a published grid current."""
    pick = contents.pick
    grid = GridCurrent(perveance=6.177e-4, exponent=1.314, sharpness=9.901)
    assert isinstance(pick.device, StandIn)
    assert isinstance(pick.device.law, Koren)
    device = replace(pick.device, law=replace(pick.device.law, grid=grid))
    clipper = Stage(
        supply_V=300.0, plate_load_ohm=100e3, cathode_resistor_ohm=10e3, bypass_F=0.0,
        source_ohm=68e3,
    )  # fmt: skip
    drive = DriveSignal(
        level_V=40.0, note_Hz=660.0, harmonics_above_Hz=4e3, stage=clipper, device=device,
        divider_series_ohm=220e3, divider_shunt_ohm=22e3,
    )  # fmt: skip
    return replace(pick, device=device, targets=replace(pick.targets, drive=drive))


@pytest.fixture(scope="module")
def study(driven: Assessment) -> LargeSignalStudy:
    return large_signal_study(driven, loud_s=0.01, after_s=0.05)


@pytest.fixture(scope="module")
def made(study: LargeSignalStudy) -> tuple[Recording, ...]:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(reports.sound, "_TONE_S", 0.1)
        patch.setattr(reports.sound, "_CHORD_S", 0.2)
        return recordings(study)


# -- files -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("bits", [16, 24])
def test_files_read_back_by_another_reader(
    study: LargeSignalStudy, made: tuple[Recording, ...], tmp_path: Path, bits: int
) -> None:
    files = write_wavs(study, tmp_path / "sound", bits=bits, made=made)
    assert sorted(p.name for p in (tmp_path / "sound").iterdir()) == sorted(
        f"{sound_}-{place}.wav"
        for sound_ in ("chord", "tone")
        for place in ("before-the-stopper", "after-the-stopper", "output")
    )
    for file in files:
        rate, samples = wavfile.read(file.path)
        assert rate == 48_000
        # The reader puts 24 bits at the top of 32.
        full = 2.0**15 if bits == 16 else 2.0**31
        volts = samples / full * file.full_scale_V
        step = file.full_scale_V * 2.0 ** (1 - bits)
        np.testing.assert_allclose(volts, file.recording.volts, atol=3 * step)


def test_all_files_have_the_same_loudness_and_no_peak_is_cut(
    study: LargeSignalStudy, made: tuple[Recording, ...], tmp_path: Path
) -> None:
    files = write_wavs(study, tmp_path, made=made)
    levels = [file.rms_dBFS for file in files]
    assert np.ptp(levels) < 1e-9
    assert levels[0] <= -20.0 + 1e-9
    assert max(f.recording.peak_V / f.full_scale_V for f in files) <= 10 ** (-1 / 20) + 1e-9
    # A recording with a high crest factor lowers all.
    spiky = np.zeros(4800)
    spiky[100] = 1.0
    lowered = write_wavs(study, tmp_path, made=(*made, Recording("spike", "s", "p", spiky)))
    assert lowered[0].rms_dBFS < levels[0] - 5
    assert lowered[-1].recording.peak_V / lowered[-1].full_scale_V == pytest.approx(10 ** (-1 / 20))


def test_a_failed_write_leaves_nothing_behind(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    target = tmp_path / "tone.wav"
    write_wav(target, np.zeros(10))
    before = target.read_bytes()

    def broken(self: wave.Wave_write, frames: bytes) -> None:
        raise OSError("no space left")

    monkeypatch.setattr(wave.Wave_write, "writeframes", broken)
    with pytest.raises(OSError, match="no space left"):
        write_wav(target, np.ones(10))
    assert target.read_bytes() == before
    assert [p.name for p in tmp_path.iterdir()] == ["tone.wav"]


def test_recordings_hold_the_steady_state(
    study: LargeSignalStudy, made: tuple[Recording, ...]
) -> None:
    """The end of the test tone has the harmonics that the steady state has."""
    by_name = {r.name: r for r in made}
    assert len(by_name) == 6
    period = 48_000 / 660.0
    for name, point in (("tone-after-the-stopper", "grid"), ("tone-output", "output")):
        volts = by_name[name].volts
        count = round(11 * period)  # 800 samples: eleven whole periods
        tail = volts[4800 - 400 - count : 4800 - 400]
        levels = np.abs(np.fft.rfft(tail))[11::11]
        expected = np.abs(study.amplitudes_V[point])[1:7]  # type: ignore[index]
        found = levels[:6] / levels[0]
        np.testing.assert_allclose(found, expected / expected[0], atol=0.01)


def test_the_chord_is_what_it_says() -> None:
    chord = plucked_chord(110.0, 0.5)
    assert chord.size == 24_000
    assert np.max(np.abs(chord)) == 1.0
    assert abs(chord[-1]) < 1e-6
    # The same, each partial at each instant; the strings begin 12 ms apart.
    time, plain = np.arange(24_000) / 48e3, np.zeros(24_000)
    for string, f in enumerate(110.0 * np.array([1.0, 1.5, 2.0, 2.5, 3.0])):
        since = np.maximum(time - 0.012 * string, 0.0)
        for k in range(1, int(8e3 / f) + 1):
            level = np.sin(np.pi * k / 8) / k**1.2
            decay = np.exp(-since * (0.8 + 0.5 * k * np.sqrt(f / 220.0)))
            wave = np.sin(2 * np.pi * k * f * np.sqrt(1 + 5e-5 * k**2) * since)
            plain += level * decay * wave * (1 - np.exp(-since / 1e-3))
    plain *= np.minimum(1.0, (time[-1] - time) / 0.02)
    np.testing.assert_allclose(chord, plain / np.max(np.abs(plain)), atol=1e-9)
    early, late = chord[2400:7200], chord[-7200:-2400]
    assert np.std(late) < 0.8 * np.std(early)
    spectrum = np.abs(np.fft.rfft(chord * np.hanning(chord.size)))
    f = np.fft.rfftfreq(chord.size, 1 / 48e3)
    for ratio in (1.0, 1.5, 2.0, 2.5, 3.0):
        near = (f > 110 * ratio - 6) & (f < 110 * ratio + 6)
        beside = (f > 110 * ratio + 15) & (f < 110 * ratio + 30)
        assert spectrum[near].max() > 10 * spectrum[beside].max()
    assert spectrum[f > 9e3].max() < 1e-3 * spectrum.max()


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: write_wav(Path("x.wav"), np.zeros(3), bits=8), "bits: 8: must be 16 or 24"),
        (
            lambda: write_wav(Path("x.wav"), np.full(3, 1.5)),
            r"a magnitude of 1\.5: must be at most",
        ),
        (lambda: write_wav(Path("x.wav"), np.full(3, np.nan)), "a magnitude of nan"),
        (lambda: plucked_chord(0.0, 1.0), r"note_Hz: 0\.0: must be more than 0"),
        (lambda: plucked_chord(100.0, 0.0), r"seconds: 0\.0: must be more than 0"),
    ],
)
def test_bad_input_is_named(call: object, message: str) -> None:
    with pytest.raises(ValueError, match=message):
        call()  # type: ignore[operator]


# -- section ---------------------------------------------------------------------------------------


def find(page: Section, kind: type, text: str = "") -> list[object]:
    return [b for b in all_of(page) if isinstance(b, kind) and text in str(b)]


def test_the_section_tells_what_the_study_found(
    driven: Assessment, study: LargeSignalStudy, made: tuple[Recording, ...], tmp_path: Path
) -> None:
    files = write_wavs(study, tmp_path, made=made)
    page = drive_section(driven, study=study, wavs=files)
    assert page.key == "sound"
    opening = " ".join(p for b in find(page, Prose) for p in b.paragraphs)  # type: ignore[attr-defined]
    assert "40\u00a0V peak at 660\u00a0Hz" in opening
    assert "9.1\u00a0% of the voltage" in opening
    notes = " ".join(b.text for b in find(page, Note))  # type: ignore[attr-defined]
    assert f"{abs(study.fall_dB):.1f} dB" in notes
    levels = find(page, Table, "Levels under the drive")[0].frame  # type: ignore[attr-defined]
    assert list(levels["place"]) == [
        "driver's plate", "before the stopper", "after the stopper", "output"
    ]  # fmt: skip
    assert float(levels["distortion (%)"][3]) == pytest.approx(
        study.distortion_percent("output"), abs=0.06
    )
    headroom = find(page, Table, "Headroom on the AC load line")[0]
    peak = float(np.ravel(study.headroom.output_to_cutoff_V)[0])
    assert headroom.frame.iloc[0, 2] == f"{peak:.3g}\u00a0V"  # type: ignore[attr-defined]
    listed = find(page, Table, "Sound files")[0].frame  # type: ignore[attr-defined]
    assert list(listed["file"]) == [f.path.name for f in files]
    assert not find(drive_section(driven, study=study), Table, "Sound files")


def test_every_figure_is_a_chart_that_holds_the_data(
    driven: Assessment, study: LargeSignalStudy
) -> None:
    page = drive_section(driven, study=study)
    figures = {b.name: valid_spec(b.chart) for b in find(page, Figure)}  # type: ignore[attr-defined]
    assert set(figures) == {"waveforms", "spectra", "blocking"}
    waves = waveform_data(study)
    assert set(waves["place"]) == {"before the stopper", "after the stopper", "output"}
    output = waves[waves["place"] == "output"]["voltage_V"]
    assert output.max() == pytest.approx(study.waveform_V("output").max(), rel=0.02)
    lines = spectrum_data(study)
    note = lines[lines["frequency_Hz"] == 660.0]
    assert len(note) == 3
    assert (note["level_dB"] == 0).all()
    burst = blocking_data(study)
    assert len(burst) == study.blocking.time_s.size
    held = {len(rows) for spec in figures.values() for rows in spec["datasets"].values()}
    assert len(lines) in held


def test_grid_conduction_that_spoils_the_stopper_is_a_caution(
    driven: Assessment, study: LargeSignalStudy
) -> None:
    drive = driven.targets.drive
    assert drive is not None
    loud = replace(drive, divider_series_ohm=0.0, divider_shunt_ohm=np.inf)
    page = drive_section(
        driven, study=large_signal_study(driven, loud, loud_s=0.003, after_s=0.003)
    )
    cautions = [b for b in find(page, Note) if b.kind == "caution"]  # type: ignore[attr-defined]
    assert any("no stopper can remove" in b.text for b in cautions)  # type: ignore[attr-defined]


def test_the_targets_drive_is_used_and_missed(driven: Assessment) -> None:
    without = replace(driven, targets=replace(driven.targets, drive=None))
    with pytest.raises(ValueError, match=r"targets\.drive: not given"):
        large_signal_study(without)
