"""A case as one self-contained page: the symptom, each step, and what was proved."""

from pathlib import Path
from string import Template

from sparkwitness import __version__
from sparkwitness.faces import safety
from sparkwitness.foreign import html as escape
from sparkwitness.records import cases
from sparkwitness.records.logbook import Run


def page(case: cases.Case, runs: dict[int, Run]) -> str:
    """HTML text that needs nothing else."""
    title = f"Case {case.id}: {case.symptom}"
    engine = f"<p>Engine: {escape(case.engine)}</p>" if case.engine else ""
    simulated = sorted({r.source for r in runs.values() if r.source.startswith("simulated")})
    warned = (
        f'<p class="simulated">No engine: {escape(", ".join(simulated))}</p>' if simulated else ""
    )
    without = cases.left_out(case)
    gaps = f"<p>Left out: {escape(', '.join(without))}.</p>" if without else ""
    body = [
        f"<header><h1>{escape(title)}</h1>{engine}",
        f"<p>{_when(case.made)} UTC</p>{warned}</header>",
        f'<p class="verdict">{escape(cases.verdict(case, runs))}</p>{gaps}',
        _cautions(),
        "<section><h2>Steps</h2><table><thead><tr><th>when (UTC)</th><th>step</th><th>outcome</th>"
        "<th>what was said and found</th></tr></thead><tbody>",
        *(_row(done, runs) for done in case.steps),
        "</tbody></table></section>",
        _timing(case, runs),
    ]
    step = cases.next_step(case)
    if step is not None:
        body.append(f"<section><h2>Next</h2><p>{escape(step.ask)}</p></section>")
    template = Template(Path(__file__).with_name("report.html").read_text(encoding="utf-8"))
    return template.substitute(
        generator=f"sparkwitness {__version__}", title=escape(title), body="\n".join(body)
    )


def _row(done: cases.Done, runs: dict[int, Run]) -> str:
    found = "" if done.run is None else f"run {done.run}: {runs[done.run].headline}"
    said = "<br>".join(escape(text) for text in (done.text, found) if text)
    cells = (_when(done.made), escape(done.step), escape(done.outcome), said)
    return f"<tr>{''.join(f'<td>{cell}</td>' for cell in cells)}</tr>"


def _when(made: str) -> str:
    return escape(made[:16].replace("T", " "))


def _timing(case: cases.Case, runs: dict[int, Run]) -> str:
    """The measurements side by side: the error went, or it did not."""
    rows = []
    for done in case.steps:
        if done.run is None or runs[done.run].kind != "measurement":
            continue
        result, setup = runs[done.run].result, runs[done.run].setup or {}
        u = result.get("error_expanded_deg")
        error = result.get("error_deg")
        told = "not known" if error is None or u is None else f"{error:+.2f}° ± {u:.2f}°"
        setting = setup.get("setting")
        cells = (
            f"run {done.run}", done.step, "" if setting is None else f"{setting:g}", told,
        )  # fmt: skip
        rows.append(f"<tr>{''.join(f'<td>{escape(cell)}</td>' for cell in cells)}</tr>")
    if not rows:
        return ""
    return (
        "<section><h2>Timing</h2><table><thead><tr><th>run</th><th>step</th><th>setting</th>"
        f"<th>error against the commanded angle</th></tr></thead><tbody>{''.join(rows)}</tbody>"
        "</table></section>"
    )


def _cautions() -> str:
    lines = [*safety.RUNNING_ENGINE.split("\n"), safety.DEFER]
    said = "".join(f"<p>{escape(line)}</p>" for line in lines)
    return (
        '<section class="cautions" aria-label="Cautions"><strong>Before anyone goes near it'
        f"</strong>{said}</section>"
    )
