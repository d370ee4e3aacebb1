"""The ``stagefront`` command."""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from enum import StrEnum
from pathlib import Path
from typing import Annotated, Any

import numpy as np
import pandas as pd
import typer
from rich.console import Console
from rich.markup import escape
from rich.progress import (
    BarColumn,
    MofNCompleteColumn,
    Progress,
    TextColumn,
    TimeElapsedColumn,
)
from rich.table import Table

from explorer.brief import Brief, brief_schema, load_brief, shipped_briefs
from explorer.brief_errors import BriefError
from explorer.designs import load_design, parse_design
from explorer.search import Progress as SearchProgress
from explorer.search import Report, Settings
from objectives.terms import terms_of

__all__ = ["app", "main"]

DEFAULT_BRIEF = "treble-cut"
OK, BAD_INPUT, NOTHING_FEASIBLE, INTERRUPTED = 0, 2, 3, 130

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
# Piped output has no width of its own; 80 columns would fold every table.
out = Console(width=None if sys.stdout.isatty() else 160)
err = Console(stderr=True)


class Form(StrEnum):
    """How results are printed."""

    table = "table"
    json = "json"
    csv = "csv"


class How(StrEnum):
    """How the front is found."""

    auto = "auto"
    search = "search"
    exact = "exact"


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


@contextmanager
def _plain_errors() -> Iterator[None]:
    """Turn bad input into one clear message and exit code 2."""
    try:
        yield
    except BriefError as error:
        err.print(escape(str(error)), style="red", highlight=False, soft_wrap=True)
        raise typer.Exit(BAD_INPUT) from None
    except (ValueError, OSError) as error:
        err.print(escape(f"error: {error}"), style="red", highlight=False, soft_wrap=True)
        raise typer.Exit(BAD_INPUT) from None


@contextmanager
def _progress(quiet: bool) -> Iterator[Report | None]:
    """Show evaluations, their rate and the hypervolume while the search runs."""
    if quiet:
        yield None
        return
    with Progress(
        TextColumn("{task.description}"),
        BarColumn(),
        MofNCompleteColumn(),
        TextColumn("{task.fields[rate]:,.0f} evaluations/s"),
        TextColumn("hypervolume {task.fields[volume]:.4f}"),
        TimeElapsedColumn(),
        console=err,
    ) as bar:
        tasks: dict[str, Any] = {}

        def report(p: SearchProgress) -> None:
            if p.kind not in tasks:
                tasks[p.kind] = bar.add_task(p.kind, total=p.total, rate=0.0, volume=0.0)
            bar.update(tasks[p.kind], completed=p.done, rate=p.per_second, volume=p.hypervolume)

        yield report


@contextmanager
def _working(quiet: bool) -> Iterator[Callable[[str], None]]:
    """Show what is being worked on after the search."""
    if quiet:
        yield lambda _: None
        return
    with err.status("working") as status:
        yield lambda what: status.update(f"working out {what}" if what != "report" else "report")


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


@app.command()
def explore(
    brief: BriefArgument = DEFAULT_BRIEF,
    into: FolderOption = None,
    evaluations: EvaluationsOption = None,
    seed: SeedOption = None,
    method: MethodOption = How.auto,
    storage: StorageOption = None,
    form: FormOption = Form.table,
    quiet: QuietOption = False,
) -> None:
    """Explore a brief: find the front, pick from it, write the report.

    The search is stored as it goes; the same command goes on where the last one stopped.

    Examples:

      stagefront explore

      stagefront explore quiet-input --into out/quiet

      stagefront explore my-brief.toml --evaluations 8000 --seed 3

      stagefront explore my-brief.toml --method exact --form json
    """
    with _plain_errors():
        # Imported here so that help, schema and check answer at once.
        from explorer.exploration import explore as run
        from explorer.pose import pose
        from explorer.publish import contents_of
        from explorer.studies import studies
        from reports.document import write_report
        from reports.spoken import spoken_contents

        read = load_brief(brief)
        posed = pose(read)
        folder = _folder(read, into)
        with _progress(quiet) as report:
            found = run(
                posed,
                _settings(read, folder, evaluations, seed, storage),
                method=method.value,
                exact_up_to=read.search.exact_up_to,
                report=report,
            )
        _stop_if_empty(found)
        with _working(quiet) as say:
            more = studies(found, folder, say)
            contents = contents_of(found, more.sections, more.built)
            say("report")
            written = write_report(contents, folder)
    if form is Form.table:
        _print_front(contents)
        out.print(f"\nReport: [bold]{escape(str(written['html']))}[/bold]", soft_wrap=True)
    else:
        told = spoken_contents(contents, terms_of(found.problem.device))
        _print_frame(told.readable, form)
        err.print(f"Report: {escape(str(written['html']))}", soft_wrap=True)
    if found.interrupted:
        raise typer.Exit(INTERRUPTED)
    if not found.feasible:
        raise typer.Exit(NOTHING_FEASIBLE)


def _stop_if_empty(found: Any) -> None:
    """Leave when the run was interrupted before there was anything to show."""
    if len(found.front) == 0:
        err.print("interrupted before any candidate was worked out")
        raise typer.Exit(INTERRUPTED)


def _print_front(contents: Any) -> None:
    from explorer.publish import part_text, score_text
    from reports.spoken import spoken_contents

    terms = terms_of(contents.pick.device)
    contents, say = spoken_contents(contents, terms), terms.say
    out.print(f"[bold]{escape(contents.title)}[/bold]")
    for sentence in (*contents.method, *contents.blocking, *contents.pick_reasons):
        out.print(escape(sentence), highlight=False)
    free = [u for u in contents.uses if u.free]
    frame = contents.readable
    table = Table(title="The front" if contents.feasible else "The nearest candidates")
    table.add_column("no.", justify="right")
    for label in contents.part_labels.values():
        table.add_column(label, justify="right")
    for use in free:
        table.add_column(say(use.name.rsplit("_", 1)[0].replace("_", " ")), justify="right")
    table.add_column("what it is")
    for row in frame.to_dict("records"):
        table.add_row(
            str(row["candidate"]),
            *(part_text(p, float(row[p])) for p in contents.part_labels),
            *(_unbroken(score_text(u.name, float(row[u.name]))) for u in free),
            row["marks"],
            style="bold" if "pick" in row["marks"].split(", ") else None,
        )
    out.print(table)
    for name, value in contents.constants.items():
        out.print(f"Same for all: {say(name.replace('_', ' '))} {score_text(name, value)}")


def _unbroken(text: str) -> str:
    """Return the text so that a narrow terminal does not part a number from its unit."""
    return text.replace(" ", "\u00a0")


def _print_frame(frame: pd.DataFrame, form: Form) -> None:
    """Print a frame as JSON records or CSV on standard output."""
    if form is Form.csv:
        sys.stdout.write(frame.to_csv(index=False))
    else:
        _print_json(frame.to_dict("records"))


def _print_json(value: Any) -> None:
    sys.stdout.write(json.dumps(_plain(value), indent=2, ensure_ascii=False) + "\n")


def _plain(value: Any) -> Any:
    """Return the value in types that JSON has; infinities become text, nan becomes null."""
    if isinstance(value, Mapping):
        return {str(k): _plain(v) for k, v in value.items()}
    if isinstance(value, np.ndarray):
        return _plain(value.tolist())
    if isinstance(value, Sequence) and not isinstance(value, str):
        return [_plain(v) for v in value]
    if isinstance(value, np.generic):
        return _plain(value.item())
    if isinstance(value, float) and not np.isfinite(value):
        return None if np.isnan(value) else ("infinite" if value > 0 else "-infinite")
    return value


@app.command()
def assess(
    brief: BriefArgument,
    parts: Annotated[
        list[str] | None,
        typer.Argument(metavar="[PART=VALUE]...", help="Values of the stage's parts."),
    ] = None,
    design: Annotated[
        Path | None, typer.Option("--design", help=r"TOML file with a \[design] table instead.")
    ] = None,
    into: FolderOption = None,
    method: MethodOption = How.auto,
    form: FormOption = Form.table,
    quiet: QuietOption = False,
) -> None:
    """Assess one given stage: its scores, its standing against the front, one step in each part.

    Parts that the brief fixes may be left out.

    Examples:

      stagefront assess studio-line stopper=1k plate_load=47k \\
      cathode_resistor=470 cathode_unbypassed=330 bypass=100u

      stagefront assess my-brief.toml --design existing.toml --form json
    """
    with _plain_errors():
        from explorer.assess import assess_design
        from explorer.exploration import enumerable
        from explorer.exploration import explore as run
        from explorer.pose import pose

        read = load_brief(brief)
        if (design is None) == (not parts):
            raise ValueError(
                "design: neither or both ways given: expected PART=VALUE arguments or --design FILE"
            )
        given = load_design(design, read) if design is not None else parse_design(parts or (), read)
        posed = pose(read)
        # The exact front needs no search beside it; a stored search is taken up where it stands.
        exact = method is How.exact or (
            method is How.auto and enumerable(posed.problem, read.search.exact_up_to)
        )
        with _progress(quiet) as report:
            found = run(
                posed,
                _settings(read, _folder(read, into), None, None, None),
                method="exact" if exact else "search",
                report=report,
            )
        _stop_if_empty(found)
        standing = assess_design(found, given)
    if form is Form.csv:
        _print_frame(standing.steps, form)
    elif form is Form.json:
        _print_json(
            {
                "scores": standing.scores,
                "breaks": standing.broken,
                "verdict": standing.verdict,
                "beaten_by": standing.beaten_by,
                "nearest": standing.nearest,
                "one_step": standing.steps.to_dict("records"),
            }
        )
    else:
        _print_standing(standing, found)
    if found.interrupted:
        raise typer.Exit(INTERRUPTED)


def _print_standing(standing: Any, found: Any) -> None:
    from explorer.publish import broken_words, part_text, score_text
    from objectives.scores import REGISTRY

    say = terms_of(found.problem.device).say
    table = Table(title="Scores of the given stage")
    for title in ("score", "value", "front's best", "front's worst"):
        table.add_column(title, justify="left" if title == "score" else "right")
    for name, value in standing.scores.items():
        ends = ("", "")
        if name in found.front.scores and found.feasible:
            column = found.front.scores[name]
            low, high = float(np.nanmin(column)), float(np.nanmax(column))
            free = next((f for f in found.problem.free if f.name == name), None)
            if free is not None:
                losses = free.loss(column)
                low, high = float(column[losses.argmin()]), float(column[losses.argmax()])
            ends = (score_text(name, low), score_text(name, high))
        table.add_row(say(REGISTRY[name].label), score_text(name, value), *ends)
    out.print(table)
    out.print(standing.verdict)
    for line in broken_words(found.problem, standing.evaluation):
        out.print(f"  broken: {say(line)}", highlight=False, soft_wrap=True)
    if standing.nearest is not None:
        row = standing.nearest - 1
        listed = ", ".join(
            f"{say(c.label)} {part_text(c.part, float(found.front.parts[c.part][row]))}"
            for c in found.problem.choices
        )
        out.print(f"Nearest on the front: candidate {standing.nearest} ({listed}).")
    steps = standing.steps
    table = Table(title="One step in each part")
    for title in ("part", "step", "from", "to"):
        table.add_column(title)
    # What is only shown is in the JSON and CSV; a terminal has no room for it.
    names = [n for n in found.problem.searched_names if n in steps.columns]
    for name in names:
        heading = f"{say(REGISTRY[name].label)} ({REGISTRY[name].unit})"
        table.add_column(heading, justify="right")
    table.add_column("limits")
    for step in steps.to_dict("records"):
        table.add_row(
            *(str(step[k]) for k in ("part", "step", "from", "to")),
            *(_signed(float(step[n])) for n in names),
            "kept" if step["keeps_limits"] else "broken",
        )
    out.print(table)


def _signed(value: float) -> str:
    return "0" if abs(value) < 1e-12 else f"{value:+.3g}".replace("-", "−")


@app.command()
def valves(
    name: Annotated[
        str | None, typer.Argument(metavar="[NAME]", help="Show this one, with its fit.")
    ] = None,
    table: Annotated[
        Path | None, typer.Option("--table", help="A valve table of your own (TOML) to look in.")
    ] = None,
    form: FormOption = Form.table,
) -> None:
    """List the valves, or show one: law, capacitances, ratings, residuals and sources.

    Examples:

      stagefront valves

      stagefront valves ECC83

      stagefront valves 6SN7 --form json
    """
    with _plain_errors():
        from explorer.valve_words import valve_frame, valve_record
        from objectives.valves import load_valves, valve
        from objectives.valves import valves as built_in

        known = load_valves(table) if table is not None else built_in()
        if name is None:
            frame = valve_frame(known)
            if form is not Form.table:
                _print_frame(frame, form)
                return
            listing = Table(title="Valves")
            frame = frame.drop(columns="what it is")
            for column in frame.columns:
                listing.add_column(column, justify="left" if column in _LEFT else "right")
            for row in frame.itertuples(index=False):
                listing.add_row(*(str(cell) for cell in row))
            out.print(listing)
            return
        entry = valve(name, known)
        record = valve_record(entry)
    if form is Form.json:
        _print_json(record)
        return
    if form is Form.csv:
        _print_frame(pd.DataFrame(record["residuals"]), form)
        return
    for key, value in record.items():
        if key in ("residuals", "curves"):
            continue
        if isinstance(value, Mapping):
            out.print(f"[bold]{key}[/bold]")
            for inner, shown in value.items():
                out.print(f"  {inner}: {escape(str(shown))}", highlight=False, soft_wrap=True)
        else:
            out.print(f"[bold]{key}[/bold]: {escape(str(value))}", highlight=False, soft_wrap=True)
    residuals = Table(title="Published values against the law")
    for column in ("quantity", "conditions", "published", "law", "error", "used", "source"):
        residuals.add_column(column)
    for point in record["residuals"]:
        residuals.add_row(*(escape(str(point[c])) for c in
                            ("quantity", "conditions", "published", "law", "error", "used",
                             "source")))  # fmt: skip
    out.print(residuals)
    if not record["curves"]:
        return
    columns = [name for name in record["curves"][0] if name != "each"]
    curves = Table(title="Readings off published plate curves (each one: --form json)")
    for column in columns:
        curves.add_column(column)
    for curve in record["curves"]:
        curves.add_row(*(escape(str(curve[c])) for c in columns))
    out.print(curves)


_LEFT = ("valve", "also")


@app.command()
def fit(
    readings: Annotated[
        Path,
        typer.Argument(
            metavar="CSV",
            help="Columns grid_voltage_V, plate_voltage_V, plate_current_A (or _mA).",
        ),
    ],
    name: Annotated[str, typer.Option("--name", help="Name of the new entry.")],
    like: Annotated[
        str | None,
        typer.Option(
            "--like", help="Valve that capacitances, ratings, noise and grid current come from."
        ),
    ] = None,
    law: Annotated[
        str, typer.Option("--law", help="koren, child-langmuir or dempwolf-zolzer.")
    ] = "koren",
    hold: Annotated[
        list[str] | None,
        typer.Option("--hold", metavar="PARAMETER=NUMBER", help="Hold a parameter; repeatable."),
    ] = None,
    test_every: Annotated[
        int | None,
        typer.Option("--test-every", min=2, help="Keep every so-manieth reading back as a test."),
    ] = None,
    into: Annotated[
        Path | None, typer.Option("--into", help="Valve table (TOML) to write the entry into.")
    ] = None,
    chart: Annotated[
        Path | None,
        typer.Option("--chart", help="Residual chart to write: .html, .svg or .png."),
    ] = None,
    form: FormOption = Form.table,
) -> None:
    """Fit a law to your own measured plate curves and make a valve table entry of it.

    Readings that cannot carry a fit are refused, and why is said. A brief uses the entry by
    valve_table = "my-valves.toml".

    Examples:

      stagefront fit bench.csv --name bench-1 --like 12AX7 --into my-valves.toml

      stagefront fit bench.csv --name bench-1 --test-every 5 --chart residuals.html
    """
    with _plain_errors():
        from objectives.fitting import HELD, fit_law, read_measurements, valve_entry_toml
        from objectives.valves import valve
        from reports.valve_charts import chart_format, residual_chart, write_chart

        if law not in HELD:
            raise ValueError(f"--law: {law!r}: must be one of {', '.join(HELD)}")
        if chart is not None:
            chart_format(chart)  # before the work rather than after it
        if into is not None and like is None:
            raise ValueError("--like: not given: --into needs a valve to take capacitances from")
        model = valve(like) if like is not None else None
        found = fit_law(
            read_measurements(readings),
            law,  # type: ignore[arg-type]
            held=_held(hold, HELD[law]),
            grid=model.law.grid if model is not None else None,
            hold_out_every=test_every,
        )
        if into is not None:
            valve_entry_toml(name, found, like=model, into=into)
        if chart is not None:
            write_chart(residual_chart(found), chart)
    record = {
        "name": name,
        "law": str(found.law),
        "standard_error": dict(found.standard_error),
        "fitted": len(found.fitted),
        "rms_percent": found.rms_percent(),
        "worst_percent": found.worst_percent(),
        "tested": 0 if found.tested is None else len(found.tested),
        "tested_rms_percent": None if found.tested is None else found.rms_percent(found.tested),
        "method": found.method,
    }
    if form is Form.json:
        _print_json(record)
    elif form is Form.csv:
        _print_frame(pd.DataFrame([{k: str(v) for k, v in record.items()}]), form)
    else:
        for key, value in record.items():
            shown = f"{value:.3g}" if isinstance(value, float) else str(value)
            out.print(f"{key.replace('_', ' ')}: {escape(shown)}", highlight=False, soft_wrap=True)


def _held(given: list[str] | None, usual: Mapping[str, float]) -> dict[str, float] | None:
    """Return the parameters to hold; None leaves the choice to the fit."""
    if not given:
        return None
    held = dict(usual)
    for text in given:
        name, _, value = text.partition("=")
        try:
            held[name.strip()] = float(value)
        except ValueError:
            raise ValueError(f"--hold: {text!r}: must be PARAMETER=NUMBER") from None
    return held


@app.command()
def check(
    brief: BriefArgument,
    form: FormOption = Form.table,
) -> None:
    """Check a brief: say all that is wrong with it, or what it asks for.

    Examples:

      stagefront check my-brief.toml
    """
    with _plain_errors():
        from explorer.exploration import enumerable
        from explorer.pose import pose

        read = load_brief(brief)
        posed = pose(read)
    terms = terms_of(posed.problem.device)
    size = posed.problem.size
    whole = enumerable(posed.problem, read.search.exact_up_to)
    summary = {
        "title": read.title,
        terms.kind: posed.problem.device.name,
        "varied": {terms.say(c.label): c.origin for c in posed.problem.choices},
        "candidates": size if np.isfinite(size) else "continuous",
        "free scores": [f.name for f in posed.problem.free],
        "limits": [w.name for w in posed.problem.windows],
        "source resistance (ohm)": posed.source_ohm,
        "front": "exact and searched" if whole else "searched",
    }
    if form is Form.json:
        _print_json(summary)
        return
    if form is Form.csv:
        _print_frame(pd.DataFrame([{k: str(v) for k, v in summary.items()}]), form)
        return
    out.print(f"{escape(read.source)}: in order.")
    for key, value in summary.items():
        if isinstance(value, Mapping):
            shown = "; ".join(f"{k} ({v})" for k, v in value.items())
        elif isinstance(value, list):
            shown = ", ".join(value)
        else:
            shown = f"{value:,.0f}" if isinstance(value, float) else str(value)
        out.print(f"  {key}: {escape(shown)}", highlight=False, soft_wrap=True)


@app.command()
def schema() -> None:
    """Print the JSON Schema of a brief, for editors that complete and check TOML.

    Examples:

      stagefront schema > brief.schema.json
    """
    _print_json(brief_schema())


def main() -> None:
    """Run the command line."""
    try:
        app()
    except KeyboardInterrupt:
        err.print("interrupted")
        sys.exit(INTERRUPTED)
    except BrokenPipeError:
        sys.exit(OK)


if __name__ == "__main__":
    main()
