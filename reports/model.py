"""What a report is given: records and tables of numbers."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Literal

import numpy as np
import pandas as pd

from objectives.arrays import FloatArray
from objectives.assessment import Assessment
from objectives.devices.protocol import Device
from objectives.devices.terms import Terms
from objectives.elements import ELEMENTS
from objectives.ordering import SIGNALS_ONLY, Order, Stress
from objectives.reading.comparison import Comparison
from objectives.reading.purposes import Reading
from objectives.tolerance.front_yields import FrontYields
from objectives.tolerance.results import ToleranceStudy
from objectives.transient.large_signal_study import LargeSignalStudy
from reports.obstacles import MoreChoice, Obstacles
from reports.record import Reasons, Run
from reports.sound import WavFile
from reports.swaps import Swap


@dataclass(frozen=True)
class ScoreUse:
    """What the brief asks of one score."""

    name: str
    unit: str
    meaning: str
    """Template for :meth:`~objectives.devices.terms.Terms.write`."""
    source: str
    aim: Literal["maximise", "minimise", "near", "reach", ""] = ""
    """How it spans the front; empty where it does not."""
    target: float = math.nan
    """The value wanted, where the aim is 'near' or 'reach'."""
    at_least: float = -math.inf
    at_most: float = math.inf
    shown: bool = False
    """Whether the brief asks to show it."""
    constant: bool = False
    """Whether it is the same for every candidate."""
    better: int = 0
    """+1 when more is better, -1 when less is, 0 when neither."""

    @property
    def free(self) -> bool:
        """Whether it is one of the scores that span the front."""
        return self.aim != ""

    @property
    def limited(self) -> bool:
        """Whether the brief sets a limit on it."""
        return math.isfinite(self.at_least) or math.isfinite(self.at_most)


@dataclass(frozen=True)
class Mark:
    """Why a candidate stands out."""

    kind: Literal["pick", "nearest", "recommended", "closest", "alternative", "best"]
    score: str = ""
    """The score that it is best in: of those on target an alternative, or the closest to a target;
    of all the best."""


@dataclass(frozen=True)
class DriverSummary:
    """What drives the stage."""

    source_ohm: float
    """Resistance behind the attenuator, if any."""
    passed: float = 1.0
    """Share of the source's open-circuit voltage that is left there."""
    ahead_ohm: float = 0.0
    """Resistance of the source itself, or output resistance of the earlier stage."""
    series_ohm: float = 0.0
    shunt_ohm: float = math.inf
    """Resistors of the attenuator; 0 and inf where absent."""
    level: float = 1.0
    """Share of the shunt resistor below its tap."""
    device: str = ""
    """Of the earlier stage; empty where a plain source drives."""
    supply_V: float = math.nan
    plate_load_ohm: float = math.nan
    cathode_ohm: float = math.nan
    plate_current_A: float = math.nan
    plate_V: float = math.nan

    @property
    def attenuates(self) -> bool:
        """Whether an attenuator stands between source and stage."""
        return self.series_ohm > 0 or math.isfinite(self.shunt_ohm)


@dataclass(frozen=True)
class WiringLine:
    """A piece of wiring whose capacitance counts among the strays."""

    kind: str
    between: str
    capacitance_F: float
    source: str


@dataclass(frozen=True)
class SearchSummary:
    """What an enumeration or a search did."""

    evaluated: int
    feasible: int
    seconds: float
    interrupted: bool = False
    resumed: int = 0
    """Evaluations that an earlier run had stored."""
    redone: int = 0
    """Blocks that a killed run had begun."""
    proposals: Mapping[str, int] = field(default_factory=dict)
    """By what program, candidates of its search that were scored anew."""
    damaged: Sequence[int] = ()
    """Lines of the stored search that could not be read whole."""


@dataclass(frozen=True)
class TargetStanding:
    """How a design stands to a target of the brief."""

    score: str
    value: float
    at_least: float
    at_most: float
    """Values that count as on target."""
    missed_steps: float
    """Noticeable steps outside; 0 on target."""
    aim: float = math.nan
    """The value asked for, where the target is one to come near."""


@dataclass(frozen=True)
class ScoreStanding:
    """How the pick stands in one score that spans the front."""

    score: str
    value: float
    wanted: float
    good_enough: float
    stated: bool
    """Whether the brief says what is wanted; else it is taken from the designs on target."""
    best: float
    """Of the designs on target."""
    given_up_steps: float
    """Noticeable steps between the pick and the best on target."""


@dataclass(frozen=True)
class NamedDesign:
    """The pick, or a design that stands beside it."""

    candidate: int
    kind: Literal["pick", "recommended", "closest", "alternative"]
    score: str
    """The score that it is best in; empty for the pick."""
    good: float
    """Share of builds that keep targets and limits; nan where not worked out."""


@dataclass(frozen=True)
class DecisionSummary:
    """Why the pick is it, and what stands beside it."""

    pick: NamedDesign
    alternatives: Sequence[NamedDesign]
    targets: Sequence[TargetStanding]
    scores: Sequence[ScoreStanding]
    asked: float
    """Share of builds in which the brief wants targets and limits kept; 0 where it does not ask."""
    on_target: int
    """Designs on the front that meet every target."""
    shortfall: FloatArray
    """Of each design of the front: the most noticeable steps it gives up in one score."""

    @property
    def missed(self) -> Sequence[TargetStanding]:
        """Targets that the pick misses."""
        return [target for target in self.targets if target.missed_steps > 0]

    @property
    def met(self) -> Sequence[TargetStanding]:
        """Targets that the pick meets."""
        return [target for target in self.targets if target.missed_steps == 0]


@dataclass(frozen=True)
class LimitRow:
    """A limit, and where the pick stands."""

    kind: Literal["rating", "window"]
    name: str
    """Of the score, or of the rating in words."""
    unit: str
    value: float
    at_least: float
    at_most: float
    kept: bool
    source: str


@dataclass(frozen=True)
class PartLine:
    """One line of the parts list of the pick."""

    field: str
    """An element by its name, e.g. 'stopper_ohm'."""
    value: float | str
    """As the stage has it: inf for a full bypass."""
    marking: str = ""
    """IEC 60062 code of what is bought; empty where no part is fitted."""
    origin: str = ""
    """Where the values come from that it was chosen from; empty where the brief fixes it."""
    bought: float = math.nan
    """Value of the part that does the work: the stage's own, or in place of an ideal capacitor the
    smallest that will do; nan where there is none."""
    down_to_Hz: float = math.nan
    """Lowest frequency at which a part does the work of an ideal one; nan where it need not."""
    stress: Stress = SIGNALS_ONLY
    order: Order | None = None
    """None where nothing is to be bought, or nothing large enough exists."""
    note: str = ""
    """The drawer's."""


@dataclass(frozen=True)
class PickStudies:
    """What was worked out about the pick and the front beyond their scores."""

    drive: LargeSignalStudy | None = None
    wavs: Sequence[WavFile] = ()
    tolerance: ToleranceStudy | None = None
    yields: FrontYields | None = None
    swaps: Sequence[Swap] = ()
    """The pick with each device of its kind."""
    reasons: Reasons | None = None


@dataclass(frozen=True, kw_only=True)
class StageData:
    """A stage in its surroundings: records and a batch of one that a report can recompute from."""

    title: str
    scenario: str
    driver: DriverSummary
    next_device: str
    """Device of the stage that this one drives; empty where there is none."""
    pick: Assessment
    """The stage as a batch of one."""
    origins: Mapping[str, str]
    """Field of Stage to where its values come from, for every varied part."""
    parts: Sequence[PartLine]
    limits: Sequence[LimitRow]
    wiring: Sequence[WiringLine]
    highest_supply_V: float
    """Of this stage and those around it."""
    neighbours: Sequence[tuple[str, Device]] = ()
    """Devices of the stages before and behind, with what each is there."""

    @cached_property
    def terms(self) -> Terms:
        """What the device, its electrodes, its stage and preferred values are called."""
        return replace(self.pick.device.terms, stock=self.pick.targets.stock)


@dataclass(frozen=True)
class StageReport:
    """A given stage, read, and another beside it where there is one."""

    stage: StageData
    reading: Reading
    other: StageData | None = None
    comparison: Comparison | None = None


@dataclass(frozen=True, kw_only=True)
class ReportData(StageData):
    """A finished exploration and its pick."""

    uses: Sequence[ScoreUse]
    constants: Mapping[str, float]
    """Scores that are the same for every candidate."""
    space: float
    """Number of candidates in the design space; inf where a part is continuous."""
    exact: SearchSummary | None
    searched: SearchSummary | None
    search_share: float | None
    """Hypervolume that the search reached as a share of the exact front's."""
    hypervolume: float
    interrupted: bool
    front: pd.DataFrame
    """Full front: 'candidate' id, one column a varied part (SI), one a score, 'marks' in words;
    'on_front' is false for a named design that is beaten by one with less room to the limits."""
    marks: Mapping[int, Sequence[Mark]]
    """Candidate id to why it stands out."""
    shown: pd.DataFrame
    """At most 40 rows of the front, pick first; same columns."""
    decision: DecisionSummary | None
    """None where nothing is feasible."""
    feasible: bool
    """False: no candidate keeps every limit; ``shown`` then holds the nearest ones."""
    obstacles: Obstacles | None
    more_choice: Sequence[MoreChoice]
    """What would help where nothing is feasible or the pick misses a target, the most first."""
    studies: PickStudies | None = None
    beside: Mapping[int, StageData] = field(default_factory=dict)
    """The named designs other than the pick, by candidate."""
    unfinished: bool = False
    """Whether studies are still to be added to the report."""
    search_trace: pd.DataFrame | None = None
    """Evaluations and hypervolume as the search went on."""
    run: Run

    @property
    def front_size(self) -> int:
        """Number of designs on the front."""
        return int(self.front["on_front"].sum()) if self.feasible else 0

    @property
    def part_labels(self) -> dict[str, str]:
        """Field of Stage to its name, for every varied part."""
        return {part: ELEMENTS[part].label_for(self.terms) for part in self.origins}

    def marks_of(self, candidate: object) -> Sequence[Mark]:
        """Return why a candidate stands out."""
        return self.marks.get(int(np.asarray(candidate)), ())
