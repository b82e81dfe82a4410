"""Where the bytes come from is said on every face: nothing simulated passes for measured."""

import json

import pytest
from click.testing import CliRunner

from sparkwitness import cli
from sparkwitness.decode.recording import MEASURED, Recorder, Recording

SAID = "simulated: idle-four"


def invoke(*words: object) -> str:
    told = CliRunner().invoke(cli.main, [str(w) for w in words])
    assert told.exit_code == 0, told.output
    return " ".join(told.output.split())


@pytest.fixture(scope="module")
def recorded(tmp_path_factory: pytest.TempPathFactory):
    """A recording of a simulated engine, and the logbook that its measurement is kept in."""
    folder = tmp_path_factory.mktemp("source")
    path, book = folder / "run.swrec", folder / "book.db"
    said = invoke("measure", "--simulate", "idle-four", "--once", "--record", path,
                  "--logbook", book)  # fmt: skip
    assert f"no engine was measured: {SAID}" in said
    return path, book


def test_the_header_says_it(recorded):
    assert Recording(recorded[0]).source == SAID


def test_a_replay_says_it(recorded):
    path, _ = recorded
    said = invoke("measure", "--from", path, "--no-log")
    assert f"no engine was measured: replay of {SAID}" in said
    told = json.loads(invoke("measure", "--from", path, "--no-log", "--json"))
    assert told["source"] == f"replay of {SAID}"


def test_report_and_logbook_say_it(recorded, tmp_path):
    path, book = recorded
    for source, words in ((path, f"replay of {SAID}"), ("1", SAID)):
        page = tmp_path / f"{len(words)}.html"
        invoke("report", source, "--out", page, "--logbook", book)
        assert f"No engine: {words}" in page.read_text()
    assert SAID in invoke("logbook", "show", "1", "--logbook", book)


def test_exports_say_it(recorded, tmp_path):
    path, _ = recorded
    invoke("export", path, "--to", "csv", "--out", tmp_path / "run")
    (beside,) = tmp_path.glob("run-edges.csv-metadata.json")
    assert SAID in beside.read_text()


@pytest.mark.parametrize(
    ("board", "source", "said"),
    [
        ("unix port, micropython", None, "simulated"),  # as versions before wrote it
        ("unix port, micropython", MEASURED, "simulated"),
        ("Raspberry Pi Pico with RP2040", None, MEASURED),
        ("Raspberry Pi Pico with RP2040", "imported: scope.csv", "imported: scope.csv"),
    ],
)
def test_what_ran_the_firmware_cannot_be_hidden(board, source, said, tmp_path):
    path = tmp_path / "run.swrec"
    recorder = Recorder(path, {"board": board, "tick_ps": 24_000}, None, source or MEASURED)
    recorder.write(b"\0")
    recorder.close()
    if source is None:
        head, _, rest = path.read_bytes().partition(b"\n")
        values = {k: v for k, v in json.loads(head).items() if k != "source"}
        path.write_bytes(json.dumps(values).encode() + b"\n" + rest)
    assert Recording(path).source == said
