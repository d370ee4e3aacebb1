"""How soon searches come to the exact front: ours, and general ones over the same scores.

Against the exact front of each space, over seeds: the share of its hypervolume and of its designs
that a search has found, by candidates worked out and by seconds. Ours is compared with Optuna's
NSGA-II and TPE, one trial at a time; pymoo's NSGA-II, whose generations are scored together; and
drawing at random, scored together. Of each the best that it has seen counts, not its population.
Run it:

    OPENBLAS_NUM_THREADS=1 PYTHONPATH=tests \
        python tests/bench/search.py [--seeds 10] [--seconds 20] [--reference FOLDER]

It prints a table and writes it, and a chart of it, beside the pictures of the reports. Times are of
one run on one machine, in seconds of one processor: ratios count, and other work does not.
"""

from __future__ import annotations

import argparse
import os
import time
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import dataclass, replace
from importlib.resources import files
from pathlib import Path

import altair as alt
import numpy as np
import optuna
import pandas as pd
from pymoo.algorithms.moo.nsga2 import NSGA2
from pymoo.core.problem import Problem as PymooProblem
from pymoo.operators.crossover.sbx import SBX
from pymoo.operators.mutation.pm import PM
from pymoo.operators.repair.rounding import RoundingRepair
from pymoo.operators.sampling.rnd import IntegerRandomSampling
from pymoo.optimize import minimize

from explorer.brief.loading import parse_brief
from explorer.evaluation import Evaluation, Parts
from explorer.formulation import formulate
from explorer.front import Scale, non_dominated
from explorer.probe import without_constants
from explorer.problem import Problem
from explorer.results import Progress, SearchResult
from explorer.search import enumerate_front, search
from explorer.settings import Settings

PICTURES = Path(__file__).parents[2] / "reports" / "pictures"
BATCH = 200
LEVELS = (0.9, 0.99, 0.999)

WIDE = (
    ('[parts.stopper]\nseries = "E12"', '[parts.stopper]\nseries = "E48"'),
    ('[parts.plate_load]\nseries = "E12"', '[parts.plate_load]\nseries = "E24"'),
    ('[parts.cathode_resistor]\nseries = "E12"', '[parts.cathode_resistor]\nseries = "E48"'),
    ('values = ["none", "1u", "4u7", "22u", "47u"]', 'values = ["none", "1u", "2u2", "4u7", '
     '"10u", "22u", "47u"]'),
    ('[parts.input_coupling]\nvalue = "22n"', '[parts.input_coupling]\nseries = "E6"\n'
     'from = "4n7"\nto = "100n"'),
)  # fmt: skip
"""Changes that make fourteen million candidates of treble-cut."""

CONTINUOUS = (
    ('[parts.stopper]\nseries = "E12"', "[parts.stopper]\ncontinuous = true"),
)  # fmt: skip
DENSE = 400
"""Values of the continuous part in the grid that stands for it in the reference."""


def problem_of(brief: str, *changes: tuple[str, str]) -> Problem:
    """Return the problem of a shipped brief with changes to its text."""
    folder = files("explorer") / "briefs"
    text = (folder / f"{brief}.toml").read_text("utf-8")
    for old, new in changes:
        assert old in text, old
        text = text.replace(old, new)
    return without_constants(formulate(parse_brief(text, folder)).problem, 1)[0]


class TimeUp(Exception):
    """The time of a search is over."""


@dataclass
class Trace:
    """What a search has found as it went on: the best of all candidates it has worked out.

    A search of others ends by :class:`TimeUp`, raised where it sees candidates after its time.
    """

    problem: Problem
    most_s: float
    started: float
    rows: list[tuple[int, float, Evaluation]]
    best: Evaluation | None = None
    evaluated: int = 0

    @classmethod
    def of(cls, problem: Problem, most_s: float) -> Trace:
        """Return an empty trace that starts now."""
        return cls(problem, most_s, time.process_time(), [])

    @property
    def seconds(self) -> float:
        """Processor time since the start."""
        return time.process_time() - self.started

    @property
    def over(self) -> bool:
        """Whether its time is up."""
        return self.seconds > self.most_s

    def see(self, parts: Parts) -> Evaluation:
        """Return candidates worked out, and note when they were."""
        if self.over:
            raise TimeUp
        new = self.problem.evaluate(parts)
        self.evaluated += len(new)
        self.add(new.take(new.feasible))
        return new

    def add(self, good: Evaluation) -> None:
        """Note feasible candidates."""
        pool = good if self.best is None else Evaluation.join([self.best, good])
        self.best = pool.take(non_dominated(pool.losses))
        self.rows.append((self.evaluated, self.seconds, self.best))


Run = Callable[[Problem, int, float], Trace]


def ours(run: Callable[..., SearchResult]) -> Run:
    """Return a search or an enumeration of the program's, ended as Ctrl-C does when time is up."""

    def timed(problem: Problem, seed: int, seconds: float) -> Trace:
        trace = Trace.of(problem, seconds)

        def note(progress: Progress) -> None:
            trace.rows.append((progress.done, trace.seconds, progress.front()))
            if trace.over:
                raise KeyboardInterrupt

        result = run(problem, Settings(seed=seed), note)
        trace.rows.append((result.evaluated, trace.seconds, result.front))
        return trace

    return timed


def at_random(problem: Problem, seed: int, seconds: float) -> Trace:
    """Draw candidates."""
    trace, rng = Trace.of(problem, seconds), np.random.default_rng(seed)
    while not trace.over:
        trace.see(problem.draw(BATCH, rng))
    return trace


def one_by_one(sampler: Callable[[int], optuna.samplers.BaseSampler]) -> Run:
    """Return a search with a sampler of Optuna's, candidate by candidate."""

    def run(problem: Problem, seed: int, seconds: float) -> Trace:
        optuna.logging.set_verbosity(optuna.logging.ERROR)
        trace = Trace.of(problem, seconds)

        def objective(trial: optuna.Trial) -> list[float]:
            parts = {
                c.part: np.array([
                    trial.suggest_float(c.part, c.low, c.high, log=True)
                    if c.continuous
                    else c.values[trial.suggest_int(c.part, 0, len(c.values) - 1)]
                ])
                for c in problem.choices
            }  # fmt: skip
            new = trace.see(parts)
            trial.set_constraint("limits", float(new.broken[0]))
            return [float(loss) for loss in new.losses[0]]

        study = optuna.create_study(
            directions=["minimize"] * len(problem.free), sampler=sampler(seed)
        )
        with suppress(TimeUp):
            study.optimize(objective)
        return trace

    return run


def in_generations(problem: Problem, seed: int, seconds: float) -> Trace:
    """Evolve with pymoo, a generation scored together."""
    trace = Trace.of(problem, seconds)
    low = [0.0 if c.continuous else 0 for c in problem.choices]
    high = [1.0 if c.continuous else len(c.values) - 1 for c in problem.choices]
    # A continuous part is a position among so many values.
    high = [1e4 if c.continuous else top for c, top in zip(problem.choices, high, strict=True)]

    class Stages(PymooProblem):  # type: ignore[misc]
        def __init__(self) -> None:
            super().__init__(
                n_var=len(low), n_obj=len(problem.free), n_ieq_constr=1, xl=low, xu=high, vtype=int
            )

        def _evaluate(self, x: np.ndarray, out: dict[str, np.ndarray]) -> None:
            parts = {
                c.part: c.low * (c.high / c.low) ** (column / 1e4)
                if c.continuous
                else c.values[column.astype(int)]
                for c, column in zip(problem.choices, x.T, strict=True)
            }
            new = trace.see(parts)
            out["F"], out["G"] = new.losses, new.broken[:, None]

    evolution = NSGA2(
        pop_size=BATCH,
        sampling=IntegerRandomSampling(),
        crossover=SBX(prob=0.9, eta=15, vtype=float, repair=RoundingRepair()),
        mutation=PM(eta=20, vtype=float, repair=RoundingRepair()),
    )
    with suppress(TimeUp):
        minimize(Stages(), evolution, ("n_gen", 10**9), seed=seed)
    return trace


RUNS: dict[str, Run] = {
    "stagefront, search": ours(search),
    "stagefront, exact": ours(enumerate_front),
    "pymoo, NSGA-II in generations": in_generations,
    "Optuna, NSGA-II": one_by_one(
        lambda seed: optuna.samplers.NSGAIISampler(population_size=BATCH, seed=seed)
    ),
    "Optuna, TPE": one_by_one(
        lambda seed: optuna.samplers.TPESampler(seed=seed, multivariate=True)
    ),
    "at random": at_random,
}


def exact_losses(name: str, problem: Problem, folder: Path | None) -> np.ndarray:
    """Return the losses of the exact front, or of a dense grid where a part is continuous.

    They are kept in a folder, if one is given: ten million candidates take minutes.
    """
    path = folder / f"{name}.npy" if folder is not None else None
    if path is not None and path.exists():
        return np.asarray(np.load(path))
    dense = tuple(
        replace(c, values=np.geomspace(c.low, c.high, DENSE)) if c.continuous else c
        for c in problem.choices
    )
    losses = enumerate_front(replace(problem, choices=dense)).front.losses
    if path is not None:
        path.parent.mkdir(parents=True, exist_ok=True)
        np.save(path, losses)
    return losses


def spaces(names: list[str], folder: Path | None) -> Iterator[tuple[str, Problem, np.ndarray]]:
    """Yield each space with the losses of its exact front."""
    changed = {"ten million": WIDE, "continuous": CONTINUOUS}
    for name in names:
        brief = "treble-cut" if name in changed else name
        problem = problem_of(brief, *changed.get(name, ()))
        yield name, problem, exact_losses(name, problem, folder)


def shares(trace: Trace, exact: np.ndarray) -> pd.DataFrame:
    """Return shares of hypervolume and of the front's designs as a search went on."""
    scale = Scale.of(exact)
    whole = scale.hypervolume(exact)
    true = {row.tobytes() for row in np.round(scale(exact), 9)}
    # A hypervolume of thousands takes a while: some sixty points in equal ratios of time.
    at = np.unique(np.geomspace(1, len(trace.rows), 60).astype(int) - 1)
    rows = []
    for row in at:
        evaluated, seconds, front = trace.rows[row]
        volume = scale.hypervolume(front.losses) / whole if len(front) else 0.0
        hit = sum(row.tobytes() in true for row in np.round(scale(front.losses), 9))
        rows.append((evaluated, seconds, volume, hit / len(true)))
    return pd.DataFrame(rows, columns=["candidates", "seconds", "hypervolume", "designs"])


def summary(curves: pd.DataFrame) -> pd.DataFrame:
    """Return, in the median over seeds, when each level was reached and what was reached."""
    rows = []
    for (space, run), own in curves.groupby(["space", "search"], sort=False):
        line = {"space": space, "search": run}
        for level in LEVELS:
            times = []
            for _, one in own.groupby("seed"):
                reached = one[one["hypervolume"] >= level - 1e-9]
                times.append(reached["seconds"].iloc[0] if len(reached) else np.inf)
            line[f"s to {level:.1%}"] = float(np.median(times))
        last = own.groupby("seed").last()
        line["candidates"] = int(last["candidates"].median())
        line["hypervolume"] = float(last["hypervolume"].median())
        line["designs"] = float(last["designs"].median())
        rows.append(line)
    return pd.DataFrame(rows)


def chart(curves: pd.DataFrame) -> alt.TopLevelMixin:
    """Return what is missing of the hypervolume over time, a panel a space, the median of seeds."""
    seconds = np.geomspace(0.05, curves["seconds"].max(), 60)
    rows = []
    for (space, run), own in curves.groupby(["space", "search"], sort=False):
        reached = [
            np.r_[0.0, one["hypervolume"].to_numpy()][
                np.searchsorted(one["seconds"].to_numpy(), seconds, side="right")
            ]
            for _, one in own.groupby("seed")
        ]
        for at, share in zip(seconds, np.median(reached, axis=0), strict=True):
            rows.append((space, run, at, max(1e-5, 1 - share)))
    data = pd.DataFrame(rows, columns=["space", "search", "seconds", "missing"])
    lines = alt.Chart(data).mark_line(interpolate="step-after").encode(
        x=alt.X("seconds:Q", title="seconds of one processor", scale=alt.Scale(type="log")),
        y=alt.Y("missing:Q", title="share of the hypervolume missing",
                scale=alt.Scale(type="log", domain=[1e-5, 1])),
        color=alt.Color("search:N", title=None, sort=list(RUNS)),
        strokeDash=alt.StrokeDash("search:N", title=None, sort=list(RUNS)),
    )  # fmt: skip
    panels: alt.TopLevelMixin = lines.properties(width=240, height=160).facet("space:N", columns=3)
    return panels


def main() -> None:
    """Run the searches, print the table, and write table and chart."""
    shipped = ["battery-preamp", "quiet-input", "studio-line", "talkback", "treble-cut"]
    ask = argparse.ArgumentParser(description=__doc__)
    ask.add_argument("--seeds", type=int, default=10)
    ask.add_argument("--seconds", type=float, default=20.0)
    ask.add_argument("--reference", type=Path, help="folder that keeps the exact fronts")
    ask.add_argument("--spaces", nargs="+", default=[*shipped, "ten million", "continuous"])
    asked = ask.parse_args()
    # One processor for each: what workers use would not be counted.
    os.cpu_count = lambda: 1
    curves = []
    for space, problem, exact in spaces(asked.spaces, asked.reference):
        print(f"{space}: {problem.size:,.0f} candidates, {len(exact):,} in the front", flush=True)
        for name, run in RUNS.items():
            if name == "stagefront, exact" and not np.isfinite(problem.size):
                continue
            for seed in range(1 if name == "stagefront, exact" else asked.seeds):
                own = shares(run(problem, seed, asked.seconds), exact)
                curves.append(own.assign(space=space, search=name, seed=seed))
    table = pd.concat(curves, ignore_index=True)
    text = summary(table).to_string(index=False, float_format=lambda v: f"{v:.4g}")
    print(text)
    PICTURES.mkdir(exist_ok=True)
    heading = f"{asked.seeds} seeds, {asked.seconds:g} s of one processor each; medians"
    (PICTURES / "search.txt").write_text(f"{heading}\n{text}\n", "utf-8")
    chart(table).save(PICTURES / "search.svg")


if __name__ == "__main__":
    main()
