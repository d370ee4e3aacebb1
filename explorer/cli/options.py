"""Arguments and options that several commands take."""

from __future__ import annotations

from collections.abc import Callable
from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from explorer.brief.shipped import shipped_briefs

DEFAULT_BRIEF = "treble-cut"


class OutputFormat(StrEnum):
    """How results are printed."""

    table = "table"
    json = "json"
    csv = "csv"


class FrontMethod(StrEnum):
    """How the front is found."""

    auto = "auto"
    search = "search"
    exact = "exact"
    compare = "compare"


class MeasuredAt(StrEnum):
    """Where a response was measured."""

    output = "output"
    grid = "grid"


BriefArgument = Annotated[
    str,
    typer.Argument(
        metavar="BRIEF",
        help=f"TOML file of a brief, or a shipped one: {', '.join(shipped_briefs())}.",
    ),
]
FormatOption = Annotated[OutputFormat, typer.Option("--form", help="How to print the result.")]
FolderOption = Annotated[
    Path | None,
    typer.Option(
        "--into", help="Folder for the report and the stored search (stagefront-out/NAME)."
    ),
]


def _whole(least: int) -> Callable[[str], int]:
    """Return a reader of whole numbers that names the value it refuses."""

    def read(text: str) -> int:
        # More digits than a seed of 64 bits has are read in quadratic time.
        if text.isascii() and text.isdecimal() and len(text) < 20 and int(text) >= least:
            return int(text)
        raise typer.BadParameter(f"{text!r}: must be a whole number of {least} or more")

    return read


EvaluationsOption = Annotated[
    int | None,
    typer.Option(
        "--evaluations",
        parser=_whole(1),
        metavar="N",
        help="Candidates that a search works out, in whole blocks (default: the brief's); an exact "
        "front takes all there are.",
    ),
]
SeedOption = Annotated[
    int | None,
    typer.Option("--seed", parser=_whole(0), metavar="N", help="Seed (default: the brief's)."),
]
MethodOption = Annotated[
    FrontMethod,
    typer.Option(
        "--method",
        help="exact: every candidate; search: some of them; auto: the first where that takes no "
        "longer than the brief's patience; compare: both, and how much of the exact front the "
        "search has found.",
    ),
]
StorageOption = Annotated[
    str | None,
    typer.Option(
        "--storage",
        help="Where the run is stored, exact or searched: a file, or a database URL that workers "
        "can share.",
    ),
]
ClusterOption = Annotated[
    str,
    typer.Option(
        "--cluster",
        metavar="ADDRESS",
        help="Work on a Dask cluster, by the address of its scheduler, such as tcp://10.0.0.1:8786.",
    ),
]
CandidateOption = Annotated[
    str | None,
    typer.Option(
        "--candidate",
        metavar="N|NAME",
        help="Report this design in place of the pick: its number, or a name such as quietest.",
    ),
]
DesignOption = Annotated[
    Path | None,
    typer.Option("--design", help=r"TOML file with the stage in a \[design] table."),
]
QuietOption = Annotated[bool, typer.Option("--quiet", help="No progress bar.")]
