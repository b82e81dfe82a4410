"""Measures cases through the public interface, as the command line does, and counts errors.

A number is right if it lies within its stated interval of the truth. Gross: off by more than 2 U
and 0.3 degrees. What is said with it counts only if it is a warning; what merely informs does not.
"""

import json
import os
import tempfile
import zlib
from collections import Counter
from collections.abc import Iterable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from sparkwitness.cli.typed import setup_from
from sparkwitness.decode.edges import EdgeDecoder
from sparkwitness.errors import UserError
from sparkwitness.timing import measure
from sparkwitness.timing.analyzer import CRANK, Analyzer
from sparkwitness.timing.angle import CrankTracker, Reference
from sparkwitness.timing.wheel import WheelLearner

from . import cases
from .frames import TICK_PS, TICK_S
from .judged import chance


def measured(data: bytes, typed: dict[str, Any]) -> dict[str, Any]:
    """What `sparkwitness measure --from FILE --json` prints for these bytes and options."""
    plain = {k: v.item() if isinstance(v, np.generic) else v for k, v in typed.items()}
    setup = setup_from(plain, None, ask=False)
    analyzer = Analyzer(setup, TICK_PS)
    analyzer.feed(data)
    return measure.evaluate(setup, analyzer.finish()).to_dict()


def learned(data: bytes, typed: dict[str, Any]) -> str | None:
    """The file that `sparkwitness wheel` writes; None where it refuses."""
    wheel = Reference.parse(typed["reference"], 0.0, 0.0)
    decoder, tracker, learner = EdgeDecoder(), CrankTracker(wheel), WheelLearner(wheel)
    for batch in decoder.feed(data):
        learner.feed(tracker.feed(batch.ticks[CRANK], batch.breaks[CRANK])[0])
    none = np.empty(0, np.int64)
    learner.feed(tracker.feed(none, none, last=True)[0])
    strokes = typed["strokes"]
    try:
        found = learner.result(typed["cylinders"] / (strokes / 2), TICK_S, strokes)
    except UserError:
        return None
    return json.dumps(found.to_dict())


@dataclass(frozen=True)
class Run:
    """One run's outcome. `error`: NaN where no number was given."""

    error: float
    expanded: float
    warned: bool
    advised: bool
    forbidden: bool
    codes: tuple[str, ...]

    @property
    def given(self) -> bool:
        return bool(np.isfinite(self.error))

    @property
    def gross(self) -> bool:
        return self.given and abs(self.error) > max(0.3, 2 * self.expanded)


def run(row: cases.Row, seed: int) -> Run:
    """Draw, record, measure, compare."""
    rng = np.random.default_rng((seed, zlib.crc32(row.name.encode())))
    case = row.draw(rng)
    typed = dict(case.typed)
    with tempfile.NamedTemporaryFile("w", suffix=".json") as file:
        if case.learn is not None and (text := learned(cases.recording(case.learn, rng), typed)):
            file.write(text)
            file.flush()
            typed["wheel_file"] = Path(file.name)
        result = measured(cases.recording(case.world, rng), typed)
    # What is said for information is no excuse for a number that is wrong.
    codes = tuple(f["code"] for f in result["findings"] if f["level"] != "note")
    warned = bool(codes)
    forbidden = result.get("advice_allowed") is False
    error = expanded = np.nan
    if result["timing_deg_btdc"] is not None:
        off = result["timing_deg_btdc"] - np.array(case.truths)
        if "ambiguous" in codes:  # it says so: x or x and whole pitches more
            modulo = result["modulo_deg"]
            off = (off + modulo / 2) % modulo - modulo / 2
        error = float(off[np.argmin(np.abs(off))])
        expanded = result["timing_expanded_deg"]
    return Run(error, expanded, warned, result["advice"] is not None, forbidden, codes)


@dataclass(frozen=True)
class Score:
    """A row's runs.

    Attributes:
        runs, refused: all, and those without a number.
        silent: gross errors without a warning.
        advised: gross errors with a next setting; forbidden: a next setting where a finding
            forbids it.
        covered: share of the numbers that lie within U (k = 2), of those without a warning; all:
            of all numbers.
        warned: share of the numbers with a warning.
        width: median U.
        codes: how often each finding came.
    """

    name: str
    kind: str
    runs: int
    refused: int
    silent: int
    advised: int
    forbidden: int
    covered: float
    all: float
    numbers: int
    warned: float
    width: float
    codes: Counter

    def missed(self) -> list[str]:
        """Goals that the row misses. Of what no time stamp can tell only the gates are judged."""
        faults = ["advice forbidden"] if self.forbidden else []
        if self.kind == "blind":
            return faults
        if self.silent:
            faults.append("silent")
        if self.advised:
            faults.append("advised")
        if self.numbers and self.covered < 0.93 - chance(0.93, self.numbers):
            faults.append("coverage")
        share = self.refused / self.runs
        if self.kind == "as typed" and share > 0.05 + chance(0.05, self.runs):
            faults.append("refused")
        return faults

    def line(self) -> str:
        top = ", ".join(f"{c} {n}" for c, n in self.codes.most_common(3))
        return (
            f"{self.name:42.42}{self.runs:>5}{100 * self.refused / self.runs:>7.0f}%"
            f"{self.silent:>7}{self.advised:>8}{self.forbidden:>7}{100 * self.covered:>8.1f}%"
            f"{100 * self.all:>7.1f}%{100 * self.warned:>7.0f}%{self.width:>7.2f}  {top}"
        )


HEADING = (
    f"{'row':42}{'runs':>5}{'refused':>8}{'silent':>7}{'advised':>8}{'forbid':>7}{'in U':>9}"
    f"{'all':>8}{'warned':>8}{'U':>7}  most frequent findings"
)


def score(name: str, runs: int, first: int) -> "Score":
    """All runs of a row; by name, since what draws cannot be handed to another process."""
    row = next(r for r in cases.rows() if r.name == name)
    found = [run(row, first + k) for k in range(runs)]
    given = [r for r in found if r.given]
    clean = [r for r in given if not r.warned]

    def inside(some: list[Run]) -> float:
        return float(np.mean([abs(r.error) <= r.expanded for r in some])) if some else np.nan

    return Score(
        row.name, row.kind, runs, runs - len(given),
        sum(r.gross and not r.warned for r in given),
        sum(r.gross and r.advised for r in given),
        sum(r.advised and r.forbidden for r in found),
        inside(clean), inside(given), len(clean),
        float(np.mean([r.warned for r in given])) if given else np.nan,
        float(np.median([r.expanded for r in given])) if given else np.nan,
        Counter(c for r in found for c in set(r.codes)),
    )  # fmt: skip


def table(rows: Iterable[cases.Row], runs: int, seed: int) -> Iterable[Score]:
    """Scores of rows, in order, made on all cores."""
    with ProcessPoolExecutor(os.cpu_count()) as pool:
        jobs = [pool.submit(score, row.name, runs, seed * 100_000) for row in rows]
        for job in jobs:
            yield job.result()
