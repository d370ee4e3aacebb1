"""``results.json``: everything of an exploration that a program may want."""

from __future__ import annotations

from importlib.metadata import version
from typing import Any, Final

from objectives.format import first
from objectives.json_text import json_value
from reports.model import ReportData
from reports.sections.assumptions import assumption_sentences, source_lines
from reports.sections.cautions import cautions
from reports.sections.infeasible import obstacle_sentences
from reports.sections.job import job_sentences
from reports.sections.limits import limit_frame
from reports.sections.method import method_sentences
from reports.sections.pick import reason_sentences

SCHEMA: Final = 1
"""Raised by one whenever a key changes its name or its meaning, or goes."""


def results(data: ReportData) -> dict[str, Any]:
    """Return the results as plain JSON values; :func:`~objectives.json_text.json_value` says how.

    Keys: ``schema`` (see :data:`SCHEMA`) and ``version`` of the program; ``title``, ``scenario``
    and ``job`` in words; ``feasible``, ``blocking`` in words, the same as ``obstacles`` and
    ``more_choice`` in numbers, and ``method``; ``uses``, what the brief asks of each score;
    ``constants``, scores that all candidates share; ``part_labels``; ``pick`` with its candidate,
    reasons, device, stage and operating point (SI units); ``parts``, the parts list; ``limits``;
    ``readable`` and ``front``, one record a candidate (parts in SI units, scores, marks);
    ``search_trace``; ``assumptions``, ``sources`` and ``cautions``.
    """
    pick, trace = data.pick, data.search_trace
    shown = data.shown.to_dict("records")
    return json_value(  # type: ignore[no-any-return]
        {
            "schema": SCHEMA,
            "version": version("stagefront"),
            "title": data.title,
            "scenario": data.scenario,
            "job": job_sentences(data),
            "feasible": data.feasible,
            "blocking": obstacle_sentences(data),
            "obstacles": data.obstacles,
            "more_choice": data.more_choice,
            "method": method_sentences(data),
            "uses": data.uses,
            "constants": data.constants,
            "part_labels": data.part_labels,
            "pick": {
                "candidate": shown[0],
                "reasons": reason_sentences(data),
                "device": pick.device.name,
                "stage": {n: first(v) for n, v in pick.stage.numeric_fields().items()},
                "operating_point": {n: first(v) for n, v in pick.point.numeric_fields().items()},
            },
            "parts": data.parts,
            "limits": limit_frame(data).to_dict("records"),
            "readable": shown,
            "front": data.front.to_dict("records"),
            "search_trace": None if trace is None else trace.to_dict("records"),
            "assumptions": assumption_sentences(data),
            "sources": source_lines(data),
            "cautions": cautions(data),
        }
    )
