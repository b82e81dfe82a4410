"""Before against after: what changed, how surely, and what cancels.

Two measurements with the same set-up share their type B errors: the typed reference angle and the
delay of the same clamp are off by the same amount both times, so they go out of the difference
(JCGM 100:2008, 5.2: correlated input quantities). What is not shared is combined as independent.
"""

from dataclasses import asdict, dataclass
from math import hypot, inf, log, radians, sin, sqrt
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sparkwitness.errors import UserError
from sparkwitness.timing import budget as timing
from sparkwitness.timing import gates
from sparkwitness.timing import stats as intervals
from sparkwitness.timing.setup import Setup
from sparkwitness.timing.wording import plus_minus

Floats = NDArray[np.float64]

_SPEED_SHARE = 0.02  # speeds further apart than this are said to differ


@dataclass(frozen=True)
class Side:
    """One of the two.

    Attributes:
        name: what the user called it.
        result: plain values as `Measurement.to_dict` gives them, or those of another kind of run.
        setup: what was typed; None for a run of another kind.
        delays: µs from the trigger tap's edge to the first spark, float64[n] in order of time;
            None without a recording.
    """

    name: str
    result: dict[str, Any]
    setup: Setup | None = None
    delays: Floats | None = None


@dataclass(frozen=True)
class Change:
    """One quantity before and after.

    Attributes:
        unit: of all values; "" for a count or ratio.
        before, after: values with expanded uncertainty (k = 2).
        moved: after less before (a ratio: after / before), None where it cannot be told.
        low, high: its 95 % interval (k = 2 where the parts are combined as in JCGM 100).
        verdict: "moved", "not seen to move" or "not known".
        note: what a person must know about it.
        ratio: `moved` is a ratio, and 1 means the same.
    """

    name: str
    unit: str
    before: tuple[float, float] | None
    after: tuple[float, float] | None
    moved: float | None
    low: float
    high: float
    verdict: str
    note: str = ""
    ratio: bool = False

    def text(self) -> str:
        """The change in words."""
        if self.moved is None:
            return self.note
        space = "" if self.unit in ("°", "") else " "
        if self.ratio:
            digits = 2 if self.high - self.low > 0.02 else 4
            return f"× {self.moved:.{digits}f} ({self.low:.{digits}f} to {self.high:.{digits}f})"
        half = (self.high - self.low) / 2
        if abs((self.high + self.low) / 2 - self.moved) > 0.01 * half:
            return f"{self.moved:+.3g}{space}{self.unit} ({self.low:+.3g} to {self.high:+.3g})"
        sign = "+" if self.moved >= 0 else ""
        return sign + plus_minus(self.moved, half, f"{space}{self.unit}")


@dataclass(frozen=True)
class Comparison:
    """All changes, the verdict in a sentence, and what it rests on."""

    before: str
    after: str
    headline: str
    changes: tuple[Change, ...]
    assumed: tuple[str, ...]

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON."""
        plain = asdict(self)
        for change in plain["changes"]:
            for end in ("low", "high"):
                change[end] = change[end] if np.isfinite(change[end]) else None
        return plain


def compare(before: Side, after: Side, untouched: bool = True) -> Comparison:
    """What changed from one measurement to the other.

    Args:
        before, after: the sides.
        untouched: sensor and clamp were not moved in between; False: nothing cancels.
    """
    if before.setup is None or after.setup is None:
        return _other_runs(before, after)
    assumed: list[str] = []
    same = untouched and _same_setup(before.setup, after.setup)
    if same:
        assumed.append(
            "same set-up, sensor and clamp not moved in between: the errors of the typed "
            "reference angle and of the clamp's delay are the same both times and cancel; say "
            "--moved if that is not so"
        )
    elif untouched:
        assumed.append("the set-ups differ, so that nothing cancels in the difference")
    else:
        assumed.append("sensor or clamp was moved in between: nothing cancels in the difference")
    changes = [
        _timing(before, after, same),
        _scatter(before, after),
        _sparks(before, after),
        _missing(before, after),
        _delay(before, after, same),
        _plain(before, after, "spark_spacing", "between sparks", "µs"),
        _plain(before, after, "burst_duration", "length of a burst", "µs"),
        _plain(before, after, "", "speed", "rpm"),
    ]
    slow, fast = sorted(float(s.result.get("rpm") or 0) for s in (before, after))
    if slow and fast - slow > _SPEED_SHARE * fast:
        assumed.append(
            f"the speeds differ ({slow:.0f} and {fast:.0f} rpm): what depends on the speed shows "
            "here as a change; measure both at one speed to tell them apart"
        )
    for side in (before, after):
        # What makes one of the two unsure makes the difference unsure.
        told = side.result.get("findings") or ()
        assumed += [f"{side.name}: {f['text']}" for f in told if f.get("level") == gates.WARNING]
    if changes[0].moved is not None and not _same_command(before, after):
        assumed.append(
            "the commanded values differ, so timing had to move; the errors are compared"
        )
    kept = tuple(c for c in changes if c.moved is not None or c.note)
    return Comparison(before.name, after.name, _headline(changes[0]), kept, tuple(assumed))


def _same_setup(a: Setup, b: Setup) -> bool:
    names = ("reference", "sensor", "clamp", "clamp_input", "clamp_kind", "falling", "delay_us",
             "u_delay_us", "swing", "cylinders", "strokes")  # fmt: skip
    return all(getattr(a, n) == getattr(b, n) for n in names)


def _same_command(before: Side, after: Side) -> bool:
    a, b = (s.result.get("commanded_deg_btdc") for s in (before, after))
    return a is None or b is None or a == b


def _judged(low: float, high: float, same: float = 0.0) -> str:
    return "not seen to move" if low <= same <= high else "moved"


def _unknown(name: str, unit: str, why: str) -> Change:
    return Change(name, unit, None, None, None, -inf, inf, "not known", why)


def _timing(before: Side, after: Side, same: bool) -> Change:
    a, b = before.result, after.result
    key, name = "timing_deg_btdc", "timing"
    if not _same_command(before, after):
        key, name = "error_deg", "error"
    if a.get(key) is None or b.get(key) is None:
        which = before.name if a.get(key) is None else after.name
        return _unknown(name, "°", f"{which} has no timing")
    moved = b[key] - a[key]
    if not same:
        u = hypot(a["budget"]["u_deg"], b["budget"]["u_deg"])
    else:
        assert after.setup is not None
        u = _shared(a, b, after.setup, b["timing_deg_btdc"] - a["timing_deg_btdc"])
    half = timing.COVERAGE * u
    u_a, u_b = a["timing_expanded_deg"], b["timing_expanded_deg"]
    return Change(
        name, "°", (a[key], u_a), (b[key], u_b), moved, moved - half, moved + half,
        _judged(moved - half, moved + half),
    )  # fmt: skip


def _shared(a: dict[str, Any], b: dict[str, Any], setup: Setup, moved: float) -> float:
    """Standard uncertainty of the difference of two timings that share set-up and engine.

    JCGM 100, 5.2.2 with correlation 1 for reference angle and clamp delay, 0 for the rest.
    """
    old = {c["name"]: c["u"] for c in a["budget"]["components"]}
    new = {c["name"]: c["u"] for c in b["budget"]["components"]}
    total = 0.0
    for name in dict.fromkeys((*old, *new)):
        u_a, u_b = old.get(name, 0.0), new.get(name, 0.0)
        if name in ("reference angle", "clamp and conditioner delay"):
            part = u_b - u_a  # the delay is common in time, so what is left goes with speed
        elif name == "speed swing":
            part = _swing(a["rpm"], b["rpm"], setup, moved, u_a, u_b)
            part = min(part, u_a + u_b)
        else:
            part = hypot(u_a, u_b)
        total += part * part
    return sqrt(total)


def _swing(rpm_a: float, rpm_b: float, setup: Setup, moved: float, u_a: float, u_b: float) -> float:
    """Bound on what the speed swing inside a revolution adds to a difference.

    For one swing of unknown phase, two angles differ by what the swing does between them. Two more
    parts are added as they stand: the swing's phase may shift as far as the spark did, and its
    size falls with the square of the speed where the torque is the same (Newton's law for a shaft),
    less where it is not: all of that may be in the difference. Own derivation from
    `timing.swing_uncertainty`.
    """
    n = setup.firings_per_rev
    size = timing.default_swing(rpm_a, n) if setup.swing is None else setup.swing
    between = timing.swing_uncertainty(moved, size, n)
    shifted = 2 * u_b * sin(min(radians(n * abs(moved)), np.pi) / 2)
    slower = min(rpm_a, rpm_b) / max(rpm_a, rpm_b)
    return between + shifted + max(u_a, u_b) * (1 - slower**2)


def _freedom(r: dict[str, Any]) -> float:
    """Degrees of freedom of the scatter, fewer where neighbouring events are alike."""
    n = r["events"]
    u = next((c["u"] for c in r["budget"]["components"] if c["kind"] == "A"), 0.0)
    alone = r["scatter_deg"] / sqrt(n)
    return float(max(2.0, (n - 1) * min(1.0, (alone / u) ** 2))) if u > 0 else float(n - 1)


def _scatter(before: Side, after: Side) -> Change:
    a, b = before.result, after.result
    if not a.get("scatter_deg") or not b.get("scatter_deg"):
        return _unknown("scatter", "°", "")
    d_a, d_b = _freedom(a), _freedom(b)
    ratio = b["scatter_deg"] / a["scatter_deg"]
    # F interval for the ratio of two variances; F = (d2 / d1) x / (1 - x), x of a beta quantile.
    ends = []
    for p in (0.975, 0.025):
        x = intervals.beta_quantile(p, d_b / 2, d_a / 2)
        ends.append(ratio / sqrt(d_a / d_b * x / (1 - x)))
    # JCGM 100, E.4.3: relative standard uncertainty of s is 1 / sqrt(2 (n - 1)).
    sides = [
        (r["scatter_deg"], timing.COVERAGE * r["scatter_deg"] / sqrt(2 * d))
        for r, d in ((a, d_a), (b, d_b))
    ]
    return Change(
        "scatter", "°", sides[0], sides[1], ratio, ends[0], ends[1],
        _judged(log(ends[0]), log(ends[1])), "standard deviation of the first spark", ratio=True,
    )  # fmt: skip


def _mean_count(r: dict[str, Any]) -> tuple[float, float] | None:
    """Mean sparks per event and its expanded uncertainty.

    Never below 3 / n: what was not once seen otherwise in n events may still be otherwise in 3 of
    n (rule of three: Hanley & Lippman-Hand, JAMA 249(13), 1983).
    """
    counts = {int(k): v for k, v in (r.get("sparks_per_event") or {}).items()}
    n = sum(counts.values())
    if n < 2:
        return None
    mean = sum(k * v for k, v in counts.items()) / n
    variance = sum(v * (k - mean) ** 2 for k, v in counts.items()) / (n - 1)
    return mean, max(timing.COVERAGE * sqrt(variance / n), 3 / n)


def _sparks(before: Side, after: Side) -> Change:
    a, b = _mean_count(before.result), _mean_count(after.result)
    return _independent("sparks per event", "", a, b, "events taken as independent")


def _independent(
    name: str,
    unit: str,
    a: tuple[float, float] | None,
    b: tuple[float, float] | None,
    note: str = "",
    unknown: str = "",
) -> Change:
    if a is None or b is None:
        return _unknown(name, unit, unknown)
    moved, half = b[0] - a[0], hypot(a[1], b[1])
    low, high = moved - half, moved + half
    return Change(name, unit, a, b, moved, low, high, _judged(low, high), note)


def _missing(before: Side, after: Side) -> Change:
    a, b = ((s.result.get("firings_missing", 0), s.result.get("firings_expected", 0))
            for s in (before, after))  # fmt: skip
    if not a[1] or not b[1]:
        return _unknown("firings without a spark", "%", "")
    low, high = (100 * end for end in intervals.share_difference(b[0], b[1], a[0], a[1]))
    sides = []
    for k, n in (a, b):
        ends = intervals.wilson(k, n)
        sides.append((100 * k / n, 50 * (ends[1] - ends[0])))
    return Change(
        "firings without a spark", "%", sides[0], sides[1], 100 * (b[0] / b[1] - a[0] / a[1]),
        low, high, _judged(low, high), f"{a[0]} of {a[1]}, then {b[0]} of {b[1]}",
    )  # fmt: skip


def _delay(before: Side, after: Side, same: bool) -> Change:
    name, unit = "delay", "µs"
    parts = []
    for side in (before, after):
        if side.delays is None:
            return _unknown(name, unit, f"{side.name} has no recording to take the delay from")
        if len(side.delays) < 3:
            return _unknown(name, unit, f"{side.name} has no edges of the trigger tap")
        assert side.setup is not None
        try:
            u_clamp = side.setup.delay(float(side.result.get("rpm") or 0)).u_us
        except UserError as error:  # a speed that is not known, on which the delay hangs
            return _unknown(name, unit, f"{side.name}: {error.message}")
        scatter = timing.standard_error(side.delays)
        parts.append((float(side.delays.mean()), scatter, u_clamp))
    (a, u_a, clamp_a), (b, u_b, clamp_b) = parts
    u = hypot(u_a, u_b) if same else hypot(u_a, u_b, clamp_a, clamp_b)
    moved, half = b - a, timing.COVERAGE * u
    return Change(
        name, unit,
        (a, timing.COVERAGE * hypot(u_a, clamp_a)), (b, timing.COVERAGE * hypot(u_b, clamp_b)),
        moved, moved - half, moved + half, _judged(moved - half, moved + half),
        "from the edge stamped on the trigger tap to the first spark, conditioners' delays in it",
    )  # fmt: skip


def _plain(before: Side, after: Side, key: str, name: str, unit: str) -> Change:
    sides = []
    for r in (before.result, after.result):
        value = r.get(f"{key}_us" if key else "rpm")
        expanded = r.get(f"{key}_expanded_us" if key else "rpm_expanded")
        sides.append(None if value is None or expanded is None else (value, expanded))
    return _independent(name, unit, sides[0], sides[1])


def _headline(change: Change) -> str:
    if change.moved is None:
        return f"no verdict on the timing: {change.note}"
    half = (change.high - change.low) / 2
    if change.verdict == "moved":
        side = "advanced" if change.moved > 0 else "retarded"
        digits = plus_minus(change.moved, half, "°")
        size = digits.lstrip("-")
        return f"{change.name} moved by {size} ({side})"
    return (
        f"no change of {change.name} seen: {change.text()}; a change of less than "
        f"{max(abs(change.low), abs(change.high)):.2g}° could hide in it"
    )


def _other_runs(before: Side, after: Side) -> Comparison:
    """Runs of other kinds: every quantity that both have, as independent ones."""
    old, new = quantities(before.result), quantities(after.result)
    changes = tuple(
        _independent(name, unit, (value, expanded), new[name][:2])
        for name, (value, expanded, unit) in old.items()
        if name in new
    )
    moved = [c for c in changes if c.verdict == "moved"]
    if not changes:
        headline = "the two runs have no quantity in common that can be compared"
    elif moved:
        headline = "moved: " + ", ".join(c.name for c in moved)
    else:
        headline = f"no change seen in {len(changes)} quantities"
    return Comparison(
        before.name, after.name, headline, changes,
        ("every difference is taken as that of independent values: shared errors, such as the "
         "clamp's delay, are counted twice, so small changes may go unseen",),
    )  # fmt: skip


def quantities(result: dict[str, Any]) -> dict[str, tuple[float, float, str]]:
    """Name: (value, expanded uncertainty, unit) of what a run of any kind says it measured.

    Taken from result["quantities"] = {name: {"value", "expanded", "unit"}}, from a curve's
    result["fit"], and from result["points"] = [{"rpm_set": N, name_unit: {"mean", "expanded"}}].
    """
    found = {
        name: (q["value"], q["expanded"], q.get("unit", ""))
        for name, q in result.get("quantities", {}).items()
        if q.get("value") is not None and q.get("expanded") is not None
    }
    fit = result.get("fit") or {}
    for name, key, unit in (("fixed angle", "fixed", "°"), ("delay", "delay_us", "µs")):
        if key in fit:
            found[name] = (fit[key], fit[f"u_{key}"], unit)
    units = {"us": "µs", "deg": "°", "ms": "ms"}
    for point in result.get("points", []):
        if point.get("kind", "step") != "step":
            continue
        for key, q in point.items():
            if key == "rpm" or not isinstance(q, dict) or not {"mean", "expanded"} <= q.keys():
                continue
            name, _, tail = key.rpartition("_")
            name, unit = (name, units[tail]) if tail in units else (key, "")
            if unit == "°":
                continue  # the same in other words
            label = f"{name.replace('_', ' ')} at {point['rpm_set']:g} rpm"
            floor = 3 / max(1, q.get("n", 1)) if not unit else 0.0  # see `_mean_count`
            found[label] = (q["mean"], max(q["expanded"], floor), unit)
    return found
