"""The application that commands are entered in: its help, version, exit codes and errors."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Annotated, Any, NoReturn

import typer
from rich.markup import escape
from typer.core import TyperGroup

from explorer.cli.printing import err

DEFECT, BAD_INPUT, NOTHING_FEASIBLE, NOT_WRITTEN, INTERRUPTED = 1, 2, 3, 4, 130


def leave(message: str, code: int) -> NoReturn:
    """Print one message on standard error and end the command."""
    err().print(escape(message), style="red", highlight=False, soft_wrap=True)
    raise typer.Exit(code)


@contextmanager
def writing(place: str | Path) -> Iterator[None]:
    """Leave, naming the path, when a disk is full or a place cannot be written."""
    try:
        yield
    except OSError as error:
        path = error.filename or place
        leave(f"error: cannot write {str(path)!r}: {error.strerror or error}", NOT_WRITTEN)


def output_folder(source: str, into: Path | None) -> Path:
    """Return where results of a brief go; it is made only when there is something to put in it.

    Raises
    ------
    InputError
        If something else than a folder is in its place.
    """
    from objectives.checks import InputError  # it brings NumPy, which help does without

    folder = into if into is not None else Path("stagefront-out") / Path(source).stem
    nearest = next(place for place in (folder, *folder.absolute().parents) if place.exists())
    if not nearest.is_dir():
        raise InputError("into", str(folder), "must be a folder that can be made and written")
    if not os.access(nearest, os.W_OK):
        leave(f"error: cannot write {str(nearest)!r}: permission denied", NOT_WRITTEN)
    return folder


class _Commands(TyperGroup):
    """Turns bad input into one clear message; any other exception is a defect and goes on."""

    def invoke(self, ctx: Any) -> Any:
        try:
            return super().invoke(ctx)
        except KeyboardInterrupt:
            leave("interrupted", INTERRUPTED)
        except ValueError as error:
            # Imported here: they bring NumPy and pydantic, which help does without.
            from explorer.brief.errors import BriefError
            from objectives.checks import InputError

            if not isinstance(error, BriefError | InputError):
                raise
            lead = "" if isinstance(error, BriefError) else "error: "
            leave(f"{lead}{error}", BAD_INPUT)


app = typer.Typer(
    cls=_Commands,
    add_completion=False,
    no_args_is_help=True,
    rich_markup_mode="rich",
    pretty_exceptions_enable=False,
    epilog=(
        "Exit codes: 0 done; 1 a defect of stagefront; 2 bad input; 3 no candidate keeps every "
        "limit (the report shows the nearest); 4 a file could not be written; 130 interrupted (the "
        "report holds what was found until then)."
    ),
)


def _print_version(wanted: bool) -> None:
    if wanted:
        from importlib.metadata import version

        typer.echo(f"stagefront {version('stagefront')}")
        raise typer.Exit


@app.callback()
def stagefront(
    version: Annotated[
        bool,
        typer.Option("--version", callback=_print_version, is_eager=True, help="Show the version."),
    ] = False,
) -> None:
    """Choose the parts of a common-cathode triode stage.

    State the job in a brief; see every worthwhile way to build it, what each gives up, and why.

    [bold]Valve circuits work at voltages that kill.[/bold] Figures are calculated, not measured;
    local codes and licensed practice come first.
    """
