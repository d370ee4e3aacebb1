"""``results.json``: everything of an exploration that a program may want."""

from __future__ import annotations

from importlib.metadata import version
from typing import Any, Final

from objectives.format import first
from objectives.json_text import json_value
from reports.model import ReportContents

__all__ = ["SCHEMA", "results"]

SCHEMA: Final = 1
"""Raised by one whenever a key changes its name or its meaning, or goes."""


def results(contents: ReportContents) -> dict[str, Any]:
    """Return the results as plain JSON values; :func:`~objectives.json_text.json_value` says how.

    Keys: ``schema`` (see :data:`SCHEMA`) and ``version`` of the program; ``title``, ``scenario``
    and ``job`` in words; ``feasible``, ``blocking`` and ``method``; ``uses``, what the brief asks
    of each score; ``constants``, scores that all candidates share; ``part_labels``; ``pick`` with
    its candidate, reasons, device, stage and operating point (SI units); ``parts``, the parts
    list; ``limits``; ``readable`` and ``front``, one record a candidate (parts in SI units,
    scores, marks); ``search_trace``; ``assumptions``, ``sources`` and ``cautions``.
    """
    pick, trace = contents.pick, contents.search_trace
    readable = contents.readable.to_dict("records")
    return json_value(  # type: ignore[no-any-return]
        {
            "schema": SCHEMA,
            "version": version("stagefront"),
            "title": contents.title,
            "scenario": contents.scenario,
            "job": contents.job,
            "feasible": contents.feasible,
            "blocking": contents.blocking,
            "method": contents.method,
            "uses": contents.uses,
            "constants": contents.constants,
            "part_labels": contents.part_labels,
            "pick": {
                "candidate": readable[0] if readable else None,
                "reasons": contents.pick_reasons,
                "device": pick.device.name,
                "stage": {n: first(v) for n, v in pick.stage.numeric_fields().items()},
                "operating_point": {n: first(v) for n, v in pick.point.numeric_fields().items()},
            },
            "parts": contents.parts,
            "limits": contents.limits.to_dict("records"),
            "readable": readable,
            "front": contents.front.to_dict("records"),
            "search_trace": None if trace is None else trace.to_dict("records"),
            "assumptions": contents.assumptions,
            "sources": contents.sources,
            "cautions": contents.cautions,
        }
    )
