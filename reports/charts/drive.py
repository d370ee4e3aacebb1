"""A stage under its drive: waveforms, spectra, and a burst that blocks it."""

from __future__ import annotations

from typing import Final

import altair as alt
import numpy as np
import pandas as pd

from objectives.devices.terms import VALVE, Terms
from objectives.format import quantity
from objectives.transient.large_signal_study import LargeSignalStudy
from reports.charts.layers import Column, Layers
from reports.sound import PLACES
from reports.theme import ACCENTS, BESIDE, INK, MUTED, PAGE_WIDTH, ticks

_COLOURS: Final = dict(
    zip(PLACES.values(), (ACCENTS[c] for c in ("blue", "orange", "plum")), strict=True)
)
_LEGEND: Final = alt.Legend(columns=1, direction="vertical", orient="top")
_SHOWN_SAMPLES: Final = 480
_FLOOR_DB: Final = -120.0


def waveform_data(study: LargeSignalStudy) -> pd.DataFrame:
    """Return one period: columns place, time_ms, voltage_V; thinned to a few hundred samples."""
    every = max(1, study.time_s.size // _SHOWN_SAMPLES)
    return pd.concat(
        [
            pd.DataFrame(
                {
                    "place": place,
                    "time_ms": 1e3 * study.time_s[::every],
                    "voltage_V": study.waveform_V(point)[::every],
                }
            )
            for point, place in PLACES.items()
        ],
        ignore_index=True,
    )


def waveform_chart(study: LargeSignalStudy) -> alt.TopLevelMixin:
    """Return the waveforms: before and after the stopper above, the output below."""
    data = waveform_data(study)
    output = data["place"] == PLACES["output"]
    return Column(
        vconcat=[
            _lines(data[~output], "at the stopper", 240),
            _lines(data[output], "at the output", 180),
        ],
        resolve=alt.Resolve(scale={"x": "shared", "color": "shared"}),
        description=(
            f"One period before and after the stopper and at the output. {waveform_title(study)}."
        ),
    )


def _lines(data: pd.DataFrame, title: str, height: int) -> alt.Chart:
    chart: alt.Chart = (
        alt.Chart(data)
        .mark_line()
        .encode(
            alt.X(
                "time_ms:Q",
                title="time",
                axis=ticks("ms", 6),
                scale=alt.Scale(nice=False, zero=True),
            ),
            alt.Y("voltage_V:Q", title=title, axis=ticks("V")),
            _colour(),
            tooltip=[
                alt.Tooltip("place:N"),
                alt.Tooltip("time_ms:Q", title="time (ms)", format=".3f"),
                alt.Tooltip("voltage_V:Q", title="voltage (V)", format=".3s"),
            ],
        )
        .properties(width=PAGE_WIDTH - BESIDE, height=height)
    )
    return chart


def _colour() -> alt.Color:
    scale = alt.Scale(domain=list(_COLOURS), range=list(_COLOURS.values()))
    return alt.Color("place:N", title=None, scale=scale, sort=list(_COLOURS), legend=_LEGEND)


def _shape() -> alt.Shape:
    scale = alt.Scale(domain=list(_COLOURS), range=["circle", "square", "diamond"])
    return alt.Shape("place:N", title=None, scale=scale, sort=list(_COLOURS), legend=_LEGEND)


def waveform_title(study: LargeSignalStudy) -> str:
    """Return how far the output swings to either side of its mean."""
    output = study.waveform_V("output")
    return (
        f"The output swings from {quantity(output.min(), 'V', 2)} to "
        f"{quantity(output.max(), 'V', 2)} about its voltage at rest"
    )


def spectrum_title(study: LargeSignalStudy) -> str:
    """Return which harmonic is the strongest at the output."""
    frequency, level = study.levels_dB("output")
    if len(level) < 2:
        return "The output has no audible harmonic"
    strongest = 1 + int(np.argmax(level[1:]))
    return (
        f"The strongest harmonic at the output, at {quantity(frequency[strongest], 'Hz', 3)}, is "
        f"{quantity(level[strongest], 'dB', 2)} relative to the note"
    )


def blocking_title(study: LargeSignalStudy) -> str:
    """Return how long the stage takes to come back from an overload."""
    took = study.blocking.recovery_s
    if not np.isfinite(took):
        return "The bias has not come back from the overload within the time shown"
    return f"Nine tenths of the bias shift are gone {quantity(took, 's', 2)} after the overload"


def spectrum_data(study: LargeSignalStudy) -> pd.DataFrame:
    """Return the audible harmonics: columns place, frequency_Hz, level_dB (re the note)."""
    frames = []
    for point, place in PLACES.items():
        f, level = study.levels_dB(point)
        frames.append(pd.DataFrame({"place": place, "frequency_Hz": f, "level_dB": level}))
    data = pd.concat(frames, ignore_index=True)
    return data[data["level_dB"] >= _FLOOR_DB].reset_index(drop=True)


def spectrum_chart(study: LargeSignalStudy) -> alt.TopLevelMixin:
    """Return the harmonics at the three places."""
    data = spectrum_data(study)
    base = alt.Chart(data).encode(
        alt.X(
            "frequency_Hz:Q",
            title="frequency",
            scale=alt.Scale(type="log", nice=False),
            axis=ticks("Hz", 6),
        ),
        alt.Y("level_dB:Q", title="level relative to the note", axis=ticks("dB")),
        _colour(),
        tooltip=[
            alt.Tooltip("place:N"),
            alt.Tooltip("frequency_Hz:Q", title="frequency (Hz)", format=".4s"),
            alt.Tooltip("level_dB:Q", title="level (dB)", format=".1f"),
        ],
    )
    limit = (
        alt.Chart(pd.DataFrame({"frequency_Hz": [study.drive.harmonics_above_Hz]}))
        .mark_rule(color=INK, strokeDash=[4, 3])
        .encode(x="frequency_Hz:Q")
    )
    chart: alt.TopLevelMixin = alt.layer(
        base.mark_line(strokeWidth=1, opacity=0.5),
        base.mark_point(size=34).encode(shape=_shape()),
        limit,
    ).properties(
        width="container",
        height=300,
        description="Harmonics before and after the stopper and at the output. "
        + spectrum_title(study),
    )
    return chart


def blocking_data(study: LargeSignalStudy) -> pd.DataFrame:
    """Return the burst, a row a period: columns time_s, grid_cathode_V, output_dB."""
    found = study.blocking
    return pd.DataFrame(
        {
            "time_s": found.time_s,
            "grid_cathode_V": found.grid_cathode_V,
            "output_dB": found.output_dB,
        }
    )


def blocking_chart(study: LargeSignalStudy, terms: Terms = VALVE) -> alt.TopLevelMixin:
    """Return bias and level of the quiet note before, during and after the overload."""
    found = study.blocking
    data = blocking_data(study)
    took = max(found.silence_s, found.recovery_s, 0.025)
    data = data[data["time_s"] <= found.loud_to_s + 4 * took]
    span = pd.DataFrame({"from": [found.loud_from_s], "to": [found.loud_to_s]})
    rows = []
    for frame, field, title, unit, colour in (
        (data, "grid_cathode_V", f"mean {terms.grid}–{terms.cathode}", "V", ACCENTS["orange"]),
        (data, "output_dB", "quiet note", "dB", ACCENTS["plum"]),
    ):
        shade = alt.Chart(span).mark_rect(color=MUTED, opacity=0.12).encode(x="from:Q", x2="to:Q")
        line = (
            alt.Chart(frame)
            .mark_line(color=colour)
            .encode(
                alt.X("time_s:Q", title="time", axis=ticks("s", 6), scale=alt.Scale(nice=False)),
                alt.Y(f"{field}:Q", title=title, axis=ticks(unit)),
                tooltip=[
                    alt.Tooltip("time_s:Q", title="time (s)", format=".3f"),
                    alt.Tooltip(f"{field}:Q", title=title, format=".2f"),
                ],
            )
        )
        rows.append(Layers(layer=[shade, line], width=PAGE_WIDTH - BESIDE, height=170))
    return Column(
        vconcat=rows,
        resolve=alt.Resolve(scale={"x": "shared"}),
        description=f"Bias and a quiet note about an overload. {blocking_title(study)}.",
    )
