"""The report as a browser prints it: Chromium, on A4 and on letter, without background graphics."""

import base64
import re
import shutil
import subprocess
from pathlib import Path

import numpy as np

from sparkwitness.faces import report
from test_live_page import browser, lacking  # noqa: F401  (a fixture, by its name)

PAPERS = {"a4": (21.0, 29.7), "letter": (21.59, 27.94)}  # cm: ISO 216; ANSI/ASME Y14.1
_DPI = 100


def printed(browser, folder: Path, size: tuple[float, float]) -> Path:  # noqa: F811
    """The page that is open as PDF; a browser leaves backgrounds out unless it is told."""
    made = browser.execute_cdp_cmd(
        "Page.printToPDF",
        {"paperWidth": size[0] / 2.54, "paperHeight": size[1] / 2.54, "printBackground": False},
    )
    (folder / "page.pdf").write_bytes(base64.b64decode(made["data"]))
    return folder / "page.pdf"


def ink(path: Path) -> int:
    """Dark pixels of all pages."""
    subprocess.run(["pdftoppm", "-r", str(_DPI), "-gray", path, path.with_suffix("")], check=True)
    dark = 0
    for page in path.parent.glob("page-*.pgm"):
        data = page.read_bytes()
        head = re.match(rb"P5\s+(\d+)\s+(\d+)\s+255\s", data)
        assert head is not None
        dark += int((np.frombuffer(data, np.uint8, offset=head.end()) < 96).sum())
        page.unlink()
    return dark


def test_the_budgets_bars_and_all_words_are_there(browser, tmp_path: Path, marine):  # noqa: F811
    if not shutil.which("pdftoppm"):
        lacking("Debian's poppler-utils is not installed")
    run = report.transient(marine.path)
    page = tmp_path / "report.html"
    page.write_text(report.page(run, report.read(run, marine.path), [], None), encoding="utf-8")
    browser.get(page.as_uri())
    area = browser.execute_script(
        "return [...document.querySelectorAll('.bar')].reduce("
        "(n, e) => n + e.getBoundingClientRect().width * e.getBoundingClientRect().height, 0)"
    )
    assert area > 500  # CSS pixels
    full = ink(printed(browser, tmp_path, PAPERS["a4"]))
    browser.execute_script(
        "document.querySelectorAll('.bar').forEach(e => { e.style.visibility = 'hidden'; })"
    )
    without = ink(printed(browser, tmp_path, PAPERS["a4"]))
    # Print is smaller than the screen: its letters are 9.6 of 11.25 points, its columns narrower.
    assert full - without > 0.3 * area * (_DPI / 96) ** 2, (full, without, area)
    browser.get(page.as_uri())
    for name, size in PAPERS.items():
        told = subprocess.run(
            ["pdftotext", "-bbox", printed(browser, tmp_path, size), "-"],
            capture_output=True, text=True, check=True,
        ).stdout  # fmt: skip
        width = size[0] / 2.54 * 72
        places = [(float(a), float(b)) for a, b in
                  re.findall(r'<word xMin="([\d.]+)"[^>]*xMax="([\d.]+)"', told)]  # fmt: skip
        assert len(places) > 300, name
        assert min(a for a, _ in places) > 20 and max(b for _, b in places) < width - 20, name
    browser.get("about:blank")
