"""What every score does as one part moves: a panel a score, limits and targets drawn."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import altair as alt
import pandas as pd

from objectives.arrays import FloatArray
from objectives.devices.terms import VALVE, Terms
from objectives.elements import ELEMENTS
from objectives.format import part_value, score_label, stepped
from reports.theme import ACCENTS, BESIDE, INK, PAGE_WIDTH, score_axis

_COLUMNS = 2


def sweep_chart(
    part: str,
    values: FloatArray,
    scores: Mapping[str, FloatArray],
    *,
    present: int,
    broken: Sequence[bool],
    bounds: Mapping[str, Sequence[float]],
    finding: str,
    terms: Terms = VALVE,
) -> alt.ConcatChart:
    """Return a panel a score over the values of a part.

    Parameters
    ----------
    part, values :
        Field of Stage and its values (SI), shape (n,).
    scores :
        By name, shape (n,).
    present :
        Row of the value that the stage has.
    broken :
        At which values a limit is broken or a target missed.
    bounds :
        For a score the values to draw as lines: limits, and the edges of a target.
    finding :
        Title: what the chart shows.
    """
    texts = [part_value(part, value) for value in values]
    states = ["broken" if bad else "kept" for bad in broken]
    states[present] = f"present, {states[present]}"
    order = alt.X(
        "value:N", sort=texts, title=ELEMENTS[part].label_for(terms), axis=alt.Axis(labelAngle=-45)
    )
    panels = []
    for name, column in scores.items():
        frame = pd.DataFrame({"value": texts, "score": column, "limits and targets": states})
        y = alt.Y(
            "score:Q", title=score_label(name, terms), axis=score_axis(name),
            scale=alt.Scale(zero=False),
        )  # fmt: skip
        line = alt.Chart(frame).mark_line(color=ACCENTS["slate"]).encode(x=order, y=y)
        domain = ["kept", "broken", "present, kept", "present, broken"]
        points = (
            alt.Chart(frame)
            .mark_point(filled=True, opacity=1)
            .encode(
                x=order,
                y=y,
                shape=alt.Shape(
                    "limits and targets:N",
                    scale=alt.Scale(domain=domain, range=["circle", "cross", "diamond", "diamond"]),
                ),
                color=alt.Color(
                    "limits and targets:N",
                    scale=alt.Scale(
                        domain=domain,
                        range=[ACCENTS[c] for c in ("teal", "orange", "blue", "orange")],
                    ),
                ),
                size=alt.condition(
                    alt.datum.value == texts[present], alt.value(170), alt.value(55)
                ),
                tooltip=["value:N", alt.Tooltip("score:Q", format=".4~g"), "limits and targets:N"],
            )
        )
        edges = pd.DataFrame({"score": list(bounds.get(name, ()))})
        rule = alt.Chart(edges).mark_rule(strokeDash=[5, 4]).encode(y=y)
        panels.append(
            (line + rule + points).properties(width=PAGE_WIDTH // 2 - 10 - BESIDE, height=180)
        )
    return alt.concat(*panels, columns=_COLUMNS).properties(
        title=finding,
        description=f"{finding}. {len(texts)} values from {texts[0]} to {texts[-1]}; the stage has "
        f"{texts[present]}.",
    )


def sweep_two_chart(
    parts: tuple[str, str],
    values: tuple[FloatArray, FloatArray],
    score: str,
    table: FloatArray,
    *,
    present: tuple[int, int],
    broken: Sequence[Sequence[bool]],
    finding: str,
    terms: Terms = VALVE,
) -> alt.LayerChart:
    """Return one score over the values of two parts, as a map with the values written in.

    ``table`` and ``broken`` have a row for each value of the second part and a column for each of
    the first; where a limit is broken or a target missed the value is followed by a cross.
    """
    across, down = ([part_value(p, v) for v in own] for p, own in zip(parts, values, strict=True))
    frame = pd.DataFrame(
        [
            {
                "across": across[j],
                "down": down[i],
                "score": table[i, j],
                "text": stepped(float(table[i, j]), score) + (" ×" if broken[i][j] else ""),
                "present": (j, i) == present,
            }
            for i in range(len(down))
            for j in range(len(across))
        ]
    )
    x = alt.X("across:N", sort=across, title=ELEMENTS[parts[0]].label_for(terms))
    y = alt.Y("down:N", sort=down, title=ELEMENTS[parts[1]].label_for(terms))
    heat = (
        alt.Chart(frame)
        .mark_rect()
        .encode(
            x=x,
            y=y,
            color=alt.Color(
                "score:Q",
                title=score_label(score, terms, with_unit=True),
                scale=alt.Scale(scheme="tealblues"),
                legend=None,
            ),
        )
    )
    text = (
        alt.Chart(frame)
        .mark_text(fontSize=10)
        .encode(
            x=x,
            y=y,
            text="text:N",
            color=alt.condition(
                alt.datum.score > float(pd.Series(table.ravel()).quantile(0.6)),
                alt.value("white"),
                alt.value("black"),
            ),
        )
    )
    here = (
        alt.Chart(frame[frame["present"]])
        .mark_rect(fillOpacity=0, stroke=INK, strokeWidth=3)
        .encode(x=x, y=y)
    )
    return alt.LayerChart(
        layer=[heat, text, here],
        width=max(54 * len(across), 300),
        height=24 * len(down) + 20,
        title=alt.Title(
            finding, subtitle=["× a limit is broken or a target missed; framed: the stage as it is"]
        ),
        description=finding,
    )
