"""Numbers to what is shown: pure, the same words for the page and the terminal.

Every view is a dict of plain values, ready for JSON. Numbers come as text, rounded by their
uncertainty in this one place, with the value beside it where something is drawn or computed.
"""

from dataclasses import dataclass, field
from math import floor, isfinite, log10
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sparkwitness.faces import start_text, where_text
from sparkwitness.faces import text as show
from sparkwitness.timing.analyzer import Tables
from sparkwitness.timing.events import Events
from sparkwitness.timing.measure import Measurement
from sparkwitness.timing.setup import Setup
from sparkwitness.timing.trigger import Split
from sparkwitness.timing.wording import angle

RASTER_EVENTS = 40
TREND_S = 180
_WINDOW_EVENTS = 300
_SHORTEST_S, _LONGEST_S = 4.0, 40.0
_STILL_S = 2.0
_MOST_SPARKS = 32  # of one event in the raster


@dataclass
class Trend:
    """Timing and speed second by second, for the newest `TREND_S` seconds.

    Attributes:
        seconds: by whole second of the session, the number of events, the sum of their angles, the
            least and greatest of these (degrees BTDC), and the sum of their speeds (rev/min).
        events: taken since the beginning.
    """

    seconds: dict[int, tuple[int, float, float, float, float]] = field(default_factory=dict)
    events: int = 0
    _taken: int = -1

    def clear(self) -> None:
        """Forget all; ticks begin anew."""
        self.seconds.clear()
        self._taken = -1

    def rebase(self) -> None:
        """A new time base: keep what is drawn, counted back from its newest second."""
        newest = max(self.seconds, default=0)
        self.seconds = {second - newest - 1: one for second, one in self.seconds.items()}
        self._taken = -1

    def take(
        self,
        ticks: NDArray[np.int64],
        degrees: NDArray[np.float64],
        rpm: NDArray[np.float64],
        tick_s: float,
    ) -> None:
        """Add events that are newer than those taken before.

        Args:
            ticks: int64[n] rising times of first sparks.
            degrees: float64[n] their angles in degrees BTDC.
            rpm: float64[n] speed around each, rev/min; none of the three holds a NaN.
            tick_s: seconds per tick.
        """
        new = ticks > self._taken
        if not new.any():
            return
        self._taken = int(ticks[-1])
        self.events += int(np.count_nonzero(new))
        second = np.floor(ticks[new] * tick_s).astype(np.int64)
        for one in np.unique(second).tolist():
            mine, speed = degrees[new][second == one], rpm[new][second == one]
            n, total, low, high, speeds = self.seconds.get(one, (0, 0.0, np.inf, -np.inf, 0.0))
            self.seconds[one] = (
                n + len(mine), total + float(mine.sum()),
                min(low, float(mine.min())), max(high, float(mine.max())),
                speeds + float(speed.sum()),
            )  # fmt: skip
        oldest = max(self.seconds) - TREND_S
        for one in [key for key in self.seconds if key < oldest]:
            del self.seconds[one]

    def rows(self) -> list[list[float]]:
        """[seconds before the newest, mean, least, greatest (degrees BTDC), rpm], oldest first."""
        newest = max(self.seconds, default=0)
        return [
            [second - newest, round(total / n, 3), round(low, 3), round(high, 3), round(rpms / n)]
            for second, (n, total, low, high, rpms) in sorted(self.seconds.items())
        ]


def window(result: Measurement) -> float:
    """Seconds of the stream to keep for the next look: some 300 events at the present speed."""
    if not result.rpm or not result.event_spacing:
        return _LONGEST_S
    wanted = _WINDOW_EVENTS * result.event_spacing / (6.0 * result.rpm)
    return min(max(wanted, _SHORTEST_S), _LONGEST_S)


def raster(tables: Tables, events: Events) -> list[list[float]]:
    """Degrees of each spark after the first of its event, for the newest whole events."""
    sparks = tables.sparks
    newest = np.flatnonzero(events.sparks > 0)[-RASTER_EVENTS:]
    begin = np.searchsorted(sparks.tick, events.tick[newest])
    rows = []
    for start, count in zip(begin.tolist(), events.sparks[newest].tolist(), strict=True):
        burst = sparks.degrees[start : start + min(count, _MOST_SPARKS)]
        rows.append(np.round(burst - burst[0], 2).tolist())
    return rows


def stillness(tables: Tables, now: int, result: Measurement, quiet_s: float) -> tuple[str, str]:
    """Whether crank and clamp are alive at the newest moment.

    Args:
        now: tick before which everything has arrived.
        quiet_s: seconds since the last edge of the crank, fitting the wheel or not.

    Returns:
        A code ("turning", "standing", "no_spark", "waiting") and a sentence, empty if turning.
    """
    periods, sparks = tables.periods, tables.sparks
    since = quiet_s
    if len(periods.start):
        length = int(periods.length[-1]) * tables.tick_s
        last = int(periods.start[-1] + periods.length[-1])
        # The newest period is known only one edge later.
        since = (now - last) * tables.tick_s if quiet_s > 4 * length else 0.0
    elif not tables.crank_edges:
        return "waiting", ""
    if since > _STILL_S:
        return (
            "standing",
            f"no crank reference for {since:.0f} s: the crank has stopped, or its sensor no longer "
            "sees it",
        )
    if not len(periods.start) or not tables.clamp_edges:
        return "waiting", ""
    newest = int(sparks.tick[-1]) if len(sparks.tick) else int(periods.start[0])
    since = (now - newest) * tables.tick_s
    between = (result.event_spacing or 720.0) / (6.0 * (result.rpm or 200.0))
    if since > max(_STILL_S, 6 * between):
        return "no_spark", f"no spark for {since:.0f} s while the crank turns"
    return "turning", ""


def digits(expanded: float) -> int:
    """Decimals that show two significant digits of an uncertainty, two decimals at most."""
    return min(2, max(0, 1 - floor(log10(expanded)))) if expanded > 0 else 2


def numbers(setup: Setup, result: Measurement) -> dict[str, Any]:
    """The result in words and rounded figures; None where it cannot be told."""
    u = result.expanded
    shown: dict[str, Any] = {
        "where": None, "cylinders": None, "start": None, "rotor": None,
        "timing": None, "error": None, "rpm": None, "sparks": None, "next": None, "supply": None,
        "commanded": None, "setting": None,
        "events": result.events,
        "lost": show.loss(result.loss),
        "anything_lost": result.loss.any(),
        "left_out": show.left_out(result),
        "target": {"degrees": setup.target, "met": u is not None and u <= setup.target},
    }  # fmt: skip
    if result.timing is not None and u is not None:
        places = digits(u)
        shown["timing"] = {
            "value": result.timing,
            "text": f"{abs(result.timing):.{places}f}°",
            "side": show.side(result),
            "within": f"± {u:.{places}f}°",
            "scatter": f"scatter {result.scatter:.2f}° over {result.events} events",
        }
    if setup.commanded is not None:
        shown["commanded"] = {"value": setup.commanded, "text": angle(setup.commanded, "g")}
    if result.error is not None and u is not None:
        places = digits(u)
        agrees = abs(result.error) <= u
        side = "advanced" if result.error > 0 else "retarded"
        shown["error"] = {
            "value": result.error,
            "text": f"{result.error:+.{places}f}°".replace("-", "−"),
            "within": f"± {u:.{places}f}°",
            "u": u,
            "agrees": agrees,
            "word": "as commanded, within the uncertainty" if agrees else side,
        }
    if result.rpm is not None:
        if result.u_rpm is None:
            shown["rpm"] = {"value": result.rpm, "text": f"{result.rpm:.0f}",
                            "within": "uncertainty not known yet"}  # fmt: skip
        else:
            places = max(0, digits(result.u_rpm) - 1)  # one digit of it says enough
            shown["rpm"] = {"value": result.rpm, "text": f"{result.rpm:.{places}f}",
                            "within": f"± {result.u_rpm:.{places}f}"}  # fmt: skip
    if total := sum(result.sparks.values()):
        mean = sum(n * k for n, k in result.sparks.items()) / total
        whole = len(result.sparks) == 1
        shown["sparks"] = {
            "value": mean,
            "text": f"{mean:.0f}" if whole else f"{mean:.2f}",
            "detail": _shares(result.sparks, total),
        }
    if setup.setting is not None:
        shown["setting"] = {"value": setup.setting, "text": f"{setup.setting:g}",
                            "step": setup.step or 1.0, "counts": setup.counts}  # fmt: skip
    if result.advice is not None and setup.setting is not None:
        tip = result.advice
        exact = show.plus_minus(tip.exact, tip.expanded)
        shown["next"] = {
            "value": tip.setting,
            "text": f"{'keep ' if tip.setting == setup.setting else ''}{tip.setting:g}".replace(
                "-", "−"
            ),
            "detail": f"now {setup.setting:g}; unrounded {exact}{show.unit_text(setup, tip.gain)}; "
            f"expected remaining error {tip.remaining:+.2f}°".replace("-", "−"),
            "note": tip.note,
        }
    if result.supply_least_mv is not None:
        shown["supply"] = f"lowest {result.supply_least_mv / 1000:.1f} V (± 3 %, divider)"
    if result.split is not None:
        shown["where"] = _where(result.split)
    if result.cylinders is not None:
        heads, rows = where_text.cylinder_table(result.cylinders)
        shown["cylinders"] = {"heads": heads, "rows": rows, "words": list(result.cylinders.words)}
    if result.start is not None:
        shown["start"] = start_text.start(result.start.to_dict())
    if result.rotor is not None:
        shown["rotor"] = start_text.rotor(result.rotor.to_dict())
    if result.spacing_us is not None and result.duration_us is not None:
        every = show.plus_minus(result.spacing_us, result.u_spacing_us, " µs")
        lasts = show.plus_minus(result.duration_us, result.u_duration_us, " µs")
        shown["burst"] = f"every {every}, lasts {lasts}"
    return shown


def _where(split: Split) -> dict[str, Any]:
    """Controller's and module's part."""
    one, delay = split.controller, split.delay_us
    asks = None
    if one is not None:
        places = digits(one.u95)
        agrees = abs(one) <= one.u95
        asks = {
            "value": float(one), "text": f"{one:+.{places}f}°".replace("-", "−"),
            "within": f"± {one.u95:.{places}f}°", "agrees": agrees,
            "word": "asks as commanded" if agrees else
            f"asks too {'early' if one > 0 else 'late'}, "
            f"at {angle(round(split.angle, places), 'g')}",
        }  # fmt: skip
    return {
        "controller": asks,
        "module": {
            "text": f"{delay:.{max(0, digits(delay.u95) - 1)}f} µs",
            "within": f"± {delay.u95:.1f} µs",
            "word": f"{split.module:+.2f}° at this speed; no offset cures it".replace("-", "−"),
        },
        "causes": where_text.causes(split.counts),
        "dwell": "" if split.dwell is None else where_text.dwell(split.dwell),
    }


def point(shown: dict[str, Any]) -> dict[str, Any] | None:
    """What of the view is kept when a person marks a point; None if there is nothing yet."""
    if shown["rpm"] is None:
        return None

    def words(name: str, *parts: str) -> str:
        one = shown[name]
        return " ".join(one[part] for part in parts) if one else ""

    return {
        "rpm": words("rpm", "text", "within"),
        "timing": words("timing", "text", "side", "within"),
        "error": words("error", "text", "within"),
        "sparks": words("sparks", "text"),
        "commanded": words("commanded", "text"),
        "setting": words("setting", "text"),
    }


def _shares(counts: dict[int, int], total: int) -> str:
    if len(counts) == 1:
        return f"in each of {total} events"
    common = sorted(counts.items(), key=lambda one: -one[1])[:3]
    parts = [f"{n} in {100 * k / total:.0f} %" for n, k in sorted(common)]
    return f"{', '.join(parts)} of {total} events"


def finite(value: Any) -> Any:
    """The same plain values with NaN and infinities as None, which JSON can carry."""
    if isinstance(value, dict):
        return {key: finite(one) for key, one in value.items()}
    if isinstance(value, list | tuple):
        return [finite(one) for one in value]
    return None if isinstance(value, float) and not isfinite(value) else value
