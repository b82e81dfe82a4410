"""Rotor phase: against distributors of a second hand (tests/truth/rotors.py), and by hand."""

import io
import re
from dataclasses import replace
from importlib import resources
from itertools import pairwise

import numpy as np
import pytest

from sparkwitness.errors import UserError
from sparkwitness.faces import report, start_text, text
from sparkwitness.faces.console import Console
from sparkwitness.faces.live import view
from sparkwitness.records.logbook import Logbook
from sparkwitness.timing import gates, gates_start, rotor
from sparkwitness.timing.angle import Reference
from sparkwitness.timing.number import Number
from sparkwitness.timing.setup import Setup
from truth import rotors
from truth.rotors import Cap

TYPED = {"rotor": 18.0, "rotor_within": 0.2}


def _run(made, seed=2, reference="60-2", **typed):
    return rotors.driven(made, np.random.default_rng(seed), reference, **typed)


@pytest.fixture(scope="module")
def bursts():
    made = Cap(cylinders=8, low=2.0, high=40.0, fast=2400.0, burst=4)
    return *_run(made, **TYPED), made


def test_a_distributor_turns_half_as_fast():
    """By hand: 30 degrees BTDC are 12 crank degrees before 18, so 6 of a four-stroke's."""
    assert rotor.phase(30.0, 18.0, 4) == 6.0
    assert rotor.phase(30.0, 18.0, 2) == 12.0
    assert rotor.phase(np.array([18.0, 8.0]), 18.0, 4).tolist() == [0.0, -5.0]


def test_the_window_over_the_advance(bursts):
    found, stood, made = bursts
    said = rotors.judge(found, stood, made)
    assert {name for name, (so, _) in said.items() if not so} == set()
    one = found.rotor
    # Eight segments: 45 degrees apart (360 / 8); what is left to the next is that less the lag.
    assert one.pitch == 45.0
    assert one.next_gap == pytest.approx(45.0 + stood.last.min(), abs=0.4)
    assert one.previous_gap == pytest.approx(45.0 - stood.first.max(), abs=0.4)


def test_the_course_follows_the_advance(bursts):
    found, stood, _ = bursts
    course = found.rotor.course
    assert len(course) > 4
    assert all(a.first < b.first for a, b in pairwise(course))
    for one in course[1:-1]:
        near = np.abs(stood.rpm / one.rpm - 1) < 0.03
        assert one.first == pytest.approx(stood.first[near].mean(), abs=0.4)
        assert one.last == pytest.approx(stood.last[near].mean(), abs=0.4)


def test_what_lies_outside_is_said(bursts):
    found = bursts[0]
    codes = {f.code: f.text for f in found.findings}
    assert {"rotor_outside", "rotor_sweep"} <= set(codes)
    assert found.rotor.outside == pytest.approx(
        max(found.rotor.earliest, -found.rotor.latest) - 10.0, abs=0.3
    )
    words = dict(start_text.rotor(found.rotor.to_dict()))
    assert "past the segment's middle" in words["in its window"]
    assert "burst's end" in words[f"{found.rotor.course[0].rpm:.0f} rpm"]


def test_a_small_sweep_in_the_middle_is_no_finding():
    found, stood = _run(Cap(low=12.0, high=24.0, fast=2000.0), **TYPED)
    assert not {"rotor_outside", "rotor_sweep"} & {f.code for f in found.findings}
    assert found.rotor.middle == pytest.approx(18.0, abs=0.5)
    assert found.rotor.swept == pytest.approx(np.ptp(stood.first), abs=0.4)


def test_nothing_is_told_that_nothing_marks():
    made = Cap(low=12.0, high=24.0, fast=2000.0)
    assert _run(made)[0].rotor is None  # a wheel on the crank, and nothing typed
    one = _run(made, reference="cam 60-2")[0].rotor
    assert one.shaft == "cam" and one.earliest is None and one.next_gap is None
    assert "--rotor" in dict(start_text.rotor(one.to_dict()))["in its window"]
    assert _run(replace(made, cylinders=4), clamp_input="clamp_b", **TYPED)[0].rotor is None


def test_where_it_points_is_known_to_some_degrees(bursts):
    """JCGM 100, 5.1.2: what is typed to ±4 crank degrees is ±2 at the distributor."""
    wide = _run(bursts[2], rotor=18.0, rotor_within=4.0)[0].rotor
    assert wide.earliest.u95 == pytest.approx(2.0, abs=0.05)
    sure = replace(wide, earliest=Number(11.0, 0.5), latest=Number(-3.0, 0.5))
    assert sure.outside == pytest.approx(0.5)
    assert replace(sure, earliest=Number(11.0, 2.0)).outside == 0.0
    setup = Setup(Reference(60, 2), rotor=18.0)
    evidence = gates_start.Evidence(setup, None, replace(sure, swept=Number(14.0, 0.1)))
    assert [f.code for f in gates.judge(evidence, gates_start.ROWS).findings] == ["rotor_outside"]


def test_without_a_tap_there_is_one_hint_and_nothing_else(tmp_path):
    made = Cap(cylinders=4, low=20.0, high=20.0, fast=1000.0)
    found = _run(made, commanded=14.0)[0]
    setup = Setup(Reference(60, 2), commanded=14.0, clamp="coil")
    assert abs(found.error) > found.expanded
    values, shown = found.to_dict(), view.numbers(setup, found)
    for part in ("split", "cylinders", "start", "rotor"):
        assert values[part] is None and shown.get("where" if part == "split" else part) is None
    out, console = io.StringIO(), Console()
    console.file, console.width = out, 300
    console.print(text.measurement(found, setup))
    with Logbook(tmp_path / "b.db") as book:
        kept = book.run(book.keep_measurement(found, setup))
        page = report.page(kept, report.without_recording(kept, ""))
    body = re.sub(r"<style>.*?</style>|<[^>]*>", " ", page, flags=re.S)
    for said in (out.getvalue(), body):
        assert len(re.findall(r"connect the trigger tap", said)) == 1
        assert len(re.findall(r"\b(trigger|tap|dwell|rotor|cranking)\b", said)) == 2  # that hint's
    html = (resources.files("sparkwitness.faces.live") / "page.html").read_text(encoding="utf-8")
    for box in ("where", "each", "start", "rotor"):
        assert re.search(rf'id="{box}-box" hidden', html)


def test_bad_input_is_one_sentence():
    with pytest.raises(UserError, match="rotor must be from -60 to 80"):
        Setup(Reference(60, 2), rotor=300.0)
