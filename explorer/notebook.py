"""The explorer from Python: a brief, its exploration and its report, without a command line."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from explorer.brief.loading import load_brief, parse_brief
from explorer.brief.model import Brief
from explorer.designs import parse_design
from explorer.displays import Display, ShownExploration, ShownStanding, judged
from explorer.exploration import Exploration, Method
from explorer.exploration import explore as run
from explorer.formulation import formulate
from explorer.report_data import report_data
from explorer.report_studies import pick_studies
from explorer.results import ProgressCallback
from explorer.settings import Settings
from objectives.checks import InputError, did_you_mean
from reports.model import ReportData


def read_brief(source: str | Path | Mapping[str, Any]) -> Brief:
    """Read a brief.

    Parameters
    ----------
    source :
        Path of a TOML file, name of a shipped brief (:func:`explorer.shipped_briefs`), TOML text
        of several lines, or a mapping of the same shape.

    Returns
    -------
    Brief
        Everything that the brief states, in SI units.

    Raises
    ------
    BriefError
        If the brief cannot be read, or asks for what cannot be; the message has one line a
        problem.

    Examples
    --------
    >>> import explorer
    >>> brief = explorer.read_brief("treble-cut")
    >>> brief.supply.voltage
    300.0
    """
    if isinstance(source, Mapping) or (isinstance(source, str) and "\n" in source):
        return parse_brief(source)
    return load_brief(source)


def explore(
    brief: Brief | str | Path | Mapping[str, Any],
    *,
    method: Method = "auto",
    evaluations: int | None = None,
    seed: int | None = None,
    storage: str | Path | None = None,
    progress: ProgressCallback | None = None,
) -> ShownExploration:
    """Find the front of a brief and pick a design from it.

    Parameters
    ----------
    brief :
        A brief, or what :func:`read_brief` reads one from.
    method :
        "exact" works every candidate out, "search" some of them, "auto" takes the first where that
        takes no longer than the brief's patience, "compare" does both.
    evaluations, seed :
        Candidates that a search works out, in whole blocks, and its seed; those of the brief when
        None.
    storage :
        File or database URL in which the run is kept, so that it can go on later; None keeps it
        in memory.
    progress :
        Called with what is known after each batch.

    Returns
    -------
    Exploration
        ``frame()`` is the front as a pandas frame, one row a design, the unit of each column in
        its name. A notebook shows it as the report begins: circuit, gauges, what was close.

    Raises
    ------
    BriefError
        If the brief is not valid.
    ValueError
        If "exact" is asked for and a part is continuous.

    Examples
    --------
    >>> import explorer
    >>> result = explorer.explore("battery-preamp")
    >>> front = result.frame()
    >>> result.feasible, bool(front["gain_dB"].max() > 15)
    (True, True)
    """
    read = brief if isinstance(brief, Brief) else read_brief(brief)
    formulation = formulate(read)
    stated = read.search
    settings = Settings(
        seed=stated.seed if seed is None else seed,
        evaluations=stated.evaluations if evaluations is None else evaluations,
        batch=stated.batch,
        sampler=stated.sampler,
        storage=storage,
    )
    result = run(
        formulation, settings, method=method, patience_s=stated.patience, progress=progress
    )
    return ShownExploration(**vars(result))


def show(result: ShownExploration, section: str = "front") -> Display:
    """Show a section of an exploration's report in a notebook.

    Parameters
    ----------
    result :
        What :func:`explore` found.
    section :
        Key of the section: ``front``, ``responses``, ``textbook``, ``noise``, ``radio``,
        ``limits`` and so on; one that is not there is answered by the list of those that are.

    Raises
    ------
    InputError
        If the report has no such section.

    Examples
    --------
    >>> import explorer
    >>> front = explorer.show(explorer.explore("battery-preamp"), "front")
    >>> "<svg" in front._repr_html_()
    True
    """
    if section not in result.sections:
        names = result.sections
        allowed = f"expected one of {', '.join(names)}{did_you_mean(section, names)}"
        raise InputError("section", section, allowed)
    shown = result.sections[section]
    return Display(shown.title, shown.blocks)


def assess(result: ShownExploration, **parts: str | float) -> ShownStanding:
    """Judge one given stage against an explored brief.

    Parameters
    ----------
    result :
        What :func:`explore` found.
    **parts :
        Value of each part by its key in the brief: ``stopper="68k"``. Parts that the brief fixes
        may be left out.

    Returns
    -------
    Standing
        All scores of the stage, the limits that it breaks, the designs of the front that beat it,
        and what one step in each part does (``steps``; as a pandas frame, ``frame()``).

    Raises
    ------
    BriefError
        If a part is missing, unknown, or has no such value.

    Examples
    --------
    >>> import explorer
    >>> result = explorer.explore("battery-preamp")
    >>> stage = explorer.assess(
    ...     result, stopper="10k", plate_load="22k", cathode_resistor="2k2", bypass="47u")
    >>> 0 < stage.scores["gain_dB"] < 40
    True
    """
    pairs = [f"{name}={value}" for name, value in parts.items()]
    return judged(result, parse_design(pairs, result.formulation.brief))


def report(result: Exploration, *, studies_into: str | Path | None = None) -> ReportData:
    """Return what the charts and documents of :mod:`reports` are made from.

    Parameters
    ----------
    result :
        What :func:`explore` found.
    studies_into :
        Folder for sound files; with it drive, radio, damping and tolerances are studied too, as
        the command line does, which takes a minute or so. None leaves them out.

    Raises
    ------
    ValueError
        If the exploration found no candidate at all.

    Examples
    --------
    >>> import explorer, reports
    >>> report = explorer.report(explorer.explore("battery-preamp"))
    >>> chart = reports.front_chart(report)
    >>> "gain_dB" in report.front.columns
    True
    """
    studies = None if studies_into is None else pick_studies(result, Path(studies_into))
    return report_data(result, studies)
