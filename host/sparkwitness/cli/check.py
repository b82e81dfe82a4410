"""`sparkwitness check`: coil, supply, degrees."""

import math
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any, ParamSpec, TypeVar

import click
import numpy as np
from rich.table import Table
from rich.text import Text

from sparkwitness.cli import ask, codes, options, printing, sources
from sparkwitness.cli.starter import listening
from sparkwitness.errors import UserError
from sparkwitness.faces import safety
from sparkwitness.faces import text as show
from sparkwitness.faces.console import consoles
from sparkwitness.fault import cranking, live
from sparkwitness.fault import electrical as el

_P = ParamSpec("_P")
_T = TypeVar("_T")


class Quantity(click.ParamType[float]):
    """A number with optional prefix and unit, such as 8.6k, 6mH or 0.52."""

    def __init__(self, unit: str, low: float = 0.0, high: float = math.inf) -> None:
        self.unit, self.low, self.high = unit, low, high
        self.name = {"s": "seconds", "C": "°C", "": "number"}.get(unit, unit)

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> float:
        if isinstance(value, (int, float)):
            return float(value)
        try:
            number = el.parse_quantity(str(value), self.unit)
        except ValueError as error:
            self.fail(str(error), param, ctx)
        if not self.low <= number <= self.high:
            top = f" to {self.high:g}" if math.isfinite(self.high) else " or more"
            self.fail(f"{value} cannot be; type {self.low:g}{top} {self.unit}.", param, ctx)
        return number


OHM, VOLT, AMPERE = Quantity("ohm"), Quantity("V", 0, 100), Quantity("A", 0, 1000)
HENRY, FARAD = Quantity("H", 0, 100), Quantity("F", 0, 1)
CELSIUS = Quantity("C", el.COLDEST_C, el.HOTTEST_C)


def _said(work: Callable[_P, _T], *args: _P.args, **kwargs: _P.kwargs) -> _T:
    """Call a pure function; its ValueError is a sentence for the user."""
    try:
        return work(*args, **kwargs)
    except ValueError as error:
        raise UserError(str(error)) from None


@click.group()
def command() -> None:
    """Electrical checks: the coil's windings and current, the supply while cranking, and
    conversions between degrees, milliseconds, speed and damper marks."""


# --- coil ------------------------------------------------------------------------------------


@command.command(short_help="Windings against limits; current, dwell, energy.")
@click.option("--primary", type=OHM, help="Meter reading, or 'open'. Leads off the coil!")
@click.option("--primary-limits", type=OHM, nargs=2, metavar="LOW HIGH",
              help="From the service manual, at 20 °C.")  # fmt: skip
@click.option("--secondary", type=OHM, help="Meter reading such as 8.6k, or 'open'.")
@click.option("--secondary-limits", type=OHM, nargs=2, metavar="LOW HIGH")
@click.option("--lead", type=OHM, default=0.0, show_default=True,
              help="Meter reading with its tips together; subtracted.")  # fmt: skip
@click.option("--temp", type=CELSIUS, default=20.0, show_default=True, help="Coil temperature, °C.")
@click.option("--temp-within", type=options.NUMBER, default=5.0, show_default=True,
              help="How well the coil temperature is known, ± K.")  # fmt: skip
@click.option("--accuracy", type=options.NUMBER, default=1.0, show_default=True,
              help="Accuracy of the meter, ± % of reading.")  # fmt: skip
@click.option(
    "--digit", type=OHM, default=0.0, help="Last digit of the meter's primary range, ± ohm."
)
@click.option("--supply", type=VOLT, help="Volts at the coil: asks for current and dwell.")
@click.option("--inductance", type=HENRY, help="Inductance of the primary, such as 6mH.")
@click.option("--resistance", type=OHM, help="Of the whole primary circuit, hot, ohm. Default: "
              "the measured primary at its temperature plus --ballast.")  # fmt: skip
@click.option("--ballast", type=OHM, default=0.0, help="Resistance of ballast and harness.")
@click.option("--drop", type=VOLT, default=0.0, help="Volts lost in the switching transistor.")
@click.option("--current", type=AMPERE, help="Wanted primary current.")
@click.option("--cylinders", type=click.IntRange(1, 16), default=1, show_default=True,
              help="Cylinders that this one coil serves.")  # fmt: skip
@click.option("--strokes", type=click.Choice(["2", "4"]), default="4", show_default=True)
@click.option("--wasted", is_flag=True, help="The coil also fires on the exhaust stroke.")
@click.option("--burn", type=Quantity("s", 0, 0.1), default="1ms", show_default=True,
              help="Time left to the spark before the next charge.")  # fmt: skip
@click.option("--dwell-share", type=click.FloatRange(1, 99),
              help="Points: dwell as % of the firing interval, in place of --current.")  # fmt: skip
@click.option("--rpm", "speeds", type=click.FloatRange(1, 30000), multiple=True,
              help="Crank speed for the table. May be repeated.")  # fmt: skip
@click.option("--capacitor", type=FARAD, help="Capacitor of a capacitive module, such as 1uF.")
@click.option(
    "--capacitor-volts", type=Quantity("V", 0, 1000), help="Voltage that it is charged to."
)
@options.as_json
def coil(as_json: bool, **typed: Any) -> None:
    """Windings against their limits, and what the coil does with its time.

    \b
    Windings:  --primary 0.72 --primary-limits 0.45 0.65 --lead 0.15 --temp 45
               --secondary 8.6k --secondary-limits 7k 9k
    Current:   --supply 13.5 --inductance 5mH --resistance 0.8 --current 6 --cylinders 4
    Capacitive module: --capacitor 1uF --capacitor-volts 450

    Resistances are brought to 20 °C for copper (0.00393 per K, IEC 60028) and the leads' own is
    taken off. A verdict is given only when the whole interval (k = 2) is on one side of a limit.
    An ohmmeter does not see insulation that fails at high voltage. Exit code 4: not fine; 5: it
    cannot be told.
    """
    out, beside = consoles(as_json)
    result: dict[str, Any] = {}
    windings = _windings(typed)
    if windings:
        safety.show(beside, safety.RESISTANCE)
    charge = _charge(typed)
    if typed["capacitor"] is not None or typed["capacitor_volts"] is not None:
        if typed["capacitor"] is None or typed["capacitor_volts"] is None:
            raise UserError("give both --capacitor and --capacitor-volts for the stored energy")
        safety.show(beside, safety.LIVE_MODULE)
        energy = _said(el.capacitor_energy, typed["capacitor"], typed["capacitor_volts"])
        result["capacitor_energy_j"] = energy
    if not windings and charge is None and not result:
        raise UserError(
            "give --primary or --secondary with its limits, or --supply with --inductance, or "
            "--capacitor with --capacitor-volts; --help shows examples"
        )
    for name, winding in windings.items():
        result[name] = {
            "verdict": winding.verdict, "sentence": winding.sentence, "limits_ohm": winding.limits,
            "ohm_at_20": winding.at_20.value if winding.at_20 else None,
            "expanded_ohm": winding.at_20.expanded if winding.at_20 else None,
        }  # fmt: skip
    if charge is not None:
        result["charge"] = charge
    if as_json:
        printing.answer("check coil", result)
    else:
        _show_coil(out, windings, charge, result.get("capacitor_energy_j"))
    found = {w.verdict for w in windings.values()} - {"fine"}
    if found:
        sys.exit(codes.BAD_NEWS if found - {"unsure"} else codes.NOT_SURE)


def _windings(typed: dict[str, Any]) -> dict[str, el.Winding]:
    found = {}
    for name in ("primary", "secondary"):
        reading, limits = typed[name], typed[f"{name}_limits"]
        if reading is None:
            if limits:
                raise UserError(f"give the reading too: --{name}")
            continue
        if not limits:
            raise UserError(f"give the service manual's limits too: --{name}-limits LOW HIGH")
        own = name == "primary"
        found[name] = _said(
            el.judge_winding, reading, tuple(limits), leads=typed["lead"] if own else 0.0,
            celsius=typed["temp"], percent=typed["accuracy"],
            digit=typed["digit"] if own else 0.0, celsius_half=typed["temp_within"],
        )  # fmt: skip
    return found


def _charge(typed: dict[str, Any]) -> dict[str, Any] | None:
    """Current, dwell and energy, as plain values; None when not asked for."""
    volts, henry = typed["supply"], typed["inductance"]
    if volts is None and henry is None:
        if typed["current"] is not None or typed["dwell_share"] is not None:
            raise UserError("give --supply and --inductance for current and dwell")
        return None
    if volts is None or henry is None:
        raise UserError("give both --supply and --inductance for current and dwell")
    ohm = typed["resistance"]
    if ohm is None:
        if typed["primary"] is None or not math.isfinite(typed["primary"]):
            raise UserError("give --resistance of the primary circuit, or the reading --primary")
        ohm = typed["primary"] - typed["lead"] + typed["ballast"]
    drop, strokes = typed["drop"], int(typed["strokes"])
    turns = 1 if strokes == 2 else 2
    firings = typed["cylinders"] * (2 if typed["wasted"] and strokes == 4 else 1)
    most = (volts - drop) / ohm if ohm > 0 else 0.0
    share, amps = typed["dwell_share"], typed["current"]
    if (share is None) == (amps is None):
        raise UserError("give either --current (a wanted current) or --dwell-share (points)")
    dwell = _said(el.dwell_for, amps, volts, ohm, henry, drop) if amps is not None else 1.0
    top = _said(el.highest_rpm, dwell, firings, turns, typed["burn"]) if amps is not None else None
    speeds = list(typed["speeds"]) or _table_speeds(top)
    table = _said(
        el.charge_against_rpm, speeds, dwell, volts, ohm, henry, firings=firings, turns=turns,
        burn=typed["burn"], drop=drop, share=share / 100 if share is not None else None,
    )  # fmt: skip
    energy = _said(el.coil_energy, henry, amps) if amps is not None else None
    return {
        "circuit_ohm": ohm, "time_constant_s": henry / ohm, "highest_current_a": most,
        "wanted_current_a": amps, "dwell_s": dwell if amps is not None else None,
        "energy_j": energy, "dwell_fits_up_to_rpm": top,
        "uncertainty": "none given: exact for the values typed in, which carry their own",
        "rows": [
            {name: getattr(table, name)[i].item()
             for name in ("rpm", "dwell", "fits", "peak", "average", "rms", "heat", "energy")}
            for i in range(len(table.rpm))
        ],
    }  # fmt: skip


def _table_speeds(top: float | None) -> list[float]:
    if top is None:
        return [200.0, 800.0, 2000.0, 4000.0, 6000.0]
    steps = [200.0, 800.0, 2000.0, 4000.0, 6000.0, 8000.0, 10000.0]
    return sorted({*(s for s in steps if s <= max(6000.0, top * 1.3)), float(round(top))})


def _show_coil(
    out: Any, windings: dict[str, el.Winding], charge: dict[str, Any] | None, stored: float | None
) -> None:
    rows = Table.grid(padding=(0, 3))
    rows.add_column(style="dim", no_wrap=True)
    rows.add_column()
    for name, winding in windings.items():
        low, high = winding.limits
        value = "open"
        if winding.at_20 is not None:
            scale, unit = (1e3, "kΩ") if winding.at_20.value >= 1000 else (1.0, "Ω")
            value = show.plus_minus(
                winding.at_20.value / scale, winding.at_20.expanded / scale, f" {unit}"
            )
            value += " at 20 °C"
        limits = f"{low:g} to {high:g} Ω" if high < 1000 else f"{low / 1e3:g} to {high / 1e3:g} kΩ"
        rows.add_row(name, Text(winding.verdict, "bold") + f": {value}, limits {limits}")
        rows.add_row("", winding.sentence)
    if charge is not None:
        rows.add_row("time constant", f"{1e3 * charge['time_constant_s']:.3g} ms; the resistance "
                     f"ends the rise at {charge['highest_current_a']:.3g} A")  # fmt: skip
        if charge["dwell_s"] is not None:
            rows.add_row(
                "dwell", Text(f"{1e3 * charge['dwell_s']:.2f} ms", "bold") + " to "
                f"{charge['wanted_current_a']:g} A, which stores {1e3 * charge['energy_j']:.1f} mJ",
            )  # fmt: skip
            rows.add_row(
                "it fits", f"up to {charge['dwell_fits_up_to_rpm']:.0f} rpm; above, the current "
                "falls",
            )  # fmt: skip
        rows.add_row("uncertainty", charge["uncertainty"])
    if stored is not None:
        rows.add_row("capacitor", Text(f"{1e3 * stored:.1f} mJ", "bold") + " stored, ½ C V²; "
                     "exact for the values typed in")  # fmt: skip
    out.print(rows)
    if charge is not None:
        table = Table(box=None, header_style="dim")
        for head in ("rpm", "dwell ms", "peak A", "average A", "rms A", "heat W", "spark mJ", ""):
            table.add_column(head, justify="right")
        for row in charge["rows"]:
            table.add_row(
                f"{row['rpm']:.0f}", f"{1e3 * row['dwell']:.2f}", f"{row['peak']:.2f}",
                f"{row['average']:.2f}", f"{row['rms']:.2f}", f"{row['heat']:.1f}",
                f"{1e3 * row['energy']:.1f}", "" if row["fits"] else "dwell cut short",
            )  # fmt: skip
        out.print(table)


# --- supply ----------------------------------------------------------------------------------


@command.command(short_help="Supply at rest, while cranking, at each trigger.")
@options.source
@click.option("--from", "from_file", type=click.Path(path_type=Path), help="Replay a recording.")
@click.option("--record", type=click.Path(path_type=Path), help="Keep the bytes as received.")
@click.option("--seconds", type=click.FloatRange(2, 60), default=6.0, show_default=True,
              help="How long to listen: a second of rest, then crank.")  # fmt: skip
@click.option("--rest", type=VOLT, help="Without a board: volts at rest, by a meter.")
@click.option(
    "--lowest", type=VOLT, help="Without a board: the meter's lowest volts while cranking."
)
@click.option(
    "--meter-within", type=VOLT, default=0.1, show_default=True, help="Accuracy of that meter, ± V."
)
@click.option("--limit", type=VOLT, help="Lowest volts allowed while cranking. Default: 9.6 V at "
              "20 °C and above, less when colder.")  # fmt: skip
@click.option(
    "--temp", type=CELSIUS, default=20.0, show_default=True, help="Battery temperature, °C."
)
@options.yes
@options.as_json
def supply(
    port: str | None, simulate: str | None, patience: float, from_file: Path | None,
    record: Path | None, seconds: float, rest: float | None, lowest: float | None,
    meter_within: float, limit: float | None, temp: float, yes: bool, as_json: bool,
) -> None:  # fmt: skip
    """Supply of a 12 or 24 V system at rest, lowest while cranking, and at each trigger.

    With the board: supply lead on the battery or at the module, trigger tap if there is one.
    Without: read a meter and type --rest and --lowest.

    The verdict is common practice: below about 9.6 V at 20 °C (8.5 V at -18 °C, the load-test
    table of workshop manuals) the supply is suspect. Exit code 3: not
    cranked; 4: suspect; 5: it cannot be told.
    """  # fmt: skip
    out, beside = consoles(as_json)
    allowed = limit if limit is not None else _said(el.lowest_cranking, temp)
    by_hand = rest is not None or lowest is not None
    if sum((by_hand, from_file is not None, simulate is not None, port is not None)) > 1:
        raise UserError("give one of --port, --simulate, --from, and --rest with --lowest")
    heard: cranking.Cranking | None = None
    engaging: float | None = None
    if by_hand:
        if rest is None or lowest is None:
            raise UserError("give both --rest and --lowest")
        expanded = meter_within
        verdict = _said(el.judge_supply, rest, lowest, limit=allowed, expanded=expanded)
    else:
        if from_file is not None:
            heard = live.replay(from_file)
        else:
            if simulate is None:
                safety.show(beside, safety.CRANKING)
                if sys.stdin.isatty() and not as_json and not yes:
                    ask.cautions_taken()
            with sources.board(simulate, port) as source, listening(beside) as watch:
                heard = live.listen(
                    source.port, patience, seconds, watch, record=record, source=source.name,
                    unrecorded=lambda why: beside.print(f"! {why}", style="bold"),
                )  # fmt: skip
        if not len(heard.supply):
            raise UserError(
                "the board does not measure the supply: connect its supply lead, or type --rest "
                "and --lowest from a meter"
            )
        found = cranking.supply_fall(heard)
        if found is None:
            raise UserError(
                f"nothing turned in {heard.seconds:.0f} s: the supply stayed at "
                f"{float(np.median(heard.supply)):.1f} V and no crank pulse came; crank while it "
                "listens, or check the supply lead"
            )
        expanded, engaging = cranking.SUPPLY_RELATIVE * found.turning, found.engaging
        verdict = _said(
            el.judge_supply, found.rest, found.turning, cranking.supply_at_triggers(heard),
            limit=allowed, expanded=expanded,
        )  # fmt: skip
    at = verdict.at_triggers
    result = {
        "verdict": verdict.verdict, "sentence": verdict.sentence, "rest_v": verdict.rest,
        "lowest_v": verdict.lowest, "engaging_v": engaging, "expanded_v": expanded,
        "limit_v": allowed,
        "triggers": len(at), "lowest_at_trigger_v": float(at.min()) if len(at) else None,
        "mean_at_trigger_v": float(at.mean()) if len(at) else None,
        "at_triggers_v": at.tolist(), "heard": cranking.to_dict(heard) if heard else None,
    }  # fmt: skip
    if as_json:
        printing.answer("check supply", result)
    else:
        rows = Table.grid(padding=(0, 3))
        rows.add_column(style="dim", no_wrap=True)
        rows.add_column()
        rows.add_row("verdict", Text(verdict.verdict, "bold") + f": {verdict.sentence}")
        rows.add_row("at rest", show.plus_minus(verdict.rest, expanded, " V"))
        rows.add_row(
            "lowest", f"{show.plus_minus(verdict.lowest, expanded, ' V')} while cranking, limit "
            f"{allowed:.1f} V" + ("" if limit is not None else f" at {temp:g} °C"),
        )  # fmt: skip
        if engaging is not None:
            rows.add_row("starter's dip", f"{show.plus_minus(engaging, expanded, ' V')} as it "
                         "engages; not judged")  # fmt: skip
        if len(at):
            rows.add_row(
                "at triggers", f"{at.min():.1f} to {at.max():.1f} V over {len(at)} edges "
                "(lowest of the 0.1 s that holds each)",
            )  # fmt: skip
        elif heard is not None:
            rows.add_row("at triggers", "no edge on the trigger tap")
        if heard is not None:
            rows.add_row("lost", show.loss(heard.loss))
        out.print(rows)
    if verdict.verdict != "fine":
        known = {"not cranked": codes.NOTHING, "unsure": codes.NOT_SURE}
        sys.exit(known.get(verdict.verdict, codes.BAD_NEWS))


# --- degrees ---------------------------------------------------------------------------------


@command.command(short_help="Milliseconds, degrees, speed, damper marks.")
@click.option("--ms", type=options.NUMBER, help="Milliseconds.")
@click.option("--deg", type=options.NUMBER, help="Crank degrees.")
@click.option("--rpm", type=options.NUMBER, help="Crank speed, rev/min.")
@click.option("--diameter", type=options.NUMBER, help="Diameter of the damper, in any unit.")
@click.option("--arc", type=options.NUMBER, help="Length along the damper's rim, same unit.")
@options.as_json
def degrees(
    ms: float | None, deg: float | None, rpm: float | None, diameter: float | None,
    arc: float | None, as_json: bool,
) -> None:  # fmt: skip
    """Two of --ms, --deg, --rpm give the third; --diameter with --deg or --arc gives the other.

    \b
    sparkwitness check degrees --ms 1 --rpm 1000        6 degrees
    sparkwitness check degrees --deg 10 --diameter 165  14.4 along the rim
    """
    out, _ = consoles(as_json)
    given = [x is not None for x in (ms, deg, rpm)]
    if arc is not None and (diameter is None or deg is not None):
        raise UserError("give --arc with --diameter, and without --deg")
    if arc is not None and diameter is not None:
        deg = _said(el.degrees_from_arc, arc, diameter)
        given[1] = True
    if sum(given) == 3:
        raise UserError("--ms, --deg and --rpm fix each other; give two of them")
    if diameter is None and sum(given) != 2:
        raise UserError("give two of --ms, --deg and --rpm, or --diameter with --deg or --arc")
    if ms is not None and rpm is not None:
        deg = _said(el.degrees_from_time, ms / 1000, rpm)
    elif deg is not None and rpm is not None:
        ms = 1000 * _said(el.time_from_degrees, deg, rpm)
    elif deg is not None and ms is not None:
        rpm = _said(el.rpm_from, deg, ms / 1000)
    if diameter is not None and arc is None:
        if deg is None:
            raise UserError("give --deg or --arc with --diameter")
        arc = _said(el.arc_on_damper, deg, diameter)
    values = {"ms": ms, "deg": deg, "rpm": rpm, "diameter": diameter, "arc": arc}
    if as_json:
        printing.answer("check degrees", values)
        return
    words = {"ms": "{:.5g} ms", "deg": "{:.5g}° of crank", "rpm": "{:.6g} rpm",
             "diameter": "on a damper of {:g} diameter", "arc": "{:.5g} along the rim"}  # fmt: skip
    out.print(
        ", ".join(words[k].format(v) for k, v in values.items() if v is not None)
        + "  (exact for the values typed in)"
    )
