"""The live capture: numbers against the simulated truth, commands, a board that goes away."""

import io
import json
import os
import re
import signal
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from live_rig import capturing, wait_until
from sparkwitness.decode.recording import Recording
from sparkwitness.errors import UserError
from sparkwitness.faces.live import terminal, view
from sparkwitness.timing import measure
from sparkwitness.timing.analyzer import Analyzer
from sparkwitness.timing.angle import Reference
from sparkwitness.timing.setup import Setup
from streams import Stream
from terminal import Terminal
from test_measure import replay


def turning(rpm: float, seconds: float, tick_s: float = 24e-9, step: float = 0.1):
    """Bytes of a board with one pulse per turn and one spark 30 degrees after it."""
    turn = 60 / rpm / tick_s
    made = Stream()
    made.hello()
    made.heartbeat(0)
    at = 0
    for beat in np.arange(step, seconds + step / 2, step) / tick_s:
        pulses = np.arange(np.ceil(at / turn), np.ceil(beat / turn)) * turn
        made.edges(0, np.rint(pulses + 100).astype(np.int64))
        made.edges(1, np.rint(pulses + 100 + turn / 12).astype(np.int64))
        made.heartbeat(round(beat) + 200 + round(turn))
        at = beat
    return made.data


SETUP = Setup(Reference(1, angle=40.0), commanded=10.0, clamp="wasted", delay_us=0.0)


def test_forgetting_keeps_the_newest_as_it_was():
    data = turning(1500, 30)
    full = Analyzer(SETUP)
    part = Analyzer(SETUP)
    sizes = []
    for k in range(0, len(data), 1000):
        full.feed(data[k : k + 1000])
        part.feed(data[k : k + 1000])
        _, now = part.clock
        part.forget(now - round(5 / 24e-9))
        sizes.append(len(part.tables().sparks.tick))
    _, now = part.clock
    all_of_it, newest = full.tables(), part.tables()
    kept = all_of_it.sparks.tick >= now - round(5 / 24e-9)
    assert np.array_equal(newest.sparks.tick, all_of_it.sparks.tick[kept])
    assert np.array_equal(newest.sparks.degrees, all_of_it.sparks.degrees[kept])
    assert max(sizes) < 140  # 25 sparks a second for 5 s
    one, other = measure.evaluate(SETUP, all_of_it), measure.evaluate(SETUP, newest)
    # 30 degrees after a pulse at 40 BTDC is 10 BTDC.
    assert one.timing == pytest.approx(10, abs=1e-3) and other.timing == pytest.approx(10, abs=1e-3)
    # The event before which others were dropped may be one whose beginning is gone.
    assert other.cut == 1 and other.events == int(kept.sum()) - 1 and not other.missing


def test_forgetting_drops_earlier_sessions():
    analyzer = Analyzer(SETUP)
    analyzer.feed(turning(1500, 3))
    made = Stream(session=9)
    made.hello()
    made.heartbeat(0)
    analyzer.feed(made.data)
    assert len(analyzer.tables().sparks.tick)
    assert analyzer.clock[0] == 9
    analyzer.forget(0)
    assert not len(analyzer.tables().sparks.tick) and not len(analyzer.tables().periods.start)


def test_the_crank_that_stands_and_the_spark_that_stays_away_are_said():
    analyzer = Analyzer(SETUP)
    analyzer.feed(turning(1500, 8))
    tables = analyzer.tables()
    result = measure.evaluate(SETUP, tables)
    _, now = analyzer.clock
    assert view.stillness(tables, now, result, 0.0) == ("turning", "")
    code, text = view.stillness(tables, now + round(3 / 24e-9), result, 3.0)
    assert code == "standing" and "no crank reference for 3 s" in text
    sparks = tables.sparks
    early = sparks.tick < now - round(4 / 24e-9)
    tables.sparks = type(sparks)(*(getattr(sparks, name)[early] for name in vars(sparks)))
    code, text = view.stillness(tables, now, result, 0.0)
    assert code == "no_spark" and "no spark for 4 s" in text
    # Long afterwards the window is empty, and what was seen once is forgotten.
    analyzer.forget(now + 1)
    tables = analyzer.tables()
    result = measure.evaluate(SETUP, tables)
    assert result.findings[0].code == "no_sync"
    code, text = view.stillness(tables, now, result, 60.0)
    assert code == "standing" and "for 60 s" in text
    assert view.stillness(tables, now, result, 0.1) == ("waiting", "")


def test_trend_is_by_the_second_and_bounded():
    trend = view.Trend()
    ticks = np.rint(np.arange(0.1, 400, 0.25) / 24e-9)
    for k in range(0, len(ticks), 3):  # overlapping looks: nothing is counted twice
        some = ticks[max(0, k - 10) : k + 3].astype(np.int64)
        trend.take(some, np.full(len(some), 12.0), np.full(len(some), 900.0), 24e-9)
    rows = trend.rows()
    assert [row[0] for row in rows] == list(range(-view.TREND_S, 1))
    assert all(row[1:] == [12.0, 12.0, 12.0, 900] for row in rows)
    assert {n for n, *_ in trend.seconds.values()} == {4}
    trend.rebase()
    trend.take(np.array([5]), np.array([14.0]), np.array([900.0]), 24e-9)
    assert [row[0] for row in trend.rows()][-2:] == [-1, 0] and trend.rows()[-1][1] == 14.0


@pytest.fixture(scope="module")
def live(tmp_path_factory):
    kept = []
    path = tmp_path_factory.mktemp("live") / "run.swrec"
    with capturing(record=path, keep=lambda *what: kept.append(what)) as rig:
        rig.kept, rig.path = kept, path
        yield rig


def ask(rig, do, **values):
    return rig.capture.ask(do, values).result(10)


def refused(rig, do, **values):
    with pytest.raises(UserError) as caught:
        ask(rig, do, **values)
    return caught.value.message


def test_numbers_are_the_truth_within_their_interval(live):
    shown = live.newest.wait(lambda v: v["error"] and v["timing"] and "raster" in v)
    truth = live.simulated.world.truth()
    sparked = truth.sparks > 0
    assert abs(shown["timing"]["value"] - truth.btdc_deg[sparked].mean()) <= shown["error"]["u"]
    assert shown["timing"]["side"] == "BTDC" and shown["error"]["word"] == "retarded"
    assert abs(shown["rpm"]["value"] - truth.cycle_rpm.mean()) < 30
    assert shown["sparks"]["value"] == pytest.approx(truth.sparks[sparked].mean(), abs=0.1)
    # In the raster each event starts at its first spark, and repeats every 0.64 ms.
    assert all(row[0] == 0 for row in shown["raster"])
    assert {len(row) for row in shown["raster"]} <= set(np.unique(truth.sparks).tolist())
    apart = [row[1] for row in shown["raster"] if len(row) > 1]
    assert np.median(apart) == pytest.approx(6 * 0.64e-3 * shown["rpm"]["value"], rel=0.06)
    assert shown["link"]["state"] == "streaming" and not shown["anything_lost"]
    assert json.loads(json.dumps(view.finite(shown), allow_nan=False))


def test_views_come_four_times_a_second(live):
    live.newest.wait(lambda v: len(live.newest.times) > 12)
    assert 0.2 < np.median(np.diff(live.newest.times[-12:])) < 0.4


def test_terminal_shows_the_same_numbers(live):
    from rich.console import Console

    shown = live.newest.wait(lambda v: v["error"])
    out = Console(width=100, record=True, file=io.StringIO())
    out.print(terminal.render(shown))
    text = out.export_text()
    for part in (shown["timing"]["text"], shown["error"]["text"], shown["rpm"]["text"]):
        assert part in text
    assert "nothing of" in text and "streaming" in text


def test_commanded_value_moves_the_error(live):
    before = live.newest.wait(lambda v: v["error"])["error"]["value"]
    ask(live, "commanded", value=19)
    after = live.newest.wait(lambda v: v["commanded"]["value"] == 19 and v["error"])
    assert after["error"]["value"] == pytest.approx(before - 10, abs=0.3)
    assert "from -60 to 80" in refused(live, "commanded", value=99)
    for wrong in ("20", None, True, float("nan"), 1e300):
        assert "type a number" in refused(live, "commanded", value=wrong)
    ask(live, "commanded", value=9)


def test_lamp_flashes_where_it_is_told(live):
    live.newest.wait(lambda v: v["link"]["state"] == "streaming")
    assert ask(live, "lamp", mode="angle", btdc=12.5) == "lamp at 12.5° BTDC"
    wait_until(lambda: live.simulated.world.lamp_now.mode == 1)
    # The world's own geometry tells where the flash falls.
    assert live.simulated.world.lamp_btdc() == pytest.approx(12.5, abs=1e-3)
    ask(live, "lamp", mode="first_spark")
    wait_until(lambda: live.simulated.world.lamp_now.mode == 2)
    ask(live, "lamp", mode="off")
    wait_until(lambda: live.simulated.world.lamp_now.mode == 0)
    assert "the lamp can be" in refused(live, "lamp", mode="bright")


def test_the_lamp_counts_one_flank_of_a_vr_sensor_s_crank():
    """Both flanks show which way round it is wired; for the lamp the stream begins anew with one,
    and what was seen stays."""

    def typed(setup):
        return replace(setup, sensor="vr", falling=("crank",))

    def narrow(view):
        return view["engine"] == "turning" and any("narrow" in note for note in view["notes"])

    with capturing("idle-four", typed=typed) as rig:
        shown = rig.newest.wait(narrow)
        assert shown["timing"] is None and not shown["next"]
        assert rig.simulated.world.both & 1
        assert ask(rig, "lamp", mode="angle", btdc=12.5) == "lamp at 12.5° BTDC"
        wait_until(lambda: rig.simulated.world.lamp_now.mode == 1)
        assert rig.simulated.world.both == 0
        rig.newest.wait(lambda v: v["lamp"]["mode"] == "angle" and narrow(v))
        assert "lamp off" in ask(rig, "lamp", mode="off")


def test_marks_are_kept(live):
    shown = live.newest.wait(lambda v: v["error"])
    assert ask(live, "mark", note="  warm,\n idle ") == "point 1 marked"
    mark = live.newest.wait(lambda v: v["marks"])["marks"][0]
    assert mark["note"] == "warm, idle" and mark["timing"].startswith(shown["timing"]["text"][:2])
    wait_until(lambda: live.kept)
    what, result, setup, board = live.kept[0]
    assert what == "mark" and result.timing is not None and setup.setting == 5.5
    json.dumps(board)
    assert "there is no command" in refused(live, "dance")


def test_setting_begins_a_trial_and_the_error_goes(live):
    first = live.newest.wait(lambda v: v["next"] and v["commanded"]["value"] == 9)
    assert first["next"]["value"] == 3.25
    assert "above the controller's greatest" in refused(live, "setting", value=31)
    assert "new trial" in ask(live, "setting", value=3.25)
    second = live.newest.wait(lambda v: v["setting"]["value"] == 3.25 and v["error"])
    assert second["error"]["agrees"], second["error"]
    assert second["trials"][0]["setting"] == "5.5"
    assert [what for what, *_ in live.kept][-1] == "trial"


def test_loss_is_said_in_time_and_the_board_found_again(live):
    before = live.newest.wait(lambda v: v["link"]["state"] == "streaming" and v["error"])
    begun = time.monotonic()
    live.simulated.unplug()
    shown = live.newest.wait(lambda v: v["link"]["state"] != "streaming", 2.0)
    assert time.monotonic() - begun < 2.0
    assert terminal.held(shown)
    assert "the board is away" in refused(live, "lamp", mode="first_spark")
    time.sleep(1.0)
    live.simulated.reset(new_port=True)
    live.newest.wait(lambda v: v["link"]["state"] == "streaming", 10)
    shown = live.newest.wait(lambda v: v["error"] and v["anything_lost"], 15)
    # One, or more where the board had to be asked twice.
    assert " restarts of the board" in shown["lost"]
    assert shown["error"]["agrees"] == before["error"]["agrees"]


def test_a_board_that_hangs_is_said_in_time(live):
    live.newest.wait(lambda v: v["link"]["state"] == "streaming" and v["error"])
    process = live.simulated._run.process
    begun = time.monotonic()
    os.kill(process.pid, signal.SIGSTOP)
    try:
        live.newest.wait(lambda v: v["link"]["state"] != "streaming", 2.0)
        assert time.monotonic() - begun < 2.0
    finally:
        os.kill(process.pid, signal.SIGCONT)
    live.newest.wait(lambda v: v["link"]["state"] == "streaming" and v["error"], 20)


def test_the_recording_holds_all_of_it(live):
    live.capture.close()
    setup = Setup.from_dict(Recording(live.path).setup)
    result = replay(live.path, setup)
    assert result.loss.sessions >= 2 and result.rpm is not None
    assert result.seconds == pytest.approx(live.newest.view["seconds"], abs=3)


def test_a_full_disk_ends_the_recording_not_the_run(tmp_path):
    full = "/dev/full"
    if not os.path.exists(full):
        pytest.skip("this system has no /dev/full")
    with capturing(record=tmp_path / "run.swrec") as rig:
        rig.newest.wait(lambda v: v["recording"])
        os.dup2(os.open(full, os.O_WRONLY), rig.capture._recorder._recorder._file.fileno())
        shown = rig.newest.wait(lambda v: v["recording"] is None)
        assert any("stopped recording" in note for note in shown["notes"])
        rig.newest.wait(lambda v: v["timing"])


def run_command(*arguments, until, tmp_path):
    """The command as a person runs it, ended with Ctrl-C once it said `until`; (output, code)."""
    program = Path(sys.executable).with_name("sparkwitness")
    process = subprocess.Popen(
        [program, "live", "--simulate", "marine-four", *arguments],
        stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.STDOUT,
        env={**os.environ, "SPARKWITNESS_LOGBOOK": str(tmp_path / "book.sqlite"), "COLUMNS": "120",
             "PYTHONUNBUFFERED": "1"},
    )  # fmt: skip
    said, end = b"", time.monotonic() + 60
    while until not in said.decode(errors="replace") and time.monotonic() < end:
        piece = os.read(process.stdout.fileno(), 65536)
        if not piece:
            break
        said += piece
    process.send_signal(signal.SIGINT)
    rest, _ = process.communicate(timeout=60)
    return (said + rest).decode(), process.returncode


def test_command_in_the_terminal(tmp_path):
    shell = Terminal(
        "live", "--simulate", "marine-four", "--terminal", columns=120,
        SPARKWITNESS_LOGBOOK=str(tmp_path / "book.sqlite"),
    )  # fmt: skip
    shell.expect("BTDC")
    shell.send(b"\x03")
    code, output = shell.close(), shell.said
    assert code == 0, output
    assert "Traceback" not in output
    assert "true timing" in output and "BTDC" in output and "Before you go near it" in output


def test_command_with_a_page_for_the_network(tmp_path):
    output, code = run_command("--lan", "--http-port", "0", until="Ctrl-C ends", tmp_path=tmp_path)
    assert code == 0, output
    assert "Traceback" not in output
    assert re.search(r"http://[\w.-]+:\d+/\?token=[\w-]{20,}", output)
    assert sum("▀" in line or "▄" in line for line in output.splitlines()) > 12  # the code


def test_refusals_are_one_sentence(tmp_path):
    from click.testing import CliRunner

    from sparkwitness import cli

    def said(*arguments):
        result = CliRunner().invoke(cli.main, ["live", "--no-log", *arguments])
        assert result.exit_code and isinstance(result.exception, SystemExit)
        return result.output.strip().splitlines()[-1]

    assert "no such port" in said("--port", "/dev/none", "--reference", "pulse",
                                  "--reference-angle", "10")  # fmt: skip
    assert "shows no page" in said("--terminal", "--lan", "--simulate", "marine-four")
    assert "give one of" in said("--port", "x", "--simulate", "marine-four")
    import socket

    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = str(taken.getsockname()[1])
        assert "choose another one" in said("--simulate", "marine-four", "--http-port", port)


def test_what_the_page_needs_is_said_when_it_is_missing(monkeypatch):
    from click.testing import CliRunner

    from sparkwitness import cli

    monkeypatch.setitem(sys.modules, "segno", None)
    result = CliRunner().invoke(cli.main, ["live", "--no-log", "--simulate", "marine-four"])
    assert result.exit_code == 1
    assert "pip install 'sparkwitness[live]'" in result.output.splitlines()[-1]


def test_a_fault_in_the_numbers_ends_neither_capture_nor_recording(tmp_path, monkeypatch):
    from sparkwitness.faces.live import capture

    with capturing(record=tmp_path / "run.swrec") as rig:
        rig.newest.wait(lambda v: v["timing"])

        def fails(*_):
            raise ZeroDivisionError("broken on purpose")

        with monkeypatch.context() as patch:
            patch.setattr(capture, "evaluate", fails)
            shown = rig.newest.wait(lambda v: any("cannot be computed" in n for n in v["notes"]))
            assert shown["link"]["state"] == "streaming" and shown["recording"]
        rig.newest.wait(lambda v: v["timing"] and "cannot be computed" not in str(v["notes"]))
