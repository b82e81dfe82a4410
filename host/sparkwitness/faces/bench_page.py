"""A kept bench test in words: verdict, what shows over all speeds, what the verdict rests on."""

from typing import Any

from sparkwitness.bench.result import Band, Delay, Heat, Sweep
from sparkwitness.bench.steps import Change, Threshold
from sparkwitness.faces import bench_text

SAID = (
    "sweep", "verdicts", "triggers", "answered", "quantities", "edges_ringing", "seconds",
    "trigger_edges_refused", "not_measured",
)  # fmt: skip
"""Keys of the result that the functions here tell in words."""
CHECK_HEADS = ("quantity", "at", "value or difference", "interval", "limits or margin", "verdict")
_KINDS: dict[str, type] = {
    "delay": Delay, "switch_up": Change, "switch_down": Change, "rev_limit": Threshold,
    "heat": Heat,
}  # fmt: skip


def verdicts(result: dict[str, Any]) -> list[str]:
    """What the test comes to, a sentence each."""
    if not result.get("answered"):
        return ["No spark answered any trigger: the module, its supply or the wiring is dead."]
    said = []
    for one in result.get("verdicts") or []:
        text = bench_text.OVERALL.get(one["overall"], one["overall"])
        bad = [
            f"{bench_text.NAMES.get(c['quantity'], c['quantity'])} at {c['where']}"
            for c in one["checks"]
            if c["verdict"] in ("outside", "differs")
        ]
        why = f" ({'; '.join(bad)})" if bad else ""
        against = "" if one["against"] == "limits" else f" Compared with {one['against']}."
        said.append(f"Verdict: {text}{why}.{against}")
    if not said:
        return ["No verdict: no limits were typed, and no good module was compared with."]
    return said


def over_all_speeds(result: dict[str, Any]) -> list[tuple[str, str]] | None:
    """Name and text of each line; None where the result was kept by another version."""
    try:
        kept = dict(result["sweep"])
        for name, kind in _KINDS.items():
            kept[name] = kind(**kept[name]) if kept.get(name) else None
        for name in ("bands", "double_bands"):
            kept[name] = tuple(Band(**band) for band in kept.get(name) or ())
        rows = bench_text.sweep_words(Sweep(**kept)) if result["answered"] else []
        counted = f"{result['triggers']} triggers, {result['answered']} answered"
    except (KeyError, TypeError, ValueError):
        return None
    for name, found in (("drop-outs", kept["bands"]), ("double events", kept["double_bands"])):
        rows += [(name, f"{b.hits} of {b.triggers} triggers at {b.name}") for b in found]
    refused = [
        f"{result[key]} {what}"
        for key, what in (
            ("edges_ringing", "clamp edges as ringing"),
            ("trigger_edges_refused", "trigger edges too soon after another"),
        )
        if result.get(key)
    ]
    rows.append(("counted", counted))
    rows.append(("not counted", ", ".join([*refused, "the first 0.2 s after each change"])))
    rows.append(("not measured", ", ".join(result.get("not_measured") or [])))
    return rows


def checks(result: dict[str, Any]) -> list[tuple[str, list[tuple[str, ...]]]]:
    """A title and the rows of `CHECK_HEADS` for each verdict."""
    made = []
    for one in result.get("verdicts") or []:
        compare = one["against"] != "limits"
        rows: list[tuple[str, ...]] = [
            (
                bench_text.NAMES.get(c["quantity"], c["quantity"]), c["where"],
                bench_text.short(c["value"], compare), _ends(c["low"], c["high"], compare),
                _ends(c["least"], c["most"], False), c["verdict"],
            )
            for c in one["checks"]
        ]  # fmt: skip
        made.append((f"Against {one['against']}" if compare else "Against the limits", rows))
    return made


def _ends(low: float | None, high: float | None, sign: bool) -> str:
    if low is None and high is None:
        return "-"
    if low is None or high is None:
        value = bench_text.short(high if low is None else low, sign)
        return f"most {value}" if low is None else f"least {value}"
    return f"{bench_text.short(low, sign)} to {bench_text.short(high, sign)}"
