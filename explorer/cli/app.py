"""TODO explorer.cli.app."""

from __future__ import annotations

import typer

__all__ = ["app"]

app = typer.Typer(
    add_completion=False,
    no_args_is_help=True,
    rich_markup_mode="rich",
    pretty_exceptions_enable=False,
    help=(
        "Choose the parts of a common-cathode triode stage: state the job in a brief, see every "
        "worthwhile way to build it, what each gives up, and why.\n\n"
        "[bold]Valve circuits work at voltages that kill.[/bold] Figures are calculated, not "
        "measured; local codes and licensed practice come first."
    ),
    epilog=(
        "Exit codes: 0 done; 2 bad input; 3 nothing keeps every limit (the report shows what is "
        "nearest); 130 interrupted (the report holds what was found)."
    ),
)
