"""Cylinder by cylinder: places in the firing order, who differs, and the words for it.

The engines are of the second hand (tests/truth). Coverage and false alarms over many runs are
`make accuracy`.
"""

import json
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from scipy import stats as reference_statistics

from sparkwitness.cli import main
from sparkwitness.faces import where_page
from sparkwitness.records.logbook import Logbook
from sparkwitness.timing import cylinders, seating
from sparkwitness.timing.angle import Reference
from sparkwitness.timing.number import Number
from sparkwitness.timing.setup import Setup
from truth import where


@pytest.mark.parametrize("row", where.cylinder_rows(), ids=lambda row: row.name)
def test_a_few_runs_of_each_row(row):
    done = where.score(row.name, 2, 60_000)
    assert not [f for f in done.missed() if done.outcomes[f][2] in ("true", "often")]


def setup(**more) -> Setup:
    values = {"cylinders": 4, "clamp": "coil", "commanded": 10.0, **more}
    return Setup(values.pop("reference", Reference(36, 1, angle=60.0)), **values)


def sparks(firing, cycles: int, at: float = 50.0):
    """Angles of all firings, timing 10° BTDC with the index edge at 60°."""
    return (np.arange(cycles)[:, None] * 720.0 + np.array(firing) + at).ravel()


@pytest.mark.parametrize(
    ("reference", "turned"),
    [
        (Reference(36, 1, 1, 60.0), 2),
        (Reference(36, 1, 2, 60.0), 1),
        (Reference(24, 0, 1, 60.0), 4),
    ],
)
def test_what_a_reference_tells_of_an_even_four(reference, turned):
    """On the crank two cylinders look alike, on the cam none; even teeth tell nothing."""
    x = sparks((0, 180, 360, 540), 20)
    seats = seating.seat(x, np.zeros(len(x), np.int64), setup(reference=reference), 10.0)
    assert len(seats.turned) == turned
    assert np.array_equal(np.diff(seats.place) % 4, np.ones(len(x) - 1))


def test_names_where_two_look_alike():
    x = sparks((0, 180, 360, 540), 20)
    seats = seating.seat(x, np.zeros(len(x), np.int64), setup(), 10.0)
    names = cylinders.names(setup(order=(1, 3, 4, 2)), seats)
    assert names == ["1 or 4 (a)", "2 or 3 (a)", "1 or 4 (b)", "2 or 3 (b)"]


def test_an_odd_pattern_tells_by_itself():
    x = sparks((0, 315), 20)
    twin = setup(cylinders=2, firing=(0.0, 315.0))
    seats = seating.seat(x, np.zeros(len(x), np.int64), twin, 10.0)
    assert seats.sure and np.array_equal(seats.place[:4], [0, 1, 0, 1])
    # A turn later in the recording it is the same cylinder still.
    seats = seating.seat(x + 360.0, np.zeros(len(x), np.int64), twin, 10.0)
    assert seats.sure and np.array_equal(seats.place[:4], [0, 1, 0, 1])


@pytest.mark.parametrize("late", [0, 1])
def test_the_index_clamp_names_them(late):
    x = sparks((0, 180, 360, 540), 20)
    tick = np.arange(len(x)) * 10_000
    mine = tick[2 * late :: 4]  # cylinder 1 at the first, or at the third of the sparks
    seats = seating.seat(
        x, np.zeros(len(x), np.int64), setup(order=(1, 3, 4, 2)), 10.0, mine, tick, 1e-6
    )
    assert seats.sure and np.all(seats.place[2 * late :: 4] == 0)


def test_levels_are_sidaks():
    assert cylinders.level(1) == pytest.approx(0.05)
    assert 1 - (1 - cylinders.level(8)) ** 8 == pytest.approx(0.05)


@pytest.mark.parametrize(("hits", "n", "all_hits", "all_n"), [(9, 100, 12, 600), (3, 50, 40, 400)])
def test_misfires_against_the_hypergeometric_tail(hits, n, all_hits, all_n):
    """scipy.stats.hypergeom, twice its tail."""
    tail = reference_statistics.hypergeom.sf(hits - 1, all_n, all_hits, n)
    assert cylinders._more(hits, n, all_hits, all_n) == pytest.approx(min(1, 2 * tail), rel=1e-6)


def row(name: str, deviation: float = 0.0, **more) -> cylinders.Cylinder:
    made = cylinders.Cylinder(
        name, 0.0, 100, Number(10 + deviation, 0.2), Number(deviation, 0.15), 0.3, 100, 0, None,
        1.0, None, None, None,
    )  # fmt: skip
    return replace(made, **more)


def test_words_tell_a_worn_shaft_from_a_bad_lead():
    alike = [row(str(k)) for k in range(1, 5)]
    assert "no cylinder differs" in cylinders.words(alike, 4)[0]
    one = [*alike[:3], row("4", -1.2, differs=("timing",))]
    assert "cylinder 4 comes 1.20° late" in cylinders.words(one, 4)[0]
    shaft = [row(str(k), d, differs=("timing",)) for k, d in enumerate((0.9, -0.8, -0.9, 0.7))]
    assert "distributor shaft" in cylinders.words(shaft, 4)[0]
    lead = [*alike[:3], row("4", missing=20, no_spark=20, differs=("misfires",))]
    assert "its lead, plug" in cylinders.words(lead, 4)[0]
    asked = [*alike[:3], row("4", missing=20, no_spark=0, differs=("misfires",))]
    assert "its trigger" in cylinders.words(asked, 4)[0]


def test_the_command_tells_each_cylinder(tmp_path: Path):
    options = ["--simulate", "worn-four", "--once", "--yes", "--target", "0.25",
               "--logbook", str(tmp_path / "book.db")]  # fmt: skip
    done = CliRunner().invoke(main, ["measure", *options, "--json"])
    assert done.exit_code == 0, done.output
    table = json.loads(done.stdout)["cylinders"]
    assert [r["name"] for r in table["rows"]] == ["1", "3", "4", "2"] and table["sure"]
    truth = np.array([0.9, -0.7, -0.9, 0.7])  # the scenario's cylinder_deg
    for k, one in enumerate(table["rows"]):
        others = np.median(np.delete(truth, k))
        off = one["deviation_deg"] - (truth[k] - others)
        assert abs(off) <= one["deviation_interval_deg"] + 0.05
    assert any("distributor shaft" in line for line in table["words"])
    with Logbook(tmp_path / "book.db") as book:
        (kept,) = book.runs()
    html = where_page.cylinder_table(kept.result["cylinders"])
    assert html.count("<tr>") == 5 and "against the others" in html
    assert not re.search(r"nan|None", html)
