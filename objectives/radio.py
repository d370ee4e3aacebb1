"""Radio frequencies at the grid: bands, real resistors, and what the valve detects."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["Carrier"]


@dataclass(frozen=True)
class Carrier:
    """An amplitude-modulated carrier in series with the source.

    100 mV is a stated example, not a limit from a standard; 30 % is the modulation depth at which
    receivers are customarily measured (common practice, no source).
    """

    emf_V: float = 0.1
    """Root-mean-square EMF (V) of the unmodulated carrier."""
    modulation: float = 0.3
    """Modulation depth, 0 to 1."""
    audio_Hz: float = 1000.0
    """Frequency (Hz) of the modulating tone."""

    def __post_init__(self) -> None:
        for name, value, allowed, good in (
            ("emf_V", self.emf_V, "a finite voltage above 0", 0 < self.emf_V < float("inf")),
            ("modulation", self.modulation, "0 to 1", 0 <= self.modulation <= 1),
            ("audio_Hz", self.audio_Hz, "a finite frequency above 0",
             0 < self.audio_Hz < float("inf")),
        ):  # fmt: skip
            if not good:
                raise ValueError(f"carrier.{name}: {value!r}: must be {allowed}")
