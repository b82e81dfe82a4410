"""Recordings: header, limits, parts, and a disk that is slow; each byte and time typed."""

import json
import threading
import time
from types import SimpleNamespace

import pytest

from sparkwitness.decode import recording
from sparkwitness.decode.recording import Behind, Recorder, Recording
from sparkwitness.errors import UserError

BOARD = {"tick_ps": 24_000, "uid": b"\x01\xff", "board": "test"}


def kept(path, data=b"abc", board=BOARD, setup=None, **more):
    recorder = Recorder(path, board, setup, **more)
    recorder.write(data)
    recorder.close()
    return Recording(path)


def test_a_recording_is_a_line_and_the_bytes(tmp_path):
    data = bytes(range(256)) * 20
    one = kept(tmp_path / "a.swrec", data, setup={"x": 1}, more={"imported": {"assumed": {"y": 2}}})
    assert b"".join(one.chunks()) == data
    assert [len(c) for c in one.chunks(2000)] == [2000, 2000, 1120]
    head = json.loads((tmp_path / "a.swrec").read_bytes().split(b"\n", 1)[0])
    assert (head["format"], head["version"], head["source"]) == (
        "sparkwitness recording",
        1,
        "board",
    )
    assert head["board"] == {"tick_ps": 24_000, "uid": "01ff", "board": "test"}
    assert (one.setup, one.tick_ps, one.imported, one.defaults) == (
        {"x": 1},
        24_000,
        False,
        {"x": 1},
    )
    with pytest.raises(UserError, match="already exists"):
        kept(tmp_path / "a.swrec")
    with pytest.raises(UserError, match="is an empty recording"):
        kept(tmp_path / "empty.swrec", b"")
    bare = kept(tmp_path / "b.swrec", b"\n", more={"imported": {"assumed": {"y": 2}}})
    assert b"".join(bare.chunks()) == b"\n" and bare.defaults is None
    taken = kept(tmp_path / "c.swrec", source="imported: x.csv",
                 more={"imported": {"assumed": {"y": 2}}})  # fmt: skip
    assert taken.imported and taken.defaults == {"y": 2} and taken.source == "imported: x.csv"
    assert kept(tmp_path / "d.swrec", source="imported: x", more={"imported": 3}).defaults is None
    typed = kept(tmp_path / "e.swrec", setup={"z": 3}, source="imported: x",
                 more={"imported": {"assumed": {"y": 2}}})  # fmt: skip
    assert typed.defaults == {"z": 3}


@pytest.mark.parametrize(
    ("source", "fine", "wrong"),
    [("board", (1000, 32_000), (999, 32_001)), ("imported: x", (1, 10**9), (0, 10**9 + 1))],
)
def test_ticks_that_a_board_or_another_logger_may_have(tmp_path, source, fine, wrong):
    for k, tick in enumerate((*fine, *wrong, "24000", None)):
        one = kept(tmp_path / f"{k}.swrec", board={"tick_ps": tick}, source=source)
        if k < 2:
            assert one.tick_ps == tick
        else:
            with pytest.raises(UserError, match="does not say the board's tick length"):
                _ = one.tick_ps
    for k, board in enumerate((None, [24_000])):
        path = tmp_path / f"odd{k}.swrec"
        head = {"format": "sparkwitness recording", "version": 1, "board": board}
        path.write_bytes(json.dumps(head).encode() + b"\nabc")
        with pytest.raises(UserError, match="does not say"):
            _ = Recording(path).tick_ps
        assert Recording(path).source == "board" and Recording(path).setup is None


def test_who_made_the_bytes(tmp_path):
    """Old recordings of a simulated board say it only by what ran the firmware."""
    for k, (board, source, said) in enumerate((
        ("unix port, 1.24", "board", "simulated"), ("unix port", "simulated: x", "simulated: x"),
        ("a board", "board", "board"), ("a board", "simulated: x", "simulated: x"),
    )):  # fmt: skip
        one = kept(tmp_path / f"{k}.swrec", board={"board": board}, source=source)
        assert one.source == said


@pytest.mark.parametrize(
    ("line", "says"),
    [
        (b"{", "is not a sparkwitness recording"), (b"[1]", "is not a sparkwitness"),
        (b'{"format": "x", "version": 1}', "is not a sparkwitness"),
        (b'{"format": "sparkwitness recording", "version": 2}', "has recording format 2"),
        (b'{"format": "sparkwitness recording"}', "format None, this program reads 1"),
        (b"[" * 60_000, "is not a sparkwitness"),
    ],
)  # fmt: skip
def test_what_is_no_recording(tmp_path, line, says):
    path = tmp_path / "x.swrec"
    path.write_bytes(line + b"\nabc")
    with pytest.raises(UserError, match=says):
        Recording(path)
    with pytest.raises(UserError, match="cannot read"):
        Recording(tmp_path / "none.swrec")


def test_the_longest_first_line_and_the_pieces(tmp_path):
    """Of 64 KiB with its end; what is read comes in pieces of a MiB."""
    path, head = tmp_path / "x.swrec", {"format": "sparkwitness recording", "version": 1}
    spare = (1 << 16) - 1 - len(json.dumps({**head, "setup": {"x": ""}}))
    for more in (0, 1):
        line = json.dumps({**head, "setup": {"x": "a" * (spare + more)}}).encode() + b"\n"
        path.write_bytes(line + bytes(2_500_000))
        if more:
            with pytest.raises(UserError, match="is not a sparkwitness recording"):
                Recording(path)
        else:
            assert len(line) == 65_536
            assert [len(c) for c in Recording(path).chunks()] == [1_048_576] * 2 + [402_848]


def test_a_full_disk_is_told_with_the_file(tmp_path):
    recorder = Recorder(tmp_path / "a.swrec", BOARD, None)
    kept = recorder._file

    def full(*_):
        raise OSError(28, "No space left on device")

    recorder._file = SimpleNamespace(write=full, flush=full, close=full)
    for act in (lambda: recorder.write(b"x"), recorder.flush):
        with pytest.raises(UserError, match=r"stopped recording to .*a\.swrec: No space left on"):
            act()
    with pytest.raises(UserError, match=r"cannot finish .*a\.swrec: No space left on device"):
        recorder.close()
    kept.close()


def test_a_disk_full_at_the_first_line_leaves_no_file(tmp_path, monkeypatch):
    """An empty file would stand in the way of the next try, and nobody could read it."""
    path, opened = tmp_path / "a.swrec", []

    class Full:
        def __init__(self, *how):
            self.file = open(*how)  # noqa: SIM115 (closed by what is tested)
            opened.append(self.file)

        def write(self, _):
            raise OSError(28, "No space left on device")

        def close(self):
            self.file.close()
            raise OSError(28, "No space left on device")

    monkeypatch.setattr(recording, "open", Full, raising=False)
    with pytest.raises(UserError, match=r"a\.swrec.*No space left on device"):
        Recorder(path, BOARD, None)
    assert opened[0].closed and not path.exists()


def test_bytes_are_on_the_disk_within_half_a_second(tmp_path, monkeypatch):
    now = SimpleNamespace(at=0.0)
    monkeypatch.setattr(recording, "time", SimpleNamespace(monotonic=lambda: now.at))
    path = tmp_path / "a.swrec"
    recorder = Recorder(path, BOARD, None)
    begin = path.stat().st_size
    assert begin > 100  # the header at once
    for at, there in ((0.1, 0), (0.49, 0), (0.5, 3), (0.9, 3), (1.0, 5), (1.2, 5)):
        now.at = at
        recorder.write(b"x")
        assert path.stat().st_size - begin == there, at
    recorder.flush()
    assert path.stat().st_size - begin == 6
    now.at = 1.6  # 0.4 s after that flush
    recorder.write(b"x")
    assert path.stat().st_size - begin == 6
    recorder.close()
    recorder.close()
    assert path.stat().st_size - begin == 7


class Slow:
    """A recorder whose disk answers when it is let."""

    path = "slow.swrec"

    def __init__(self, fails=None):
        self.let, self.got, self.closed, self.fails = threading.Event(), [], 0, fails

    def write(self, data):
        self.let.wait(5)
        if self.fails:
            raise UserError(self.fails)
        self.got.append(data)

    def close(self):
        self.closed += 1


def test_a_disk_that_does_not_answer_holds_nobody_up(monkeypatch):
    monkeypatch.setattr(recording, "_MOST_BEHIND", 10)
    slow = Slow()
    behind = Behind(slow)
    behind.write(b"12345")
    behind.write(b"67890")  # ten are waited for
    behind.write(b"a")
    with pytest.raises(UserError, match=r"the disk of slow\.swrec does not answer"):
        behind.write(b"b")
    with pytest.raises(UserError, match="does not answer"):
        behind.write(b"c")
    monkeypatch.setattr(recording, "_LAST_S", 0.05)
    with pytest.raises(UserError, match="does not answer"):
        behind.close()
    slow.let.set()
    behind._thread.join(5)
    assert slow.got == [b"12345", b"67890", b"a"] and slow.closed == 1


def test_how_far_behind_and_how_long_at_the_end(monkeypatch):
    """64 MiB may wait; at the end five seconds. No thread of it holds up the program's own end."""
    slow, piece = Slow(), bytes(1 << 20)
    behind = Behind(slow)
    for _ in range(65):
        behind.write(piece)  # all the same bytes: no memory
    with pytest.raises(UserError, match="does not answer"):
        behind.write(b"x")
    thread = behind._thread
    assert thread.daemon
    waited = []
    behind._thread = SimpleNamespace(join=waited.append, is_alive=lambda: True)
    with pytest.raises(UserError, match="does not answer"):
        behind.close()
    assert waited == [5.0]
    slow.let.set()
    thread.join(5)
    assert len(slow.got) == 65
    # What is on the disk waits no longer.
    monkeypatch.setattr(recording, "_MOST_BEHIND", 10)
    behind = Behind(slow)
    for n in range(1, 9):
        behind.write(b"12345")
        while behind._written < 5 * n:
            time.sleep(0.001)
    behind.close()


def test_a_disk_that_answers_has_it_all():
    slow = Slow()
    slow.let.set()
    behind = Behind(slow)
    for k in range(30):
        behind.write(bytes([k]) * 3)
    behind.close()
    assert b"".join(slow.got) == bytes(k for k in range(30) for _ in range(3))
    assert slow.closed == 1 and (behind._given, behind._written) == (90, 90)
    unused = Slow()
    Behind(unused).close()
    assert unused.closed == 1 and not unused.got
    full = Slow(fails="no space left")
    full.let.set()
    behind = Behind(full)
    behind.write(b"x")
    with pytest.raises(UserError, match="no space left"):
        behind.close()
    assert full.closed == 1
    with pytest.raises(UserError, match="no space left"):
        behind.write(b"y")


def test_parts_of_a_run(tmp_path):
    first = tmp_path / "run.swrec"
    assert [recording.part_path(first, n).name for n in (1, 2, 10)] == [
        "run.swrec", "run-2.swrec", "run-10.swrec",
    ]  # fmt: skip
    third = recording.part_path(first, 3)
    assert recording.parts_to(third) == [third]  # of which there is no first
    first.write_text("x")
    assert [p.name for p in recording.parts_to(third)] == [
        "run.swrec", "run-2.swrec", "run-3.swrec",
    ]  # fmt: skip
    assert [p.name for p in recording.parts_to(recording.part_path(first, 2))] == [
        "run.swrec", "run-2.swrec",
    ]  # fmt: skip
    assert recording.parts_to(first) == [first]
    second = recording.part_path(first, 2)
    assert recording.parts_to(second) == [first, second]
    for name in ("run-1.swrec", "run-0.swrec", "run-x.swrec", "run-.swrec", "-2.swrec"):
        assert recording.parts_to(tmp_path / name) == [tmp_path / name]
