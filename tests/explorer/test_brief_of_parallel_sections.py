"""Sections in parallel as a brief asks for them."""

from __future__ import annotations

import numpy as np
import pytest

from explorer.brief.errors import BriefError
from explorer.brief.loading import parse_brief
from explorer.formulation import formulate
from fixture_types import MakeBriefText


def test_a_brief_puts_sections_in_parallel(brief_text: MakeBriefText) -> None:
    text = brief_text(('valve = "12AX7"', 'valve = "12AX7"\nsections_in_parallel = 2'))
    problem = formulate(parse_brief(text)).problem
    assert problem.device.name == "12AX7, 2 sections in parallel"
    parts = problem.draw(8, np.random.default_rng(2))
    assert np.isfinite(problem.assess(parts)["tolerance_yield_percent"]).all()


def test_only_sections_of_a_valve_are_put_in_parallel(brief_text: MakeBriefText) -> None:
    text = brief_text(('valve = "12AX7"', 'transistor = "J201"\nsections_in_parallel = 2'))
    with pytest.raises(BriefError, match="sections_in_parallel: 2: expected 1"):
        parse_brief(text)
