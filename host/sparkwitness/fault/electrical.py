"""Electrical arithmetic of an ignition system: coil, dwell, energy, supply, degrees.

Pure functions in SI units (ohm, volt, ampere, henry, farad, second) except where a name says
otherwise (`rpm`, `deg`, `celsius`). Nonsense input raises ValueError with one sentence that a
user can read. Scalars in, scalars out, unless the docstring says array.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]

COPPER_PER_K = 0.00393
"""Temperature coefficient of annealed copper at 20 °C, 1/K (IEC 60028)."""

COLDEST_C, HOTTEST_C = -60.0, 250.0
"""Range in which a winding's temperature is believed; above it the enamel is long gone."""

LEAST_24_V = 20.0
"""Rest voltage from which a system is taken for one of 24 V (two 12 V batteries in series)."""

MOST_12_V = 16.0
"""Voltage above which nothing of a 12 V system is, charging or not; common practice, no source."""

OPEN_OHM = math.inf
"""What a meter that shows "open" or "OL" has read."""

LOWEST_CRANKING_V = (
    (-18.0, 8.5), (-12.0, 8.7), (-7.0, 8.9), (-1.0, 9.1),
    (4.0, 9.3), (10.0, 9.4), (16.0, 9.5), (20.0, 9.6),
)  # fmt: skip
"""(battery °C, lowest volts under load) of a 12 V lead-acid battery; the load-test table that
vehicle workshop manuals print in their battery chapter. A pass mark for the battery while
cranking by common practice, no standard behind it."""

Verdict = Literal["fine", "low", "high", "open", "shorted", "unsure"]

_PREFIX = {"": 1.0, "k": 1e3, "K": 1e3, "M": 1e6, "m": 1e-3, "u": 1e-6, "µ": 1e-6, "μ": 1e-6,
           "n": 1e-9, "p": 1e-12}  # fmt: skip
_NUMBER = re.compile(r"([+-]?(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE][+-]?\d+)?)\s*(.*)")
_OPEN_WORDS = {"open", "ol", "o.l", "inf", "infinite"}


def parse_quantity(text: str, unit: str) -> float:
    """A typed number with optional prefix and unit, such as "8.6k", "6 mH" or "0,52 ohm".

    Args:
        text: what was typed; for unit "ohm" also "open" or "OL".
        unit: "ohm", "V", "A", "H", "F", "s", "rpm", "deg", "mm" or "C".
    Returns:
        The value in that unit.
    Raises:
        ValueError: not a number, another unit, or not finite.
    """
    word = text.strip()
    if unit == "ohm" and word.lower() in _OPEN_WORDS:
        return OPEN_OHM
    match = _NUMBER.fullmatch(word)
    example = {"ohm": "0.52 or 8.6k", "H": "6mH", "F": "1uF", "s": "3ms"}.get(unit, f"12 {unit}")
    wanted = f"'{text}' is not a value in {unit}; type a number such as {example}."
    if not match:
        raise ValueError(wanted)
    number, tail = float(match[1].replace(",", ".")), match[2].strip()
    names = {"ohm": ("ohms", "ohm", "Ω", "Ω", "R"), "C": ("°C", "C"), "deg": ("deg", "°"),
             "rpm": ("rpm", "rev/min", "1/min")}.get(unit, (unit,))  # fmt: skip
    for name in names:
        if tail.lower().endswith(name.lower()):
            tail = tail[: -len(name)].strip()
            break
    if tail not in _PREFIX or (unit in {"C", "rpm", "deg", "mm"} and tail):
        raise ValueError(wanted)
    value = number * _PREFIX[tail]
    if not math.isfinite(value):
        raise ValueError(wanted)
    return value


# --- resistance of a winding -----------------------------------------------------------------


@dataclass(frozen=True)
class Measured:
    """A value with its expanded uncertainty (k = 2, JCGM 100), both in the same unit."""

    value: float
    expanded: float

    @property
    def low(self) -> float:
        return self.value - self.expanded

    @property
    def high(self) -> float:
        return self.value + self.expanded


@dataclass(frozen=True)
class Winding:
    """Verdict on one winding. `at_20` is None when the winding reads open."""

    verdict: Verdict
    at_20: Measured | None
    limits: tuple[float, float]
    sentence: str


def copper_at_20(ohm: float, celsius: float) -> float:
    """Resistance a copper winding would have at 20 °C: R / (1 + 0.00393 (T - 20)) (IEC 60028).

    Raises:
        ValueError: negative ohms, or a temperature no winding survives.
    """
    _check_celsius(celsius)
    if ohm < 0:
        raise ValueError(f"A resistance of {ohm:g} ohm cannot be; it must be 0 or more.")
    return ohm / (1.0 + COPPER_PER_K * (celsius - 20.0))


def winding_at_20(
    reading: float,
    *,
    leads: float = 0.0,
    celsius: float = 20.0,
    percent: float = 1.0,
    digit: float = 0.0,
    celsius_half: float = 5.0,
) -> Measured:
    """A winding's resistance at 20 °C with its uncertainty.

    Args:
        reading: ohm on the meter, leads included.
        leads: ohm on the meter with the two tips held together.
        celsius: temperature of the winding.
        percent: half-width of the meter's accuracy, per cent of reading.
        digit: half-width of the meter's resolution and last digits, ohm; also in `leads`.
        celsius_half: half-width of what is known of the temperature, K.
    Raises:
        ValueError: the reading is negative, open, or below that of the leads alone.

    Half-widths are taken as rectangular, u = a/√3, and combined in quadrature; U = 2 u
    (JCGM 100:2008, 4.3.7 and 5.1.2).
    """
    _check_celsius(celsius)
    if not math.isfinite(reading):
        raise ValueError("An open winding has no resistance to correct.")
    for name, number in (("reading", reading), ("leads' resistance", leads), ("meter's accuracy",
                         percent), ("meter's last digit", digit)):  # fmt: skip
        if not number >= 0 or not math.isfinite(number):
            raise ValueError(f"A {name} of {number:g} cannot be; it must be 0 or more.")
    if not 0 <= celsius_half <= 100:
        raise ValueError(f"A temperature known to ±{celsius_half:g} K is no use; type 0 to 100.")
    if reading < leads:
        raise ValueError(
            f"The reading of {reading:g} ohm is below that of the leads alone ({leads:g} ohm); "
            "hold the tips together, read again and type both."
        )
    factor = 1.0 + COPPER_PER_K * (celsius - 20.0)
    net = reading - leads
    u_reading = math.hypot(reading * percent / 100.0, digit) / math.sqrt(3)
    u_leads = math.hypot(leads * percent / 100.0, digit) / math.sqrt(3) if leads else 0.0
    u_hot = net * COPPER_PER_K * celsius_half / factor / math.sqrt(3)
    u = math.sqrt(u_reading**2 + u_leads**2 + u_hot**2) / factor
    return Measured(net / factor, 2.0 * u)


def judge_winding(
    reading: float,
    limits: tuple[float, float],
    *,
    leads: float = 0.0,
    celsius: float = 20.0,
    percent: float = 1.0,
    digit: float = 0.0,
    celsius_half: float = 5.0,
) -> Winding:
    """Verdict on a coil winding against the limits of its service manual (at 20 °C).

    Fine, shorted turns (surely below) or high (surely above) only when the whole interval of
    `winding_at_20` is on one side of the limit, else unsure: the guard band of JCGM 106:2012,
    8.3.3. Open: the meter says so, or more than 20 times the upper limit (common practice, no
    source).

    Raises:
        ValueError: as `winding_at_20`, or limits that are not 0 < low < high.
    """
    low, high = limits
    if not (0 < low < high and math.isfinite(high)):
        raise ValueError(f"Limits {low:g} to {high:g} ohm cannot be; type the lower one first.")
    for times, slip in ((1000.0, "was the k forgotten"), (10.0, "is the decimal point right")):
        if reading < low / 4 and low <= reading * times <= high:
            words = (
                f"a {'thousandth' if times > 10 else 'tenth'} of the limits: {slip}? Read the "
                "meter's range again; if it is right, turns are shorted"
            )
            return Winding("unsure", None, limits, words)
    if reading > 20 * high and low <= reading / 1000 <= high:
        words = "a thousand times the limits: was a k typed that the meter did not show? Read again"
        return Winding("unsure", None, limits, words)
    if reading > 20 * high:
        return Winding("open", None, limits, "open: no current can flow through this winding")
    at_20 = winding_at_20(
        reading, leads=leads, celsius=celsius, percent=percent, digit=digit,
        celsius_half=celsius_half,
    )  # fmt: skip
    if at_20.high < low:
        return Winding("shorted", at_20, limits, "below the limit: turns are shorted")
    if at_20.low > high:
        words = "above the limit: a bad joint or a winding about to open"
        return Winding("high", at_20, limits, words)
    if at_20.low >= low and at_20.high <= high:
        words = (
            "inside the limits; an ohmmeter cannot see a few shorted turns, nor insulation that "
            "breaks down at working voltage"
        )
        return Winding("fine", at_20, limits, words)
    words = "too close to the limit for this meter and temperature; measure again at 20 °C"
    return Winding("unsure", at_20, limits, words)


# --- primary current, dwell, energy ----------------------------------------------------------


def primary_current(
    t: npt.ArrayLike, volts: float, ohm: float, henry: float, drop: float = 0.0
) -> Array:
    """Primary current after switch-on, I(t) = (V - drop)/R · (1 - exp(-t R/L)), A (array).

    Args:
        t: seconds since switch-on, any shape.
        volts: supply at the coil.
        ohm: whole circuit: winding, ballast, harness.
        henry: primary inductance, taken as constant (a saturating core rises faster at the end).
        drop: volts lost in the switch.
    Source: any circuit textbook, step response of a series RL circuit.
    """
    _positive(volts=volts, resistance=ohm, inductance=henry)
    if not 0 <= drop < volts:
        raise ValueError(f"A switch drop of {drop:g} V leaves nothing of {volts:g} V for the coil.")
    t = np.asarray(t, dtype=np.float64)
    if np.any(t < 0):
        raise ValueError("A time before switch-on has no current; type 0 s or more.")
    return np.asarray((volts - drop) / ohm * -np.expm1(-t * ohm / henry))


def dwell_for(amps: float, volts: float, ohm: float, henry: float, drop: float = 0.0) -> float:
    """Dwell in seconds after which the primary current is `amps`: -L/R · ln(1 - I R/(V - drop)).

    Raises:
        ValueError: the resistance limits the current below `amps`.
    """
    _positive(current=amps, volts=volts, resistance=ohm, inductance=henry)
    most = (volts - drop) / ohm
    if amps >= most:
        raise ValueError(
            f"{amps:g} A is never reached: {volts:g} V through {ohm:g} ohm ends at {most:.3g} A."
        )
    return -henry / ohm * math.log1p(-amps / most)


def coil_energy(henry: float, amps: float) -> float:
    """Energy in the primary's field, ½ L I², joule."""
    _positive(inductance=henry)
    return 0.5 * henry * amps * amps


def capacitor_energy(farad: float, volts: float) -> float:
    """Energy in a capacitive module's capacitor, ½ C V², joule."""
    _positive(capacitance=farad)
    return 0.5 * farad * volts * volts


def firing_period(rpm: npt.ArrayLike, firings: float, turns: int = 2) -> Array:
    """Seconds between firings of one coil that fires `firings` times in `turns` crank turns."""
    rpm = np.asarray(rpm, dtype=np.float64)
    if not firings > 0 or turns not in (1, 2):
        raise ValueError("A coil fires at least once in one or two crank turns.")
    if np.any(~(rpm > 0)):
        raise ValueError("A speed must be above 0 rpm.")
    return np.asarray(60.0 * turns / (rpm * firings))


def highest_rpm(dwell: float, firings: float, turns: int = 2, burn: float = 1e-3) -> float:
    """Crank speed above which dwell and spark no longer fit between two firings of one coil.

    Args:
        dwell: seconds of charging.
        burn: seconds the spark is let burn before the next charge; 1 ms is common practice, no
            source.
    """
    _positive(dwell=dwell)
    if burn < 0:
        raise ValueError("A burn time cannot be negative.")
    return float(60.0 * turns / (firings * (dwell + burn)))


@dataclass(frozen=True)
class Charge:
    """What one coil does at each speed; arrays of the speeds' shape."""

    rpm: Array
    dwell: Array  # s, cut short where it does not fit
    fits: npt.NDArray[np.bool_]
    peak: Array  # A at switch-off
    average: Array  # A over whole time
    rms: Array  # A over whole time
    heat: Array  # W in the circuit's resistance
    energy: Array  # J per spark


def charge_against_rpm(
    rpm: npt.ArrayLike,
    dwell: float,
    volts: float,
    ohm: float,
    henry: float,
    *,
    firings: float,
    turns: int = 2,
    burn: float = 1e-3,
    drop: float = 0.0,
    share: float | None = None,
) -> Charge:
    """Peak, average and rms primary current against speed.

    Args:
        rpm: crank speeds, shape (n,).
        dwell: wanted dwell, s; ignored when `share` is given.
        share: part of the firing period the points are closed (points: dwell angle / angle
            between firings, both on the same shaft); a constant share instead of a time.
    The integrals are exact: with τ = L/R, I∞ = (V - drop)/R and charge time d,
    ∫i dt = I∞ (d - τ(1 - e^(-d/τ))), ∫i² dt = I∞² (d - 2τ(1 - e^(-d/τ)) + τ/2 (1 - e^(-2d/τ))).
    """
    speeds = np.atleast_1d(np.asarray(rpm, dtype=np.float64))
    period = firing_period(speeds, firings, turns)
    if share is not None:
        if not 0 < share < 1:
            raise ValueError("The points are closed for a part of each period, between 0 and 1.")
        charge, fits = share * period, np.ones(period.shape, dtype=bool)
    else:
        _positive(dwell=dwell)
        room = np.maximum(period - burn, 0.0)
        charge, fits = np.minimum(dwell, room), np.asarray(dwell <= room)
    peak = primary_current(charge, volts, ohm, henry, drop)
    tau, most = henry / ohm, (volts - drop) / ohm
    one, two = -np.expm1(-charge / tau), -np.expm1(-2 * charge / tau)
    average = most * (charge - tau * one) / period
    square = most**2 * (charge - 2 * tau * one + tau / 2 * two) / period
    return Charge(
        speeds, charge, fits, peak, average, np.sqrt(np.maximum(square, 0.0)), square * ohm,
        0.5 * henry * peak**2,
    )  # fmt: skip


# --- supply ----------------------------------------------------------------------------------


@dataclass(frozen=True)
class Supply:
    """What the supply did, volts; `at_triggers` shape (n,), empty when there was none."""

    rest: float
    lowest: float
    at_triggers: Array
    limit: float
    verdict: Literal["fine", "suspect", "unsure", "flat", "not cranked"]
    sentence: str


def lowest_cranking(celsius: float) -> float:
    """Volts below which a 12 V battery is suspect while cranking, from `LOWEST_CRANKING_V`.

    Linear between the table's rows; held beyond its ends.
    """
    _check_celsius(celsius)
    at, volts = zip(*LOWEST_CRANKING_V, strict=True)
    return float(np.interp(celsius, at, volts))


def judge_supply(
    rest: float,
    lowest: float,
    at_triggers: npt.ArrayLike = (),
    *,
    limit: float = 9.6,
    rest_limit: float = 12.2,
    expanded: float = 0.1,
) -> Supply:
    """Verdict on rest and lowest voltage, all in V.

    Args:
        limit: lowest voltage allowed while cranking.
        rest_limit: rest voltage of a battery worth testing; 12.2 V is about half charge (common
            practice, no source).
        expanded: expanded uncertainty of each voltage (k = 2); a value within it of a limit is
            unsure (guard band, JCGM 106:2012, 8.3.3).
    Raises:
        ValueError: a voltage that is not finite or outside -1 to 100 V, or lowest above rest.
    """
    for name, volts in (("rest", rest), ("lowest", lowest), ("limit", limit)):
        if not (math.isfinite(volts) and -1.0 <= volts <= 100.0):
            raise ValueError(f"A {name} voltage of {volts:g} V cannot be; type 0 to 100 V.")
    if lowest > rest + expanded:
        raise ValueError(
            f"The lowest voltage ({lowest:g} V) is above the rest voltage ({rest:g} V); "
            "swap them or measure again."
        )
    triggers = np.asarray(at_triggers, dtype=np.float64)
    if rest >= LEAST_24_V:
        # Two batteries in series: every limit of one holds for each.
        rest_limit, limit = 2 * rest_limit, limit if limit > LEAST_24_V / 2 + 2 else 2 * limit
    usual = 5.0 <= rest <= MOST_12_V or LEAST_24_V <= rest <= 32.0

    def say(verdict: str, sentence: str) -> Supply:
        if rest >= LEAST_24_V:
            sentence = f"24 V system: {sentence}"
        return Supply(rest, lowest, triggers, limit, verdict, sentence)  # type: ignore[arg-type]

    if not usual:
        words = (
            f"{rest:g} V at rest is neither a 12 V nor a 24 V system: is the decimal point right, "
            "is the meter on DC volts? Measure again"
        )
        return say("unsure", words)

    if rest - lowest < 0.3:
        words = "the supply hardly moved: the starter did not turn, or the clip is not on it"
        return say("not cranked", words)
    if rest < rest_limit - expanded:
        words = "the battery was low before cranking: charge it, then crank again"
        return say("flat", words)
    if lowest < limit - expanded:
        words = (
            "load-test the battery and measure the drop over cables and grounds while "
            "cranking before you blame the ignition"
        )
        return say("suspect", words)
    if lowest <= limit + expanded:
        return say("unsure", "too close to the limit to tell; charge the battery and crank again")
    return say("fine", "the supply holds up while cranking")


# --- degrees, milliseconds, rpm --------------------------------------------------------------


def degrees_from_time(seconds: float, rpm: float) -> float:
    """Crank degrees turned in `seconds`: 6 · rpm · t (360° per turn, rpm/60 turns per second)."""
    if not rpm > 0:
        raise ValueError(f"A speed of {rpm:g} rpm turns no degrees; type a speed above 0.")
    return 6.0 * rpm * seconds


def time_from_degrees(deg: float, rpm: float) -> float:
    """Seconds in which the crank turns `deg`."""
    if not rpm > 0:
        raise ValueError(f"A speed of {rpm:g} rpm turns no degrees; type a speed above 0.")
    return deg / (6.0 * rpm)


def rpm_from(deg: float, seconds: float) -> float:
    """Crank speed at which `deg` take `seconds`."""
    _positive(angle=deg, time=seconds)
    return deg / (6.0 * seconds)


def arc_on_damper(deg: float, diameter: float) -> float:
    """Length of an angle on the rim of a damper, in the diameter's unit: π D θ/360."""
    _positive(diameter=diameter)
    return math.pi * diameter * deg / 360.0


def degrees_from_arc(arc: float, diameter: float) -> float:
    """Angle of a length on the rim of a damper, degrees."""
    _positive(diameter=diameter)
    return 360.0 * arc / (math.pi * diameter)


def _check_celsius(celsius: float) -> None:
    if not COLDEST_C <= celsius <= HOTTEST_C:
        raise ValueError(
            f"{celsius:g} °C cannot be the temperature of this part; "
            f"type {COLDEST_C:g} to {HOTTEST_C:g}."
        )


def _positive(**numbers: float) -> None:
    for name, number in numbers.items():
        if not (number > 0 and math.isfinite(number)):
            raise ValueError(f"A {name} of {number:g} cannot be; it must be above 0.")
