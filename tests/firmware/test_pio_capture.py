"""The capture programs, word by word as assembled, in a PIO emulator (rp2040py).

A whole simulated second of random edges: while the pins rest, the emulator is moved on by whole
counts after it has been seen to repeat itself over one count; a shorter run without that shortcut
must give the same stamps.
"""

from __future__ import annotations

import json
import os
import random
import subprocess
import sys
import types
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import adafruit_pioasm
import pytest

import pio_chip
from firmware_board import FIRMWARE, micropython
from pio_assembler import PIO, encode
from pio_text import pioasm

SECOND = pio_chip.CLOCK_HZ
PINS = (2, 3, 4, 5)
Edge = tuple[int, int, bool]


@dataclass
class Capture:
    """Stamps per input, and what they were stamped from."""

    stamps: list[list[int]]
    truth: list[list[int]]


def random_edges(rng: random.Random, end: int, mean_gap: int) -> list[Edge]:
    """(cycle, pin, level): alternating levels on each pin, and events on all pins at once."""
    edges: list[Edge] = []
    for pin in PINS:
        now, level = 100, False
        while now < end:
            now += 6 + int(rng.expovariate(1 / mean_gap))
            level = not level
            edges.append((now, pin, level))
    # Every tenth of the time all four do the same in the same cycle, after a rest.
    together = [end * k // 10 for k in range(1, 10)]
    edges = [edge for edge in edges if all(abs(edge[0] - t) > 2000 for t in together)]
    for t in together:
        for pin in PINS:
            edges += [(t - 1000, pin, False), (t, pin, True), (t + 500, pin, False)]
    edges.sort()
    return edges


def capture(edges: list[Edge], end: int, falling: int = 0, start_x: int = 0xFFFFFFFF,
            shortcut: bool = True, both: int = 0) -> Capture:  # fmt: skip
    """Run block 0 alone; the queues are read out as soon as something is in them."""
    (programs,) = pio_chip.load("programs")
    chip = pio_chip.CHIP
    block = chip.blocks[0]
    levels = dict.fromkeys(PINS, False)
    for number, pin in enumerate(PINS):
        pio_chip.Pin(pin, pio_chip.Pin.IN)
        program = programs.capture_falling if falling >> number & 1 else programs.capture_rising
        if both >> number & 1:
            program = programs.capture_both
        pio_chip.StateMachine(number).init(program, jmp_pin=pio_chip.Pin(pin))
        pio_chip.StateMachine(number).exec("mov(y, invert(null))")
        pio_chip.StateMachine(number).exec("mov(x, invert(null))")
        assert block.machines[number].x == 0xFFFFFFFF
        block.machines[number].x = start_x
    chip.rp2040.write_uint32(pio_chip.PIO_BASES[0], 0xF0F)
    machines = block.machines
    result = Capture([[], [], [], []], [[], [], [], []])
    now = place = 0
    restless = 50
    while now < end:
        while place < len(edges) and edges[place][0] == now:
            _, pin, level = edges[place]
            if levels[pin] != level:
                chip.rp2040.gpio[pin].set_input_value(level)
                levels[pin] = level
                if level != bool(falling >> (pin - 2) & 1):
                    result.truth[pin - 2].append(now)
            place += 1
            restless = 24
        following = edges[place][0] if place < len(edges) else end
        if shortcut and not restless and following - now > 9:
            before = [(machine.pc, machine.x) for machine in machines]
            for _ in range(3):
                block.advance(1)
            after = [(machine.pc, machine.x) for machine in machines]
            assert after == [(pc, (x - 1) & 0xFFFFFFFF) for pc, x in before]
            counts = (following - now - 3) // 3
            for machine in machines:
                machine.x = (machine.x - counts) & 0xFFFFFFFF
            now += 3 + 3 * counts
            continue
        block.advance(1)
        now += 1
        restless = max(restless - 1, 0)
        for number, machine in enumerate(machines):
            while not machine.rx_fifo.empty:
                result.stamps[number].append(machine.read_fifo())
    return result


def check(result: Capture, start_count: int = 0) -> None:
    """One stamp per edge, within one tick of the truth, with one offset for all inputs."""
    errors = []
    for stamps, truth in zip(result.stamps, result.truth, strict=True):
        assert len(stamps) == len(truth)
        previous = start_count
        wide = []
        for stamp in stamps:
            previous += (stamp - previous) & 0xFFFFFFFF
            wide.append(previous)
        errors.append([3 * (w - start_count) - t for w, t in zip(wide, truth, strict=True)])
    everything = [error for one in errors for error in one]
    # Three cycles are one tick: all errors lie in a window of one tick, so nothing drifts.
    assert max(everything) - min(everything) < 3
    assert min(everything) > -3
    assert max(everything) < 6


def test_a_second_of_random_edges_on_all_inputs() -> None:
    edges = random_edges(random.Random(1), SECOND, 30_000)
    result = capture(edges, SECOND)
    assert sum(map(len, result.truth)) > 5_000
    check(result)


def test_dense_edges_wrap_and_falling_inputs() -> None:
    # The counters start 200 000 counts before their end; inputs 1 and 3 stamp falling edges.
    end = SECOND // 50
    edges = random_edges(random.Random(2), end, 300)
    result = capture(edges, end, falling=0b1010, start_x=200_000)
    assert sum(map(len, result.truth)) > 10_000
    assert all(stamps[0] > 2**31 > stamps[-1] for stamps in result.stamps)
    check(result, 0xFFFFFFFF - 200_000)


def test_the_shortcut_changes_nothing() -> None:
    end = SECOND // 250
    edges = random_edges(random.Random(3), end, 5_000)
    one = capture(edges, end, falling=0b0110)
    other = capture(edges, end, falling=0b0110, shortcut=False)
    assert one == other
    check(one)


def test_edges_in_one_cycle_have_one_stamp() -> None:
    times = [1_000 + 1_117 * k for k in range(30)]
    edges = [
        edge
        for t in times
        for pin in PINS
        for edge in ((t, pin, True), (t + 100 + 7 * pin, pin, False))
    ]
    result = capture(sorted(edges), 40_000)
    assert len(result.stamps[0]) == 30
    assert result.stamps[0] == result.stamps[1] == result.stamps[2] == result.stamps[3]


def test_shortest_pulse_and_dead_time() -> None:
    # Pulses of 3 cycles, and pauses of 3 between two pulses, in every phase: all are seen. With
    # one clock cycle more for the synchroniser, which the emulator has not, these are the
    # 32 ns and 56 ns (seven cycles from edge to edge) that the board states.
    edges = []
    for k in range(30):
        start = 1_000 + 101 * k
        edges += [(start, 2, True), (start + 3, 2, False), (start + 6, 2, True),
                  (start + 9, 2, False)]  # fmt: skip
        edges += [(start, 3, True), (start + 2, 3, False)]
        edges += [(start, 4, False), (start + 3, 4, True)]
    result = capture(sorted([*edges, (500, 4, True)]), 5_000, falling=0b0100)
    assert len(result.stamps[0]) == 60
    assert len(result.stamps[2]) == 30
    # A pulse of two cycles may be missed: the stated limit is not too cautious.
    assert 15 <= len(result.stamps[1]) < 30
    (hw_rp2,) = pio_chip.load("hw_rp2")
    hardware = hw_rp2.Hardware()
    assert hardware.min_pulse_ns == 32 >= 3 * 8 + 8
    assert hardware.dead_ns == 56 >= 6 * 8 + 8
    assert hardware.tick_ps == 24_000


@pytest.mark.parametrize("falling", [False, True])
def test_both_flanks_carry_their_levels_and_the_time_of_the_others(falling: bool) -> None:
    # Input 3 stamps both flanks of the signal of which input 0 stamps one.
    rng = random.Random(11)
    now, level = 1_000, True
    times = [(now, level)]
    for _ in range(400):
        now += rng.choice((7, 8, 9, 10, 50, 1_234))
        level = not level
        times.append((now, level))
    edges = [(cycle, pin, up) for cycle, up in times for pin in (2, 5)]
    start_x = 900  # the count wraps
    result = capture(edges, now + 100, 15 * falling, start_x, both=0b1000)
    stamped = [(stamp >> 1, bool(stamp & 1)) for stamp in result.stamps[3]]
    assert [up for _, up in stamped] == [up for _, up in times]
    start = 0xFFFFFFFF - start_x
    for (stamp, _), (cycle, _) in zip(stamped, times, strict=True):
        assert -3 < 3 * ((stamp - start) & 0x7FFFFFFF) - cycle < 6
    # The same flank has the same count on both inputs.
    assert [stamp for stamp, up in stamped if up != falling] == [
        stamp & 0x7FFFFFFF for stamp in result.stamps[0]
    ]


def test_both_flanks_of_a_short_pulse() -> None:
    # From 4 cycles on (a look, and one for the synchroniser) a pulse has both its stamps, the later
    # one at most two counts late; levels alternate in every case.
    for width in (4, 5, 6, 7, 9):
        edges = []
        for k in range(30):
            start = 1_000 + 101 * k
            edges += [(start, 5, True), (start + width, 5, False)]
        result = capture(edges, 5_000, both=0b1000)
        assert [stamp & 1 for stamp in result.stamps[3]] == [1, 0] * 30
        counts = [stamp >> 1 for stamp in result.stamps[3]]
        lengths = [b - a for a, b in zip(counts[::2], counts[1::2], strict=True)]
        assert all(width - 3 < 3 * length < width + 3 or length == 2 for length in lengths)


def test_both_flanks_start_on_the_side_where_the_pin_is() -> None:
    result = capture([(0, 5, True), (900, 5, False), (1_500, 5, True)], 2_000, both=0b1000)
    assert [stamp & 1 for stamp in result.stamps[3]] == [0, 1]


@pytest.mark.parametrize("name", ["capture_rising", "capture_falling"])
def test_a_pin_that_rests_at_its_level_makes_no_edge(name: str) -> None:
    falling = 15 if name == "capture_falling" else 0
    level = name == "capture_rising"
    edges = [(0, pin, level) for pin in PINS] + [(900, pin, not level) for pin in PINS]
    edges += [(1_500, pin, level) for pin in PINS]
    result = capture(edges, 2_000, falling=falling)
    # In cycle 0 nothing has been looked at yet: only the edge at 1500 counts.
    assert [len(stamps) for stamps in result.stamps] == [1, 1, 1, 1]


def test_programs_fit() -> None:
    (programs,) = pio_chip.load("programs")
    both = len(programs.capture_both.words)
    rising, falling = len(programs.capture_rising.words), len(programs.capture_falling.words)
    assert max(rising, falling) + both <= 32
    assert rising + falling <= 32
    outputs = [programs.clock, programs.pulses_high, programs.pulses_low]
    lamp = max(len(programs.lamp_rising.words), len(programs.lamp_falling.words))
    assert sum(len(program.words) for program in outputs) + lamp <= 32


def test_words_are_those_of_an_independent_assembler(monkeypatch) -> None:
    # adafruit-circuitpython-pioasm (PyPI), written for other firmware from the same data sheet.
    source = (FIRMWARE / "programs.py").read_text(encoding="utf-8")
    written: dict[str, str] = {}

    def asm_pio(**options):
        def decorate(function):
            written[function.__name__] = pioasm(function, "sideset_init" in options)

        return decorate

    module = types.ModuleType("rp2")
    module.PIO, module.asm_pio = PIO, asm_pio
    monkeypatch.setitem(sys.modules, "rp2", module)
    exec(compile(source, "programs.py", "exec"), {})
    (programs,) = pio_chip.load("programs")
    assert len(written) == 8
    for name, text in written.items():
        made = adafruit_pioasm.Program(text)
        ours = getattr(programs, name)
        assert list(made.assembled) == list(ours.words), name
        assert made.pio_kwargs.get("wrap_target", 0) == ours.target
        assert made.pio_kwargs.get("wrap", len(ours.words) - 1) == ours.end


if "SPARKWITNESS_RP2_PY" in os.environ:

    def test_words_are_those_of_the_boards_own_assembler() -> None:
        path = os.environ["SPARKWITNESS_RP2_PY"]
        source = (
            "import sys\n"
            "class PIO: IN_LOW, IN_HIGH, OUT_LOW, OUT_HIGH = 0, 1, 2, 3; "
            "SHIFT_LEFT, SHIFT_RIGHT = 0, 1; JOIN_NONE, JOIN_TX, JOIN_RX = 0, 1, 2\n"
            "sys.modules['_rp2'] = type('M', (), {'PIO': PIO})\n"
            "text = open(sys.argv[1]).read().replace('from _rp2 import *', '')\n"
            "names = {'PIO': PIO}\n"
            "exec(text, names)\n"
            "sys.modules['rp2'] = type('M', (), names)\n"
            "import json, programs\n"
            "made = {name: [list(p[0]), p[3], p[4]] for name, p in programs.__dict__.items()"
            " if isinstance(p, list)}\n"
            "made['exec'] = names['asm_pio_encode']('mov(x, invert(null))', 0)\n"
            "print(json.dumps(made))\n"
        )
        result = subprocess.run(
            [micropython(), "-c", source, path],
            capture_output=True,
            env={**os.environ, "MICROPYPATH": str(FIRMWARE)},
            check=False,
        )
        assert result.returncode == 0, result.stderr.decode()
        made = json.loads(result.stdout)
        assert made.pop("exec") == encode("mov(x, invert(null))")
        (programs,) = pio_chip.load("programs")
        assert len(made) == 8
        for name, (words, execctrl, shiftctrl) in made.items():
            program = getattr(programs, name)
            assert words == list(program.words)
            assert (execctrl, shiftctrl) == (program.execctrl, program.shiftctrl)


# The programs of block 1, run for some hundred cycles: lengths that firmware/programs.py promises


def machine_of(name: str, pin: int, source: int | None = None) -> tuple[Any, int, list[Any]]:
    """Chip, queue's address and levels of the pin of a program that runs on machine 3."""
    (programs,) = pio_chip.load("programs")
    chip = pio_chip.CHIP
    pins = {"in_base": pio_chip.Pin(source, pio_chip.Pin.IN)} if source is not None else {}
    pio_chip.StateMachine(7).init(getattr(programs, name), sideset_base=pio_chip.Pin(pin), **pins)
    return chip, pio_chip.PIO_BASES[1] + 0x1C, chip.watch(pin)


def lengths(levels: list[Any]) -> list[int]:
    return [b - a for (a, _), (b, _) in pairwise(levels)]


@pytest.mark.parametrize(("name", "rest"), [("pulses_high", False), ("pulses_low", True)])
def test_a_record_s_numbers_have_8_and_24_bits(name: str, rest: bool) -> None:
    """129 pulses of 5 cycles each; one of 2^23 + 7 cycles is not over after 1000."""
    chip, queue, levels = machine_of(name, 6)
    chip.run(10)
    for pulses, active in ((129, 0), (1, (1 << 23) + 5)):
        chip.rp2040.write_uint32(queue, (pulses - 1) | active << 8)
        chip.rp2040.write_uint32(queue, 0)
    levels.clear()
    chip.rp2040.write_uint32(pio_chip.PIO_BASES[1], 1 << 3)
    chip.run(129 * 5 + 1000)
    assert len(levels) == 2 * 129 + 1 and chip.level(6) is not rest


@pytest.mark.parametrize(("name", "rest"), [("pulses_high", False), ("pulses_low", True)])
def test_lengths_of_pulses(name: str, rest: bool) -> None:
    """Active a + 2, inactive i + 3, and 4 more before a record; then it rests, as it begins."""
    chip, queue, levels = machine_of(name, 6)
    chip.run(10)
    assert chip.level(6) is rest
    for pulses, active, inactive in ((3, 20, 31), (1, 0, 0), (2, 7, 0), (1, 100, 5)):
        chip.rp2040.write_uint32(queue, (pulses - 1) | active << 8)
        chip.rp2040.write_uint32(queue, inactive)
    levels.clear()
    chip.rp2040.write_uint32(pio_chip.PIO_BASES[1], 1 << 3)
    chip.run(600)
    assert levels[0][1] is not rest and chip.level(6) is rest
    assert lengths(levels) == [22, 34, 22, 34, 22, 34 + 4, 2, 3 + 4, 9, 3, 9, 3 + 4, 102]
    # The queue runs dry in the rest; what comes then is played as the first.
    chip.rp2040.write_uint32(queue, 30 << 8)
    chip.run(100)
    assert len(levels) == 14
    chip.rp2040.write_uint32(queue, 9)
    chip.run(100)
    assert lengths(levels)[14:] == [32] and chip.level(6) is rest


@pytest.mark.parametrize(("name", "edge"), [("lamp_rising", True), ("lamp_falling", False)])
@pytest.mark.parametrize("delay", [0, 1, 40])
@pytest.mark.parametrize("flash", [1, 2, 30])
def test_a_flash_comes_after_its_edges_and_is_blind_after(
    name: str, edge: bool, delay: int, flash: int
) -> None:
    """delay + 4 cycles after the cycle that saw the edge (and 2 in the pin's synchronizer, which
    the emulator leaves out), as long as it is; the next edge counts from blind + 3 cycles after its
    end; without an edge, delay + 6 cycles after the end of the order before."""
    for blind in (0, 25):
        chip, queue, levels = machine_of(name, 8, 3)
        gpio = chip.rp2040.gpio[3]
        gpio.set_input_value(edge)  # a level is no edge
        for edges, pause in ((2, delay), (1, 0), (0, delay)):
            for word in (edges | (flash - 1) << 8, pause, blind):
                chip.rp2040.write_uint32(queue, word)
        chip.rp2040.write_uint32(pio_chip.PIO_BASES[1], 1 << 3)
        chip.run(50)
        for _ in range(2):
            assert not levels
            gpio.set_input_value(not edge)
            chip.run(50)
            assert not levels
            seen = chip.cycle
            gpio.set_input_value(edge)
            chip.run(1)
        chip.run(400)
        (up, _), (down, _) = levels
        assert down - up == flash
        assert up - seen == delay + 5, up - seen
        gpio.set_input_value(not edge)
        chip.run(50)
        seen = chip.cycle
        gpio.set_input_value(edge)
        chip.run(400)
        (second, _), (end, _), (third, _), (last, _) = levels[2:]
        assert second - seen == 5
        assert end - second == last - third == flash
        assert third - end == blind + 2 + delay + 6
