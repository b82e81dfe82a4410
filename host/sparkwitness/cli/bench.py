"""`sparkwitness bench`: test a removed ignition module."""

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import Any

import click
from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

from sparkwitness.bench import (
    conditions,
)
from sparkwitness.bench import (
    evaluate as bench,
)
from sparkwitness.bench import (
    plan as bench_plan,
)
from sparkwitness.bench import (
    run as bench_run,
)
from sparkwitness.bench import (
    verdict as bench_verdict,
)
from sparkwitness.bench.claim import Claim, check_claim
from sparkwitness.bench.plan import Plan
from sparkwitness.bench.result import Result
from sparkwitness.bench.shots import Collector
from sparkwitness.cli import ask as asking
from sparkwitness.cli import bench_typed, codes, options, printing, sources
from sparkwitness.cli import keeping as keep
from sparkwitness.decode.recording import MEASURED, Recording
from sparkwitness.device import link
from sparkwitness.errors import UserError, new_file
from sparkwitness.faces import bench_text as bench_show
from sparkwitness.faces import conditions_text, safety
from sparkwitness.faces import text as show
from sparkwitness.faces.console import Console, consoles
from sparkwitness.records.logbook import Logbook
from sparkwitness.timing import conditioner

_SPACING_US, _WINDOW_DEG = 1000.0, 20.0  # common practice, no source
_REPEATS = 3  # fewer cannot tell heat from speed
_FILE = click.Path(path_type=Path)


@click.group(invoke_without_command=True)
@options.source
@click.option(
    "--plan", "plan_file", type=_FILE, help="TOML plan; command-line options override it."
)
@click.option("--kind", type=click.Choice(list(bench_plan.KINDS)), help="Principle of the module.")
@click.option("--active", type=click.Choice(["high", "low"]), help="Active level of the pulse.")
@click.option(
    "--fires-at",
    type=click.Choice(["start", "end"]),
    help="Edge of the pulse that fires a capacitive module. Default: start.",
)
@click.option("--width", type=options.NUMBER, help="Dwell or pulse width, µs.")
@click.option("--cylinders", type=int, help="Firings per working cycle.")
@click.option("--strokes", type=int, help="4 or 2.")
@click.option("--steps", help="Speeds held: 500,1000,3000 or 1000:6000:500; none: no steps.")
@click.option("--seconds", type=options.NUMBER, help="How long each is held.")
@click.option(
    "--repeats", type=int, help="Times that each speed is driven, up and down. Default: 3."
)
@click.option(
    "--ramp", "ramps", multiple=True, help="FROM:TO:SECONDS; may be repeated; none: no ramps."
)
@click.option("--soak", type=options.NUMBER, help="Minutes to hold one speed at the end.")
@click.option("--soak-rpm", type=options.NUMBER, help="Soak speed, rpm.")
@click.option("--clamp-input", type=click.Choice(["clamp_a", "clamp_b"]), help="Clamp to use.")
@click.option(
    "--clamp-falling", is_flag=True, default=None, help="Stamp that clamp's falling edge."
)
@click.option("--dead-time", type=options.NUMBER, help="Edges sooner than this are ringing, µs.")
@click.option(
    "--limit",
    "limits",
    multiple=True,
    help="NAME=LEAST:MOST, either may be left out. Names: " + ", ".join(bench_plan.QUANTITIES),
)
@click.option(
    "--margin",
    "margins",
    multiple=True,
    help="NAME=VALUE: a difference that does not matter. Names: "
    + ", ".join(bench_plan.DEFAULT_MARGINS),
)
@click.option("--record", type=_FILE, help="Keep the run: the bytes as received, and the plan.")
@click.option("--resume", type=_FILE, help="Continue a kept run that was cut short.")
@click.option("--from", "from_file", type=_FILE, help="Evaluate a kept run again.")
@click.option("--against", type=_FILE, help="Compare with the kept run of a good module.")
@click.option(
    "--beside",
    "beside_files",
    type=_FILE,
    multiple=True,
    help="Kept run of the same module under another dwell, supply or temperature: shows what each "
    "does to the delay. May be repeated.",
)
@click.option("--supply", type=options.NUMBER, help="Module's supply, V, where not measured.")
@click.option("--temperature", type=options.NUMBER, help="Module's temperature, °C.")
@click.option("--claim", help="SPARKS@RPM: weigh a claim of so many sparks per revolution.")
@click.option("--claim-only", is_flag=True, help="Weigh the claim only, without a board.")
@click.option("--points", type=_FILE, help="Write a CSV file with one row per speed.")
@click.option("--shots", type=_FILE, help="Write a CSV file with one row per trigger.")
@options.yes
@options.as_json
@keep.options
def command(
    port: str | None,
    simulate: str | None,
    patience: float,
    plan_file: Path | None,
    record: Path | None,
    resume: Path | None,
    from_file: Path | None,
    against: Path | None,
    beside_files: tuple[Path, ...],
    claim: str | None,
    claim_only: bool,
    points: Path | None,
    shots: Path | None,
    yes: bool,
    as_json: bool,
    keeping: keep.Keeping,
    **typed: Any,
) -> None:
    """Test a removed ignition module: is it good, and is it as good as another?

    The board drives the module's trigger and listens with the clamp on the coil lead. Connect the
    bench output to the module and to the board's trigger input. Nothing is driven before the
    cautions are confirmed.

    Exit codes: 0 all measured and, where asked, within the limits or the same; 3 nothing measured;
    4 outside the limits or different; 5 cut short, or no verdict is possible.

    A simulated module: --simulate inductive, capacitive, slow, dying, dead, limiter or ringing.
    `sparkwitness bench plan` writes a plan with comments, to edit and to give with --plan.
    """
    if click.get_current_context().invoked_subcommand is not None:
        return
    if sum(x is not None for x in (from_file, resume)) > 1 or (from_file and (simulate or port)):
        raise UserError("give one of --from, --resume, and a board to drive")
    out, beside = consoles(as_json)
    weigh = bench_typed.claim(claim) if claim else None
    if claim_only:
        if weigh is None:
            raise UserError("--claim-only needs a claim, such as --claim 9@2000")
        _only_claim(out, weigh, _plan(plan_file, typed, {}, beside, ask=False), as_json)
        return
    for path in (points, shots):
        if path is not None and path.exists():
            raise UserError(f"{path} already exists; choose another name")
    good = bench_run.load(against) if against else None
    others = [(path.name, bench_run.load(path).result) for path in beside_files]
    keeping.book(beside)
    job = _Job(out, beside, as_json, patience, yes)
    if from_file is not None:
        if record is not None:
            raise UserError("--record makes no sense with --from: it is a kept run already")
        stored = bench_run.load(from_file)
        job.plan, job.parts = _judged_by(stored.plan, plan_file, typed), stored.parts
        job.kept = stored.paths[-1]
        job.source = f"replay of {Recording(job.kept).source}"
    else:
        where = None if resume else keeping.recording(record, beside)
        _run(job, keeping, port, simulate, plan_file, typed, record, where, resume)
    result = bench.evaluate(job.plan, job.parts)
    verdicts = [bench_verdict.against_limits(result)]
    if good is not None and against is not None:
        verdicts.append(bench_verdict.against_run(result, good.result, against.name))
    told = [v for v in verdicts if v is not None]
    weighed = _weigh(weigh, result) if weigh else None
    name = job.kept.name if job.kept else "this run"
    compared = conditions.compare([(name, result), *others]) if others else None
    try:
        if not as_json:
            _report(job, result, told, weighed, compared)
    finally:  # kept as well where the screen takes nothing
        run = keeping.keep(
            beside, Logbook.keep, "bench", bench_show.headline(result, told),
            _plain(result, told, compared), job.plan.to_dict(),
            recording=job.kept, source=job.source,
        )  # fmt: skip
    if as_json:
        _json(job, _plain(result, told, compared), weighed, run)
    _end(job, result, run, live=from_file is None and not keeping.broken)
    if points is not None:
        bench_show.write_points(points, result)
    if shots is not None:
        bench_show.write_shots(shots, result)
    sys.exit(_code(job, result, told))


@command.command("plan")
@click.argument("file", type=_FILE, default=Path("plan.toml"))
@click.option("--kind", type=click.Choice(list(bench_plan.KINDS)), default="inductive",
              show_default=True, help="Principle of the module.")  # fmt: skip
def write_plan(file: Path, kind: str) -> None:
    """Write a plan with comments to FILE (default: plan.toml), to edit and give with --plan."""
    text = bench_plan.sample(kind)
    with new_file(file) as out:
        out.write(text)
    click.echo(f"{file}: edit it, then `sparkwitness bench --plan {file}`")


@dataclass
class _Job:
    """What the parts of the command share."""

    out: Console
    beside: Console
    as_json: bool
    patience: float
    yes: bool
    plan: Plan = field(default_factory=Plan)
    parts: list[Collector] = field(default_factory=list)
    why: str = ""
    hopeless: bool = False
    kept: Path | None = None
    first: Path | None = None
    source: str = MEASURED


def _code(job: _Job, result: Result, told: list[bench_verdict.Verdict]) -> int:
    if not result.answered:
        return codes.NOTHING
    verdicts = {v.overall for v in told}
    if verdicts & {bench_verdict.OUTSIDE, bench_verdict.DIFFERS}:
        return codes.BAD_NEWS
    if job.why or result.missing:
        return codes.NOT_SURE
    return codes.NOT_SURE if bench_verdict.UNKNOWN in verdicts else 0


def _run(
    job: _Job,
    keeping: keep.Keeping,
    port: str | None,
    simulate: str | None,
    plan_file: Path | None,
    typed: dict[str, Any],
    typed_record: Path | None,
    record: Path | None,
    resume: Path | None,
) -> None:
    """Drive what is to be driven, on a live board; keep the bytes in `record`."""
    order: list[tuple[int, float]] | None = None
    if resume is not None:
        if typed_record is not None:
            raise UserError("--resume keeps its recording beside the first: leave --record out")
        stored = bench_run.load(resume)
        job.plan, job.parts, record = stored.plan, stored.parts, stored.next_path
        order, job.first = stored.remaining, stored.paths[0]
        if not order:
            raise UserError(f"{resume} is complete: evaluate it with --from")
    interactive = sys.stdin.isatty() and not job.as_json
    defaults = _simulated(simulate)
    if order is None:
        ask = interactive and simulate is None and plan_file is None
        job.plan = _plan(plan_file, typed, defaults, job.beside, ask)
        order = bench.remaining(job.plan, [])
    elif any(v is not None and v != () for v in typed.values()):
        raise UserError("--resume takes the plan from the kept run: leave the other options out")
    if record is not None and record.exists():
        raise UserError(f"{record} already exists; choose another name")
    seconds = sum(s + 2 * bench_plan.SETTLE_S for _, s in order)
    job.beside.print(bench_show.plan(job.plan, seconds))
    if simulate is None:
        safety.show(job.beside, safety.LIVE_MODULE)
        if not job.yes:
            if not interactive:
                raise UserError(
                    "nothing is driven before the cautions are confirmed: run this in a terminal, "
                    "or give --yes"
                )
            asking.cautions_taken(
                "Have you read this and taken the precautions? The module is driven next"
            )
    with (
        sources.board(_full_name(simulate), port) as source,
        link.Link(source.port, job.patience) as board,
    ):
        job.plan.check_board(board.hello)
        recorder = keeping.recorder(
            job.beside, record, board.hello, bench_run.setup_of(job.plan, order), source.name
        )
        with _progress(job.beside) as watch:
            ending = bench_run.run(
                board, job.plan, order, recorder, watch, partial(keeping.unrecorded, job.beside)
            )
    job.parts = [*job.parts, ending.collector]
    job.why, job.hopeless, job.kept = ending.why, ending.hopeless, record
    job.source = source.name


@contextmanager
def _progress(console: Console) -> Iterator[Callable[[bench_run.Progress], None]]:
    columns = (
        TextColumn("{task.description}"), BarColumn(bar_width=20), TimeRemainingColumn(),
        TextColumn("{task.fields[seen]}"),
    )  # fmt: skip
    if not console.is_terminal:
        yield lambda _: None
        return
    with Progress(*columns, console=console, transient=True) as bar:
        task = bar.add_task("starting", total=None, seen="")

        def watch(now: bench_run.Progress) -> None:
            bar.update(
                task, description=f"{now.name:>18}", completed=now.done_s, total=now.total_s,
                seen=f"{now.triggers} triggers, {now.sparks} sparks",
            )  # fmt: skip

        yield watch


def _full_name(simulate: str | None) -> str | None:
    """A simulated module's name may be given without its prefix."""
    if simulate is None:
        return None
    from sparkwitness.simulator import scenario

    return f"bench-{simulate}" if f"bench-{simulate}" in scenario.names() else simulate


def _simulated(simulate: str | None) -> dict[str, Any]:
    """What the person at a simulated bench would type."""
    if simulate is None:
        return {}
    from sparkwitness.simulator import scenario

    loaded = scenario.load(_full_name(simulate) or "")
    if loaded.kind != "bench":
        known = ", ".join(n.removeprefix("bench-") for n in scenario.names("bench"))
        raise UserError(f"{simulate} is an engine, not a module on the bench; choose from {known}")
    setup = loaded.setup
    return {
        "title": loaded.title,
        "kind": "capacitive" if setup.trigger_edge == "rising" else "inductive",
        "width_us": setup.width_us,
        "cylinders": setup.cylinders,
        "strokes": setup.strokes,
    }


def _plan(
    path: Path | None, typed: dict[str, Any], defaults: dict[str, Any], beside: Console, ask: bool
) -> Plan:
    """Defaults, then the file, then what was typed; what is still open is asked for."""
    values = {**defaults, **(bench_plan.load(path) if path else {})}
    values.update(bench_typed.values(typed, values))
    values.setdefault("repeats", _REPEATS)
    if ask:
        beside.print("What is on the bench? (Enter takes what is in brackets.)")
        _ask(values)
    if "u_clamp_delay_us" not in values and "kind" in values and not defaults:
        # A real clamp: its path's delay as the conditioner's simulation has it.
        late = conditioner.delay(f"clamp_{values['kind']}")
        values.setdefault("clamp_delay_us", late.us)
        values["u_clamp_delay_us"] = late.u_us
    return Plan.from_dict(values, str(path) if path else "the plan")


def _ask(values: dict[str, Any]) -> None:
    """What the plan cannot do without, asked for where it is not there yet."""

    def ask(name: str, text: str, kind: Any, default: Any) -> None:
        if name not in values:
            values[name] = asking.question(text, kind, default)

    ask("kind", "Principle", click.Choice(list(bench_plan.KINDS)), "inductive")
    inductive = values["kind"] == "inductive"
    ask("active", "Active level of the trigger pulse", click.Choice(["high", "low"]), "high")
    if not inductive:
        ask("fires_at", "It fires at the pulse's", click.Choice(["start", "end"]), "start")
    text = "Dwell, µs" if inductive else "Pulse width, µs"
    ask("width_us", text, options.NUMBER, 3000.0 if inductive else 1000.0)
    ask("cylinders", "Firings per working cycle (cylinders)", int, 4)


def _judged_by(plan: Plan, path: Path | None, typed: dict[str, Any]) -> Plan:
    """A kept run's plan, with limits and margins typed now."""
    stored = plan.to_dict()
    given = {**(bench_plan.load(path) if path else {}), **bench_typed.values(typed, stored)}
    for name in given:
        if name not in ("limits", "margins", "supply_v", "temperature_c"):
            raise UserError(
                f"{name.replace('_', ' ')} is fixed in a kept run: with --from only limits, "
                "margins, supply and temperature can be given"
            )
    return Plan.from_dict({**stored, **given})


def _weigh(claim: tuple[float, float], result: Result) -> tuple[Claim, bool]:
    """The claim, weighed with spacing and window as measured where they were."""
    spacings = [p.spacing_us.value for p in result.points if p.spacing_us]
    window = result.sweep.window_deg
    measured = bool(spacings and window)
    spacing = sum(spacings) / len(spacings) if spacings and window else _SPACING_US
    degrees = window[1] if spacings and window else _WINDOW_DEG
    return check_claim(*claim, result.plan.pitch_deg, spacing, degrees), measured


def _only_claim(out: Console, claim: tuple[float, float], plan: Plan, as_json: bool) -> None:
    found = check_claim(*claim, plan.pitch_deg, _SPACING_US, _WINDOW_DEG)
    if as_json:
        printing.answer("bench --claim-only", found.to_dict())
    else:
        out.print(bench_show.claim(found, measured=False))


def _plain(
    result: Result, told: list[bench_verdict.Verdict], compared: conditions.Conditions | None
) -> dict[str, Any]:
    """What is kept and given as JSON."""
    return {
        **result.to_dict(), "verdicts": [v.to_dict() for v in told],
        "conditions": None if compared is None else compared.to_dict(),
    }  # fmt: skip


def _json(
    job: _Job, report: dict[str, Any], claim: tuple[Claim, bool] | None, run: int | None
) -> None:
    report["claim"] = claim[0].to_dict() | {"as_measured": claim[1]} if claim else None
    report["ended_early"] = job.why or None
    report["run"], report["source"] = run, job.source
    printing.answer("bench", report)


def _report(
    job: _Job,
    result: Result,
    told: list[bench_verdict.Verdict],
    claim: tuple[Claim, bool] | None,
    compared: conditions.Conditions | None,
) -> None:
    job.out.print()
    show.origin(job.out, job.source)
    job.out.print(bench_show.result(result))
    for one in told:
        job.out.print()
        job.out.print(bench_show.verdict(one))
    if compared is not None:
        job.out.print()
        job.out.print(conditions_text.table(compared))
    if claim:
        job.out.print()
        job.out.print(bench_show.claim(*claim))


def _end(job: _Job, result: Result, run: int | None, live: bool) -> None:
    if job.why and not job.hopeless:
        job.beside.print(f"! ended early: {job.why}. What is shown was measured before that.")
    if live and job.kept is not None:
        more = result.missing and not job.hopeless
        hint = f"; go on with --resume {job.first or job.kept}" if more else ""
        job.beside.print(f"bytes in {job.kept}{hint}", style="dim", soft_wrap=True)
    if not job.as_json:
        keep.kept(job.out, run)
