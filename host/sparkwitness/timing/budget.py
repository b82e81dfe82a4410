"""Events to timing: mean, spread and the uncertainty budget (GUM, JCGM 100:2008)."""

from dataclasses import asdict, dataclass
from statistics import NormalDist
from typing import Any, overload

import numpy as np
from numpy.typing import NDArray

from sparkwitness.timing import visits
from sparkwitness.timing.angle import Periods, Reference
from sparkwitness.timing.interpolation import interpolation, teeth_at_most
from sparkwitness.timing.ripple import Ripple
from sparkwitness.timing.stats import correlation_time, student_quantile

Floats = NDArray[np.float64]

COVERAGE = 2.0  # k of the expanded uncertainty U = k u (JCGM 100, 6.2)
_WITHIN_TWO = 0.97725  # below two standard deviations of a normal distribution
_ALIKE = 3.0  # events that follow each other are so much alike that the person should know
_LEAST_FREEDOM = 2.0  # a drift over the whole run is worth so little; its range bounds the mean too

# The speed swings inside a revolution because the gas torque comes in pulses. Peak relative swing
# at 800 rev/min by firings per revolution, falling with the square of the speed at the same
# torque. Deliberately on the large side. Common practice, no source.
_SWING_AT_800 = 0.08
_SWING_LEAST, _SWING_MOST = 0.002, 0.25


@dataclass(frozen=True)
class Component:
    """One line of the budget.

    Attributes:
        name: what it is.
        kind: "A" or "B", JCGM 100, 4.2 and 4.3.
        u: standard uncertainty, crank degrees.
        note: where it is from.
        shape: "normal", or "arcsine" for a sine of unknown phase (JCGM 101, 6.4.6).
    """

    name: str
    kind: str
    u: float
    note: str
    shape: str = "normal"


@dataclass(frozen=True)
class Budget:
    """Standard uncertainties in crank degrees, combined as independent (JCGM 100, 5.1.2)."""

    components: tuple[Component, ...]

    @property
    def u(self) -> float:
        """Combined standard uncertainty, degrees."""
        return float(np.sqrt(sum(c.u**2 for c in self.components)))

    @property
    def expanded(self) -> float:
        """Expanded uncertainty with k = 2, degrees."""
        return COVERAGE * self.u

    @property
    def systematic(self) -> float:
        """What further events cannot lessen: expanded uncertainty of the type B lines."""
        return COVERAGE * float(np.sqrt(sum(c.u**2 for c in self.components if c.kind == "B")))

    @property
    def interval95(self) -> float:
        """Half-width of the symmetric 95 % coverage interval, degrees.

        The distributions are propagated as JCGM 101:2008 does, by quadrature: the arcsine parts
        over their phase, the rest as one normal distribution. Without arcsine parts it is 1.96 u.
        """
        sine = float(np.sqrt(2 * sum(c.u**2 for c in self.components if c.shape == "arcsine")))
        sigma = float(np.sqrt(sum(c.u**2 for c in self.components if c.shape == "normal")))
        if not sine:
            return 1.959964 * sigma
        shift = sine * np.cos(np.pi * (np.arange(64) + 0.5) / 64)
        normal = NormalDist(0.0, max(sigma, 1e-3 * sine))
        low, high = 0.0, sine + 5 * normal.stdev
        while high - low > 1e-6 * high:
            half = (low + high) / 2
            inside = [normal.cdf(half - s) - normal.cdf(-half - s) for s in shift]
            low, high = (half, high) if float(np.mean(inside)) < 0.95 else (low, half)
        return high

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON."""
        return {
            "components": [asdict(c) for c in self.components],
            "u_deg": self.u,
            "coverage_factor": COVERAGE,
            "expanded_deg": self.expanded,
            "interval95_deg": self.interval95,
        }


@overload
def degrees_of(seconds: float, rpm: float) -> float: ...
@overload
def degrees_of(seconds: float, rpm: Floats) -> Floats: ...
def degrees_of(seconds: float, rpm: float | Floats) -> float | Floats:
    """Crank degrees turned in a time: 6 * N * t, N in rev/min (360 degrees in 60/N seconds)."""
    return 6.0 * rpm * seconds


def circular_mean(degrees: Floats, period: float) -> float:
    """Direction of the resultant of unit vectors, in [0, period).

    Mardia & Jupp, Directional Statistics (2000), 2.2.1.

    Args:
        degrees: float64[n], n > 0.
        period: degrees of a full turn.
    """
    turn = degrees * (2 * np.pi / period)
    mean = np.arctan2(np.sin(turn).mean(), np.cos(turn).mean()) * period / (2 * np.pi)
    return float(mean % period)


def circular_deviation(degrees: Floats, period: float) -> float:
    """Circular standard deviation sqrt(-2 ln R), Mardia & Jupp (2000), 2.3.14, in degrees."""
    turn = degrees * (2 * np.pi / period)
    length = min(1.0, float(np.hypot(np.sin(turn).mean(), np.cos(turn).mean())))
    return float(np.sqrt(-2 * np.log(length))) * period / (2 * np.pi)


def mean_and_deviation(values: Floats) -> tuple[float, float]:
    """Arithmetic mean and experimental standard deviation (n - 1), JCGM 100, 4.2.

    Computed about a first value, so that a large common part costs no digits.

    Args:
        values: float64[n], n > 1.
    """
    shift = values[0]
    rest = values - shift
    mean = rest.mean()
    variance = ((rest - mean) ** 2).sum() / (len(values) - 1)
    return float(shift + mean), float(np.sqrt(variance))


def mean_error(values: Floats) -> tuple[float, float]:
    """Standard uncertainty of the mean of a series whose neighbours may be alike, and its freedom.

    JCGM 100, 4.2.3, with the number of independent values that the series is worth.

    Args:
        values: float64[n] in order of time, n > 1.
    """
    n = len(values)
    _, deviation = mean_and_deviation(values)
    alike = correlation_time(values)
    u, freedom = deviation * float(np.sqrt(alike / n)), max(_LEAST_FREEDOM, n / alike - 1)
    wide = visits.of_series(values)
    if wide is None or wide <= for_two(u, freedom):
        return u, freedom
    # Worth as many independent values as have this error.
    freedom = max(_LEAST_FREEDOM, (deviation / wide) ** 2 - 1)
    return wide / for_two(1.0, freedom), freedom


def standard_error(values: Floats) -> float:
    """The same, so large that twice it holds the mean as often as two normal deviations would.

    Few values tell their own scatter badly: Student's t (JCGM 100, G.3).

    Args:
        values: float64[n] in order of time, n > 1.
    """
    return for_two(*mean_error(values))


def for_two(u: float, freedom: float) -> float:
    """A standard uncertainty so large that twice it covers as Student's t would."""
    # Whole ones, down, so that the same quantiles are asked for again.
    return u * student_quantile(_WITHIN_TWO, max(1, int(min(freedom, 1000)))) / COVERAGE


def _scatter(angles: Floats) -> Component:
    u, freedom = mean_error(angles)
    note = f"{len(angles)} events"
    if _ALIKE * (freedom + 1) < len(angles):
        note += f" that wander, worth {freedom + 1:.0f} that do not"
    return Component("scatter of the sparks", "A", for_two(u, freedom), note)


def default_swing(rpm: float, firings_per_rev: float) -> float:
    """Assumed peak relative speed swing inside a revolution where nothing is typed.

    Common practice, no source: 8 % at 800 rev/min with two firings per revolution, less with
    more cylinders (power 1.5), falling with the square of the speed.
    """
    swing = _SWING_AT_800 * (2 / firings_per_rev) ** 1.5 * (800 / max(rpm, 1.0)) ** 2
    return float(min(max(swing, _SWING_LEAST), _SWING_MOST))


def swing_uncertainty(to_edge: float, swing: float, firings_per_rev: float) -> float:
    """Standard uncertainty in degrees of an angle `to_edge` degrees from the reference edge.

    For a speed N (1 + s cos(n theta + phase)) of unknown phase, constant-speed interpolation over
    x degrees is wrong by (s / n) (sin(n x + phase) - sin(phase)); its root mean square over all
    phases is (s / n) sqrt(1 - cos(n x)). Own derivation.
    """
    n = firings_per_rev
    turned = np.sqrt(max(0.0, 1 - np.cos(np.radians(n * to_edge))))
    return float(np.degrees(swing / n) * turned)


_UNEQUAL = (0.5, 1.0, 1.5)  # orders of a crank revolution that unequal cylinders add
# How much a cylinder gives less than the others, root mean square of what is met: a dead one is 1.
WEAKNESS = 0.7


def unequal_uncertainty(
    to_edge: float, swing: float, reference: Reference, firings_per_rev: float, strokes: int
) -> float:
    """Standard uncertainty in degrees from cylinders that do not give the same, of a coarse mark.

    A cylinder that gives less takes as much from every order of the cycle as its own firings add.
    At the firing order n all N cylinders together make the swing s, one alone s / N. At a lower
    order k one cylinder's torque, a hump that falls off within some 28 degrees (common practice,
    no source), is larger by (1 + (n / 2)^2) / (1 + (k / 2)^2), and speed follows torque with
    1 / k. What the cubic through four marks leaves of such a wave is told exactly. Own derivation.

    Args:
        to_edge: degrees from the mark to the spark.
        swing: peak relative swing at the firing order.
        reference: the marks, too few to show the swing themselves.
        firings_per_rev: firings of the whole engine per crank revolution.
        strokes: 4 or 2.
    """
    n = firings_per_rev
    share = to_edge / reference.period
    nodes = np.array([-1.0, 0.0, 1.0, 2.0])
    weights = np.array([np.prod([(share - m) / (k - m) for m in nodes if m != k]) for k in nodes])
    total = 0.0
    for order in _UNEQUAL:
        if strokes == 2 and order % 1:
            continue
        turn = np.radians(order)
        wave = np.exp(1j * turn * to_edge)
        left = abs(wave - (weights * np.exp(1j * turn * nodes * reference.period)).sum())
        amplitude = unequal_amplitude(order, swing, n, strokes)
        total += float(amplitude * left) ** 2 / 2
    return WEAKNESS * float(np.sqrt(total))


def unequal_amplitude(order: float, swing: float, firings_per_rev: float, strokes: int) -> float:
    """Degrees of crank by which a cylinder that gives nothing swings the angle at an order.

    Args:
        order: per crank revolution.
        swing: peak relative swing at the firing order.
        firings_per_rev, strokes: see `unequal_uncertainty`.
    """
    n = firings_per_rev
    cylinders = n * strokes / 2
    if cylinders < 2:
        return 0.0
    hump = (1 + (n / 2) ** 2) / (1 + (order / 2) ** 2)
    relative = swing * n / (order * cylinders) * hump
    return float(np.degrees(relative / order))


_RUN_OUT = 0.3  # crank degrees: a wheel runs out no more than that (common practice, no source)


def run_out_uncertainty(found: Ripple | None, degrees: float, even: bool) -> float:
    """Standard uncertainty in degrees from a wheel that does not run true.

    Run-out and a true swing of the speed once a turn look alike at the edges. Anything from none
    to all of what is seen may be run-out, as far as wheels run out at all.

    Args:
        found: the wheel's ripple; None: not known, then nothing is added.
        degrees: from the index edge on to the spark.
        even: the wheel has no index edge, so that any may be the one that was typed.
    """
    if found is None:
        return 0.0
    size, _ = found.at(1.0)
    reach = abs(np.exp(1j * np.radians(degrees / found.turns)) - 1)
    reach = np.sqrt(2) if even else max(1.0, reach)
    most = _RUN_OUT * found.turns
    if size > most or even:
        return float(min(size, most) * reach / np.sqrt(6))
    seen = found.once_per_turn(degrees) / np.sqrt(3)
    return float(max(seen, size * reach / np.sqrt(24)))


def resolves_swing(reference: Reference, firings_per_rev: float) -> bool:
    """True if the wheel has at least four edges per firing, so that it shows the swing itself."""
    return 360.0 / reference.step >= 4 * firings_per_rev


def budget(
    angles: Floats,
    rate: float,
    to_edge: Floats,
    periods: Periods,
    reference: Reference,
    firings_per_rev: float,
    rpm: float,
    u_delay_s: float,
    swing: float | None = None,
    ripple: Ripple | None = None,
    strokes: int = 4,
    past: Floats | None = None,
) -> Budget:
    """The uncertainty budget of a mean timing angle.

    Args:
        angles: float64[n] first-spark angles in degrees, in order of time, strays taken out.
        rate: crank degrees per tick.
        to_edge: float64[n], see `events.Events`.
        periods: of the wheel in the same time.
        reference: with its typed uncertainty.
        firings_per_rev: firings of the whole engine per crank revolution.
        rpm: mean speed in rev/min.
        u_delay_s: standard uncertainty of the difference of the conditioners' delays, s.
        swing: peak relative speed swing inside a revolution where typed, else None.
        ripple: of the wheel, where it shows one.
        strokes: 4 or 2.
        past: float64[n] crank degrees past an index edge of the same sparks, where `angles` are
            folded by less than the wheel's period; None: as `angles` say.
    """
    distance = float(np.nanmedian(to_edge))
    lines = [
        _scatter(angles),
        Component("time stamp", "B", rate / np.sqrt(6), "one tick on spark and on edge"),
    ]
    fine, toothed = resolves_swing(reference, firings_per_rev), reference.teeth > 1
    if toothed:
        if fine:
            where = reference.angle - angles if past is None else past
            u, rms, teeth = interpolation(
                periods.miss, periods.wide, periods.number, reference, firings_per_rev, where
            )
        else:
            u, rms, teeth = teeth_at_most(periods.miss, periods.number, reference)
        note = f"wheel's own edges miss by {rms:.3f}° when left out"
        lines.append(Component("interpolation", "B", u, note))
        middle = float(np.median(reference.angle - angles))
        out = run_out_uncertainty(ripple, middle, not reference.missing)
        note = "index edge against the others; 0 if the typed angle is that of this very edge"
        if reference.errors:
            # Learned: by how much it stands off, so anything up to that (JCGM 100, 4.3.7).
            teeth = float(np.hypot(teeth, np.mean(reference.errors) / np.sqrt(3)))
        lines += [
            Component("index tooth", "B", teeth, note),
            Component("wheel runs out", "B", out, "once-a-turn ripple that may be run-out"),
        ]
    if not fine:
        assumed = default_swing(rpm, firings_per_rev) if swing is None else swing
        source = "assumed" if swing is None else "typed"
        near, shows = ("nearest tooth", "teeth") if toothed else ("pulse", "pulse")
        lines.append(
            Component(
                "speed swing", "B", swing_uncertainty(distance, assumed, firings_per_rev),
                f"spark {distance:.1f}° from the {near}, swing ±{100 * assumed:.1f} % {source}",
                "arcsine",
            )
        )  # fmt: skip
        if swing is None:
            u = unequal_uncertainty(distance, assumed, reference, firings_per_rev, strokes)
            lines.append(
                Component("unequal cylinders", "B", u, f"assumed; the {shows} cannot show")
            )
    lines += [
        Component("reference angle", "B", reference.u_angle, "as typed"),
        Component("tooth errors left", "B", reference.u_errors, "of the learned wheel"),
        Component(
            "clamp and conditioner delay", "B", degrees_of(u_delay_s, rpm),
            f"{u_delay_s * 1e6:.1f} µs at {rpm:.0f} rev/min",
        ),
    ]  # fmt: skip
    return Budget(tuple(lines))
