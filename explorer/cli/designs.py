"""From what is typed to a stage: values, a file, or a design of the front by its name."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from explorer.brief.errors import NOT_GIVEN
from explorer.cli.app import output_folder
from explorer.cli.searching import run_search, without_slow_scores
from explorer.designs import Design, load_design, parse_design
from explorer.exploration import SEARCH_LOG, Exploration, Method
from explorer.formulation import Formulation
from explorer.standing import unexplored
from explorer.stored import is_kept
from explorer.sweep import middle
from objectives.checks import InputError


def compared_with(
    formulation: Formulation,
    into: Path | None,
    words: Sequence[str],
    method: Method | None,
    *,
    needed: bool,
    quiet: bool,
) -> Exploration:
    """Return what designs are compared with: an exploration that is kept, or else none.

    One is run where it is needed, a method asks for it, or words name a design of the front.
    """
    folder = output_folder(formulation.brief.source, into)
    named = any("=" not in word and not word.endswith(".toml") for word in words)
    if is_kept(formulation.problem, folder):
        method = method or "exact"
    elif formulation.brief.search.storage or (folder / SEARCH_LOG).exists():
        method = method or "search"
    quick = without_slow_scores(formulation)
    if needed or named or method is not None:
        return run_search(quick, folder, method or "auto", quiet=quiet)
    return unexplored(quick)


def designs_of(ex: Exploration, words: Sequence[str]) -> list[tuple[str, Design]]:
    """Return designs by what they are called: ``pick``, ``17``, ``old.toml``, ``stopper=100k``.

    A pair changes the design before it; where none came before, it belongs to a new one.

    Raises
    ------
    InputError
        If the front has no such design.
    BriefError
        If a pair or a file is wrong, or a part is missing.
    """
    brief = ex.formulation.brief
    groups: list[list[str]] = []
    for word in words:
        if "=" in word and groups:
            groups[-1].append(word)
        else:
            groups.append([word])
    designs = []
    for first, *pairs in groups:
        if "=" in first:
            design = parse_design([first, *pairs], brief)
        else:
            start = _start(ex, first)
            design = parse_design(pairs, brief, start)
        designs.append((" ".join([first, *pairs]), design))
    return designs


def taught_design(
    formulation: Formulation, into: Path | None, words: Sequence[str], file: Path | None
) -> Design:
    """Return one design as words or a file name it; without any the pick of what is kept.

    Raises
    ------
    InputError
        If the front has no such design, several are named, or there is nothing to go by.
    BriefError
        If a value is wrong, or a part is missing.
    """
    brief = formulation.brief
    if file is not None:
        return parse_design(words, brief, load_design(file, brief))
    if not brief.varied:
        return parse_design(words, brief, Design.of(brief, {}))
    ex = compared_with(formulation, into, words, None, needed=False, quiet=True)
    if words:
        (_, one), *more = designs_of(ex, words)
        if more:
            raise InputError("design", " ".join(words), "must be one design")
        return one
    if not ex.feasible:
        allowed = (
            "required: PART=VALUE for each part that varies; or the pick, once "
            f"stagefront explore {brief.source} has found one"
        )
        raise InputError("design", NOT_GIVEN, allowed)
    return ex.design("pick")


def _start(ex: Exploration, word: str) -> Design:
    if word.endswith(".toml"):
        return load_design(word, ex.formulation.brief)
    try:
        return ex.design(word)
    except InputError as error:
        allowed = f"{error.allowed}; or expected part=value, such as stopper=68k"
        raise InputError("design", word, allowed) from None


def starting_design(
    formulation: Formulation,
    pairs: Sequence[str],
    file: Path | None,
    candidate: str | None,
    into: Path | None,
) -> Design:
    """Return a design of the front, of a file, or of the middle, and the pairs put over it.

    Raises
    ------
    InputError
        If the front has no such design.
    BriefError
        If a pair or the file is wrong.
    """
    brief = formulation.brief
    if file is not None:
        start = load_design(file, brief)
    elif candidate is not None:
        ex = compared_with(formulation, into, [candidate], None, needed=True, quiet=True)
        start = ex.design(candidate)
    else:
        start = Design.of(brief, middle(formulation.problem))
    return parse_design(pairs, brief, start)
