"""How a search is run: seed, budget, sampler and storage."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Literal

Sampler = Literal["evolution", "estimator", "random"]


@dataclass(frozen=True)
class Settings:
    """How the search is run."""

    seed: int = 1
    evaluations: int = 200_000
    """Candidates that a search works out, up to the end of the last block."""
    batch: int = 16
    """Coarse choices proposed together."""
    block: int | None = None
    """Candidates in a block of an enumeration at least, of a search at most; None: as many as are
    worked out fastest, and of a search few enough that it looks about."""
    sampler: Sampler = "evolution"
    cluster: str = ""
    """Address of a Dask scheduler to work on; empty: this machine."""
    storage: str | Path | None = None
    """A file beside the results (embedded default), a database URL, or None for memory only."""
