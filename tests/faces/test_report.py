"""Reports: self-contained, complete, honest, readable on any screen and on paper."""

import base64
import io
import json
import re
import shutil
import subprocess
import sys
from html.parser import HTMLParser
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import numpy as np
import pypdf
import pytest
from click.testing import CliRunner

from sparkwitness import cli
from sparkwitness.decode import wire
from sparkwitness.decode.recording import Recording
from sparkwitness.errors import UserError
from sparkwitness.faces import cycle_plot, plots, report, safety
from sparkwitness.records import tables
from sparkwitness.records.logbook import KeptTrial, Logbook
from sparkwitness.timing import measure
from sparkwitness.timing.analyzer import Analyzer, Tables
from sparkwitness.timing.gates import Finding
from sparkwitness.timing.setup import Setup
from sparkwitness.timing.timed import Timed, time_events

VOID = {"meta", "img", "br", "hr", "link", "input"}


class Page(HTMLParser):
    """Tags in balance, attributes and text of a page."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.open: list[str] = []
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.texts: list[str] = []
        self.feed(html)
        self.close()
        assert not self.open, f"never closed: {self.open}"

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        if self.open and self.open[-1] not in ("style", "script"):
            self.texts.append(data)

    @property
    def text(self) -> str:
        return " ".join(" ".join(self.texts).split())


def run(*arguments: object, **more):
    return CliRunner().invoke(cli.main, [str(a) for a in arguments], **more)


@pytest.fixture(scope="module")
def book(tmp_path_factory: pytest.TempPathFactory, marine, corrected):
    with Logbook(tmp_path_factory.mktemp("book") / "book.db") as opened:
        first = opened.keep_measurement(
            marine.result, marine.setup, recording=marine.path, engine="Heron", module="<b>new</b>",
            source="simulated: marine-four",
        )  # fmt: skip
        second = opened.keep_measurement(
            corrected.result, corrected.setup, recording=corrected.path
        )
        for number, made in ((first, marine), (second, corrected)):
            u = made.result.expanded / 2
            opened.keep_trial(number, made.setup.setting, made.result.error, u, first)
        opened.note(first, "gap was 0.9 mm & worn")
        yield opened


@pytest.fixture(scope="module")
def html(book, marine) -> str:
    run_1 = book.run(1)
    return report.page(run_1, report.read(run_1, marine.path), book.trials(1), "A. Tester")


def test_a_page_needs_nothing_else_and_is_well_formed(html: str):
    page = Page(html)
    assert page.tags[0][0] == "html" and page.tags[0][1]["lang"] == "en"
    for tag, attributes in page.tags:
        assert tag not in ("script", "link", "iframe", "object")
        for name in ("src", "href"):
            if name in attributes:
                assert str(attributes[name]).startswith("data:")
    style = html[html.index("<style>") : html.index("</style>")]
    assert "url(" not in style and "@import" not in style
    headings = [t for t, _ in page.tags if t in ("h1", "h2", "h3")]
    assert headings[0] == "h1" and headings.count("h1") == 1


def test_a_page_says_who_what_when_and_every_number_with_its_uncertainty(html: str, marine):
    text = Page(html).text
    result = marine.result
    for said in (
        "Engine: Heron", "Module: <b>new</b>", "Measured by A. Tester", "run 1",
        "No engine: simulated: marine-four",
        f"{result.timing:.2f}° ± {result.expanded:.2f}° BTDC",
        f"{result.error:+.2f}° ± {result.expanded:.2f}°".replace("-", "−"), "commanded 9.00° BTDC",
        f"{9 - result.timing:.2f}° later than commanded", "Entering 3.25 should leave",
        "36-1 at 68° BTDC", "gap was 0.9 mm & worn", "scatter of the sparks", "reference angle",
        f"{result.budget.expanded:.4f}°", "nothing of", "edges refused as ringing",
        "the same to the last bit", "sparkwitness 0", f"protocol {wire.PROTOCOL}", "one tick 24 ns",
        "Measured at one speed only", "setting error run 1 (this page) 5.5",
    ):  # fmt: skip
        assert said in text, said
    digest = subprocess.run(["sha256sum", marine.path], capture_output=True, text=True, check=True)
    assert digest.stdout.split()[0] in text
    # What a person typed is text, never markup.
    assert "<b>new</b>" not in html


@pytest.mark.parametrize(("kind", "caution"), [
    ("measurement", safety.RUNNING_ENGINE), ("curve", safety.RUNNING_ENGINE),
    ("bench", safety.LIVE_MODULE), ("faultfind", safety.CRANKING), ("check", safety.RESISTANCE),
])  # fmt: skip
def test_each_kind_of_report_shows_its_cautions_and_defers(kind, caution, tmp_path: Path, marine):
    with Logbook(tmp_path / "b.db") as book:
        if kind == "measurement":
            number = book.keep_measurement(marine.result, marine.setup)
        else:
            number = book.keep(kind, "what was found", {"drop_outs": 3, "deep": {"x_us": 1.5}})
        page = Page(report.page(book.run(number), report.Told([])))
    text = page.text
    for line in (*caution.split("\n"), safety.DEFER):
        assert " ".join(line.split()) in text
    if kind != "measurement":
        assert "what was found" in text and "drop outs 3" in text and "deep, x us 1.5" in text


def test_a_curve_is_drawn_with_its_fit_and_what_to_do(tmp_path: Path):
    """Degrees = -6 N t: the scenario's 0.31 ms is 1.9° per 1000 rev/min; 1.5° late on top."""
    answer = run(
        "curve", "--simulate", "slow-twin", "--seconds", "45", "--yes",
        "--logbook", tmp_path / "b.db",
    )  # fmt: skip
    assert answer.exit_code == 0, answer.output
    with Logbook(tmp_path / "b.db") as book:
        kept = book.run(1)
    found = kept.result
    told = report.without_recording(kept, "")
    assert [p.title for p in told.plots] == ["Timing against speed", "Error against speed"]
    line = re.search(
        r"The line: (\S+)° ± (\S+)° and a delay of (\S+) ± (\S+) µs", told.plots[1].words
    )
    assert line is not None
    fixed, u_fixed, delay, u_delay = map(float, line.groups())
    assert abs(fixed + 1.5) < u_fixed + 0.1
    assert abs(delay - 310) < u_delay + 10  # what coil and clamp add is no part of the scenario's
    text = Page(report.page(kept, told)).text
    for said in ("Fixed angle and delay", "delay compensation", "Speed by speed", "36-1 at 96°"):
        assert said in text, said
    assert len(kept.result["bins"]) > 3
    for b in kept.result["bins"]:
        assert f"{b['rpm']:.0f} {b['timing']:.2f} ± {b['expanded']:.2f}" in text
    free = {"bins": [{**b, "error": None, "wanted": None} for b in found["bins"]], "fit": None}
    with Logbook(tmp_path / "b.db") as book:
        kept = book.run(book.keep("curve", "x", free))
    assert [p.title for p in report.without_recording(kept, "").plots] == ["Timing against speed"]
    assert "Fixed angle" not in Page(report.page(kept, told)).text


def test_a_bench_test_is_drawn_from_what_the_bench_command_finds(tmp_path: Path):
    answer = run(
        "bench", "--simulate", "bench-capacitive", "--steps", "1000,4000", "--seconds", "1",
        "--ramp", "none", "--yes", "--logbook", tmp_path / "b.db",
    )  # fmt: skip
    assert answer.exit_code == 0, answer.output
    with Logbook(tmp_path / "b.db") as book:
        kept = book.run(1)
    result = kept.result
    told = report.without_recording(kept, "")
    assert [p.title for p in told.plots][:2] == [
        "Delay against speed", "Sparks per event against speed",
    ]  # fmt: skip
    # Six fit: 1 + 19° / (6 * 1000 * 0.62 ms) by the scenario; one above its 2900 rpm.
    assert "6.0" in told.plots[1].words and "1.0" in told.plots[1].words
    page = Page(report.page(kept, told))
    assert "Speed by speed" in page.text and "± 0 " not in page.text
    assert "No verdict: no limits were typed" in page.text
    assert "Over all speeds" in page.text and "quantities" not in page.text
    assert "switch-over" in page.text and "burst window" in page.text
    flawed = json.loads(json.dumps(result))
    flawed["points"][0]["drop_outs"] = 5
    with Logbook(tmp_path / "b.db") as book:
        kept = book.run(book.keep("bench", "flawed", flawed))
    plots_3 = report.without_recording(kept, "").plots
    assert len(plots_3) == 3 and "most drop-outs: " in plots_3[2].words.lower()


@pytest.mark.parametrize(
    ("limit", "first"),
    [
        ("delay_us=:60", "Verdict: within all limits."),
        (
            "delay_us=:2",
            "Verdict: OUTSIDE the limits (delay, µs at 1000 rpm; delay, µs at 4000 rpm).",
        ),
    ],
)
def test_the_verdict_of_a_bench_test_stands_on_top_in_words(tmp_path: Path, limit, first):
    book = tmp_path / "b.db"
    done = run(
        "bench", "--simulate", "capacitive", "--steps", "1000,4000", "--seconds", "2", "--ramp",
        "none", "--yes", "--repeats", 1, "--limit", limit, "--logbook", book,
    )  # fmt: skip
    assert done.exit_code == (0 if "within" in first else 4), done.output
    out = tmp_path / "r.html"
    assert run("report", 1, "--out", out, "--logbook", book).exit_code == 0
    text = Page(out.read_text(encoding="utf-8")).text
    assert 0 < text.index(first) < text.index("Before anyone goes near it")
    rows = text[text.index("Against the limits") :]
    assert rows.count(" within " if "within" in first else " outside ") >= 2
    assert "Limits" not in text[: text.index(first)]


def images(html: str) -> list[tuple[bytes, str]]:
    return [
        (base64.b64decode(str(a["src"]).partition("base64,")[2]), str(a["alt"]))
        for t, a in Page(html).tags if t == "img"
    ]  # fmt: skip


def test_plots_are_whole_svg_with_words_that_say_the_same(html: str, marine):
    found = images(html)
    assert len(found) == 7
    for svg, alt in found:
        root = ElementTree.fromstring(svg)
        assert root.tag == "{http://www.w3.org/2000/svg}svg"
        assert len(alt) > 60 and alt[0].isupper()
    timed = time_events(marine.setup, tables_of(marine.path, marine.setup))
    assert isinstance(timed, Timed)
    alts = " ".join(alt for _, alt in found)
    for said in (
        f"{len(timed.angles)} events from",
        f"from {timed.angles.min():.2f}° BTDC to {timed.angles.max():.2f}° BTDC, mean",
        "Commanded: 9° BTDC", "3 in 100 %", f"all {len(timed.angles)}; ", "Lowest supply voltage",
        "no line is fitted", "Timing against time. ",
    ):  # fmt: skip
        assert said in alts, said
    # The scenario's sparks come every 640 µs: 6 N t degrees apart, three of them, at the speed that
    # the teeth of the 36-1 wheel have there. It is below the mean: pistons are near dead centre.
    crank = np.concatenate([p.of(0).tick for p in tables.pieces(Recording(marine.path))])
    teeth = np.diff(crank)[np.searchsorted(crank, timed.events.tick) - 1]
    whole = teeth < 1.5 * np.median(teeth)
    rpm = float(np.mean(60 / 36 / (teeth[whole] * Recording(marine.path).tick_ps * 1e-12)))
    apart = 6e-6 * rpm * 640
    words = next(alt for _, alt in found if alt.startswith("A burst"))
    places = [float(n) for n in re.findall(r"\d: ([\d.]+)° in 100 %", words)]
    assert places == pytest.approx([0, apart, 2 * apart], abs=0.06)


def tables_of(path: Path, setup: Setup) -> Tables:
    analyzer = Analyzer(setup)
    for chunk in Recording(path).chunks():
        analyzer.feed(chunk)
    return analyzer.finish()


def luminance(colour: str) -> float:
    """Relative luminance, WCAG 2.1."""
    parts = [int(colour[k : k + 2], 16) / 255 for k in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


# Okabe & Ito, Color Universal Design (2008): the set's values, from memory.
OKABE_ITO = {"#000000", "#E69F00", "#56B4E9", "#009E73", "#F0E442", "#0072B2", "#D55E00", "#CC79A7"}


def test_the_picture_of_a_cycle_says_on_which_side_of_top_dead_centre():
    """What is after top dead centre is no number below zero "before" it (by hand: (1 - 3)/2)."""
    line = {
        "name": "3", "sparks_deg_btdc": [1.0, -3.0], "trigger_deg_btdc": -0.5,
        "on_deg_btdc": 20.04, "differs": [],
    }  # fmt: skip
    assert cycle_plot.words({"lines": [line], "commanded_deg_btdc": -5}) == (
        "Cylinder 3: sparks at 1.0° ATDC, trigger at 0.5° ATDC, dwell from 20.0° BTDC. "
        "Commanded 5.0° ATDC."
    )


def test_colours_are_told_apart_in_any_colour_vision_and_on_white_paper():
    """Contrast of at least 3 to 1 against white for graphics: WCAG 2.1, 1.4.11."""
    for colour in (plots.BLUE, plots.VERMILLION, plots.GREEN):
        assert colour in OKABE_ITO
        assert 1.05 / (luminance(colour) + 0.05) >= 3
    assert 1.05 / (luminance(plots.INK) + 0.05) >= 7


def test_a_line_through_several_speeds_gives_the_delay_back():
    """Degrees = -6 N t: 0.4 ms is 2.4° per 1000 rev/min (360 degrees in 60 / N seconds)."""
    rng = np.random.default_rng(2)
    inside = 0
    for _ in range(40):
        speed = np.repeat([900.0, 1600, 2500, 4000], 200) + rng.normal(0, 5, 800)
        angles = 18 - 6 * speed * 0.4e-3 + rng.normal(0, 0.2, 800)
        timed = Timed(None, angles, speed, 720.0, 360.0, 0, 0, 0)
        line = plots.line_through(timed)
        assert line is not None
        inside += line.low <= -2.4e-3 <= line.high
        assert line.offset == pytest.approx(18, abs=0.2)
        _, half = line.at(np.array([2000.0]))
        assert 0 < half[0] < 0.1
        one_speed = Timed(None, angles[:200], speed[:200], 720.0, 360.0, 0, 0, 0)
        assert plots.line_through(one_speed) is None
    assert inside >= 33  # 95 % of 40, less three standard deviations of the binomial


def test_a_recording_that_is_gone_costs_the_plots_only(book, tmp_path: Path, marine):
    copy = tmp_path / "gone.rec"
    shutil.copy(marine.path, copy)
    with Logbook(tmp_path / "b.db") as other:
        other.keep_measurement(marine.result, marine.setup, recording=copy)
    copy.unlink()
    out = tmp_path / "r.html"
    answer = run("report", 1, "--out", out, "--logbook", tmp_path / "b.db")
    assert answer.exit_code == 0 and "no plots" in answer.output
    page = Page(out.read_text())
    assert "no longer at" in page.text and f"{marine.result.timing:.2f}°" in page.text
    assert not [t for t, _ in page.tags if t == "img"]


def test_a_number_that_no_longer_comes_out_is_said(book, marine):
    kept = book.run(1)
    result = {**kept.result, "timing_deg_btdc": 30.0}
    false = type(kept)(**{**vars(kept), "result": result, "result_text": json.dumps(result)})
    told = report.read(false, marine.path)
    assert "NOT the same" in told.again and "differs by -26°" in told.again


def test_trials_that_contradict_the_statement_are_shown(book):
    trials = [KeptTrial(1, "", 5.5, -4.5, 0.1), KeptTrial(2, "", 3.25, -2.25, 0.1)]
    text = Page(report.page(book.run(1), report.Told([]), trials)).text
    assert "The trials say -1.00" in text


def test_no_timing_is_said_in_words(tmp_path: Path, marine):
    nothing = measure.evaluate(marine.setup, tables_of(marine.path, marine.setup))
    nothing.timing = nothing.expanded = nothing.error = nothing.advice = nothing.budget = None
    nothing.findings = [Finding("no_spark", "no spark on clamp A")]
    with Logbook(tmp_path / "b.db") as book:
        number = book.keep_measurement(nothing, marine.setup)
        text = Page(report.page(book.run(number), report.Told([]))).text
    assert "No timing: no spark on clamp A" in text


# ISO 216: A4 is 210 mm by 297 mm. ANSI/ASME Y14.1: letter is 8.5 by 11 inches. In points.
@pytest.mark.parametrize(
    ("paper", "points"), [("a4", (210 / 25.4 * 72, 297 / 25.4 * 72)), ("letter", (612, 792))]
)
def test_pdf_is_tagged_on_either_paper_with_the_same_numbers(html: str, marine, paper, points):
    try:
        data = report.pdf(html, paper)
    except UserError as error:
        pytest.skip(error.message)
    document = pypdf.PdfReader(io.BytesIO(data))
    assert 1 < len(document.pages) < 6
    for page in document.pages:
        size = float(page.mediabox.width), float(page.mediabox.height)
        assert size == pytest.approx(points, abs=0.5)
        assert page["/StructParents"] is not None
    # Tagged: ISO 32000-1, 14.7 and 14.8; the language and each picture's words for a reader.
    root = document.trailer["/Root"]
    assert root["/MarkInfo"]["/Marked"] and root["/Lang"] == "en"
    kinds: dict[str, int] = {}
    words: list[str] = []

    def walk(node: Any) -> None:
        node = node.get_object()
        if isinstance(node, list):
            for one in node:
                walk(one)
        elif isinstance(node, dict) and "/S" in node:
            kinds[node["/S"]] = kinds.get(node["/S"], 0) + 1
            words.extend([node["/Alt"]] if "/Alt" in node else [])
            if "/K" in node:
                walk(node["/K"])

    walk(root["/StructTreeRoot"]["/K"])
    assert kinds["/H1"] == 1 and kinds["/H2"] >= 4 and kinds["/Table"] >= 3 and kinds["/TH"] > 5
    assert kinds["/Figure"] == len(images(html)) == len([w for w in words if len(w) > 10])
    raw = "\n".join(p.extract_text() for p in document.pages)
    for line in ("Lowest supply voltage in each tenth of a second", "One row per event, all"):
        assert line in raw, raw  # a column as wide as it should be
    text = " ".join(raw.split())
    assert f"{marine.result.timing:.2f}°" in text and "Before anyone goes near it" in text
    assert "1 / " in text


def test_the_command(tmp_path: Path, book, marine):
    out = tmp_path / "r.html"
    answer = run("report", 1, "--out", out, "--by", "A. Tester", "--logbook", book.path)
    assert answer.exit_code == 0 and len(images(out.read_text())) == 7
    again = run("report", 1, "--out", out, "--logbook", book.path)
    assert again.exit_code == 1 and "already exists" in again.output
    free = run("report", marine.path, "--out", tmp_path / "s.html")
    assert free.exit_code == 0 and "from a recording" in (tmp_path / "s.html").read_text()
    for wrong in ("99", str(tmp_path / "none.rec")):
        refused = run("report", wrong, "--out", tmp_path / "x.html", "--logbook", book.path)
        assert refused.exit_code == 1 and refused.output.startswith("Error: ")
    nowhere = run("report", 1, "--out", tmp_path / "no" / "x.html", "--logbook", book.path)
    assert nowhere.exit_code == 1 and "cannot write" in nowhere.output


@pytest.mark.parametrize(("module", "arguments", "extra"), [
    ("matplotlib", (), "report"), ("weasyprint", ("--pdf",), "pdf")
])  # fmt: skip
def test_a_missing_library_is_one_sentence(
    module, arguments, extra, tmp_path: Path, book, monkeypatch
):
    for name in [n for n in sys.modules if n.split(".")[0] == module]:
        monkeypatch.setitem(sys.modules, name, None)
    monkeypatch.setitem(sys.modules, module, None)
    out = tmp_path / "r.html"
    answer = run("report", 1, "--out", out, "--logbook", book.path, *arguments)
    assert answer.exit_code == 1
    assert f"{module} is not installed: pip install 'sparkwitness[{extra}]'" in answer.output


def test_several_sessions_in_a_recording_are_plotted(tmp_path: Path, marine, corrected):
    """A board that restarted: its second session begins again at tick 0."""
    whole = marine.path.read_bytes()
    second = corrected.path.read_bytes()
    path = tmp_path / "both.rec"
    path.write_bytes(whole + second[second.index(b"\n") + 1 :])
    found, _ = tables.sessions(Recording(path))
    assert len(found) == 2
    run_0 = report.transient(path)
    told = report.read(run_0, path)
    assert len(told.plots) == 7
    raster = next(p for p in told.plots if p.title == "Sparks of each event")
    repeats = float(re.search(r"the last one ([\d.]+)°", raster.words).group(1))
    assert 6.5 < repeats < 8  # two times 0.64 ms at 940 rev/min are 7.2°


AXE = Path(__file__).parents[1] / "axe/node_modules/axe-core/axe.min.js"  # `npm ci` in tests/axe
CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")


@pytest.mark.skipif(CHROMIUM is None, reason="Chromium is not installed")
@pytest.mark.parametrize("width", [360, 1280])
def test_a_browser_lays_it_out_without_sideways_scrolling(width: int, html: str, tmp_path: Path):
    selenium = pytest.importorskip("selenium.webdriver")
    options = selenium.ChromeOptions()
    options.binary_location = CHROMIUM
    for flag in ("--headless=new", "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage"):
        options.add_argument(flag)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
    driver = shutil.which("chromedriver")
    if driver is None:
        pytest.skip("chromedriver is not installed")
    path = tmp_path / "r.html"
    path.write_text(html, encoding="utf-8")
    browser = selenium.Chrome(options, selenium.ChromeService(driver))
    try:
        browser.execute_cdp_cmd(
            "Emulation.setDeviceMetricsOverride",
            {"width": width, "height": 800, "deviceScaleFactor": 1, "mobile": False},
        )
        browser.get(path.as_uri())
        wide = browser.execute_script("return document.documentElement.scrollWidth")
        assert wide <= width
        drawn = browser.execute_script(
            "return [...document.images].map(i => i.complete && i.naturalWidth > 0)"
        )
        assert drawn == [True] * 7
        size = browser.execute_script(
            "return parseFloat(getComputedStyle(document.querySelector('.value')).fontSize)"
        )
        assert size >= 28
        assert browser.get_log("browser") == []
        if AXE.exists():
            browser.execute_script(AXE.read_text(encoding="utf-8"))
            faults = browser.execute_async_script(
                "axe.run({resultTypes: ['violations']}).then(r => arguments[0](r.violations.map("
                "v => [v.impact, v.id, v.nodes.map(n => n.html)])))"
            )
            assert [f for f in faults if f[0] in ("serious", "critical")] == []
    finally:
        browser.quit()
