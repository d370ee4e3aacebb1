"""TODO explorer.cli.options."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path
from typing import Annotated

import typer

from explorer.brief.loading import shipped_briefs
from explorer.brief.model import Brief
from explorer.cli.printing import Form, How
from explorer.settings import Settings

BriefArgument = Annotated[
    str,
    typer.Argument(
        metavar="BRIEF",
        help=f"TOML file of a brief, or a shipped one: {', '.join(shipped_briefs())}.",
    ),
]
FormOption = Annotated[Form, typer.Option("--form", help="How to print the result.")]
FolderOption = Annotated[
    Path | None,
    typer.Option(
        "--into", help="Folder for the report and the stored search (stagefront-out/NAME)."
    ),
]


def _whole(least: int) -> Callable[[str], int]:
    """Return a reader of whole numbers that names the value it refuses."""

    def read(text: str) -> int:
        if text.isascii() and text.isdecimal() and int(text) >= least:
            return int(text)
        raise typer.BadParameter(f"{text!r}: must be a whole number of {least} or more")

    return read


EvaluationsOption = Annotated[
    int | None,
    typer.Option(
        "--evaluations",
        parser=_whole(1),
        metavar="N",
        help="Budget of the search (default: the brief's).",
    ),
]
SeedOption = Annotated[
    int | None,
    typer.Option("--seed", parser=_whole(0), metavar="N", help="Seed (default: the brief's)."),
]
MethodOption = Annotated[
    How,
    typer.Option(
        "--method",
        help="auto: search, and work out the exact front too where the space is small enough; "
        "search or exact: one of the two.",
    ),
]
StorageOption = Annotated[
    str | None,
    typer.Option(
        "--storage",
        help="Where the search is stored: a file, or a database URL that workers may share.",
    ),
]
QuietOption = Annotated[bool, typer.Option("--quiet", help="No progress bar.")]


def _folder(brief: Brief, into: Path | None) -> Path:
    """Return where results go; it is made only when there is something to put in it."""
    folder = into if into is not None else Path("stagefront-out") / Path(brief.source).stem
    nearest = next(place for place in (folder, *folder.absolute().parents) if place.exists())
    if not (nearest.is_dir() and os.access(nearest, os.W_OK)):
        raise ValueError(f"into: '{folder}': must be a folder that can be made and written")
    return folder


def _settings(
    brief: Brief, folder: Path, evaluations: int | None, seed: int | None, storage: str | None
) -> Settings:
    stated = brief.search
    # Like every path in a brief, that of its storage starts from the brief's own folder.
    url_or_none = not stated.storage or "://" in stated.storage
    own = stated.storage if url_or_none else Path(brief.source).parent / stated.storage
    return Settings(
        seed=stated.seed if seed is None else seed,
        evaluations=evaluations or stated.evaluations,
        batch=stated.batch,
        sampler=stated.sampler,
        storage=storage or own or folder / "search.log",
    )
