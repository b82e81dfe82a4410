"""Viper code as compiled for the RP2040, on an emulated Cortex-M0+, against plain Python.

The same functions run on the unix port with 64-bit words; here they have the 32-bit words, the
instruction set and the large constants of the board.
"""

from __future__ import annotations

import inspect
import itertools
import random
from array import array
from collections.abc import Callable
from typing import Any

import pytest

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
    """Names of a file's viper functions, in the order of their machine code."""
    lines = (pio_chip.FIRMWARE / f"{name}.py").read_text().splitlines()
    return [
        following.split("(")[0].removeprefix("def ")
        for line, following in itertools.pairwise(lines)
        if line == "@micropython.viper"
    ]


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


def ring_case(rng: random.Random) -> list[Any]:
    return [4, 0, 0, words(rng, 64), words(rng, 4), rng.randrange(4), 63, rng.randint(0, 20),
            bytearray(rng.randbytes(260))]  # fmt: skip


def crank_case(rng: random.Random) -> list[Any]:
    teeth, missing = rng.choice(((1, 0), (4, 0), (36, 1), (60, 2)))
    start = rng.choice(EDGE_WORDS)
    ring, now, at = array("I", [0] * 256), rng.getrandbits(32), rng.getrandbits(32)
    n = rng.randint(0, 250)
    for k in range(n):
        gap = 10_000 * rng.randint(95, 105) // 100
        if missing and k % (teeth - missing) == 7:
            gap *= missing + 1
        if rng.random() < 0.01:
            gap = rng.getrandbits(31)
        now = (now + gap) & 0xFFFFFFFF
        ring[(at + k) & 255] = now
    state = array("I", [at, start, 10_000, rng.randrange(teeth), start, 0, rng.choice((0, 7))])
    return [ring, array("I", [(at + n) & 0xFFFFFFFF] * 4), 2, 256, state, teeth, missing]


def events_case(rng: random.Random) -> list[Any]:
    ring, now, at = array("I", [0] * 64), rng.getrandbits(32), rng.getrandbits(32)
    n = rng.randint(0, 60)
    period = rng.choice((50_000, 2_500_000, 200_000_000))
    reference = near(rng, now, period)
    for k in range(n):
        now = (now + rng.choice((40_000, period // 2))) & 0xFFFFFFFF
        ring[(at + k) & 63] = now
    crank = array("I", [0, 0, 0, 0, reference, rng.choice((0, period)), rng.choice((0, 7))])
    state = array("I", [at, 0, rng.randrange(3), 0, 0, 0, 0, 0])
    return [ring, array("I", [(at + n) & 0xFFFFFFFF] * 4), 64, state, crank, 125_000]


def quotient_case(rng: random.Random) -> list[Any]:
    numerator = rng.choice((125_000_000, 150_000_000)) * 60_000
    halves = array("I", [numerator & 0xFFFFFFFF, numerator >> 32])
    return [halves, rng.randint(20_000, 20_000_000)]


def time_pair(rng: random.Random) -> list[Any]:
    then = rng.getrandbits(62)
    now = then + rng.choice((rng.getrandbits(33), rng.getrandbits(20), 2**30, 2**30 - 1, 0))
    return [array("I", [now & 0xFFFFFFFF, now >> 32]), array("I", [then & 0xFFFFFFFF, then >> 32])]


def settle_case(rng: random.Random) -> list[Any]:
    return [*counters(rng), rng.randrange(4), rng.choice((0, 64, 2048))]


CASES: dict[tuple[str, str], Callable[[random.Random], list[Any]]] = {
    ("frame", "_seal"): seal_case,
    ("frame", "_open"): open_case,
    ("frame", "put16"): lambda r: [bytearray(32), r.randint(0, 20), r.getrandbits(16)],
    ("frame", "put32"): lambda r: [bytearray(32), r.randint(0, 20), r.getrandbits(30)],
    ("frame", "put_words"): lambda r: [bytearray(64), 4 * r.randint(0, 8), words(r, 4), 4],
    ("frame", "put_header"): lambda r: [
        bytearray(32),
        r.getrandbits(8),
        r.getrandbits(16),
        words(r, 1),
    ],
    ("ring", "since"): time_pair,
    ("ring", "widen"): lambda r: [words(r, 2), words(r, 2), r.randrange(2)],
    ("ring", "copy_words"): lambda r: [words(r, 4), words(r, 4), r.randint(0, 4)],
    ("ring", "_waiting"): lambda r: [*counters(r)[:2], r.randrange(4)],
    ("ring", "_settle"): settle_case,
    ("ring", "_settle_all"): lambda r: [*counters(r), 128, 120],
    ("ring", "_oldest_age"): lambda r: [words(r, 64), words(r, 4), words(r, 2), r.randrange(4), 63],
    ("ring", "_copy"): ring_case,
    ("ring", "_advance"): lambda r: [words(r, 4), r.randrange(4), r.randint(0, 58)],
    ("ring", "_write"): lambda r: [
        words(r, 64),
        words(r, 4),
        r.randrange(4),
        63,
        words(r, 40),
        3,
        r.randint(0, 30),
    ],
    ("crank", "_follow"): crank_case,
    ("meter", "_follow"): events_case,
    ("pulses", "_quotient"): quotient_case,
    ("panel", "_piece"): lambda r: [
        bytearray(36),
        bytearray(r.randbytes(1024)),
        32 * r.randrange(32),
    ],
    ("panel", "_double"): lambda r: [
        bytearray(1024),
        r.randint(0, 112),
        r.randint(0, 6),
        bytearray(r.randbytes(8)),
    ],
}
CRC_TABLES = [array("I", [0] * 256) for _ in range(4)]


def test_every_viper_function_is_tried() -> None:
    with_registers = {"hw_rp2", "outputs", "hw_unix"}
    found = {
        (file.stem, name)
        for file in pio_chip.FIRMWARE.glob("*.py")
        if file.stem not in with_registers
        for name in viper_functions(file.stem)
    }
    assert found == set(CASES)


@pytest.mark.parametrize(("module", "name"), list(CASES))
def test_arm_code_does_what_the_source_says(
    module: str, name: str, compiled: Callable[[str], Module]
) -> None:
    (frame,) = pio_chip.load("frame")
    CRC_TABLES[:] = frame._crc_tables()
    (loaded,) = pio_chip.load(module)
    source = getattr(loaded, name)
    place = viper_functions(module).index(name)
    processor = Processor()
    rng = random.Random(f"{module}.{name}")
    returns = inspect.signature(source).return_annotation in (int, "int")
    for _ in range(40):
        arguments = CASES[module, name](rng)
        mine = [argument if isinstance(argument, int) else argument[:] for argument in arguments]
        expected = source(*mine)
        result = processor.call(compiled(module), place, *arguments)
        assert arguments == mine
        if returns:
            assert result == expected


def test_arm_code_works_the_registers(compiled: Callable[[str], Module]) -> None:
    """Start, time, DMA counts and outputs by native code, on the emulated peripherals."""
    hw_rp2, outputs, pulses = pio_chip.load("hw_rp2", "outputs", "pulses")
    chip = pio_chip.CHIP
    hardware = hw_rp2.Hardware()
    processor = Processor(chip.rp2040)

    def native(module: str, name: str, *arguments: Any) -> int:
        place = viper_functions(module).index(name)
        return processor.call(compiled(module), place, *arguments, peripherals=True)

    # Everything is armed by the module itself, then stopped and started by native code.
    hardware.configure(15, 0)
    hardware.start()
    hw_rp2._stop()
    native("hw_rp2", "_start", 15)
    assert chip.rp2040.read_uint32(0x50200000) & 15 == 15
    assert chip.rp2040.read_uint32(0x50300000) & 15 == 1
    count = array("I", [0])
    seen = []
    for _ in range(4):
        native("hw_rp2", "_read_clock", count)
        seen.append(count[0])
        chip.run(3_000)
    assert seen == sorted(seen)
    assert all(1_000 <= later - earlier < 1_500 for earlier, later in itertools.pairwise(seen))
    machine = chip.blocks[0].machines[0]
    native("hw_rp2", "_read_clock", count)
    assert 0 <= ((~machine.x & 0xFFFFFFFF) - count[0]) < 500  # late, never early

    chip.schedule([(chip.cycle + 100 * k, 3, bool(k % 2)) for k in range(1, 41)])
    chip.run(6_000)
    written, stalls = array("I", [0] * 4), array("I", [0] * 4)
    renew = native("hw_rp2", "_written", 15, hardware._channels, hardware._bases, written, stalls)
    assert list(written) == [0, 20, 0, 0]
    assert renew == 0
    registers = hw_rp2.chip
    left = native(
        "hw_rp2", "_halt", hardware._channels[1], registers.DMA_CHAN_ABORT, registers.DMA_BUSY
    )
    assert left == hw_rp2.ORDER - 20
    ring = hardware._base + hw_rp2.RING_BYTES
    native("hw_rp2", "_renew", hardware._channels[1], left, 1, hardware._bases, ring, 1_000)
    chip.schedule([(chip.cycle + 100 * k, 3, bool(k % 2)) for k in range(1, 41)])
    chip.run(6_000)
    renew = native("hw_rp2", "_written", 15, hardware._channels, hardware._bases, written, stalls)
    assert list(written) == [0, 40, 0, 0]
    assert renew == 0b10
    assert list(stalls) == [0, 0, 0, 0]

    # A record by native code: two pulses of 102 cycles, 203 apart.
    programs = outputs.programs
    pulses_machine = pio_chip.StateMachine(4 + outputs.BENCH)
    pulses_machine.init(programs.pulses_high, sideset_base=pio_chip.Pin(6))
    bench = chip.watch(6)
    native("outputs", "_put", outputs.BENCH, 1, 100, 98)
    assert native("outputs", "_level", outputs.BENCH) == 2
    at_rest = native("outputs", "_place", outputs.BENCH)
    native("outputs", "_enable", 1 << outputs.BENCH)
    chip.run(1_500)
    assert native("outputs", "_level", outputs.BENCH) == 0
    assert native("outputs", "_empty", 6) == 2
    assert native("outputs", "_place", outputs.BENCH) == at_rest
    native("outputs", "_disable", 14)
    assert chip.rp2040.read_uint32(0x50300000) & 15 == 1
    edges = [cycle for cycle, _ in bench]
    assert [level for _, level in bench] == [True, False, True, False]
    assert [later - earlier for earlier, later in itertools.pairwise(edges)][1:] == [
        101,
        102,
    ]
    assert pulses.ACTIVE_CYCLES == 2
    native("hw_rp2", "_stop")
    assert chip.rp2040.read_uint32(0x50200000) & 15 == 0
