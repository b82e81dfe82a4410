"""What a person must know of a bench run beside its numbers."""

from collections.abc import Sequence

import numpy as np

from sparkwitness.bench.plan import Plan
from sparkwitness.bench.result import (
    Point,
    Result,
)
from sparkwitness.bench.shots import Collector
from sparkwitness.timing import budget as timing
from sparkwitness.timing.gates import Finding

FEWEST_DEAD = 12
"""Triggers without any spark after which a module counts as dead."""
_SPELL = 12
_ON_OTHER = 0.2  # an answer so near the pulse's other edge, as a share of the width, may be of it


def findings(result: Result, collectors: Sequence[Collector]) -> list[Finding]:
    """What a person must know, most important first."""
    plan, found = result.plan, []
    driven = sum(s.driven for s in result.stretches)
    seen = sum(s.seen for s in result.stretches)
    where = plan.clamp_input.replace("_", " ")[:-1] + plan.clamp_input[-1].upper()
    if driven > 4 and not seen:
        found.append(Finding(
            "no_trigger",
            f"the board drove {driven} pulses, but its trigger input saw none: connect the bench "
            "output to the trigger input as well as to the module",
        ))  # fmt: skip
    elif driven and abs(seen - driven) > 2 * len(result.stretches) + 0.01 * driven:
        found.append(Finding(
            "trigger_count",
            f"the board drove {driven} pulses, its trigger input saw {seen}: check the wire from "
            "the bench output to the trigger input, and its ground",
        ))  # fmt: skip
    if result.triggers >= FEWEST_DEAD and not result.answered:
        heard = sum(c.spark_edges for c in collectors)
        but = f", though {where} gave {heard} edges at other times" if heard else ""
        found.append(Finding(
            "no_spark",
            f"no spark answered {result.triggers} triggers{but}. Look next: supply and ground at "
            "the module under load; coil primary connected and whole (sparkwitness check); "
            f"trigger wire, polarity and width (this plan fires on the {plan.edge} edge of a "
            f"pulse that is active {plan.active} for {plan.width_us:g} µs); {where} closed round "
            "the coil lead. If all of these are good, the module is dead",
        ))  # fmt: skip
    found += _of_wires(result)
    falses = [p for p in result.points if p.doubles and p.false_us is not None and p.rpm]
    if falses:
        doubles = sum(p.doubles for p in falses)
        median = np.median([p.false_us for p in falses])
        text = (
            f"{doubles} events were followed by a false one, typically {median:.0f} µs after the "
            "trigger"
        )
        if plan.kind == "inductive" and all(_at_dwell(plan, p) for p in falses):
            text += (
                ", as the dwell begins: the clamp gives an edge when the coil is switched on; turn "
                "the clamp round or move it"
            )
        found.append(Finding("double_events", text))
    if any(s.outputs_off for s in result.stretches):
        found.append(Finding(
            "outputs_off", "the board switched its outputs off by itself: the host was silent"
        ))  # fmt: skip
    if not result.sweep.window_constant:
        found.append(Finding(
            "window", "no one crank angle describes the length of the bursts at all speeds: see "
            "their duration at each speed",
        ))  # fmt: skip
    supplies = [p.supply_mv for p in result.points if p.supply_mv is not None]
    if supplies and min(supplies) < 9000:
        found.append(Finding(
            "supply_low",
            f"the supply fell to {min(supplies) / 1000:.1f} V: the module may fail for that alone",
        ))  # fmt: skip
    return found


def _of_wires(result: Result) -> list[Finding]:
    """The drive's own edges in the clamp, answers late or at the other edge, dead bands, heat."""
    plan, sweep, found = result.plan, result.sweep, []
    if result.couplings:
        share = max(c.share for c in result.couplings)
        edges = sum(c.edges for c in result.couplings)
        text = (
            f"the drive's own edge couples into the clamp: {edges} edges stand at the pulse's "
            f"edges with the scatter of a stamp (up to {100 * share:.0f} % of the pulses), as no "
            "spark does; they are set aside. Keep the clamp and its lead away from the trigger "
            "wire"
        )
        if result.unsure:
            text += ". Answers are missing where they stand, so none of it is judged"
        found.append(Finding("coupling", text))
    late = result.late_us
    other = plan.width_us if plan.fires_at == "start" else -plan.width_us
    if late is None and sweep.delay and abs(sweep.delay.mean_us - other) < _ON_OTHER * abs(other):
        late = sweep.delay.mean_us, sweep.delay.mean_us
    if late is not None and result.answered:
        low, high = late
        text = (
            f"answers come {low:.0f} µs after the trigger"
            if high - low < 0.1 * abs(high)
            else (f"answers come {low:.0f} to {high:.0f} µs after the trigger")
        )
        lag = (low + high) / 2
        if abs(lag - other) < _ON_OTHER * plan.width_us:
            text += (
                f", which is near the pulse's other edge ({other:+.0f} µs): the module may fire on "
                "that edge; check active level and firing edge before you judge the delay"
            )
        else:
            text += (
                ": a delay that takes up more of the crank's turn the faster it turns "
                f"({abs(timing.degrees_of(1e-6 * lag, sweep.most_rpm)):.0f}° at "
                f"{sweep.most_rpm:.0f} rpm), no rev limit"
            )
        if len({s.rpm_to for s in plan.segments} | {s.rpm_from for s in plan.segments}) == 1:
            text += "; at one speed alone it may be a whole interval more or less"
        found.append(Finding("late", text))
    if result.unsure and not any(f.code == "coupling" for f in found):
        found.append(Finding("no_scatter", result.unsure))
    for band in sweep.bands:
        what = "no spark" if band.hits == band.triggers else "sparks are missing"
        found.append(Finding(
            "dead_band",
            f"{what} between {band.name}: {band.hits} of {band.triggers} triggers, in "
            f"{band.passages} of {band.of} passages",
        ))  # fmt: skip
    for band in sweep.double_bands:
        found.append(Finding(
            "double_band",
            f"false events come between {band.name}: after {band.hits} of {band.triggers} "
            f"triggers, in {band.passages} of {band.of} passages",
        ))  # fmt: skip
    if sweep.spell is not None and sweep.spell[0] >= _SPELL:
        n, begin, end = sweep.spell
        at = f"{begin:.0f}" if abs(end - begin) < 10 else f"{begin:.0f} to {end:.0f}"
        found.append(Finding(
            "spell",
            f"no spark for {n:.0f} triggers in a row, at {at} rpm, in one passage: drive this "
            "speed again to know whether it belongs to the speed",
        ))  # fmt: skip
    heat = sweep.heat
    if heat is not None and heat.moved:
        more = (
            "and has not settled" if heat.left > 0.5 * abs(heat.change)
            else f"and would go on by some {heat.left:.1f} µs"
        )  # fmt: skip
        found.append(Finding(
            "heat",
            f"the delay at the same speeds moved by {heat.change:+.1f} µs over the run {more}: "
            "heat or wear-in, not speed; soak it warm first and drive again to compare it",
        ))  # fmt: skip
    return found


def _at_dwell(plan: Plan, point: Point) -> bool:
    """Whether the false events of a speed come as the dwell begins."""
    assert point.false_us is not None and point.rpm is not None
    period = plan.pitch_deg / timing.degrees_of(1e-6, point.rpm.value)
    return 0 <= point.false_us - (period - plan.width_us) < 0.3 * plan.width_us
