"""What an exploration was run with: command, texts read, versions and seed."""

from __future__ import annotations

import hashlib
import platform
import shlex
from importlib.metadata import version
from pathlib import Path

from explorer.brief.shipped import shipped_briefs
from explorer.designs import Design
from explorer.exploration import Exploration
from objectives.elements import ELEMENTS
from reports.record import Run

_DECIDE = ("stagefront", "numpy", "scipy", "optuna", "moocore", "eseries")
"""Packages that a candidate's numbers or the choice among candidates come from."""


def run_of(ex: Exploration) -> Run:
    """Return what must be the same for another run to come to the same numbers."""
    brief = ex.formulation.brief
    source = brief.source
    name = source if source in shipped_briefs() or not brief.text else Path(source).name
    texts = {name if n == source else n: text for n, text in brief.read.items() if text}
    python = f"{platform.python_version()} ({platform.system()}, {platform.machine()})"
    return Run(
        command=shlex.join(_command(ex, name)),
        brief=name if brief.text else "",
        brief_text=brief.text,
        fingerprints={n: hashlib.sha256(text.encode()).hexdigest() for n, text in texts.items()},
        versions={name: version(name) for name in _DECIDE} | {"Python": python},
        seed=ex.settings.seed,
        shared=ex.settings.storage is not None,
    )


def _command(ex: Exploration, name: str) -> list[str]:
    """Return the command; the method by its name, since ``auto`` goes by the time it takes."""
    ran = {"search": ex.searched is not None, "exact": ex.exact is not None}
    method = "compare" if all(ran.values()) else next(name for name, so in ran.items() if so)
    if ex.given is not None:
        return [
            "stagefront", "assess", name, *_pairs(ex, ex.given),
            "--method", method, "--report", "--into", "FOLDER",
        ]  # fmt: skip
    words = ["stagefront", "explore", name, "--method", method, "--seed", str(ex.settings.seed)]
    if method != "exact":
        words += ["--evaluations", str(ex.settings.evaluations)]
    if ex.decision is not None and any(a.kind == "recommended" for a in ex.decision.alternatives):
        words += ["--candidate", str(ex.pick + 1)]
    return words


def _pairs(ex: Exploration, design: Design) -> list[str]:
    """Return a design as ``assess`` takes it: every part that varies, or that it has otherwise."""
    brief, elements = ex.formulation.brief, {e.key: e for e in ELEMENTS.values()}
    usual = {choice.element.key: choice for choice in brief.all_choices()}
    pairs = [
        f"{key}={elements[key].word(value) or repr(value)}"
        for key, value in design.parts.items()
        if usual[key].varied or value != usual[key].ends()[0]
    ]
    if design.device is not None:
        pairs.append(f"valve={brief.devices[design.device]}")
    place = "after stopper" if design.leak_at_grid else "before stopper"
    return [*pairs, f"grid_leak_position={place}"]
