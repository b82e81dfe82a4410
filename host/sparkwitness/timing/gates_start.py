"""Gates on what rests on more than one speed: the start and the rotor. Rows as in `gates`."""

from dataclasses import dataclass

from sparkwitness.timing.gates import NOTE, Fields, Gate, btdc
from sparkwitness.timing.rotor import WINDOW, Rotor
from sparkwitness.timing.setup import Setup
from sparkwitness.timing.starting import Start

_SAME_ANGLE = 0.5  # degrees: less is not worth a word
_LOW_V = 9.6  # of a 12 V system while cranking (common practice, no source)
_NOMINAL_V = 16.0  # more at rest is another system, and the limit twice as high
_LATE_DEG = 1440.0  # two cycles: a controller that knows the crank's place fires by then


@dataclass(frozen=True)
class Evidence:
    """All that the gates look at; None: there is none."""

    setup: Setup
    start: Start | None
    rotor: Rotor | None


def side(degrees: float) -> str:
    """Distributor degrees before (+) or past (-) a segment's middle, in words."""
    return f"{abs(degrees):.1f}° {'before' if degrees >= 0 else 'past'}"


def _cranks_elsewhere(e: Evidence) -> Fields:
    one = e.start
    if one is None or (a := one.phase("cranking")) is None or (b := one.phase("running")) is None:
        return None
    if a.timing is None or b.timing is None:
        return None
    apart = a.timing - b.timing
    if abs(apart) <= max(a.timing.u95 + b.timing.u95, _SAME_ANGLE):
        return None
    return {
        "cranking": btdc(a.timing), "running": btdc(b.timing), "apart": abs(apart),
        "side": "earlier" if apart > 0 else "later",
    }  # fmt: skip


def _low_supply(e: Evidence) -> Fields:
    if e.start is None or e.start.low_v is None:
        return None
    rest = e.start.rest_v
    limit = _LOW_V * (2 if rest is not None and rest > _NOMINAL_V else 1)
    if e.start.low_v >= limit:
        return None
    return {"low": e.start.low_v, "limit": limit, "how": e.start.supply}


def _late_first(e: Evidence) -> Fields:
    one = e.start
    if one is None or not one.stood or one.first_deg is None or one.first_s is None:
        return None
    if one.first_deg <= _LATE_DEG:
        return None
    return {"turns": one.first_deg / 360, "s": one.first_s}


def _tries(e: Evidence) -> Fields:
    return {"n": e.start.tries} if e.start is not None and e.start.tries else None


def _outside(e: Evidence) -> Fields:
    one = e.rotor
    if one is None or one.earliest is None or one.latest is None or not one.outside:
        return None
    gaps = [gap for gap in (one.next_gap, one.previous_gap) if gap is not None]
    return {
        "early": side(one.earliest), "late": side(one.latest), "half": WINDOW / 2,
        "middle": btdc(one.middle), "next": min(gaps),
    }  # fmt: skip


def _too_wide(e: Evidence) -> Fields:
    one = e.rotor
    if one is None or one.swept - one.swept.u95 <= WINDOW:
        return None
    return {"swept": one.swept, "window": WINDOW}


ROWS: tuple[Gate, ...] = (
    Gate(
        "cranking_angle", NOTE, True, _cranks_elsewhere,
        "while cranking the spark comes at {cranking}, {apart:.1f}° {side} than the "
        "{running} of the engine running: the controller uses another angle there, or the "
        "timing is not locked. The error and the setting above are those of the engine running",
    ),
    Gate(
        "cranking_supply", NOTE, True, _low_supply,
        "the supply falls to {low:.1f} V while cranking ({how}), below {limit:.1f} V (common "
        "practice, no source): a weak battery, its cables or the starter; modules and controllers "
        "may drop out there",
    ),
    Gate(
        "late_first_spark", NOTE, True, _late_first,
        "the first spark came {turns:.1f} turns ({s:.1f} s) after the crank reference could be "
        "read: the controller took as long to know where the crank is, or had no supply or sensor "
        "signal yet",
    ),
    Gate(
        "start_tries", NOTE, True, _tries,
        "the engine ran {n} times and fell back to cranking speed before it kept running: look at "
        "fuel, and at the timing and missing sparks as it catches",
    ),
    Gate(
        "rotor_outside", NOTE, True, _outside,
        "the sparks fall from {early} to {late} the middle of the rotor's segment, outside "
        "±{half:.0f}° of the distributor (common practice, no source), and come within {next:.0f}° "
        "of a neighbour's: turn the distributor's body or the rotor so that it "
        "points at the segment at {middle}; crossfire and burnt segments come from this",
    ),
    Gate(
        "rotor_sweep", NOTE, True, _too_wide,
        "the sparks sweep {swept:.1f}° of the distributor, more than the {window:.0f}° that a "
        "rotor covers (common practice, no source): no place of the distributor's body fits all "
        "speeds; fewer sparks in the burst, less advance, or a wider rotor tip do",
    ),
)  # fmt: skip
