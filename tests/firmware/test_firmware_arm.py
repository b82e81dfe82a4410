"""Viper code as compiled for the RP2040, on an emulated Cortex-M0+, against plain Python.

The same functions run on the unix port with 64-bit words; here they have the 32-bit words, the
instruction set and the large constants of the board.
"""

from __future__ import annotations

import inspect
import itertools
import random
import zlib
from array import array
from collections.abc import Callable
from typing import Any

import pytest

import meter_cases
import pio_chip
from thumb import Module, Processor, compile_module

EDGE_WORDS = (0, 1, 2, 2**30 - 1, 2**30, 2**31 - 1, 2**31, 2**32 - 2, 2**32 - 1)


@pytest.fixture(scope="module")
def compiled(tmp_path_factory: pytest.TempPathFactory) -> Callable[[str], Module]:
    """Compiled modules by name."""
    folder = tmp_path_factory.mktemp("armv6m")
    kept: dict[str, Module] = {}

    def get(name: str) -> Module:
        if name not in kept:
            kept[name] = compile_module(name, folder)
        return kept[name]

    return get


def viper_functions(name: str) -> list[str]:
    """Names of a file's viper functions."""
    return [function for function, kind in machine_code(name) if kind == "viper"]


def machine_code(name: str) -> list[tuple[str, str]]:
    """Names of a file's functions in machine code and of what kind they are, in order."""
    lines = (pio_chip.FIRMWARE / f"{name}.py").read_text().splitlines()
    return [
        (following.strip().split("(")[0].removeprefix("def "), line.rpartition(".")[2])
        for line, following in itertools.pairwise(lines)
        if line.strip() in ("@micropython.viper", "@micropython.native")
    ]


def nth(module: str, name: str) -> int:
    """Which of the pieces of machine code it is."""
    return [function for function, _ in machine_code(module)].index(name)


def words(rng: random.Random, n: int) -> array:
    """Random words, often such that are near a sign or a wrap."""
    return array("I", [rng.choice((rng.choice(EDGE_WORDS), rng.getrandbits(32))) for _ in range(n)])


def near(rng: random.Random, word: int, most: int) -> int:
    return (word + rng.randint(-most, most)) & 0xFFFFFFFF


def seal_case(rng: random.Random) -> list[Any]:
    size = rng.randint(8, 250)
    body = bytes(rng.choice((0, rng.randint(0, 255))) for _ in range(size))
    return [-1, 0, 1, bytearray(bytes(4) + body + bytes(256 - size)), *CRC_TABLES, size]


def open_case(rng: random.Random) -> list[Any]:
    (frame,) = pio_chip.load("frame")
    size = rng.randint(8, 250)
    buffer = bytearray(260)
    buffer[4 : 4 + size] = rng.randbytes(size)
    length = frame.seal(buffer, size) - 1
    piece = buffer[3 : 3 + length] + bytes(260 - length)
    if rng.random() < 0.5:
        piece[rng.randrange(length)] ^= 1 << rng.randrange(8)
    return [piece, CRC_TABLES[0], length]


def counters(rng: random.Random) -> tuple[array, array, array]:
    taken = words(rng, 4)
    written = array("I", [near(rng, word, 300) for word in taken])
    if rng.random() < 0.3:
        written = words(rng, 4)
    return written, taken, words(rng, 4)


def edge_frames(rng: random.Random, n: int) -> tuple[bytearray, int]:
    """n edge frames as Rings lays them out, before CRC and COBS: (buffer, words)."""
    words: list[int] = []
    for _ in range(n):
        edges = rng.choice((1, 2, 57, 58))
        header = (2 | rng.getrandbits(16) << 16, rng.getrandbits(8), rng.randrange(4) | edges << 8)
        zeros = rng.choice((0, 0xFF, 0xFF000000, 0xFFFF00, 0xFFFFFFFF))
        counts = [rng.getrandbits(32) & ~rng.choice((0, zeros)) for _ in range(edges)]
        words += [0, *header, rng.getrandbits(32), *counts, rng.getrandbits(32)]
    return bytearray(array("I", [*words, 0]).tobytes()), len(words)


def frames_case(rng: random.Random, *tables: Any) -> list[Any]:
    buffer, size = edge_frames(rng, rng.randint(1, 4))
    return [0, 0, 0, buffer, size, *tables]


def rings_state(rng: random.Random, size: int = 64) -> array:
    """Words of Rings for boards without DMA: near wraps, overtaken, due or not."""
    written, taken, lost = counters(rng)
    written = array("I", [near(rng, word, 2 * size) if rng.random() < 0.8 else word
                          for word in taken])  # fmt: skip
    marks = [near(rng, word, size) for word in taken]
    now = rng.getrandbits(40)
    beat = max(now - rng.choice((rng.getrandbits(33), rng.getrandbits(22), 2**30 - 16)), 0)
    times = [now & 0xFFFFFFFF, now >> 32, beat & 0xFFFFFFFF, beat >> 32]
    rest = [rng.randrange(2), rng.getrandbits(32), 0x12340002, rng.randrange(4), size, 833_333,
            4_166_666]  # fmt: skip
    return array(
        "I",
        [
            *written,
            *taken,
            *lost,
            *marks,
            *[0] * 4,
            *times,
            *rest,
            *[0] * 11,
            rng.choice((0, 0, rng.randrange(16))),
        ],
    )


def survey_case(rng: random.Random) -> list[Any]:
    state = rings_state(rng)
    return [state, array("I", [near(rng, state[20], 1_000_000) for _ in range(256)])]


def pack_case(rng: random.Random) -> list[Any]:
    return [*survey_case(rng), bytearray(1028), rng.randint(1, 4)]


def quotient_case(rng: random.Random) -> list[Any]:
    numerator = rng.choice((125_000_000, 150_000_000)) * 60_000
    halves = array("I", [numerator & 0xFFFFFFFF, numerator >> 32])
    return [halves, rng.randint(20_000, 20_000_000)]


def train_case(rng: random.Random) -> list[Any]:
    """State of a Train at any place, lengths of revolutions from 20 to 20 000 rev/min."""
    steps, missing, turns = rng.choice(
        ((1, 0, 1), (1, 0, 2), (3, 0, 2), (4, 0, 2), (5, 0, 1), (32, 0, 2), (36, 1, 1), (60, 2, 1))
    )
    place, base = rng.randrange(steps - missing), rng.randrange(1000)
    length = rng.choice((375_000, 1_250_000, 10_000_000, 375_000_000)) // 60 * 60
    lengths = [length + rng.randrange(3) * length // 50 for _ in range(16)]
    widths = [rng.choice((2, 12_500, 1_875_000)) for _ in range(16)]
    late = 0x1000000 + rng.choice((0, 0, 4, -30, 100_000))
    head = [steps, steps - missing, turns, place, base, late, rng.randrange(2), 0, 0, 0, 0]
    rest = [375_000, rng.choice((1_250_000, 31_250_000)), rng.getrandbits(29), rng.randrange(4)]
    train = array("I", [*head, *rest, *[0] * 9])
    return [train, array("I", lengths + widths), base + rng.randrange(5)]


def budget_case(rng: random.Random) -> list[Any]:
    used = [rng.randrange(60_000), rng.randrange(6_000_000), rng.getrandbits(30)]
    budget = array("I", [*used, rng.choice((700, 750)), rng.choice((500, 750)), 60_000])
    # After an hour 700 us for each ms are more than 31 bits; 2^29 - 1 is the longest that passes.
    passed = rng.choice((0, 1, 7, 80, 30_000, 3_600_000, (1 << 29) - 1, -5))
    now = (used[2] + passed) & 0x3FFFFFFF
    return [budget, rng.choice((0, 100, 15_000, 60_000)), now]


def lease_case(rng: random.Random) -> list[Any]:
    """A body in a command's buffer, and the words of a Lease near its seq."""
    body = bytearray(rng.randbytes(32))
    seq = int.from_bytes(body[5:9], "little")
    ahead = seq - rng.choice((0, 1, 2, 1 << 30, (1 << 31) - 1, 1 << 31, (1 << 31) + 1, -1))
    return [body, array("I", [ahead & 0xFFFFFFFF, rng.getrandbits(32)])]


def named_case(rng: random.Random) -> list[Any]:
    body, last = lease_case(rng)
    if rng.random() < 0.5:
        last[1] = int.from_bytes(body[9:13], "little") ^ rng.choice((0, 0, 1 << rng.randrange(32)))
    return [body, 9, last]


def outside_case(rng: random.Random) -> list[Any]:
    """Numbers near a limit, or any."""
    body = bytearray(rng.randbytes(rng.randrange(1, 8)))
    limits: list[int] = []
    n = rng.randrange(4)
    for _ in range(n):
        wide, high = rng.choice(((1, 32), (2, 200), (4, 20_000_000), (4, 0), (4, (1 << 30) - 1)))
        low = min(high, rng.choice((0, 1, 2)))
        near = max(0, rng.choice((low, high)) + rng.choice((-1, 0, 0, 0, 1)))
        value = rng.choice((near, near, near, rng.getrandbits(8 * wide))) % (1 << (8 * wide))
        limits += [len(body), wide, low, high]
        body += value.to_bytes(wide, "little")
    return [body + b"!", array("I", limits), n]


CASES: dict[tuple[str, str], Callable[[random.Random], list[Any]]] = {
    ("frame", "_seal"): seal_case,
    ("frame", "_open"): open_case,
    ("frame", "sum_up"): lambda r: frames_case(r, *CRC_TABLES),
    ("frame", "stuff"): frames_case,
    ("frame", "outside"): outside_case,
    ("frame", "put16"): lambda r: [bytearray(32), r.randint(0, 20), r.getrandbits(16)],
    ("frame", "put32"): lambda r: [bytearray(32), r.randint(0, 20), r.getrandbits(30)],
    ("frame", "put_words"): lambda r: [bytearray(64), 4 * r.randint(0, 8), words(r, 4), 4],
    ("frame", "put_header"): lambda r: [
        bytearray(32),
        r.getrandbits(8),
        r.getrandbits(16),
        words(r, 1),
    ],
    ("ring", "_mark"): lambda r: [rings_state(r)],
    ("ring", "_drained"): lambda r: [rings_state(r)],
    ("ring", "_discard"): lambda r: [rings_state(r)],
    ("ring", "_survey"): survey_case,
    ("ring", "_pack"): pack_case,
    ("ring", "_write"): lambda r: [
        words(r, 256),
        rings_state(r),
        r.randrange(4),
        words(r, 40),
        3,
        r.randint(0, 30),
    ],
    ("pulses", "_quotient"): quotient_case,
    ("pulses", "next_record"): train_case,
    ("limits", "take"): budget_case,
    ("lease", "_ahead"): lease_case,
    ("lease", "_equal"): named_case,
    ("lease", "_keep"): lambda r: [*lease_case(r), r.randrange(2)],
    ("lamp", "_apart"): lambda r: [words(r, 256), r.getrandbits(29), r.getrandbits(29), 255],
    **meter_cases.CASES,
}
CRC_TABLES = [array("I", [0] * 256) for _ in range(4)]


def test_every_viper_function_is_tried() -> None:
    with_registers = {"hw_rp2", "outputs", "machines", "hw_unix"}
    of_the_lamp = {("lamp", name) for name in ("_send", "_begin", "_room")}
    found = {
        (file.stem, name)
        for file in pio_chip.FIRMWARE.glob("*.py")
        if file.stem not in with_registers
        for name in viper_functions(file.stem)
    }
    assert found - of_the_lamp == set(CASES)


@pytest.mark.parametrize(("module", "name"), list(CASES))
def test_arm_code_does_what_the_source_says(
    module: str, name: str, compiled: Callable[[str], Module]
) -> None:
    (frame,) = pio_chip.load("frame")
    CRC_TABLES[:] = frame._crc_tables()
    (loaded,) = pio_chip.load(module)
    source = getattr(loaded, name)
    at = nth(module, name)
    processor = Processor()
    rng = random.Random(f"{module}.{name}")
    returns = inspect.signature(source).return_annotation in (int, "int")
    for _ in range(40):
        arguments = CASES[module, name](rng)
        mine = [argument if isinstance(argument, int) else argument[:] for argument in arguments]
        expected = source(*mine)
        result = processor.call(compiled(module), at, *arguments)
        assert arguments == mine
        if returns:
            assert result == expected


def test_assembler_does_what_its_twin_does(compiled: Callable[[str], Module]) -> None:
    (frame,) = pio_chip.load("frame")
    processor = Processor()
    rng = random.Random("stuff")
    for _ in range(60):
        buffer, size = edge_frames(rng, rng.randint(1, 4))
        mine = buffer[:]
        frame.stuff(0, 0, 0, mine, size)
        processor.call_assembler(compiled("arm"), buffer, size)
        assert buffer == mine
    buffer, _ = edge_frames(rng, 1)
    mine = buffer[:]
    processor.call_assembler(compiled("arm"), buffer, 0)  # of no frame nothing is touched
    assert buffer == mine


def test_arm_code_works_the_registers(compiled: Callable[[str], Module]) -> None:
    """Start, time, DMA counts and outputs by native code, on the emulated peripherals."""
    hw_rp2, ring, outputs, pulses = pio_chip.load("hw_rp2", "ring", "outputs", "pulses")
    chip = pio_chip.CHIP
    hardware = hw_rp2.Hardware()
    processor = Processor(chip.rp2040)

    def native(module: str, name: str, *arguments: Any) -> int:
        at = nth(module, name)
        return processor.call(compiled(module), at, *arguments, peripherals=True)

    # Everything is armed by the module itself, then stopped and started by native code.
    hardware.configure(15, 0)
    hardware.start()
    hw_rp2._stop()
    native("hw_rp2", "_start", 15)
    assert chip.rp2040.read_uint32(0x50200000) & 15 == 15
    assert chip.rp2040.read_uint32(0x50300000) & 15 == 1
    state = hardware.rings.state
    machine = chip.blocks[0].machines[0]

    def look() -> int:
        return native("hw_rp2", "_look", 15, state)

    seen = []
    for _ in range(4):
        assert look() == 0
        seen.append(state[ring.NOW])
        chip.run(3_000)
    assert seen == sorted(seen)
    assert all(1_000 <= later - earlier < 1_700 for earlier, later in itertools.pairwise(seen))
    look()
    assert 0 <= ((~machine.x & 0xFFFFFFFF) - state[ring.NOW]) < 700  # late, never early

    chip.schedule([(chip.cycle + 100 * k, 3, bool(k % 2)) for k in range(1, 41)])
    chip.run(6_000)
    assert look() == 0
    assert list(hardware.rings.written) == [0, 20, 0, 0]
    registers = hw_rp2.chip
    left = native(
        "hw_rp2", "_halt", hardware._channels[1], registers.DMA_CHAN_ABORT, registers.DMA_BUSY
    )
    assert left == hw_rp2.ORDER - 20
    place = hardware._base + hw_rp2.RING_BYTES
    native("hw_rp2", "_renew", hardware._channels[1], left, 1, state, place, 1_000)
    chip.schedule([(chip.cycle + 100 * k, 3, bool(k % 2)) for k in range(1, 41)])
    chip.run(6_000)
    assert look() == 0b10
    assert list(hardware.rings.written) == [0, 40, 0, 0]
    assert list(hardware.rings.stalls) == [0, 0, 0, 0]
    # Frames by DMA and sniffer in native code: those that the source makes.
    rings = hardware.rings
    rings.mark()
    before = state[:]
    memory, out = rings._memory, rings.out
    made = native("ring", "_pack", state, memory.address, out.address, 4)
    packed, state[:] = bytes(out[: 4 * made]), before
    assert ring._pack(state, memory, out, 4) == made == 46
    assert bytes(out[: 4 * made]) == packed
    assert packed[-4:] == zlib.crc32(packed[4:-4]).to_bytes(4, "little")
    assert rings.taken[1] == 40
    # Written over while it was copied: not sent, nor numbered; a ring's size behind is in time.
    after = state[:]
    for behind, frames in ((rings.size, 1), (rings.size + 1, 0)):
        for by_native in (True, False):
            state[:] = before
            state[ring.BASES + 1] += behind - 40
            if by_native:
                words = native("ring", "_pack", state, memory.address, out.address, 4)
            else:
                words = ring._pack(state, memory, out, 4)
            assert words == 46 * frames and rings.taken[1] == 40 * frames
            assert state[ring.SEQ] - before[ring.SEQ] == frames
    state[:] = after
    # The clock wraps: the high word counts it.
    chip.blocks[1].machines[0].x = 500
    chip.run(300)
    look()
    assert state[ring.NOW + 1] == 0
    chip.run(3_000)
    look()
    assert state[ring.NOW + 1] == 1
    assert state[ring.NOW] < 2_000

    # A record by native code: two pulses of 102 cycles, 203 apart.
    programs = outputs.programs
    pulses_machine = pio_chip.StateMachine(4 + outputs.BENCH)
    pulses_machine.init(programs.pulses_high, sideset_base=pio_chip.Pin(6))
    bench = chip.watch(6)
    registers = hardware._outputs.registers
    start = native("machines", "place", outputs.BENCH)
    native("machines", "rewind", outputs.BENCH, start)
    for word in (1 | 100 << 8, 98):
        chip.write(0x50300010 + 4 * outputs.BENCH, word)
    native("machines", "give", registers, 1 << 6)
    native("machines", "enable", 1 << outputs.BENCH, 1 << outputs.BENCH)
    chip.run(1_500)
    assert native("machines", "starved", 6) == 2
    assert native("machines", "place", outputs.BENCH) == start
    edges = [cycle for cycle, _ in bench]
    assert [level for _, level in bench] == [True, False, True, False]
    assert [later - earlier for earlier, later in itertools.pairwise(edges)][1:] == [101, 102]
    # In the middle of a pulse: not to be had whole at once; the pin can be taken, then the rest.
    for word in (0 | 60_000 << 8, 98):
        chip.write(0x50300010 + 4 * outputs.BENCH, word)
    chip.run(200)
    assert chip.level(6)
    assert native("machines", "whole", 1 << 6, 0, 1 << outputs.BENCH, 20) == 0
    assert chip.rp2040.read_uint32(0x50300000) & 15 == 3
    native("machines", "take", registers, 0b111 << 6, 0)
    assert not chip.level(6)
    native("machines", "take", registers, 1 << 6, 1 << 6)
    assert chip.level(6)
    native("machines", "take", registers, 1 << 6, 0)
    chip.run(60_000)
    assert native("machines", "whole", 1 << 6, 0, 1 << outputs.BENCH, 20) == 1
    assert chip.rp2040.read_uint32(0x50300000) & 15 == 1
    native("machines", "disable", 14)
    assert chip.rp2040.read_uint32(0x50300000) & 15 == 1
    chip.rp2040.write_uint32(0x40058000, 1 << 30)
    native("machines", "calm", registers)
    assert not chip.rp2040.read_uint32(0x40058000) >> 30 & 1

    # Orders for the lamp: the first one counts from now, unless edges forbid it.
    lamp = hardware._outputs.lamp
    lamp._source = 1
    lamp._load(0)
    native("machines", "enable", 8, 8)
    look()
    at = array("I", [hardware.rings.written[1], 1])
    order = (20, 0, 5)
    assert native("lamp", "_room", 2) == 3
    assert native("lamp", "_begin", state, 1, *order, at, 0) == 1
    assert native("lamp", "_room", 0) == 0
    flashes = chip.watch(8)
    native("machines", "give", registers, 1 << 8)
    chip.schedule([(chip.cycle + 100 * k, 3, bool(k % 2)) for k in range(1, 3)])
    chip.run(600)
    assert [level for _, level in flashes] == [True, False]
    assert flashes[1][0] - flashes[0][0] == 21
    assert native("lamp", "_send", 1, *order) == 0  # it has had to wait, and edges may be missing
    assert native("lamp", "_begin", state, 1, *order, at, 0) == 0  # an edge has come since
    assert native("lamp", "_begin", state, 1, *order, at, 35) == 36  # the revolution after
    assert native("lamp", "_send", 1, *order) == 1
    assert pulses.ACTIVE_CYCLES == 2
    native("hw_rp2", "_stop")
    assert chip.rp2040.read_uint32(0x50200000) & 15 == 0
