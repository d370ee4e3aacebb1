"""What a review of a brief doubts, in words, and its working points."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from types import MappingProxyType
from typing import Final

from explorer.brief_review import BriefReview, Doubt, DoubtKind
from explorer.cli.printing import out, print_labelled
from objectives.devices.terms import Terms
from objectives.elements import ELEMENTS
from objectives.format import allowed_words, part_value, quantity, score_label, score_unit
from objectives.scores.registry import REGISTRY

# {value}, {least} and {most} are quantities, {name} what it is about; the others words of Terms.
_WORDS: Final[Mapping[DoubtKind, str]] = MappingProxyType(
    {
        "band beyond the wiring": "{name}: not scored above {most}: the model is trusted up to "
        "there, where carrier.wiring_metres is a tenth of a wave.",
        "band beyond the cable": "{name}: not scored above {most}: the model is trusted up to "
        "there, where the cable is a tenth of a wave long.",
        "band beyond the device": "{name}: not scored above {most}: the model is trusted up to "
        "there; beyond, the {kind} no longer follows its {grid} at once.",
        "corner near the reference": "{value} is asked, but a corner is where the level is 3 dB "
        "under that at reference.frequency: expected {least} or more, or a lower "
        "reference.frequency.",
        "corner out of reach": "{value} is asked; the middle of the space, its corners and a "
        "sample reach {least} to {most}: choose another range for the stopper, or another target.",
        "limit out of reach": "none of the candidates sampled keeps {allowed}; the best {name} "
        "among them is {value}.",
        "rating out of reach": "every candidate sampled exceeds the {name}, by {value} or more.",
        "load below half the plate resistance": "{value} is less than {least}, half the "
        "{plate_resistance} of the {name} there: little gain, much distortion.",
        "wide range": "the range spans a factor of {value}: is one end a slip?",
        "leak above rating": "{value} is more than the {name} is rated for ({most}): {grid} "
        "current may carry the bias away.",
        "supply above rating": "{value} is more than the rated {plate} voltage of the {name} "
        "({most}), and that is what the {plate} stands at until the stage draws current.",
        "supply below the data": "{value} is less than {least}, the least {plate} voltage at which "
        "published numbers bear the law of the {name} out: no stage on this supply can be trusted.",
        "drawer without range": "no from and to: all {value} values of the drawer are tried.",
        "plate near supply": "{name}: the {plate} stands at {value}, less than a tenth under the "
        "supply: too little current to swing.",
        "plate near cathode": "{name}: only {value} from {plate} to {cathode}, less than a tenth "
        "of the supply: too much current to swing.",
        "grid conducts": "{name}: at {value} from {grid} to {cathode} the {grid} draws current.",
        "little current": "{name}: {value} is less than a hundredth of its rated current.",
        "current outside the data": "{name}: {value} lies outside {least} to {most}, where "
        "published numbers bear its law out.",
        "voltage outside the data": "{name}: {value} from {plate} to {cathode} lies outside "
        "{least} to {most}, where published numbers bear its law out.",
        "rating broken": "the {name} is {value}; allowed is {most}.",
    }
)

_REASONS: Final[Mapping[tuple[str, DoubtKind], str]] = MappingProxyType(
    {
        ("plate_load_ohm", "above custom"): "the stage is starved; noise and output resistance "
        "rise, and the law is least certain.",
        ("stopper_ohm", "above custom"): "it adds more noise than anything else in the stage.",
        ("bypass_F", "below custom"): "it bypasses nothing in the audio band; is it in the right "
        "unit?",
    }
)
"""Why a value of a field of Stage is not customary; any other may be in the wrong unit."""

_SLIP: Final = "is it in the right unit?"


def doubt_words(doubt: Doubt, terms: Terms) -> str:
    """Return a doubt as a sentence, without the place it is about."""
    value = quantity(doubt.value, doubt.unit, 3)
    least, most = (quantity(end, doubt.unit, 3) for end in (doubt.at_least, doubt.at_most))
    if doubt.kind in ("below custom", "above custom"):
        reason = _REASONS.get((doubt.name, doubt.kind), _SLIP)
        side = f"less than {least}" if doubt.kind == "below custom" else f"more than {most}"
        label = ELEMENTS[doubt.name].label_for(terms)
        return f"{value}: a {label} of {side} is not customary: {reason}"
    words = {
        "value": value, "least": least, "most": most,
        "name": score_label(doubt.name, terms) if doubt.name in REGISTRY else doubt.name,
        "allowed": allowed_words(doubt.at_least, doubt.at_most, doubt.unit),
    }  # fmt: skip
    return _WORDS[doubt.kind].format_map({**vars(terms), **words})


def doubt_record(doubt: Doubt) -> dict[str, object]:
    """Return a doubt for other programs; what has no bound or number is left out."""
    numbers = {"value": doubt.value, "at_least": doubt.at_least, "at_most": doubt.at_most}
    finite = {name: number for name, number in numbers.items() if math.isfinite(number)}
    texts = {"kind": doubt.kind, "field": doubt.field, "unit": doubt.unit, "name": doubt.name}
    return {**{name: text for name, text in texts.items() if text}, **finite}


def print_doubts(doubts: Sequence[Doubt], terms: Terms) -> None:
    """Print what is doubtful, one to an item, with what it is about in front."""
    count = "1 warning" if len(doubts) == 1 else f"{len(doubts)} warnings"
    out().print(f"{count}:", style="yellow", highlight=False)
    places = (doubt.field or "middle of the space" for doubt in doubts)
    print_labelled(
        ("-", f"{place}: {doubt_words(doubt, terms)}")
        for place, doubt in zip(places, doubts, strict=True)
    )


def point_lines(found: BriefReview, terms: Terms) -> dict[str, str]:
    """Return the parts of the middle of the space, then its working point with each device."""
    parts = found.points[0].parts.items()
    words = ", ".join(
        f"{ELEMENTS[n].label_for(terms)} {part_value(n, v)}" for n, v in parts if n != "device"
    )
    lines = {"parts": words} if words else {}
    for point in found.points:
        lines[point.device] = ", ".join(
            f"{score_label(name, terms)} {quantity(value, score_unit(name), 3)}"
            for name, value in point.scores.items()
        )
    return lines
