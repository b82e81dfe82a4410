"""What shows only over all speeds: switch-over, burst window, delay against speed, rev limit."""

from collections.abc import Sequence
from math import inf

import numpy as np

from sparkwitness.bench import steps
from sparkwitness.bench.plan import Plan
from sparkwitness.bench.result import (
    FEWEST,
    STAMP_US,
    SURE,
    Delay,
    Point,
    Result,
    Sweep,
)
from sparkwitness.bench.shots import Shots, Stretch
from sparkwitness.bench.steps import Change
from sparkwitness.timing import budget as timing
from sparkwitness.timing import stats as intervals


def sweep_of(plan: Plan, stretches: list[Stretch], points: list[Point]) -> Sweep:
    sweep = Sweep()
    steady = [s for s in stretches if s.segment.kind != "soak"] or stretches
    shots = Shots.join([s.shots for s in steady])
    if not len(shots.time):
        return sweep
    sweep.most_rpm = float(np.max(shots.rpm))
    sweep.delay = _delay(plan, [p for p in points if p.segment.kind == "step"] or points)
    sweep.switch_up, sweep.switch_down = (switch(plan, steady, up) for up in (True, False))
    if sweep.switch_up and sweep.switch_down:
        up, down = sweep.switch_up, sweep.switch_down
        sweep.hysteresis = (up.value - down.value, up.low - down.high, up.high - down.low)
    many = shots.sparks > 1
    events = np.count_nonzero(shots.answered)
    if sweep.switch_up is None and sweep.switch_down is None and events >= FEWEST:
        share = np.count_nonzero(many) / events
        sweep.always = "single" if share < 0.05 else "many" if share > 0.95 else None
    _window(sweep, shots.pick(many))
    order = np.argsort(shots.rpm, kind="stable")
    speed, hit = shots.rpm[order], shots.answered[order]
    misses = np.flatnonzero(~hit)
    first = int(misses[0]) if len(misses) else len(hit)
    sweep.clean_triggers = first
    sweep.clean_to = float(speed[first - 1]) if first else None
    sweep.first_drop_out = float(speed[first]) if len(misses) else None
    limit = steps.threshold(shots.rpm, shots.answered)
    if limit and limit.above < 0.1:
        sweep.rev_limit = limit
    return sweep


def going_up(plan: Plan, index: int) -> bool:
    """Whether a segment of the plan brings a speed at least as high as the one before it."""
    segment = plan.segments[index]
    before = segment.rpm_from if segment.kind == "ramp" or not index else (
        plan.segments[index - 1].rpm_to
    )  # fmt: skip
    return segment.rpm_to >= before


def switch_over(result: Result, up: bool, confidence: float) -> Change | None:
    """The speed of the switch-over in one direction, at another confidence."""
    return switch(result.plan, result.stretches, up, confidence)


def switch(
    plan: Plan, stretches: Sequence[Stretch], up: bool, confidence: float = 0.95
) -> Change | None:
    shots = Shots.join(
        [s.shots for s in stretches
         if s.segment.kind != "soak" and going_up(plan, s.index) is up]
    )  # fmt: skip
    hit = shots.answered
    return steps.change(shots.rpm[hit], shots.sparks[hit] > 1, confidence)


def _window(sweep: Sweep, bursts: Shots) -> None:
    """Bounds of the angle in which sparks repeat.

    An event of k sparks, spacing s, says that the window is at least (k-1) s long and shorter
    than k s. The half per cent of events at either end is left to unseen sparks.
    """
    if len(bursts.time) < FEWEST:
        return
    degrees = timing.degrees_of(1e-6, 1.0) * bursts.rpm * bursts.duration_us
    low = float(np.quantile(degrees, 0.995))
    high = float(np.quantile(degrees * bursts.sparks / (bursts.sparks - 1), 0.005))
    sweep.window_constant = high > low - 1.0
    if sweep.window_constant:
        sweep.window_deg = (min(low, high), max(low, high))


def _delay(plan: Plan, points: list[Point]) -> Delay | None:
    """Weighted fit of the delay at each speed; the model with the smaller chi2 is told."""
    known = [(p.rpm.value, p.delay_us) for p in points if p.delay_us and p.rpm]
    if not known:
        return None
    rpm = np.array([n for n, _ in known])
    y = np.array([d.value for _, d in known])
    u = np.array([max(d.u, STAMP_US) for _, d in known])
    one = np.ones_like(rpm)
    flat = intervals.least_squares(one[:, None], y, u)
    model, fit = "constant", flat
    if len(set(np.round(rpm, -1))) >= 3:
        speed = intervals.least_squares(np.column_stack((one, rpm / 1000)), y, u)
        angle = intervals.least_squares(np.column_stack((one, 1e6 / (6 * rpm))), y, u)
        model, fit = ("angle", angle) if angle.chi2 < speed.chi2 - 4 else ("speed", speed)
    two = len(fit.values) > 1
    per_x, u_per_x = (float(fit.values[1]), float(np.sqrt(fit.covariance[1, 1]))) if two else (0, 0)
    sure = intervals.student_quantile((1 + SURE) / 2, fit.freedom) if two else inf
    return Delay(
        model=model,
        constant_us=float(fit.values[0]),
        u_constant_us=float(np.hypot(np.sqrt(fit.covariance[0, 0]), plan.u_clamp_delay_us)),
        per_x=per_x,
        u_per_x=u_per_x,
        depends=two and abs(per_x) > sure * u_per_x,
        covariance=fit.covariance.tolist(),
        mean_us=float(flat.values[0]),
        u_mean_us=float(np.hypot(np.sqrt(flat.covariance[0, 0]), plan.u_clamp_delay_us)),
        fits=fit.chi2 / fit.freedom if fit.freedom else 0.0,
        points=len(known),
    )
