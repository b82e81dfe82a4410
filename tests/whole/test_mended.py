"""What fuzzing and faults had broken once, by name: each test fails if its mend is undone.

Found by tests/fuzz and tests/whole/test_faults.py; kept here because a random input may not come
again.
"""

import io
import json
import os
import signal
import time

import numpy as np
import pytest
import serial
from rich.console import Console

from sparkwitness.bench import plan as bench_plan
from sparkwitness.cli import sources, typed
from sparkwitness.decode import framing, wire
from sparkwitness.decode.recording import Recorder, Recording
from sparkwitness.device import link
from sparkwitness.device import run as session
from sparkwitness.errors import UserError
from sparkwitness.faces import text as show
from sparkwitness.fault import store
from sparkwitness.records.import_ import write as imports
from sparkwitness.records.import_.base import Options
from sparkwitness.records.logbook import Logbook
from sparkwitness.simulator import scenario
from sparkwitness.timing import analyzer as analyzers
from sparkwitness.timing import measure, wheel
from sparkwitness.timing.analyzer import Analyzer
from sparkwitness.timing.angle import Reference
from sparkwitness.timing.gates import Finding
from sparkwitness.timing.setup import Setup
from streams import HELLO, Stream
from test_link import Peer

NAN = float("nan")
HUGE = 10**400  # no float holds it
UNPRINTABLE = "0x" + "f" * 5000  # TOML takes it, Python refuses to print it in digits


def refusal(call, *arguments, **named) -> str:
    """The one sentence with which a call refuses."""
    with pytest.raises(UserError) as refused:
        call(*arguments, **named)
    said = refused.value.message
    assert said.strip() and "\n" not in said and len(said) < 400
    return said


# --- values of another kind than expected, from files that somebody has edited ----------------


@pytest.mark.parametrize(
    ("values", "words"),
    [
        ({"teeth": "36"}, "whole ones"), ({"teeth": 36.0}, "whole ones"),
        ({"teeth": 36, "missing": None}, "whole ones"), ({"teeth": 36, "angle": "60"}, "numbers"),
        ({"teeth": 36, "angle": NAN}, "angle must be"), ({"teeth": 36, "u_angle": None}, "numbers"),
        ({"teeth": 3, "errors": ("a", "b", "c")}, "numbers"),
        ({"teeth": 36, "u_errors": NAN}, "uncertainty"), ({"teeth": 36, "u_errors": -1.0}, "0 to"),
    ],
)  # fmt: skip
def test_reference_of_wrong_kind_is_refused(values, words):
    assert words in refusal(Reference, **values)


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("commanded", "20"), ("commanded", HUGE), ("cylinders", 4.0), ("cylinders", None),
        ("target", None), ("step", [1]), ("learned_gain", NAN), ("learned_gain", 1e9),
    ],
)  # fmt: skip
def test_setup_of_wrong_kind_is_refused(name, value):
    assert name.replace("_", " ") in refusal(Setup, Reference(36, 1), **{name: value})


@pytest.mark.parametrize(
    "values",
    [
        {"reference": [36, 1]}, {"reference": {"teeth": 36, "nose": 1, "angle": 0.0}},
        {"reference": {"teeth": 36, "angle": 0.0, "errors": 5}},
        {"reference": {"teeth": 36, "angle": 0.0}, "falling": 3},
        {"reference": {"teeth": 36, "angle": 0.0}, "wheels": 4},
    ],
)  # fmt: skip
def test_stored_setup_that_is_damaged_is_refused(values):
    refusal(typed.setup_from, {}, values, ask=False)


def test_one_falling_input_is_a_name_not_its_letters():
    stored = {"reference": {"teeth": 36, "angle": 0.0}, "falling": "crank"}
    assert typed.setup_from({}, stored, ask=False).falling == ("crank",)


def test_bench_run_is_no_measurement():
    assert "bench --from" in refusal(typed.setup_from, {}, {"bench": {"plan": {}}}, ask=False)


# --- nesting and numbers that exhaust Python ---------------------------------------------------

READERS = {
    "recording": (Recording, "[" * 100_000),
    "wheel": (lambda path: wheel.load(path, Reference(12, 1)), '{"a":' * 100_000),
    "plan": (bench_plan.load, "steps = " + "[" * 5000),
    "scenario": (scenario.load, "setup = " + "[" * 5000),
    "search": (store.load, "[" * 100_000),
}


@pytest.mark.parametrize("kind", READERS)
def test_deep_nesting_is_refused(kind, tmp_path):
    load, content = READERS[kind]
    path = tmp_path / "nested"
    path.write_text(content)
    assert str(path) in refusal(load, path)


@pytest.mark.parametrize("entry", ["title", "steps", "width_us", "limits", "clamp_falling"])
def test_plan_with_a_number_of_thousands_of_digits_is_refused(entry, tmp_path):
    path = tmp_path / "plan.toml"
    path.write_text(f"{entry} = {UNPRINTABLE}\n")
    assert entry in refusal(lambda: bench_plan.Plan.from_dict(bench_plan.load(path)))


@pytest.mark.parametrize("number", ["1" + "0" * 400, UNPRINTABLE])
def test_scenario_with_a_number_no_float_holds_is_refused(number, tmp_path):
    path = tmp_path / "scenario.toml"
    path.write_text(f"[truth.engine]\nswing_rpm = {number}\n")
    assert "swing_rpm" in refusal(scenario.load, path)


def test_wheel_with_a_number_no_float_holds_is_refused(tmp_path):
    learned = wheel.Learned(Reference(12, 1, errors=(0.0,) * 11), 0.01, 80, 900.0).to_dict()
    path = tmp_path / "wheel.json"
    for name, value in (("errors_deg", [HUGE] * 11), ("u_errors_deg", HUGE)):
        path.write_text(json.dumps({**learned, name: value}))
        assert "no tooth errors" in refusal(wheel.load, path, Reference(12, 1))


def test_search_with_a_number_no_float_holds_is_refused(tmp_path):
    from sparkwitness.fault import model as faultfind

    variant = faultfind.variant_of(
        switch="inductive", trigger="pickup", sensor="coil", distribution="distributor",
        feed="steady",
    )  # fmt: skip
    run = faultfind.run_to_dict(faultfind.Run(variant, True, odds={}, started="2026"))
    path = tmp_path / "run.json"
    path.write_text(json.dumps({**run, "sure": HUGE}))
    assert "damaged" in refusal(store.load, path)


# --- the line to the board ---------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "fields"),
    [
        ("configure", {"enabled": "3", "falling": 0}),
        ("configure", {"enabled": 1.5, "falling": 0}),
        ("edges", {"input": 0, "n": 1, "first": 0, "counts": 5}),
        ("hello", {**HELLO, "firmware": None}), ("log", {"level": 1, "text": "\ud800"}),
    ],
)  # fmt: skip
def test_what_no_frame_can_hold_is_a_value_error(name, fields):
    with pytest.raises(ValueError, match=name):
        wire.encode(name, 0, 0, **fields)


def board_that(answers):
    """A peer that says hello, and to every other command what `answers(number, seq)` gives."""
    heard = bytearray()

    def answer(data: bytes) -> bytes:
        heard.extend(data)
        *frames, rest = heard.split(b"\0")
        heard[:] = rest
        said = b""
        for frame in filter(None, frames):
            body = framing.unseal(bytes(frame))
            number, seq = body[0], int.from_bytes(body[4:8], "little")
            if number == wire.NUMBER["identify"]:
                said += b"\0" + wire.encode("hello", 1, 0, **HELLO)
            elif number != wire.NUMBER["alive"]:
                said += b"\0" + answers(number, seq)
        return said

    return Peer(answer)


def test_refusal_for_a_reason_not_known_yet_is_told():
    def answers(number, seq):
        return wire.encode("ack", 1, 1, command=number, result=99, command_seq=seq, text="")

    with board_that(answers) as peer, link.Link(peer.port) as board:
        assert "refuses start: reason 99" in refusal(board.command, "start")


@pytest.mark.parametrize("error", [OSError(5, "gone"), serial.SerialException("gone"), TypeError()])
def test_board_that_vanishes_under_a_command_is_said(error, monkeypatch):
    def write(data):
        raise error

    with board_that(lambda *_: b"") as peer, link.Link(peer.port) as board:
        monkeypatch.setattr(board._serial, "write", write)
        assert "went away" in refusal(board.command, "start")


def test_nothing_more_is_typed_at_a_prompt():
    """Every byte would be taken as typed text, and some as commands."""
    heard = []

    def answer(data):
        heard.append(data)
        return b"\r\nMicroPython v1.24\r\n>>> "

    with Peer(answer) as peer:
        assert "at its MicroPython prompt" in refusal(link.Link, peer.port, 2.0)
        time.sleep(0.2)
    assert b"".join(heard).count(wire.encode("identify", 0, 0)) == 1
    assert len(b"".join(heard).split(b"\0")) <= 3


def test_ctrl_c_ends_a_sweep_between_two_pieces_of_work():
    """Broken off inside the analyzer, its tables would not be whole."""
    looks = []

    def done(tables):
        looks.append(tables.seconds)
        os.kill(os.getpid(), signal.SIGINT)
        time.sleep(0.05)  # a handler that raises would do so here
        return False

    with sources.board("idle-four", None) as source, link.Link(source.port) as board:
        setup = Setup.from_dict(source.setup)
        try:
            tables = session.collect(board, setup, None, done, interrupt_ends=True)
        except KeyboardInterrupt:
            pytest.fail("Ctrl-C broke the run off")
    assert len(looks) == 1 and tables.seconds >= looks[0]
    assert not tables.loss.any()


# --- numbers -----------------------------------------------------------------------------------

TURN = 600_000


def findings(*stretches: tuple[float, ...]) -> list[Finding]:
    """Four turns of a 6-1 wheel again and again, edges lost in between, sparks at these turns."""
    made = Stream()
    made.hello()
    made.heartbeat(0)
    for k, sparks in enumerate(stretches):
        start = 1000 + 5 * k * TURN
        made.edges(0, start + (np.arange(4)[:, None] * TURN + np.arange(5) * TURN // 6).ravel())
        made.first[0] += 5
        made.edges(1, start + (np.array(sparks) * TURN).astype(int))
        made.heartbeat(start + 4 * TURN)
    setup = Setup(Reference(6, 1), clamp="wasted")
    analyzer = Analyzer(setup)
    analyzer.feed(made.data)
    return measure.evaluate(setup, analyzer.finish()).findings


def test_sparks_not_joined_by_the_crank_are_refused_not_nan_degrees_apart():
    (one,) = findings(*[(1.2, 1.8)] * 40)
    assert one.level == "refused" and "nan" not in one.text


def test_events_not_joined_once_strays_are_out_are_refused_not_nan_rpm():
    """Only the two joined events told the speed, and both were strays."""
    (one,) = findings(*[(1.2, 1.8)] * 40, (1.5, 2.5))
    assert one.level == "refused" and "nan" not in one.text


def test_old_supply_and_logs_are_let_go_but_the_lowest_stays(monkeypatch):
    """A board that talks for days must not fill the memory."""
    monkeypatch.setattr(analyzers, "_MOST_SUPPLY", 20)
    monkeypatch.setattr(analyzers, "_MOST_LOG", 10)
    analyzer = Analyzer(Setup(Reference(36, 1)))
    for k in range(60):
        made = Stream(seq=2 * k)
        made.heartbeat(k * 1000, supply_mv=9000 if k == 3 else 14_000)
        made.add("log", level=0, text=str(k))
        analyzer.feed(made.data)
        assert len(analyzer._supply) <= 26 and len(analyzer.log) <= 10
    assert min(analyzer.tables().supply_mv) == 9000
    assert analyzer.log[-1] == "59"


def test_an_error_within_its_uncertainty_has_no_side():
    setup = Setup(Reference(36, 1), commanded=16.0)
    for error, words in (
        (0.05, "indistinguishable from the commanded"),
        (0.5, "advanced against the commanded"),
    ):
        result = measure.Measurement(
            timing=16 + error, error=error, expanded=0.16, commanded=16.0, scatter=0.1, rpm=900.0
        )
        console = Console(width=120, record=True, file=io.StringIO())
        console.print(show.measurement(result, setup))
        assert words in console.export_text()


# --- the logbook -------------------------------------------------------------------------------


def test_empty_recording_is_no_reason_to_lose_the_finding(tmp_path):
    recording = tmp_path / "empty"
    Recorder(recording, {"tick_ps": 24_000}, None).close()
    with Logbook(tmp_path / "book.db") as book:
        number = book.keep("measurement", "nothing came", {"a": 1}, recording=recording)
        assert book.run(number).result == {"a": 1}


def test_check_that_cannot_be_read_sets_the_logbook_aside(tmp_path):
    """An index's name that is no text any more, in SQLite's sentence about what is wrong."""
    path = tmp_path / "book.db"
    Logbook(path).close()
    data = path.read_bytes()
    damaged = data.replace(b"notes_by_run", b"notes\x84by_run").replace(b"(run)", b"(rum)")
    assert len(damaged) == len(data) and damaged != data
    path.write_bytes(damaged)
    with Logbook(path) as book:
        assert "its tables are damaged" in book.set_aside
        assert book.keep("check", "x", {"a": 1}) == 1
    assert [p.read_bytes() for p in tmp_path.glob("book.db.damaged-*")] == [damaged]


@pytest.mark.parametrize(
    ("name", "byte"),
    # SQLite names what it misses, in the first case in bytes that are no text.
    [(b"recordings (id)", b"\x84"), (b"text TEXT", b"x")],
)
def test_damage_in_a_tables_definition_is_said(name, byte, tmp_path):
    path = tmp_path / "book.db"
    with Logbook(path) as book:
        book.keep("check", "x", {"a": 1})
    data = path.read_bytes()
    # SQLite writes the tables' definitions from the page's end, so the first made stands last.
    at = data.rindex(name)
    path.write_bytes(data[:at] + byte + data[at + 1 :])
    with Logbook(path) as book:
        assert "check the disk" in refusal(lambda: (book.run(1), book.keep("check", "y", {})))


@pytest.mark.parametrize("cell", ["1e400", "-inf", "1" * 400, "nan"])
def test_a_table_whose_first_time_is_no_time_is_refused(tmp_path, cell):
    table = tmp_path / "logged.csv"
    table.write_text(f"time,a,b\n{cell},0,1\n1700000000.5,1,0\n1700000000.6,0,1\n")
    refusal(imports.read, table, Options())
