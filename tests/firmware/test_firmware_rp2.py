"""What firmware/hw_rp2.py sets up on an emulated RP2040: memory, DMA words, supply, inputs, prompt.

By hand from the RP2040 datasheet (2.5.7, DMA registers) and hardware/pins.json; what captures and
drives is shown on the cycles in test_pio_board.py.
"""

from __future__ import annotations

import functools
import runpy
import sys
import types
from typing import Any

import pytest

import pio_chip
from firmware_board import FIRMWARE

RING, ROOM = 8192, 4 * (58 + 6) * 4 + 4  # bytes: four frames of 58 edges, their heads and sums


@functools.cache
def module() -> Any:
    return pio_chip.load("hw_rp2")[0]


def board(**machine: Any) -> Any:
    """A Hardware on a new chip; `machine`: other functions of the module machine."""
    hw = pio_chip.load("hw_rp2")[0]
    for name, what in machine.items():
        setattr(hw.machine, name, what)
    return hw.Hardware()


def test_rings_and_frames_lie_within_the_memory_that_was_taken() -> None:
    """Rings begin at a multiple of their size, as the DMA's wrap wants it (RP2040 datasheet,
    2.5.2.4); frames lie before or behind them."""
    hw = pio_chip.load("hw_rp2")[0]
    for start in (0x20008000, 0x20008004, 0x20009BFC, 0x20009C00, 0x20009BFB, 0x20009FFC):
        hw.uctypes.addressof = lambda raw, start=start: start
        raw, base, views, room = hw._memory()
        end = start + len(raw)
        assert base % RING == 0 and start <= base < start + RING and base + 4 * RING <= end
        assert [(v.address, v.size) for v in views] == [(base + RING * i, RING) for i in range(4)]
        assert room.size == ROOM
        assert start <= room.address and room.address + ROOM <= end
        assert room.address + ROOM <= base or room.address >= base + 4 * RING


def test_control_words_of_the_dma() -> None:
    """Bit by bit: EN 0, DATA_SIZE 2 (words), INCR_READ 4, INCR_WRITE 5, RING_SIZE 6, RING_SEL 10,
    CHAIN_TO 11 (itself: none), TREQ_SEL 15 (PIO0 RX 4 to 7; 63: unpaced), IRQ_QUIET 21,
    SNIFF_EN 23; orders as long as both chips can count. A session that was left open ends."""
    made = board()
    made.configure(0b1011, 0)
    made.start()
    get = pio_chip.CHIP.rp2040.read_uint32
    for i in range(4):
        at = pio_chip.DMA_BASE + 0x40 * made._channels[i]
        if i == 2:  # not captured
            assert get(at + 0x10) & 1 == 0
            continue
        wanted = 1 | 2 << 2 | 1 << 5 | 13 << 6 | 1 << 10 | i << 11 | 4 + i << 15 | 1 << 21
        assert get(at + 0x10) & 0xFFFFFF == wanted
        assert get(at) == 0x50200020 + 4 * i and get(at + 4) == made._base + RING * i
        assert get(at + 8) == 0x0FFFFFFF
    state = made.rings.state
    assert list(state)[31:35] == [0x50000008, 0x50000048, 0, 0x500000C8]
    assert list(state)[35:39] == [0x0FFFFFFF, 0x0FFFFFFF, 0, 0x0FFFFFFF]
    # The one that copies: both sides go on, the reading one round a ring; it is summed.
    wanted = 1 | 2 << 2 | 3 << 4 | 13 << 6 | 4 << 11 | 63 << 15 | 1 << 21 | 1 << 23
    assert get(pio_chip.DMA_BASE + 0x110) & 0xFFFFFF == wanted
    assert state[39] == 0x50000100 and state[40] == 1 << 24 and made.rings.stuff is not None
    made.configure(0b0010, 0)
    made.start()
    enabled = [get(pio_chip.DMA_BASE + 0x40 * made._channels[i] + 0x10) & 1 for i in range(4)]
    assert enabled == [0, 1, 0, 0]


def test_after_a_session_nothing_captures_and_nothing_is_copied() -> None:
    """What comes then is in no ring: CTRL of block 0 and of the DMA's channels, bit 0; busy is bit
    24 (RP2040 datasheet, 3.7 and 2.5.7). The outputs' machines go on."""
    made = board()
    get = pio_chip.CHIP.rp2040.read_uint32
    made.start()
    channels = [pio_chip.DMA_BASE + 0x40 * channel + 0x10 for channel in made._channels]
    assert [get(at) & 1 for at in channels] == [1] * 4
    pio_chip.CHIP.rp2040.write_uint32(0x50300000, 0b1111)
    made.stop()
    assert get(0x50200000) & 15 == 0 and get(0x50300000) & 15 == 0b1110
    assert [get(at) & (1 | 1 << 24) for at in channels] == [0] * 4


def test_no_machine_runs_while_its_program_is_exchanged() -> None:
    """A capture that is begun within another one: all stand still first, the clock as well."""
    made = board()
    get = pio_chip.CHIP.rp2040.read_uint32
    seen: list[tuple[int, int]] = []
    real = made._make_room
    made._make_room = lambda: seen.append((get(0x50200000) & 15, get(0x50300000) & 15)) or real()
    for enabled in (15, 0b0101):
        made.configure(enabled, 0)
        made.start()
        assert (get(0x50200000) & 15, get(0x50300000) & 15) == (enabled, 1)
    assert seen == [(0, 0)] * 2


def test_what_comes_until_capture_ends_is_in_the_rings_and_in_its_time() -> None:
    """wire.md, "heartbeat": the last one of a session has all edges and the time. An edge comes
    after the last look of the loop, one more between the look at the time and the stop."""
    made = board()
    made.configure(0b0010, 0)
    made.rings.clear(1)
    made.start()
    chip = pio_chip.CHIP
    began, real, looks = chip.cycle, made._update, []

    def update() -> None:
        real()
        looks.append(chip.cycle)
        chip.schedule([(chip.cycle + 10, 3, len(looks) == 1)])
        chip.run(500)

    chip.schedule([(began + 100, 3, True), (began + 200, 3, False)])
    chip.run(30_000)
    made._update = update
    made.halt()
    assert chip.rp2040.read_uint32(0x50200000) & 15 == 0
    assert list(made.rings.written) == [0, 2, 0, 0]
    assert 30_000 <= 3 * made.rings.now[0] <= chip.cycle - began


def test_two_ways_to_make_frames_are_compared_on_a_full_one(monkeypatch: Any) -> None:
    """At boot, by the program and by the chip: 58 edges over a ring's end; 4 (58 + 6) - 2 bytes."""
    hw, ring = pio_chip.load("hw_rp2", "ring")
    sizes: list[int] = []
    real = ring.Rings.pack
    monkeypatch.setattr(ring.Rings, "pack", lambda self: sizes.append(real(self)) or sizes[-1])
    made = hw.Hardware()
    assert sizes == [254, 254] and made.rings.stuff is not None


def test_the_orders_that_are_nearly_used_up_are_renewed() -> None:
    """Channel and ring of each input asked for, bit i for input i; what was left goes on."""
    made = board()
    hw = type(made).start.__globals__
    real = hw["_halt"], hw["_renew"]
    for asked in range(16):
        did: list[tuple[int, ...]] = []
        hw["_halt"] = lambda channel, *_: 100 + channel
        hw["_renew"] = lambda channel, left, i, _, ring, order, did=did: did.append(
            (channel, left, i, ring - made._base, order)
        )
        try:
            made._renew(asked)
        finally:
            hw["_halt"], hw["_renew"] = real
        assert did == [
            (made._channels[i], 100 + made._channels[i], i, RING * i, 0x0FFFFFFF)
            for i in range(4) if asked >> i & 1
        ]  # fmt: skip


def test_the_clock_of_a_session_begins_anew() -> None:
    """At its first instruction, at 0, with nothing in its queue, wherever it was stopped."""
    made = board()
    chip = pio_chip.CHIP
    hw = type(made).start.__globals__
    real, seen = hw["_start"], []

    def start(machines: int) -> None:
        place = chip.rp2040.read_uint32(0x503000D4) & 31  # RP2040 datasheet, 3.7: SM0_ADDR
        count = chip.blocks[1].machines[0].x
        seen.append((place - made._clock._place, made._clock.rx_fifo(), count))
        real(machines)

    hw["_start"] = start
    try:
        for cycles in (1000, 1001, 1002, 1003):
            made.start()
            chip.run(cycles)
            made.stop()
    finally:
        hw["_start"] = real
    assert seen == [(0, 0, 0xFFFFFFFF)] * 4


def test_the_time_of_a_look_is_no_older_than_the_look() -> None:
    """Whatever is left in the clock's queue, of four words (RP2040 datasheet, 3.2; eight where the
    two are joined): a heartbeat would else have the time of a turn before."""
    made = board()
    made.start()
    chip = pio_chip.CHIP
    began = chip.cycle
    for cycles in (50, 9_000, 50_000):
        chip.run(cycles)
        before = chip.cycle
        made._update()
        assert before <= began + 3 * made.rings.now[0] <= chip.cycle


def test_what_a_chip_says_of_itself() -> None:
    """A look each three cycles; a pulse of a look and a cycle; two looks and a cycle apart."""
    made = board(unique_id=lambda: b"\x01\x02\x03")
    assert (made.clock_hz, made.tick_ps) == (125_000_000, 24_000)
    assert (made.min_pulse_ns, made.dead_ns) == (32, 56)
    assert made.uid == b"\x01\x02\x03" + bytes(5) and made.board == "emulated RP2040"
    assert made.edge_rate == 120_000
    made.rings.stuff = None
    assert made.edge_rate == 80_000
    assert made.meter is None and (made.heard, made.leased) == (0, 0)
    assert [level for level, _ in made.notes] == [0] and "no display" in made.notes[0][1]
    asked: list[int] = []

    def freq(*hz: int) -> int:
        asked.extend(hz)
        return 150_000_000

    made = board(freq=freq)
    # 26.7 and 46.7 ns, rounded up; 20 ns is whole.
    assert (made.tick_ps, made.min_pulse_ns, made.dead_ns, asked) == (20_000, 27, 47, [])
    made = board(freq=lambda *hz: asked.extend(hz) or 133_000_000)  # no whole number of ps
    assert (made.tick_ps, made.clock_hz, asked) == (24_000, 125_000_000, [125_000_000])


def test_lowest_mean_of_four_of_the_supply() -> None:
    """3.3 V is 65 536; 100 kOhm above 15 kOhm: 115 / 15 of what the pin has."""
    made = board()
    # The mean is cut: 19.75 of 65 536 is 0 mV at the pin, 20 would be 1 and 7 at the supply.
    for value, supply in ((19, 65_535), (20, 65_535), (20, 65_535), (20, 0)):
        pio_chip.ADC.value = value
        made.sample()
        assert made._lowest == supply
    made = board()

    def mv(*values: int) -> int:
        for value in values:
            pio_chip.ADC.value = value
            made.sample()
        return int(made.supply_mv())

    def wanted(mean: float) -> Any:
        return pytest.approx(mean / 65_536 * 3300 * 115 / 15, abs=8)

    try:
        assert mv(20_000, 20_000, 20_000) == 65_535  # not a whole mean yet
        assert mv(40_000) == wanted(25_000)
        assert mv(30_000) == wanted(25_000)  # the last one, until there is another
        assert mv(30_000, 30_000, 30_000) == wanted(25_000)  # since the last call it was that
        assert mv() == wanted(30_000)
        assert mv(*[20_000] * 4, *[33_000] * 4) == wanted(20_000)
        assert mv() == wanted(33_000)
        assert mv(0, 0, 0, 1) == 0
        mv(*[65_535] * 4, 9, 9)
        made.start()  # a new session: nothing of the one before, of a mean half done neither
        assert mv() == 65_535
        mv(*[20_000] * 3)
        made.sample()
        assert made._supply == wanted(20_000)
        made.stop()
    finally:
        pio_chip.ADC.value = 30_000


def test_a_board_without_a_converter() -> None:
    """Said once; 65535 is "not measured" (wire.md, supply_mv)."""
    hw = module()
    read = hw.ADC.read_u16

    def none(self: Any) -> int:
        raise OSError(5)

    pio_chip.ADC.read_u16 = none  # type: ignore[method-assign]
    try:
        made = board()
        for _ in range(5):
            made.sample()
    finally:
        pio_chip.ADC.read_u16 = read  # type: ignore[method-assign]
    assert made.supply_mv() == 65_535
    assert made.notes[0] == (0, "the supply voltage cannot be measured on this board")


def test_inputs_as_they_are_configured() -> None:
    """Both flanks on one input: the others all rising or all falling, for want of room for a third
    program. An input with nothing on it rests where its edge does not begin."""
    made = board()
    hw = module()
    for enabled, falling, both, fine in (
        (15, 5, 0, True), (15, 0, 1, True), (15, 15, 1, True), (15, 14, 1, True), (15, 6, 1, False),
        (15, 1, 1, True), (3, 6, 1, True), (11, 6, 1, False), (15, 6, 9, True), (15, 2, 9, False),
        (1, 1, 1, True),
    ):  # fmt: skip
        said = made.configure(enabled, falling, both)
        assert (said is None) is fine, (enabled, falling, both)
        if fine:
            assert (made.enabled, made.falling, made.both) == (enabled, falling, both)
        else:
            assert said == hw.MIXED
    pulls: list[tuple[int, int]] = []
    hardware = type(made).configure.__globals__
    pin = hardware["Pin"]
    hardware["Pin"] = type("Noted", (pin,), {
        "__init__": lambda self, number, mode=None, pull=None: pulls.append((number, pull)),
    })  # fmt: skip
    try:
        made.configure(15, 0b0101)
    finally:
        hardware["Pin"] = pin
    up, down = pin.PULL_UP, pin.PULL_DOWN
    assert pulls == [(2, up), (3, down), (4, up), (5, down)]


def test_the_loop_reaches_the_outputs() -> None:
    """Each request of the loop goes to the outputs as it is, and pauses feed them."""
    made = board()
    did: list[tuple[Any, ...]] = []
    for name in ("fill", "off", "drive", "light", "feed"):
        setattr(made._outputs, name, lambda *what, name=name: did.append((name, *what)) or name)
    made.fill()
    made.outputs_off()
    assert made.drive(b"1", 5) == "drive" and made.lamp(b"2", 6) == "light"
    begun = pio_chip.CHIP.cycle
    made.rest()
    assert pio_chip.CHIP.cycle - begun == 125_000  # a millisecond
    assert did == [("fill",), ("off",), ("drive", b"1", 5), ("light", b"2", 6), ("feed",)]
    made._outputs.on = 5
    assert made.outputs == 5


@pytest.mark.parametrize("meter", [False, True])
def test_a_board_that_is_left_shows_nothing_and_can_be_interrupted(meter: bool) -> None:
    """A reading that nobody works out any more must not stand there; Ctrl-C is byte 3 again."""
    made = board()
    closed: list[bool] = []
    made.meter = types.SimpleNamespace(close=lambda: closed.append(True)) if meter else None
    pio_chip.INTERRUPT_CHARACTERS.clear()
    made.enter()
    assert pio_chip.INTERRUPT_CHARACTERS == [-1] and not closed
    made.leave()
    assert pio_chip.INTERRUPT_CHARACTERS == [-1, 3] and closed == [True] * meter


@pytest.mark.parametrize("high", [0, 1 << 6])
@pytest.mark.parametrize(("name", "prompt", "runs"), [("__main__", False, True),
                                                      ("__main__", True, False),
                                                      ("main", False, False)])  # fmt: skip
def test_outputs_rest_before_anything_else_at_boot(
    monkeypatch: pytest.MonkeyPatch, high: int, name: str, prompt: bool, runs: bool
) -> None:
    """GP6, GP7, GP8 (hardware/pins.json) low, but for the one that rests high; then the rest."""
    did: list[Any] = []
    made = types.SimpleNamespace
    hardware = type("Hardware", (), {
        "__init__": lambda self: did.append("hardware"),
        "wants_prompt": staticmethod(lambda: prompt),
    })  # fmt: skip

    class Pin:
        OUT = 1

        def __init__(self, *what: int, value: int) -> None:
            did.append((*what, value))

    pins = pio_chip.load("rest")[0].pins
    app = made(App=lambda hardware: made(run=lambda: did.append("run")))
    for module_name, stand_in in (("machine", made(Pin=Pin)), ("pins", pins),
                                  ("rest", made(high=lambda: high)), ("app", app),
                                  ("gc", made(collect=lambda: did.append("collect"))),
                                  ("hw_rp2", made(Hardware=hardware))):  # fmt: skip
        monkeypatch.setitem(sys.modules, module_name, stand_in)
    monkeypatch.setattr(sys, "platform", "rp2")
    runpy.run_path(str(FIRMWARE / "main.py"), run_name=name)
    levels = [(6, 1, int(high > 0)), (7, 1, 0), (8, 1, 0)]
    # What loading has left is collected before the rings take their memory, and before the loop.
    assert did == [*levels, "collect", *["hardware", "collect", "run"] * runs]
