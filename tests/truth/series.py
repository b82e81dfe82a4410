"""More than one measurement: `curve` over a sweep, `compare` of two runs, against the truth.

What the points of a curve share (reference angle, index tooth, conditioners) moves all of them
together, and the fit must say so; what two runs share goes out of their difference.
"""

import os
import zlib
from collections.abc import Callable, Iterable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass

import numpy as np

from sparkwitness.cli.typed import setup_from
from sparkwitness.timing import compare, curve, measure
from sparkwitness.timing.analyzer import Analyzer
from sparkwitness.timing.gates import Finding

from . import cases
from .cases import Case, Rng, change, usual
from .frames import TICK_PS
from .judged import chance

DELAY_US = (0.0, 300.0)  # of modules
# A module's delay counts at the speed of that moment: on one or two cylinders not the mean.
CYLINDERS = (3, 4, 5, 6, 8)


@dataclass(frozen=True)
class Row:
    """A curve's row draws one case, whose engine speeds up; one of compare draws two."""

    name: str
    draw: Callable[[Rng], tuple[Case, ...]]


def _tables(case: Case, rng: Rng) -> tuple:
    plain = {k: v.item() if isinstance(v, np.generic) else v for k, v in case.typed.items()}
    setup = setup_from(plain, None, ask=False)
    analyzer = Analyzer(setup, TICK_PS)
    analyzer.feed(cases.recording(case.world, rng))
    return setup, analyzer.finish()


def _sweep(rng: Rng, kind: str, **more: object) -> tuple[Case, ...]:
    """From idle to some thousand rev/min, the controller locked, a module that delays."""
    case = usual(rng, kind, rpm=(900, 1400), cylinders=int(rng.choice(CYLINDERS)), **more)
    rise = float(rng.uniform(150, 500))
    delay = float(rng.uniform(*DELAY_US))
    return (change(case, engine={"ramp": rise}, sparks={"delay_us": delay}, world={"cycles": 450}),)


def _two_bins(rng: Rng) -> tuple[Case, ...]:
    """Hardly more than two spans of speed."""
    (case,) = _sweep(rng, "36-1")
    return (change(case, engine={"ramp": 60.0}, world={"cycles": 180}),)


def _uneven(rng: Rng, kind: str) -> tuple[Case, ...]:
    (case,) = _sweep(rng, kind)
    return (cases._weak(rng, case),)


def _toothed(rng: Rng, kind: str) -> tuple[Case, ...]:
    (case,) = _sweep(rng, kind, within=0.2)
    return (
        change(
            case, mark={"tooth_error": rng.uniform(0.03, 0.15), "eccentric": rng.uniform(0, 0.2)}
        ),
    )


def _pair(rng: Rng, kind: str, moved: float | None, faster: float = 1.0, **more: object) -> tuple:
    """The same engine twice, with another advance; wheel, typed angle and delays stay."""
    before = usual(rng, kind, **more)
    number = int(rng.integers(1, 1 << 30))
    before = change(before, mark={"number": number, "tooth_error": rng.uniform(0, 0.1)})
    step = float(rng.uniform(-4, 4)) if moved is None else moved
    engine = before.world.engine
    after = change(
        before,
        sparks={"advance": before.world.sparks.advance + step},
        engine={"rpm": engine.rpm * faster, "swing": engine.swing / faster**2},
    )
    return before, after


def curves() -> list[Row]:
    return [
        Row("curve 36-1", lambda r: _sweep(r, "36-1")),
        Row("curve 60-2", lambda r: _sweep(r, "60-2")),
        Row("curve cam 36-1", lambda r: _sweep(r, "cam 36-1")),
        Row("curve 36-1, weak cylinder", lambda r: _uneven(r, "36-1")),
        Row("curve 36-1, teeth off, eccentric", lambda r: _toothed(r, "36-1")),
        Row("curve 36-1, two or three bins", _two_bins),
        Row("curve pulse within 5°", lambda r: _sweep(r, "pulse", near=(0, 5))),
        Row("curve pulse 60° away", lambda r: _sweep(r, "pulse", near=(55, 65))),
        Row("curve cam pulse, weak cylinder", lambda r: _uneven(r, "cam")),
    ]


def pairs() -> list[Row]:
    return [
        Row("compare 36-1, nothing moved", lambda r: _pair(r, "36-1", 0.0)),
        Row("compare 36-1, moved", lambda r: _pair(r, "36-1", None)),
        Row("compare 60-2, moved, faster", lambda r: _pair(r, "60-2", None, 1.6)),
        Row("compare pulse 60° away, nothing", lambda r: _pair(r, "pulse", 0.0, near=(55, 65))),
        Row("compare pulse 60° away, moved", lambda r: _pair(r, "pulse", None, near=(55, 65))),
        Row("compare pulse anywhere, faster", lambda r: _pair(r, "pulse", None, 1.6)),
    ]


@dataclass(frozen=True)
class Score:
    """Shares of intervals that hold the truth; `gross`: off by more than twice and 0.3°, unwarned.

    For a curve: of its bins, the fixed angle and the delay; for compare: of the difference, alone.
    """

    name: str
    runs: int
    refused: int
    shares: tuple[float, ...]
    gross: int
    width: tuple[float, ...]

    def missed(self) -> list[str]:
        least = 0.93 - chance(0.93, self.runs - self.refused)
        faults = ["coverage"] if min(self.shares, default=1.0) < least else []
        faults += ["silent"] if self.gross else []
        return faults + (["refused"] if self.refused > 0.05 * self.runs else [])

    def line(self) -> str:
        shares = "".join(f"{100 * s:>8.1f}%" for s in self.shares)
        widths = " ".join(f"{w:.3g}" for w in self.width)
        return f"{self.name:42.42}{self.runs:>5}{self.refused:>8}{self.gross:>8}{shares}  {widths}"


HEADING = (
    f"{'row':42}{'runs':>5}{'refused':>8}{'gross':>8}{'bins':>9}{'fixed':>9}{'delay':>9}"
    "  U: degrees, degrees, µs (compare: of the difference alone)"
)


def _curved(case: Case, rng: Rng) -> tuple[list[tuple[float, float]], bool] | None:
    """(error, U) of bins in the mean, of fixed angle and of delay, and whether it was warned."""
    setup, tables = _tables(case, rng)
    found = curve.curve(setup, tables)
    if isinstance(found, Finding) or found.fit is None:
        return None
    sparks = case.world.sparks
    bins = [(b.timing - (sparks.advance - 6e-6 * b.rpm * sparks.delay_us), b.expanded)
            for b in found.bins]  # fmt: skip
    fixed = found.fit.fixed - (sparks.advance - case.typed["commanded"])
    delay = found.fit.delay_us - sparks.delay_us
    warned = any(f.level != "note" for f in found.findings) or not found.fit.told_apart
    inside = (fixed, found.fit.u_fixed), (delay, found.fit.u_delay_us)
    return [*bins, *inside], warned


def _compared(both: tuple[Case, ...], rng: Rng) -> tuple[list[tuple[float, float]], bool] | None:
    sides = []
    for case, name in zip(both, ("before", "after"), strict=True):
        setup, tables = _tables(case, rng)
        result = measure.evaluate(setup, tables).to_dict()
        if result["timing_deg_btdc"] is None:
            return None
        sides.append(compare.Side(name, result, setup))
    (timing, *_) = compare.compare(*sides).changes
    if timing.moved is None:
        return None
    true = both[1].world.sparks.advance - both[0].world.sparks.advance
    return [(timing.moved - true, (timing.high - timing.low) / 2)], False


def score(name: str, runs: int, first: int) -> Score:
    """All runs of a row; by name, since what draws cannot be handed to another process."""
    sweep = next((r for r in curves() if r.name == name), None)
    row = sweep or next(r for r in pairs() if r.name == name)
    inside: list[list[float]] = []
    widths: list[list[float]] = []
    refused = gross = 0
    for k in range(runs):
        rng = np.random.default_rng((first + k, zlib.crc32(name.encode())))
        drawn = row.draw(rng)
        found = _curved(drawn[0], rng) if sweep else _compared(drawn, rng)
        if found is None:
            refused += 1
            continue
        each, warned = found
        held = [float(abs(e) <= u) for e, u in each]
        bins = each[:-2] if sweep else each
        inside.append([float(np.mean(held[: len(bins)])), *held[len(bins) :]])
        widths.append([float(np.median([u for _, u in bins])), *(u for _, u in each[len(bins) :])])
        angles = each[:-1] if sweep else each
        gross += not warned and any(abs(e) > max(0.3, 2 * u) for e, u in angles)
    shares = np.mean(inside, axis=0) if inside else []
    return Score(
        name, runs, refused, tuple(shares), gross,
        tuple(np.median(widths, axis=0)) if widths else (),
    )  # fmt: skip


def table(rows: Iterable[Row], runs: int, seed: int) -> Iterable[Score]:
    """Scores of rows, in order, made on all cores."""
    with ProcessPoolExecutor(os.cpu_count()) as pool:
        jobs = [pool.submit(score, row.name, runs, seed * 100_000) for row in rows]
        for job in jobs:
            yield job.result()
