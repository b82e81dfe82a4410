"""The hardware of the unix port, record by record: what it tells its world and takes from it.

By hand, from the docstring of firmware/hw_unix.py: 32 bytes out, 4096 bytes back for a step.
"""

from __future__ import annotations

import json
import os
import struct
import subprocess
from typing import Any

import pytest

import firmware_board
from firmware_board import run_script

ADVANCE, DRIVE, LAMP, OFF, START, CONFIGURE = 1, 2, 3, 4, 5, 6
MS = 41_667  # ticks of 24 ns

BOARD = """
import sys, json
from hw_unix import Hardware
given = json.loads(%r)
board = Hardware()
found = []
%s
sys.stdout.buffer.write(b"said:" + json.dumps(found).encode())
"""


@pytest.fixture
def talk(monkeypatch: pytest.MonkeyPatch) -> Any:
    """Run a script whose world is its standard input and output: (records, what was found)."""
    monkeypatch.setenv("SPARKWITNESS_WORLD", "0,1")
    monkeypatch.delenv("SPARKWITNESS_PANEL", raising=False)

    def run(script: str, given: object = None, answers: bytes = b"") -> tuple[list[bytes], Any]:
        out = run_script(BOARD % (json.dumps(given), script), stdin=answers)
        records, _, said = out.partition(b"said:")
        assert len(records) % 32 == 0 and records[:32] == bytes([OFF]) + bytes(31)  # from the start
        return [records[k : k + 32] for k in range(32, len(records), 32)], json.loads(said)

    return run


def answer(now: int, supply=0, flags=0, counts=((), (), (), ()), driven=0) -> bytes:
    words = [count for one in counts for count in one]
    body = struct.pack("<QHBx4HI", now, supply, flags, *map(len, counts), driven)
    return (body.ljust(32, b"\xff") + struct.pack(f"<{len(words)}I", *words)).ljust(4096, b"\xee")


def record(operation: int, payload: bytes = b"") -> bytes:
    return bytes([operation, 0, 0, 0]) + payload[:28].ljust(28, b"\0")


def test_what_the_world_is_told(talk: Any) -> None:
    records, found = talk("""
board._tell(9, bytes(range(40)))
board.configure(5, 2)
board.configure(15, 1, 4)
board.start()
board.outputs_off()
found = [board.tick_ps, board.clock_hz, board.edge_rate, board.dead_ns, board.min_pulse_ns,
         board.rings.size, board.supply_mv(), board.outputs, board.board[:9], list(board.told)]
""")
    assert records == [
        record(9, bytes(range(40))), record(CONFIGURE, b"\5\2"), record(CONFIGURE, b"\17\1\4"),
        record(START), record(OFF),
    ]  # fmt: skip
    # 125 MHz, a count each 3 cycles: 24 ns.
    assert found == [24_000, 125_000_000, 100_000, 32, 32, 2048, 65_535, 0, "unix port", [0, 0, 0]]


def test_a_step_of_the_world(talk: Any) -> None:
    """Time, pulses driven, supply, whether it waits, and the counts of each input in order."""
    later = 7 << 32 | 0x12345678
    answers = [
        answer(later, 12_600, 0, ((1, 0xFFFFFFFE), (), (9,), (5, 6, 7)), 3),
        answer(later + 10, 11_900, 2, ((), (8,), (), ()), 0x01020304),
        answer(later + 20, 12_100, 1, (range(100, 1_115), (), (), ()), 5),
    ]
    records, found = talk(
        """
from array import array
board.start()
for _ in range(3):
    worked = board.poll(True)  # no time is spent here on anything but looking
    found.append([list(board.rings.now), board.driven[0], board._supply, board._waits,
                  list(board.rings.written), worked])
size = board.rings.size
for i, n in given:
    view = board.rings.buffers[i]
    found.append([int.from_bytes(bytes(view[4 * k:4 * k + 4]), "little") for k in range(n)])
found += [board.supply_mv(), board.supply_mv()]
board._waits, board._supply = True, 5
board.start()
found += [board._waits, board._supply]
""",
        [(0, 4), (1, 1), (2, 1), (3, 3)],
        b"".join(answers),
    )
    assert records == [record(START), *[record(ADVANCE)] * 3, record(START)]
    low = 0x12345678
    assert found[:3] == [
        [[low, 7], 3, 12_600, False, [2, 0, 1, 3], 0],
        [[low + 10, 7], 0x01020304, 11_900, True, [2, 1, 1, 3], 0],
        [[low + 20, 7], 5, 11_900, False, [1_017, 1, 1, 3], 0],
    ]
    assert found[3:7] == [[1, 0xFFFFFFFE, 100, 101], [8], [9], [5, 6, 7]]
    # The lowest since it was asked for; nothing since: not measured.
    assert found[7:] == [11_900, 65_535, False, 65_535]


def test_the_board_ends_with_its_world(talk: Any) -> None:
    """Nothing comes any more, or half an answer: no time passes, so that it must not go on."""
    for call, answers in (
        ("board._advance()", b""), ("board._advance()", answer(1)[:-1]), ("board.poll(False)", b""),
        ("board.poll(True)", b""),
    ):  # fmt: skip
        out = run_script(
            BOARD % ("0", f"board.start()\n{call}\n{call}"), stdin=answers
        )  # and with 0
        assert b"said" not in out and len(out) <= 96, call


def order(*fields: int) -> list[int]:
    return list(struct.pack("<IIIIBBBBBB", *fields) + bytes(6))


def test_orders_for_the_outputs(talk: Any) -> None:
    """Which outputs are on: trigger 1, crank 2, lamp 4; pulses count anew; the lease begins."""
    both = order(1_000_000, 1_000_000, 0, 1_000, 4, 2, 0, 36, 1, 1)
    trigger = order(0, 1_000_000, 0, 2_000, 4, 2, 0, 0, 0, 0)
    wheel = order(1_000_000, 0, 0, 0, 0, 2, 0, 36, 1, 0)
    bad = order(1_000_000, 1_000_000, 0, 15_001, 4, 2, 0, 0, 0, 0)
    rest = order(0, 0, 0, 700, 4, 2, 0, 36, 1, 0)
    still = order(1_000_000, 1_000_000, 0, 1_000, 0, 2, 0, 0, 0, 0)
    lamp = [[1, *[0] * 11], [0, *[0] * 11]]
    records, found = talk(
        """
def look(fault):
    found.append([fault, board.outputs, board.leased, board.driven[0], board.told[0],
                  board._counted, board._width_us, board._budget.words[5]])
for k, payload in enumerate(given):
    board.driven[0], board.told[0], board._counted = 5, 6, 7
    act = board.lamp if len(payload) == 12 else board.drive
    look(act(bytes(payload), 100 + k))
""",
        [both, lamp[0], trigger, bad, wheel, rest, lamp[1], still],
    )
    kinds = [DRIVE, LAMP, DRIVE, DRIVE, DRIVE, LAMP, DRIVE]
    sent = [both, lamp[0], trigger, wheel, rest, lamp[1], still]
    assert records == [record(kind, bytes(one)) for kind, one in zip(kinds, sent, strict=True)]
    capacitive, inductive = 80_000, 60_000  # what the vessel of a second holds
    assert found[0] == [None, 3, 100, 0, 0, 0, 1_000, capacitive]
    assert found[1] == [None, 7, 101, 5, 6, 7, 1_000, capacitive]
    assert found[2] == [None, 5, 102, 0, 0, 0, 2_000, inductive]
    assert found[3][0].startswith("width_us is 15001") and found[3][1:6] == [5, 102, 5, 6, 7]
    assert found[4] == [None, 6, 104, 0, 0, 0, 0, inductive]
    assert found[5] == [None, 4, 104, 0, 0, 0, 700, inductive]
    assert found[6][:3] == [None, 0, 104] and found[7][:3] == [None, 0, 104]


def test_active_time_is_counted_from_the_worlds_pulses(talk: Any) -> None:
    """1 ms each, inductive: a second's vessel holds 60, and loses 0.7 ms each ms. Nine pulses in 10
    ms are half at their begin and half at their end."""
    orders = order(1_000_000, 1_000_000, 0, 1_000, 4, 2, 0, 0, 0, 0)
    steps = [
        # ms, pulses in all
        (1_000, 50), (1_000, 55), (1_010, 64), (1_010, 67), (1_010, 68),
    ]  # fmt: skip
    answers = b"".join(answer(ms * MS + 40_000, driven=n) for ms, n in steps)
    records, found = talk(
        """
board.drive(bytes(given), 0)
board._then, board.told[2] = 1000, 16  # what was cut before stays
for _ in range(5):
    board._advance()
    found.append([board.outputs, board.told[2], len(board.notes), board._counted,
                  board._budget.words[0]])
found.append(board.notes)
found.append(board._now_ms())
""",
        orders,
        answers,
    )
    assert [one[4] for one in found[:5]] == [
        50_000, 55_000, 55_000 + 4_500 - 7_000 + 4_500, 60_000, 60_000,
    ]  # fmt: skip
    assert [one[:4] for one in found[:5]] == [
        [1, 16, 0, 50], [1, 16, 0, 55], [1, 16, 0, 64], [1, 16, 0, 67], [0, 18, 1, 68],
    ]  # fmt: skip
    assert "active time of a second" in found[5][0][1] and found[6] == 1_010
    assert [r[0] for r in records] == [DRIVE, *[ADVANCE] * 5, OFF]


def test_pulses_after_a_clock_that_was_set_back_count(talk: Any) -> None:
    """A new session begins at 0: 60 of 1 ms are in the vessel of a second, inductive; 61 are not.
    No time has passed then, so that nothing has leaked."""
    orders = order(1_000_000, 1_000_000, 0, 1_000, 4, 2, 0, 0, 0, 0)
    steps = [(1_000, 60), (1_000, 61)]
    _, found = talk(
        """
board.drive(bytes(given), 0)
board._then = board._budget.words[2] = 90_000
for _ in range(2):
    board._advance()
    found.append([board.outputs, board.told[2], board._budget.words[0]])
""",
        orders,
        b"".join(answer(ms * MS + 40_000, driven=n) for ms, n in steps),
    )
    assert found == [[1, 0, 60_000], [0, 2, 60_000]]


def test_the_time_by_which_active_time_leaks(talk: Any) -> None:
    """Milliseconds, of 30 bits, of a wide time of 24 ns: its low word alone lasts 103 s."""
    times = [41_667 * ms for ms in (1, 200_000, 3_600_000, (1 << 30) - 1, (1 << 30) + 5)]
    _, found = talk(
        """
for low, high in given:
    board.rings.now[0], board.rings.now[1] = low, high
    found.append(board._now_ms())
""",
        [(ticks & 0xFFFFFFFF, ticks >> 32) for ticks in times],
    )
    assert found == [1, 200_000, 3_600_000, (1 << 30) - 1, 5]


def test_a_long_step_spreads_its_pulses(talk: Any) -> None:
    """100 pulses of 1 ms over a second are within the share of 70 %; at once they are not. Without
    the trigger on nothing is counted."""
    orders = order(1_000_000, 1_000_000, 0, 1_000, 4, 2, 0, 0, 0, 0)
    answers = b"".join(
        answer(ms * MS + 9, driven=n) for ms, n in ((2_000, 650), (2_009, 690), (2_009, 760))
    )
    records, found = talk(
        """
board.drive(bytes(given), 0)
board._then = board._budget.words[2] = 1000
for k in range(3):
    if k == 2: board.outputs = 6
    board._advance()
    found.append([board.outputs, board._budget.words[0], board._budget.words[2], board._counted])
""",
        orders,
        answers,
    )
    # 101 pieces each 10 ms, of 6.435 ms and 7 ms that leak: the last one is all that is left.
    assert found[0] == [1, 650_000 - 650_000 * 100 // 101, 2_000, 650]
    # 9 ms are one piece, at their end.
    assert found[1] == [1, max(0, found[0][1] - 6_300) + 40_000, 2_009, 690]
    assert found[2] == [6, found[1][1], 2_009, 760]
    assert [r[0] for r in records] == [DRIVE, *[ADVANCE] * 3]


def test_the_desks_display_and_buttons() -> None:
    """A transfer goes out as its length (two bytes) and its bytes; a byte that comes in says which
    buttons are down, A 1 and B 2, until the next; nobody there any more: none."""
    script = """
import sys, json
import desk, pins
a, b, other = desk._Pins(pins.BUTTON_A), desk._Pins(pins.BUTTON_B), desk._Pins(20)
other.init(1, 0, 0)
for line in sys.stdin:
    print(json.dumps([a.value(), b.value(), other.value()]))
desk._Bus(0, 1, 2, 3).writeto(0x3c, b"abc")
print(desk._Bus(0, 1, 2, 3, timeout=4).writeto(1, bytes(200)))
"""
    buttons, press = os.pipe()
    shown, show = os.pipe()
    board = subprocess.Popen(
        [firmware_board.micropython(), "-c", script],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, pass_fds=(buttons, show),
        env={**os.environ, "MICROPYPATH": f"{firmware_board.FIRMWARE}:.frozen",
             "SPARKWITNESS_PANEL": f"{show},{buttons}"},
    )  # fmt: skip
    os.close(show)
    assert board.stdin is not None and board.stdout is not None
    for pressed, levels in (
        (b"", [1, 1, 1]), (b"\1", [0, 1, 1]), (b"", [0, 1, 1]), (b"\2", [1, 0, 1]),
        (b"\0\3", [0, 0, 1]), (b"\3\0", [1, 1, 1]), (b"\4", [1, 1, 1]), (b"\3", [0, 0, 1]),
        (None, [1, 1, 1]),
    ):  # fmt: skip
        if pressed is None:
            os.close(press)
        else:
            os.write(press, pressed)
        board.stdin.write(b"\n")
        board.stdin.flush()
        assert json.loads(board.stdout.readline()) == levels, pressed
    board.stdin.close()
    assert board.stdout.read() == b"200\n" and board.wait(10) == 0
    with os.fdopen(shown, "rb") as pipe:
        assert pipe.read() == b"\3\0abc" + bytes([200, 0]) + bytes(200)
    board.stdout.close()
    os.close(buttons)


def beside_a_panel(script: str, show: int, **names: str) -> subprocess.CompletedProcess[bytes]:
    """The script under MicroPython, with the firmware, the end of a pipe and variables."""
    return subprocess.run(
        [firmware_board.micropython(), "-c", script],
        input=b"", capture_output=True, check=False, timeout=60, pass_fds=(show,),
        env={**os.environ, "MICROPYPATH": f"{firmware_board.FIRMWARE}:.frozen", **names},
    )  # fmt: skip


def test_a_desk_that_went_away_ends_the_board() -> None:
    """Nobody reads the display any more: the program ends as after a day's work, with no word."""
    script = """
import desk
desk._Bus(0, 1, 2, 3).writeto(0x3c, b"abc")
print("went on")
"""
    shown, show = os.pipe()
    os.close(shown)
    said = beside_a_panel(script, show, SPARKWITNESS_PANEL=f"{show},0")
    os.close(show)
    assert (said.returncode, said.stdout, said.stderr) == (0, b"", b"")


def test_the_desks_meter_has_its_display_and_buttons_there() -> None:
    """firmware/panel.py on the stand-in: set up, then 32 empty pieces of 32 columns, then off."""
    script = """
import json, desk
from ring import plain_rings
class Board:
    rings, tick_ps, outputs = plain_rings(64), 24000, 0
made = desk.meter(Board)
made.close()
print(json.dumps([made.values["teeth"], [b.up for b in made._panel.buttons()]]))
"""
    shown, show = os.pipe()
    said = beside_a_panel(script, show, SPARKWITNESS_PANEL=f"{show},0")
    os.close(show)
    assert said.returncode == 0, said.stderr
    assert json.loads(said.stdout) == [0, [1, 1]]  # a new meter; nobody presses
    with os.fdopen(shown, "rb") as pipe:
        sent = pipe.read()
    sizes = []
    while sent:
        sizes.append(sent[0])
        last, sent = sent[2 : 2 + sent[0]], sent[2 + sent[0] :]
    # 25 bytes set it up; 3 commands with their control bytes, one more, and 32 columns.
    assert sizes == [25, *[39] * 32, 2] and last == b"\x00\xae"


def test_what_the_host_says_ends_the_wait_at_once() -> None:
    """An idle board waits 10 ms for its world or for a command: either is looked for."""
    world, keep = os.pipe()
    script = BOARD % ("0", "found = [source is sys.stdin for source, _ in board._idle.ipoll(0)]")
    for sent, wanted in ((b"\0", [True]), (None, [])):
        talk = subprocess.Popen(
            [firmware_board.micropython(), "-c", script],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, pass_fds=(world,),
            env={**os.environ, "MICROPYPATH": f"{firmware_board.FIRMWARE}:.frozen",
                 "SPARKWITNESS_WORLD": f"{world},1"},
        )  # fmt: skip
        assert talk.stdin is not None and talk.stdout is not None
        if sent:
            talk.stdin.write(sent)
            talk.stdin.flush()
        said = talk.stdout.read().partition(b"said:")[2]
        assert talk.wait(60) == 0 and json.loads(said) == wanted
        talk.stdin.close()
        talk.stdout.close()
    os.close(world)
    os.close(keep)


def test_a_board_has_a_meter_where_there_is_a_desk() -> None:
    """It is dark when the board is left: command AE, "display off", is the last of all."""
    for desk in (True, False):
        shown, show = os.pipe()
        names = {"SPARKWITNESS_WORLD": "0,1", "SPARKWITNESS_PANEL": f"{show},0" if desk else ""}
        script = BOARD % ("0", "found = board.meter is not None\nboard.leave()")
        said = beside_a_panel(script, show, **names)
        os.close(show)
        with os.fdopen(shown, "rb") as pipe:
            assert pipe.read()[-4:] == (b"\2\0\0\xae" if desk else b"")
        assert said.returncode == 0 and json.loads(said.stdout.partition(b"said:")[2]) is desk
