"""A run as one self-contained page for a person: read on a screen, printed, or made a PDF.

The numbers are those that were kept; the plots are drawn from the recording, if it is there.
Longer than other files: one page, section after section, in the order in which it is read.
"""

import base64
import json
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from string import Template
from typing import Any

import numpy as np

from sparkwitness import __version__
from sparkwitness.decode import wire
from sparkwitness.decode.edges import Loss
from sparkwitness.decode.recording import SIMULATED, Recording
from sparkwitness.errors import UserError, needed
from sparkwitness.faces import (
    bench_page,
    conditions_text,
    cycle_plot,
    plots,
    safety,
    start_text,
    sweep_plots,
    where_page,
)
from sparkwitness.faces import text as show
from sparkwitness.foreign import html as escape
from sparkwitness.records import logbook
from sparkwitness.records.logbook import KeptTrial, Run
from sparkwitness.records.replay import replay
from sparkwitness.records.tables import sessions
from sparkwitness.timing import advice, gates, measure
from sparkwitness.timing.angle import Reference
from sparkwitness.timing.fit import DelayFit, recommend, trend
from sparkwitness.timing.gates import Finding
from sparkwitness.timing.setup import CLAMPS, Setup
from sparkwitness.timing.timed import time_events

PAPERS = ("a4", "letter")
_CAUTIONS = {
    "measurement": (safety.RUNNING_ENGINE,),
    "curve": (safety.RUNNING_ENGINE,),
    "bench": (safety.LIVE_MODULE,),
    "faultfind": (safety.CRANKING, safety.LIVE_MODULE),
    "check": (safety.RESISTANCE,),
}
_TITLES = {
    "measurement": "Ignition timing",
    "curve": "Ignition timing against speed",
    "bench": "Bench test of an ignition module",
    "faultfind": "Search for a lost spark",
    "check": "Electrical check",
}


@dataclass(frozen=True)
class Told:
    """What the page tells beside the run itself.

    Attributes:
        plots: drawn from the recording.
        without: why there are none, else "".
        again: sentence on whether the recording still gives the same numbers, else "".
    """

    plots: list[plots.Plot]
    without: str = ""
    again: str = ""


def page(run: Run, told: Told, trials: list[KeptTrial] | None = None, by: str | None = None) -> str:
    """The whole page as HTML text that needs nothing else.

    Args:
        run: what was kept.
        told: plots and what goes with them.
        trials: of the controller's setting, the whole series that the run belongs to.
        by: who answers for it.
    """
    timing = run.kind == "measurement"
    parts = [_head(run, by)]
    parts.append(_answers(run) if timing else _said(run))
    parts.append(_cautions(run.kind))
    if timing:
        findings = [f["text"] for f in run.result.get("findings", [])]
        if run.result.get("timing_deg_btdc") is not None:
            findings.append(gates.CANNOT_TELL)
        parts.append(_list("What to know", findings))
        split, cylinders = run.result.get("split"), run.result.get("cylinders")
        if split:
            parts.append(_pairs("Where the error arises", where_page.split_pairs(split)))
        if cylinders:
            table = where_page.cylinder_table(cylinders)
            parts.append(_section("Cylinder by cylinder, in firing order", table))
        if run.result.get("start"):
            parts.append(_pairs("From cranking to running", start_text.start(run.result["start"])))
        if run.result.get("rotor"):
            parts.append(_pairs("Rotor in the distributor", start_text.rotor(run.result["rotor"])))
        parts.append(_trials(run, trials or []))
        parts.append(_plots(told))
        parts.append(_budget(run.result.get("budget")))
        parts.append(_engine(run))
        parts.append(_setup(run))
        parts.append(_left_out(run.result))
    else:
        findings = [f["text"] for f in run.result.get("findings", []) if "text" in f]
        parts.append(_list("What to know", findings))
        parts.append(_plots(told))
        parts.append(_points(run))
        parts.append(_fit(run))
        shown: tuple[str, ...] = ("points", "bins", "findings", "plan", "loss", "fit")
        words = bench_page.over_all_speeds(run.result) if run.kind == "bench" else None
        if words is not None:
            parts.append(_pairs("Over all speeds", words))
            parts.append(_checks(run))
            parts.append(_conditions(run.result.get("conditions")))
            shown = (*shown, *bench_page.SAID, "conditions")
        rest = {k: v for k, v in run.result.items() if k not in shown}
        parts.append(_pairs("Details", logbook.flat(rest)))
        parts.append(_pairs("Plan", logbook.flat(run.result.get("plan") or {})))
        if run.kind == "curve":
            parts.append(_setup(run))
        elif run.setup != run.result.get("plan"):
            parts.append(_pairs("Typed before the run", logbook.flat(run.setup or {})))
        parts.append(_left_out(run.result) if "loss" in run.result else "")
    parts.append(_list("Notes", [f"{made[:10]}: {text}" for made, text in run.notes]))
    parts.append(_origin(run, told))
    parts.append(_signature(by))
    template = Template(Path(__file__).with_suffix(".html").read_text(encoding="utf-8"))
    title = f"{_TITLES[run.kind]}, {_number(run)}"
    return template.substitute(
        generator=f"sparkwitness {__version__}", title=escape(title), body="\n".join(parts)
    )


def read(run: Run, path: Path) -> Told:
    """Plots of a measurement from its recording, and whether it still gives the same numbers.

    Raises:
        UserError: matplotlib is not installed, or the recording cannot be read.
    """
    if run.kind != "measurement" or run.setup is None:
        return without_recording(run, "")
    setup = Setup.from_dict(run.setup)
    recording = Recording(path)
    tables = replay(recording, setup)
    result = measure.evaluate(setup, tables)
    again = _again(run, result)
    timed = time_events(setup, tables)
    why = timed if isinstance(timed, Finding) else gates.withheld(result.findings)
    if isinstance(timed, Finding) or why is not None:
        return Told([], f"There is nothing to plot: {why.text if why else ''}.", again)
    steady = measure.used(result, timed, tables.tick_s)
    found, _ = sessions(recording)
    ticks = np.concatenate([s.supply[0] for s in found])
    volts = np.concatenate([s.supply[1] for s in found]) / 1000
    supply = (ticks * tables.tick_s, volts)
    drawn = plots.all_of(setup, tables, timed, steady, result.expanded, supply)
    if result.cycle is not None and (result.split or result.cylinders):
        drawn.insert(0, cycle_plot.plot(result.cycle.to_dict()))
    return Told(drawn, "", again)


def without_recording(run: Run, why: str) -> Told:
    """What can be drawn from the kept result alone.

    Args:
        why: the recording cannot be read; "" where none is needed.

    Raises:
        UserError: matplotlib is not installed.
    """
    points = run.result.get("points") or []
    if run.kind == "curve":
        return Told(sweep_plots.of_curve(run.result.get("bins") or [], fit_of(run)))
    if run.kind == "bench":
        return Told(sweep_plots.of_bench(points))
    return Told([], f"No plots: {why}." if why else "")


def fit_of(run: Run) -> DelayFit | None:
    """The fit that a curve was kept with, or None."""
    try:
        return DelayFit(**run.result["fit"]) if run.result.get("fit") else None
    except TypeError:
        return None  # kept by another version


def _again(run: Run, result: measure.Measurement) -> str:
    """Whether a result computed now is the one that was kept."""
    start = f"Computed again from the recording by sparkwitness {__version__} for this page: "
    if logbook.canonical(result.to_dict()) == run.result_text:
        return start + "the same to the last bit."
    old = run.result.get("timing_deg_btdc")
    if result.timing is None or old is None:
        moved = "the timing is there in only one of them"
    else:
        moved = f"the timing differs by {result.timing - old:.2g}°"
    return (
        f"{start}NOT the same to the last bit; {moved}. `sparkwitness logbook recompute` lists "
        "what differs."
    )


def transient(path: Path) -> Run:
    """A run made of a recording that is not in the logbook.

    Raises:
        UserError: it cannot be read, or does not say what was typed.
    """
    recording = Recording(path)
    if recording.setup is None:
        raise UserError(
            f"{path} does not say what was typed: measure from it first "
            "(`sparkwitness measure --from`), then report on that run"
        )
    setup = Setup.from_dict(recording.setup)
    result = logbook.replay(path, setup)
    digest, _ = logbook.hash_of(path)
    plain = result.to_dict()
    return Run(
        0, "measurement", str(recording.header.get("utc_start", "")),
        f"replay of {recording.source}",
        logbook.headline(result), None, None, path.resolve(), digest, setup.to_dict(),
        json.loads(logbook.canonical(plain)), logbook.canonical(plain), __version__,
        wire.PROTOCOL, recording.header.get("board"),
    )  # fmt: skip


def pdf(html: str, paper: str = "a4") -> bytes:
    """The page as tagged PDF (PDF/UA-1, ISO 14289-1), which a screen reader can follow.

    Args:
        html: of `page`.
        paper: one of `PAPERS`.

    Raises:
        UserError: weasyprint, or the Pango library that it needs, is not installed.
    """
    try:
        weasyprint = needed("weasyprint", "pdf")
        size = weasyprint.CSS(string=f"@page {{ size: {paper} }}")
        made: bytes = weasyprint.HTML(string=html).write_pdf(
            stylesheets=[size], pdf_variant="pdf/ua-1"
        )
    except OSError as error:
        raise UserError(
            f"a PDF needs the Pango library ({error.__class__.__name__}): on Debian `apt-get "
            "install libpango-1.0-0 libpangoft2-1.0-0`; or print the page from a browser"
        ) from None
    return made


# Parts of the page


def _number(run: Run) -> str:
    return f"run {run.id}" if run.id else "from a recording"


def _head(run: Run, by: str | None) -> str:
    about = [run.engine and f"Engine: {run.engine}", run.module and f"Module: {run.module}"]
    when = run.made
    try:
        moment = datetime.fromisoformat(run.made)
        when = f"{moment:%Y-%m-%d %H:%M} UTC"
        if moment.astimezone().utcoffset():
            when += f" ({moment.astimezone():%H:%M %Z} here)"
    except ValueError:
        pass
    lines = [" · ".join(a for a in about if a), f"{when} · {_number(run)}"]
    if by:
        lines.append(f"Measured by {by}")
    said = "".join(f"<p>{escape(line)}</p>" for line in lines if line)
    if SIMULATED in run.source:
        said += f'<div class="simulated">No engine: {escape(run.source)}</div>'
    return f"<header><h1>{_TITLES[run.kind]}</h1>{said}</header>"


def _answer(name: str, value: str, more: str) -> str:
    return (
        f'<div class="answer"><div class="name">{escape(name)}</div>'
        f'<div class="value">{value}</div><div class="more">{escape(more)}</div></div>'
    )


def _answers(run: Run) -> str:
    r = run.result
    timing, expanded = r.get("timing_deg_btdc"), r.get("timing_expanded_deg")
    if timing is None or expanded is None:
        return f'<p class="verdict"><strong>No timing:</strong> {escape(run.headline)}</p>'
    side = "BTDC" if timing >= 0 else "ATDC"
    where = where_page.answers(r["split"]) if r.get("split") else []
    speed = show.plus_minus(r["rpm"], r["rpm_expanded"], " rpm") if r.get("rpm") else ""
    codes = {f.get("code") for f in r.get("findings", [])}
    if "ambiguous" in codes and r.get("modulo_deg"):
        side += f", or that ± k · {r['modulo_deg']:.4g}°"
    cards = [
        *(_answer(*card) for card in where),
        _answer(
            "True timing of the first spark",
            f"{abs(timing):.2f}° <small>± {expanded:.2f}° {side}</small>",
            f"at {speed}",
        ),
    ]
    error, commanded = r.get("error_deg"), r.get("commanded_deg_btdc")
    if error is not None and commanded is not None:
        cards.append(
            _answer(
                "Error against the commanded value",
                f"{error:+.2f}° <small>± {expanded:.2f}°</small>".replace("-", "−"),
                f"commanded {show.angle(commanded)}",
            )
        )
    tip, setup = r.get("advice"), run.setup or {}
    if tip is not None:
        unit = f"{setup.get('counts', 'crank')} degrees"
        exact = f"{tip['exact']:.2f} ± {tip['expanded']:.2f}"
        more = f"now {setup.get('setting'):g}; unrounded {exact} {unit}"
        cards.append(_answer("Next setting to enter", f"{tip['setting']:g}", more))
    verdict = _verdict(error, expanded, tip)
    if error is None and commanded is not None:
        verdict = "No error is shown before it is settled which of these angles it is."
    if r.get("advice_allowed") is False:
        verdict += " Do not set anything by it before what is said below is checked."
    return f'<div class="answers">{"".join(cards)}</div><p class="verdict">{escape(verdict)}</p>'


def _verdict(error: float | None, expanded: float, tip: dict[str, Any] | None) -> str:
    if error is None:
        return "No commanded value was typed, so there is no error to show."
    if abs(error) <= expanded:
        said = "The spark comes where it is commanded, as far as this measurement can tell."
    else:
        side = "earlier" if error > 0 else "later"
        said = f"The first spark comes {abs(error):.2f}° {side} than commanded."
    if tip is not None and abs(error) > expanded:
        said += (
            f" Entering {tip['setting']:g} should leave {tip['remaining']:+.2f}°".replace("-", "−")
            + f" (one unit of the setting moves the spark {tip['gain']:+g}°)."
        )
    if tip is not None and tip.get("note"):
        said += f" {tip['note'][:1].upper()}{tip['note'][1:]}."
    return said


def _said(run: Run) -> str:
    """The verdict in words, then what was found in a line."""
    lines = bench_page.verdicts(run.result) if run.kind == "bench" else []
    said = "".join(f'<p class="verdict"><strong>{escape(line)}</strong></p>' for line in lines)
    return f'{said}<p class="verdict">{escape(run.headline)}</p>'


def _checks(run: Run) -> str:
    """What the verdicts rest on, a row per check."""
    made = []
    for title, rows in bench_page.checks(run.result):
        top = "".join(f"<th>{escape(head)}</th>" for head in bench_page.CHECK_HEADS)
        body = "".join(
            "<tr>" + "".join(f"<td>{escape(cell)}</td>" for cell in row) + "</tr>" for row in rows
        )
        table = f"<table><thead><tr>{top}</tr></thead><tbody>{body}</tbody></table>"
        made.append(_section(title, f'<div class="scroll" tabindex="0">{table}</div>'))
    return "".join(made)


def _cautions(kind: str) -> str:
    lines = [line for text in (*_CAUTIONS[kind], safety.DEFER) for line in text.split("\n")]
    said = "".join(f"<p>{escape(line)}</p>" for line in lines)
    return (
        f'<section class="cautions" aria-label="Cautions"><strong>Before anyone goes near it'
        f"</strong>{said}</section>"
    )


def _section(title: str, inside: str) -> str:
    return f"<section><h2>{escape(title)}</h2>{inside}</section>" if inside else ""


def _list(title: str, lines: list[str]) -> str:
    items = "".join(f"<li>{escape(line[:1].upper() + line[1:])}</li>" for line in lines)
    return _section(title, f"<ul>{items}</ul>" if items else "")


def _pairs(title: str, rows: list[tuple[str, str]]) -> str:
    inside = "".join(
        f'<tr><th scope="row">{escape(name)}</th><td>{escape(text)}</td></tr>'
        for name, text in rows
        if text
    )
    return _section(title, f'<table class="pairs">{inside}</table>' if inside else "")


def _conditions(found: dict[str, Any] | None) -> str:
    if not found:
        return ""
    top = "".join(f'<th class="number">{escape(head)}</th>' for head in conditions_text.HEADS)
    body = "".join(
        "<tr>" + "".join(f'<td class="number">{escape(cell)}</td>' for cell in row) + "</tr>"
        for row in conditions_text.cells(found)
    )
    words = "".join(f"<p>{escape(line)}.</p>" for line in conditions_text.words(found))
    table = f'<table class="points"><thead><tr>{top}</tr></thead><tbody>{body}</tbody></table>'
    return _section("By condition", f'<div class="scroll" tabindex="0">{table}</div>{words}')


def _plots(told: Told) -> str:
    if not told.plots:
        return _section("Plots", f"<p>{escape(told.without)}</p>" if told.without else "")
    drawn: dict[bool, str] = {False: "", True: ""}
    for plot in told.plots:
        data = base64.b64encode(plot.svg.encode()).decode()
        focus = ' tabindex="0"' if plot.wide else ""  # it scrolls sideways on a narrow screen
        drawn[plot.wide] += (
            f'<figure{focus}><img src="data:image/svg+xml;base64,{data}" '
            f'alt="{escape(f"{plot.title}. {plot.words}")}">'
            f"<figcaption><strong>{escape(plot.title)}</strong>{escape(plot.words)}</figcaption>"
            "</figure>"
        )
    kinds = (("plots", drawn[False]), ("plots wide", drawn[True]))
    inside = "".join(f'<div class="{kind}">{figures}</div>' for kind, figures in kinds if figures)
    return _section("Plots", inside)


_POINT_COLUMNS = (
    ("delay_us", "delay, µs"),
    ("sparks_per_event_mean", "sparks per event"),
    ("spark_spacing_us", "between sparks, µs"),
    ("burst_duration_us", "burst, µs"),
)


def _points(run: Run) -> str:
    """The speeds of a curve or a bench test, a row each."""
    points = run.result.get("points") or []
    rows: list[list[str]] = []
    if run.kind == "curve":
        heads = ["speed, rpm", "timing, ° BTDC", "error, °", "scatter, °", "events", "sparks",
                 "rising less falling, °"]  # fmt: skip
        for b in run.result.get("bins") or []:
            values = [(b["timing"], b["expanded"]), (b["error"], b["expanded"])]
            cells = ["" if v is None else show.plus_minus(v, u) for v, u in values]
            gap = b["hysteresis"]
            rows.append([
                f"{b['rpm']:.0f}", *cells, f"{b['scatter']:.2f}", str(b["events"]),
                "" if b["sparks"] is None else f"{b['sparks']:.2f}",
                "" if gap is None else show.plus_minus(gap, b["u_hysteresis"]),
            ])  # fmt: skip
    elif run.kind == "bench":
        heads = ["speed set, rpm", "triggers", "drop-outs", "doubles"]
        heads += [head for _, head in _POINT_COLUMNS]
        for p in points:
            cells = [f"{p['rpm_set']:g}", str(p["triggers"]), str(p["drop_outs"]),
                     str(p["double_events"])]  # fmt: skip
            for key, _ in _POINT_COLUMNS:
                q = p.get(key)
                cells.append(show.plus_minus(q["mean"], sweep_plots.half_of(q, key)) if q else "")
            rows.append(cells)
    if not rows:
        return ""
    top = "".join(f'<th class="number">{escape(h)}</th>' for h in heads)
    body = "".join(
        "<tr>" + "".join(f'<td class="number">{escape(c)}</td>' for c in row) + "</tr>"
        for row in rows
    )
    table = f'<table class="points"><thead><tr>{top}</tr></thead><tbody>{body}</tbody></table>'
    return _section("Speed by speed", f'<div class="scroll" tabindex="0">{table}</div>')


def _fit(run: Run) -> str:
    """What a curve's errors say: fixed angle, delay, and what to do."""
    found = fit_of(run)
    if found is None:
        return ""
    rows = [
        ("Fixed angle", f"{found.fixed:+.2f}° ± {found.u_fixed:.2f}° (95 %)"),
        ("Delay", show.plus_minus(found.delay_us, found.u_delay_us, " µs") + " (95 %)"),
        *([("With speed", told)] if (told := trend(found)) else []),
        ("Correlation of the two", f"{found.correlation:.2f}"),
        (
            "Scatter about the line",
            f"{found.spread:.1f} times the spread expected from the points' own uncertainties",
        ),
        ("What to do", recommend(found)),
    ]
    return _pairs("Fixed angle and delay", rows)


def _budget(budget: dict[str, Any] | None) -> str:
    if not budget:
        return ""
    total = sum(line["u"] ** 2 for line in budget["components"]) or 1.0
    rows = "".join(
        f"<tr><td>{escape(line['name'])}</td><td>{escape(line['kind'])}</td>"
        f'<td class="number">{line["u"]:.4f}°</td><td>{escape(line["note"])}</td>'
        f'<td class="share"><div class="bar" style="width:{100 * line["u"] ** 2 / total:.1f}%">'
        "</div></td></tr>"
        for line in budget["components"]
    )
    factor = budget["coverage_factor"]
    return _section(
        "Uncertainty of the timing",
        "<table><thead><tr><th>from</th><th>type</th>"
        '<th class="number">standard u</th><th>because</th><th class="share">share of u²</th></tr>'
        f'</thead><tbody>{rows}<tr class="total"><td>expanded U</td><td></td>'
        f'<td class="number">{budget["expanded_deg"]:.4f}°</td>'
        f"<td>k = {factor:g}: {factor:g} times the combined {budget['u_deg']:.4f}°</td>"
        '<td class="share"></td></tr></tbody></table>'
        "<p>In crank degrees, after the GUM (JCGM 100:2008). Type A comes from the scatter of this "
        "run, type B from elsewhere. What was typed wrongly is not in it.</p>",
    )


def _engine(run: Run) -> str:
    r = run.result
    rows = [("Events used", f"{r.get('events')}, first sparks at steady speed")]
    if r.get("scatter_deg") is not None:
        rows.append(("Scatter of the first spark", f"{r['scatter_deg']:.2f}° (standard deviation)"))
    if r.get("sparks_per_event"):
        counts = {int(k): v for k, v in r["sparks_per_event"].items()}
        rows.append(("Sparks per event", show.sparks(counts)))
    for key, name in (("spark_spacing", "Between sparks"), ("burst_duration", "Length of a burst")):
        if r.get(f"{key}_us") is not None:
            text = show.plus_minus(r[f"{key}_us"], r[f"{key}_expanded_us"], " µs")
            degrees = 6e-6 * (r.get("rpm") or 0) * r[f"{key}_us"]
            rows.append((name, f"{text} ({degrees:.1f}° of crank)"))
    if r.get("event_spacing_deg") is not None:
        rows.append(("Events at the clamp", f"one every {r['event_spacing_deg']:g}° of crank"))
    if r.get("supply_least_mv") is not None:
        rows.append(("Supply", f"lowest {r['supply_least_mv'] / 1000:.1f} V (± 3 %, divider)"))
    return _pairs("Engine and sparks", rows)


def _setup(run: Run) -> str:
    if run.setup is None:
        return ""
    s = Setup.from_dict(run.setup)
    reference: Reference = s.reference
    delay = s.delay(float(run.result.get("rpm") or 0))
    rows = [
        (
            "Crank reference",
            f"{reference} at {reference.angle:g}° BTDC, ± {2 * reference.u_angle:.2g}° as typed",
        ),
        ("Controller locked at", "" if s.commanded is None else show.angle(s.commanded)),
        ("Engine", f"{s.cylinders} cylinders, {s.strokes}-stroke"),
        ("Clamp", f"{CLAMPS[s.clamp]} ({s.clamp_input.replace('_', ' ')})"),
        (
            "Controller's setting",
            ""
            if s.setting is None
            else f"{s.setting:g}, counted in {s.counts} degrees; a larger one "
            f"{'retards' if s.retards else 'advances'} the spark",
        ),
        ("Its steps", f"{s.step:g}" if s.step else "any value"),
        ("Wanted uncertainty", f"± {s.target:g}°"),
        ("Edges refused as ringing", f"sooner than {s.dead_time_us:g} µs after the one before"),
        (
            "Clamp's delay less the crank's",
            f"{delay.us:.2f} ± {2 * delay.u_us:.2f} µs, taken off (k = 2"
            f"{', simulated conditioners' if s.delay_us is None else ', as typed'})",
        ),
    ]
    return _pairs("Set-up, as typed", rows)


def _left_out(r: dict[str, Any]) -> str:
    counts = (
        ("firings_missing", f"firings without a spark, of {r.get('firings_expected', 0)}"),
        ("events_stray", "stray events, far from the rest"),
        ("events_cut", "events whose beginning was not seen"),
        ("events_at_other_speed", "events at another speed"),
        ("sparks_without_crank_angle", "sparks while the crank angle was not known"),
        ("edges_ringing", "edges refused as ringing"),
        ("crank_edges_rejected", "crank edges that do not fit the wheel"),
    )
    rows = [("Not counted", f"{r[key]} {text}") for key, text in counts if r.get(key)]
    rows = [(name if k == 0 else "", text) for k, (name, text) in enumerate(rows)]
    rows = rows or [("Not counted", "nothing")]
    loss = r.get("loss")
    if loss is not None:
        rows.append(("Lost on the way", show.loss(Loss(**loss))))
    inside = "".join(
        f'<tr><th scope="row">{escape(name)}</th><td>{escape(text)}</td></tr>'
        for name, text in rows
    )
    return _section("Lost or not counted", f'<table class="pairs">{inside}</table>')


def _trials(run: Run, trials: list[KeptTrial]) -> str:
    if len(trials) < 2 or run.setup is None:
        return ""
    rows = "".join(
        f"<tr><td>run {t.run}{' (this page)' if t.run == run.id else ''}</td>"
        f'<td class="number">{t.setting:g}</td>'
        f'<td class="number">{escape(show.plus_minus(t.error, 2 * t.u_error, "°"))}</td></tr>'
        for t in trials
    )
    setup = Setup.from_dict(run.setup)
    learned = advice.learn_gain(
        [advice.Trial(t.setting, t.error, t.u_error) for t in trials], setup.stated_gain
    )
    return _section(
        "Trials of the setting",
        '<table><thead><tr><th>trial</th><th class="number">setting</th>'
        f'<th class="number">error</th></tr></thead><tbody>{rows}</tbody></table>'
        f"<p>{escape(learned.note[:1].upper() + learned.note[1:])}.</p>",
    )


def _origin(run: Run, told: Told) -> str:
    board = run.board or {}
    firmware = ".".join(map(str, board.get("firmware", []))) or "not known"
    rows = [
        ("Computed by", f"sparkwitness {run.software}, protocol {run.protocol}"),
        (
            "Board",
            f"{board.get('board', '')} firmware {firmware}, id {board.get('uid', '')}, "
            f"one tick {board.get('tick_ps', 0) / 1000:g} ns"
            if board
            else "not known",
        ),
        ("Source", run.source),
        ("Recording", str(run.recording) if run.recording else "none was kept"),
    ]
    inside = "".join(
        f'<tr><th scope="row">{escape(n)}</th><td>{escape(t)}</td></tr>' for n, t in rows
    )
    if run.sha256:
        inside += (
            f'<tr><th scope="row">Its SHA-256</th><td class="hash">{escape(run.sha256)}</td></tr>'
        )
    if told.again:
        inside += f'<tr><th scope="row">Check</th><td>{escape(told.again)}</td></tr>'
    return _section("Where it comes from", f'<table class="pairs">{inside}</table>')


def _signature(by: str | None) -> str:
    return (
        f'<div class="sign"><div>Measured by{f": {escape(by)}" if by else ""}</div>'
        "<div>Vehicle</div><div>Date, signature</div></div>"
    )
