"""The brief: the TOML file that states a job, read into typed, checked values in SI units.

A brief says which valve, what supplies it, what drives the stage, what it drives, what is wanted,
which parts may vary and over which stock, and how each score is used. :func:`load_brief` reads a
file or one of the briefs shipped with the package; :func:`parse_brief` reads text. Everything
wrong with a brief is reported at once, in a :class:`BriefError`, one line a problem::

    parts.stopper.from: '22 uF': expected a resistance in Ω, such as 220k, 4k7, 2.2 MΩ, R47

Attribute names follow the keys of the file, save that ``from``, ``to`` and ``values`` are ``low``,
``high`` and ``listed``. All values are floats in SI units; a part left out is 0 (or an infinite
resistance, for a grid leak), a direct coupling or a full bypass is an infinite capacitance.
"""

from __future__ import annotations

from collections.abc import Mapping
from importlib.resources import files
from importlib.resources.abc import Traversable
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from explorer.brief.errors import BriefError, did_you_mean, problem_lines, read_text, read_toml
from explorer.brief.model import Brief

__all__ = ["check_names", "load_brief", "parse_brief", "shipped_brief_text", "shipped_briefs"]


def check_names(brief: Brief, known: Mapping[str, object]) -> None:
    """Check the names under ``[scores]`` and ``[limits]`` against a registry.

    Args:
        brief: the brief.
        known: registry of scores by name, for example ``objectives.scores.REGISTRY``.

    Raises:
        BriefError: a name is not in the registry; the closest one is suggested.
    """
    named = [("scores", name) for name in brief.scores]
    named += [("limits", name) for name in brief.limits.windows]
    allowed = ", ".join(sorted(known))
    problems = [
        f"{section}.{name}: unknown name: expected one of {allowed}{did_you_mean(name, known)}"
        for section, name in named
        if name not in known
    ]
    if problems:
        raise BriefError(problems, brief.source)


def shipped_briefs() -> tuple[str, ...]:
    """Return the names of the briefs shipped with the package, for :func:`load_brief`."""
    folder = files("explorer") / "briefs"
    return tuple(
        sorted(
            entry.name.removesuffix(".toml")
            for entry in folder.iterdir()
            if entry.name.endswith(".toml")
        )
    )


def shipped_brief_text(name: str) -> str:
    """Return the TOML text of a shipped brief.

    Raises:
        BriefError: no such brief.
    """
    if name not in shipped_briefs():
        hint = did_you_mean(name, shipped_briefs())
        expected = f"expected a file or one of {', '.join(shipped_briefs())}{hint}"
        raise BriefError([f"brief: {name!r}: {expected}"], name)
    return (files("explorer") / "briefs" / f"{name}.toml").read_text(encoding="utf-8")


def load_brief(source: str | Path) -> Brief:
    """Read a brief from a TOML file, or a shipped brief by its name.

    Args:
        source: path of a file, or one of :func:`shipped_briefs`. Paths inside the file are
            relative to its folder.

    Raises:
        BriefError: the file is missing, is not TOML, or says something that cannot be.
    """
    path = Path(source)
    if isinstance(source, str) and source in shipped_briefs() and not path.is_file():
        return parse_brief(shipped_brief_text(source), files("explorer") / "briefs", source)
    if not path.exists() and path.suffix != ".toml" and len(path.parts) == 1:
        shipped_brief_text(str(source))
    return parse_brief(read_text(path), path.parent, str(source))


def parse_brief(
    text: str | Mapping[str, Any], folder: str | Path | Traversable = ".", source: str = "brief"
) -> Brief:
    """Read a brief from TOML text, or from a mapping of the same shape.

    Args:
        text: the text.
        folder: folder that relative paths in it start from.
        source: name used in messages.

    Raises:
        BriefError: every problem found, one line each.
    """
    data = read_toml(text, source) if isinstance(text, str) else text
    base = Path(folder) if isinstance(folder, str) else folder
    try:
        brief = Brief.model_validate(data, context={"folder": base})
    except ValidationError as error:
        raise BriefError(problem_lines(error, Brief), source) from None
    brief._source = source
    brief._text = text if isinstance(text, str) else ""
    return brief
