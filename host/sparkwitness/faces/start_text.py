"""The start and the rotor in words, from a result's plain values, for terminal and page alike."""

from typing import Any

from sparkwitness.timing.gates_start import side
from sparkwitness.timing.wording import angle, plus_minus

Values = dict[str, Any]


def start(found: Values) -> list[tuple[str, str]]:
    """Name and text of each line about the start."""
    rows = [("start", _first(found))]
    for one in found["phases"]:
        rows.append((one["name"], _phase(one, found["no_timing_since"])))
    caught = found["caught_s"]
    if caught is None:
        rows.append(("caught", "it did not catch in this recording"))
    else:
        tries = f", after {found['tries']} tries" if found["tries"] else ""
        rows.append(("caught", f"{caught:.2f} s after the reference could be read{tries}"))
    rows.append(("supply then", supply(found)))
    if found["no_timing_since"]:
        rows.append(("no timing", found["no_timing_since"]))
    return rows


def _first(found: Values) -> str:
    if found["first_spark_s"] is None:
        said = "no spark had a crank angle"
    else:
        turned = found["first_spark_deg"]
        turns = "" if turned is None else f", {turned / 360:.2f} turns,"
        said = (
            f"first spark {found['first_spark_s']:.3f} s{turns} after the reference could be read"
        )
    if not found["crank_stood"]:
        said += "; the crank turned already when the recording began"
    n = found["sparks_before_sync"]
    return said + (f"; {n} sparks came before that, without an angle" if n else "")


def _phase(one: Values, why: str | None) -> str:
    low, high = one["rpm_low"], one["rpm_high"]
    speed = "less than a cycle"
    if low is not None:
        speed = f"{low:.0f} rpm" if high - low < 1 else f"{low:.0f} to {high:.0f} rpm"
    parts = [f"{one['to_s'] - one['from_s']:.2f} s, {speed}"]
    if one["timing_deg_btdc"] is not None:
        parts.append(
            f"{angle(one['timing_deg_btdc'])} ± {one['timing_expanded_deg']:.2f}°, from "
            f"{one['latest_deg_btdc']:.1f}° to {one['earliest_deg_btdc']:.1f}° over "
            f"{one['events']} events"
        )
    elif not why:
        parts.append(f"{one['events']} events, too few for a mean")
    if one["trigger_deg_btdc"] is not None:
        parts.append(f"trigger at {angle(one['trigger_deg_btdc'])}")
    if one["firings_missing"]:
        parts.append(f"{one['firings_missing']} of {one['firings_expected']} firings missing")
    if one["supply_least_v"] is not None:
        parts.append(f"lowest {one['supply_least_v']:.1f} V")
    return "; ".join(parts)


def supply(found: Values) -> str:
    """The supply beside the start, or that there is none."""
    low, rest = found["supply_low_v"], found["supply_rest_v"]
    if not found["supply"]:
        return (
            "not measured: the board's supply input is not connected, and no --cranking-volts was "
            "typed"
        )
    if found["supply"] == "typed":
        return f"{low:.1f} V while cranking, as typed"
    if low is None:
        return "measured, but no heartbeat fell into the cranking"
    text = f"lowest {low:.1f} V while cranking (± {100 * found['supply_relative_expanded']:.0f} %)"
    return text if rest is None else f"{text}, {rest:.1f} V before: a dip of {rest - low:.1f} V"


def rotor(found: Values) -> list[tuple[str, str]]:
    """Name and text of each line about the rotor; degrees are the distributor's."""
    swept = plus_minus(found["swept_deg"], found["swept_expanded_deg"], "°")
    seen = "bursts to their last spark's beginning" if found["bursts"] else "single sparks"
    rows = [
        (
            "rotor",
            f"sparks sweep {swept} of the distributor, 99 of 100 of {found['events']} events "
            f"({seen}); a rotor covers some {found['window_deg']:.0f}° (common practice, no "
            "source)",
        )
    ]
    if found["earliest_deg"] is not None:
        rows.append(
            (
                "in its window",
                f"from {_side(found['earliest_deg'], found['earliest_expanded_deg'])} to "
                f"{_side(found['latest_deg'], found['latest_expanded_deg'])} the segment's "
                f"middle; then {found['to_next_segment_deg']:.1f}° to the next segment's",
            )
        )
    else:
        rows.append(("in its window", "not known: type --rotor"))
    rows.append(
        (
            "best middle",
            f"rotor at its segment at "
            f"{plus_minus(found['middle_crank_deg_btdc'], found['middle_expanded_deg'], '°')} BTDC",
        )
    )
    for one in found["course"] if len(found["course"]) > 1 else ():
        at = ""
        if one["first"] is not None:
            at = f", rotor {side(one['first'])}"
            if found["bursts"]:
                at += f", burst's end {side(one['last'])}"
        rows.append(
            (f"{one['rpm']:.0f} rpm", f"{angle(one['timing'])}{at} ({one['events']} events)")
        )
    if found["shaft"] == "crank":
        rows.append(("its drive", "taken as turning with the crank, without play"))
    return rows


def _side(degrees: float, u95: float) -> str:
    where = "before" if degrees >= 0 else "past"
    return f"{plus_minus(abs(degrees), u95, '°')} {where}"
