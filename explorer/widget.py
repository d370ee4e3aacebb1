"""A notebook's widget in which the parts of a stage are stepped, by the code of the page."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any
from urllib.parse import parse_qsl

from explorer.designs import Design
from explorer.displays import ShownExploration, ShownStanding, judged
from explorer.page.subject import Subject
from reports.document.display import widget_html, widget_script
from reports.sections.cautions import danger

try:
    import anywidget
    import traitlets
except ImportError as error:
    wanted = "explorer.step needs anywidget: pip install 'stagefront[notebook]'"
    raise ImportError(wanted) from error


class SteppedStage(anywidget.AnyWidget):
    """A stage whose parts are stepped or typed, with its circuit, gauges and responses.

    Attributes
    ----------
    parts : value of each part by its key, as :func:`explorer.assess` takes them; a cell may set
        some or all of them
    stage : the stage as :func:`explorer.assess` judges it
    """

    _esm = widget_script()
    _html = traitlets.Unicode().tag(sync=True)
    parts = traitlets.Dict().tag(sync=True)

    def __init__(self, result: ShownExploration, given: Design | None) -> None:
        self._result = result
        self._subject = subject = Subject(result.formulation, result, given=given)
        start = subject.start
        stage = subject.stage(start)
        html = widget_html(
            f"{stage.title}: step a part",
            danger(stage),
            subject.steppers(start),
            subject.fragments(start, stage, "quick"),
        )
        super().__init__(_html=html, parts=subject.texts(start))
        self.on_msg(self._answer)

    def __repr__(self) -> str:
        return f"SteppedStage({', '.join(f'{key}={value}' for key, value in self.parts.items())})"

    @property
    def stage(self) -> ShownStanding:
        """The stage as :func:`explorer.assess` judges it."""
        return judged(self._result, self._subject.design(self.parts))

    @traitlets.validate("parts")
    def _read(self, proposal: Mapping[str, Any]) -> dict[str, str]:
        """Return all parts, of which some may be given; BriefError where one cannot be."""
        return self._subject.texts(self._subject.design({**self.parts, **proposal["value"]}))

    def _answer(self, _: object, asked: Mapping[str, str], __: object) -> None:
        """Send one of the replies that the page sends as well."""
        pairs = dict(parse_qsl(asked["query"], keep_blank_values=True))
        self.send({"id": asked["id"], "reply": self._subject.reply(pairs, asked["what"])})


def step(stage: ShownExploration | ShownStanding) -> SteppedStage:
    """Step the parts of a stage in a notebook.

    Parameters
    ----------
    stage :
        What :func:`assess` has judged, or what :func:`explore` found, to start from its pick.

    Returns
    -------
    SteppedStage
        A widget: each part is stepped along its series or typed, and circuit, gauges and responses
        follow. ``parts`` are the values that it shows, as :func:`assess` takes them, and can be
        set; ``stage`` is the stage judged.

    Raises
    ------
    ImportError
        If the extra ``notebook`` is not installed.

    Examples
    --------
    >>> import explorer
    >>> result = explorer.explore("battery-preamp")
    >>> widget = explorer.step(result)
    >>> widget.parts = {"stopper": "10k"}
    >>> widget.stage.scores == explorer.assess(result, **widget.parts).scores
    True
    """
    if isinstance(stage, ShownExploration):
        return SteppedStage(stage, None)
    ex, parts = stage.exploration, stage.evaluation.parts
    fields = {name: float(values[0]) for name, values in parts.items()}
    return SteppedStage(ex, Design.of(ex.formulation.brief, fields))
