"""``results.json``: everything of an exploration that a program may want; ``run.json``: the run."""

from __future__ import annotations

from datetime import UTC, datetime
from importlib.metadata import version
from typing import Any, Final

from objectives.format import first
from objectives.json_text import json_value
from objectives.reading.differences import RADIO, Aspect, Difference
from reports.model import ReportData, StageReport
from reports.sections.assumptions import assumption_sentences, source_lines
from reports.sections.cautions import cautions
from reports.sections.infeasible import obstacle_sentences
from reports.sections.job import job_sentences
from reports.sections.limits import limit_frame
from reports.sections.method import method_sentences
from reports.sections.pick import reason_sentences
from reports.sections.purposes import guess_sentences, part_entries

SCHEMA: Final = 2
"""Raised by one whenever a key changes its name or its meaning, or goes."""


def results(data: ReportData) -> dict[str, Any]:
    """Return the results as plain JSON values; :func:`~objectives.json_text.json_value` says how.

    Keys: ``schema`` (see :data:`SCHEMA`) and ``version`` of the program; ``complete``, false while
    studies are still to come; ``title``, ``scenario`` and ``job`` in words; ``feasible``,
    ``blocking`` in words, the same as ``obstacles`` and ``more_choice`` in numbers, and ``method``;
    ``uses``, what the brief asks of each score;
    ``constants``, scores that all candidates share; ``part_labels``; ``pick`` with its candidate,
    reasons, device, stage and operating point (SI units); ``parts``, the parts list; ``limits``;
    ``swaps``, the pick with each other device in its place; ``readable`` and ``front``, one record
    a candidate (parts in SI units, scores, marks; ``built_`` is null where a large front was not
    built in whole); ``search_trace``; ``assumptions``, ``sources``
    and ``cautions``.
    """
    pick, trace = data.pick, data.search_trace
    shown = data.shown.to_dict("records")
    return json_value(  # type: ignore[no-any-return]
        {
            "schema": SCHEMA,
            "version": version("stagefront"),
            "complete": not data.unfinished,
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
            "swaps": () if data.studies is None else data.studies.swaps,
            "readable": shown,
            "front": data.front.to_dict("records"),
            "search_trace": None if trace is None else trace.to_dict("records"),
            "assumptions": assumption_sentences(data),
            "sources": source_lines(data),
            "cautions": cautions(data),
        }
    )


def run_values(data: ReportData) -> dict[str, Any]:
    """Return what differs from run to run, as plain JSON values; no other file of a report does.

    Keys: ``written``, the time; ``version``; ``exact`` and ``searched``, null where there was none:
    ``seconds``, and what of it was stored before (``resumed`` candidates, ``redone`` blocks,
    ``proposals`` of other versions, ``damaged`` lines of the file); ``tolerance_seconds`` and
    ``yields_seconds``, null where not worked out.
    """
    studies = data.studies
    tolerance = None if studies is None else studies.tolerance
    yields = None if studies is None else studies.yields
    return json_value(  # type: ignore[no-any-return]
        {
            "written": datetime.now(UTC).isoformat(timespec="seconds"),
            "version": version("stagefront"),
            "exact": data.exact,
            "searched": data.searched,
            "tolerance_seconds": None if tolerance is None else tolerance.seconds,
            "yields_seconds": None if yields is None else yields.seconds,
        }
    )


def stage_results(data: StageReport) -> dict[str, Any]:
    """Return what was read of a stage as plain JSON values.

    Keys: ``schema``, ``version``, ``title``; ``device``, ``stage`` (SI units), ``parts``;
    ``scores`` by name and ``radio_attenuation_dB`` by band; ``assumed_lead_H``, 0 where the brief
    states the leads; ``corners``; ``purposes``, one a change of a part with the differences of a
    noticeable step and more, and ``parts_in_words``; ``guesses`` and ``guesses_in_words``;
    ``by_hand``; ``limits``; ``comparison`` with another stage, or null; ``cautions``.
    """
    reading, stage = data.reading, data.stage
    by_hand = reading.assessment.textbook
    return json_value(  # type: ignore[no-any-return]
        {
            "schema": SCHEMA,
            "version": version("stagefront"),
            "title": stage.title,
            "device": stage.pick.device.name,
            "stage": {n: first(v) for n, v in stage.pick.stage.numeric_fields().items()},
            "parts": stage.parts,
            "scores": {a.score: v for a, v in reading.figures.items() if a.score != RADIO},
            "radio_attenuation_dB": {
                a.band: v for a, v in reading.figures.items() if a.score == RADIO
            },
            "assumed_lead_H": reading.lead_H,
            "corners": reading.corners,
            "purposes": [
                {
                    "part": purpose.part,
                    "change": purpose.kind,
                    "value": purpose.value,
                    "differences": [_difference(d) for d in purpose.noticeable],
                }
                for purpose in reading.purposes
            ],
            "parts_in_words": dict(part_entries(reading)),
            "guesses": reading.guesses,
            "guesses_in_words": guess_sentences(reading),
            "by_hand": {
                "gain": first(by_hand.gain_magnitude),
                "input_capacitance_F": first(by_hand.input_F),
                "input_corner_Hz": first(by_hand.corner_Hz),
                "error_percent": first(by_hand.error_percent),
                "second_input_corner_Hz": first(by_hand.second.corner_Hz),
                "second_error_percent": first(by_hand.second_error_percent),
                "simplifications_percent": {
                    s.name: first(s.error_percent) for s in by_hand.simplifications
                },
            },
            "limits": limit_frame(stage).to_dict("records"),
            "comparison": _comparison(data),
            "cautions": cautions(stage),
        }
    )


def _difference(difference: Difference) -> dict[str, Any]:
    return {
        **_aspect(difference.aspect),
        "value": difference.value,
        "changed": difference.changed,
        "steps": difference.steps,
    }


def _aspect(aspect: Aspect) -> dict[str, str]:
    return {"score": aspect.score, **({"band": aspect.band} if aspect.band else {})}


def _comparison(data: StageReport) -> dict[str, Any] | None:
    comparison, other = data.comparison, data.other
    if comparison is None or other is None:
        return None
    return {
        "title": other.title,
        "device": other.pick.device.name,
        "stage": {n: first(v) for n, v in other.pick.stage.numeric_fields().items()},
        "scores": [
            {**_difference(total.difference), "explained_steps": total.explained_steps}
            for total in comparison.totals
        ],
        "swaps": [
            {
                "part": swap.part,
                "values": swap.values,
                "differences": [_difference(d) for d in swap.noticeable],
            }
            for swap in comparison.swaps
        ],
    }
