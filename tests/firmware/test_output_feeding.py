"""What firmware/outputs.py feeds to its state machines, when and how much: by hand.

Registers are those of the RP2040's datasheet (from memory): in a PIO block FDEBUG at word 2 (bits
24 to 27: a machine has found its queue empty), FLEVEL at word 3 (8 bits a machine: what waits to be
sent, what has come), the queues at words 4 to 7. A record is two words, see firmware/programs.py.
"""

from __future__ import annotations

from array import array
from itertools import pairwise
from typing import Any

import pytest

import pio_chip
from firmware_board import drive, lamp
from quick_chip import CLOCK_HZ, Board, QuickChip

US = CLOCK_HZ // 1_000_000
MS = 1000 * US
BENCH, CRANK = 1, 2  # machines of block 1
BENCH_PIN, CRANK_PIN, LAMP_PIN = 6, 7, 8


class Queues:
    """Block 1 of a chip whose machines stand still: what is written stays in the queue."""

    def __init__(self, words: dict[int, int], empty: int = 0) -> None:
        self.words, self.empty = dict(words), empty
        self.written: list[tuple[int, int]] = []

    def __getitem__(self, at: int) -> int:
        if at == 2:
            return self.empty << 24 | 0xFFFF
        assert at == 3
        # The other half of each byte counts words that have come; machines 0 and 3 are not asked.
        return 0xF00000FF | sum((0x80 | n) << 8 * k for k, n in self.words.items())

    def __setitem__(self, at: int, value: int) -> None:
        self.written.append((at - 4, value))
        self.words[at - 4] += 1


class Fed:
    """Both trains at 125 MHz and what one call of _play does with them."""

    def __init__(self, rpm: int, width: int, bench: tuple[int, int, int], teeth: int = 1) -> None:
        self.outputs, self.limits, self.p = pio_chip.load("outputs", "limits", "pulses")
        self.speed = self.p.Speed(CLOCK_HZ)
        self.speed.order(1000 * rpm, 1000 * rpm, 0, width)
        self.speed.restart(1)
        self.bench = self.p.Train(self.speed, 3 * MS, 10 * MS, 1)
        self.bench.restart(*bench)
        self.wheel = self.p.Train(self.speed, 3 * MS, 250 * MS, 0)
        self.wheel.restart(teeth, teeth, 1)
        self.budget = self.limits.Budget()
        self.driven = array("I", [77])
        self.queues = Queues({BENCH: 0, CRANK: 0})

    def play(self, machines: int, ahead: int, known: int | None = None) -> int:
        def ptr32(place: Any) -> Any:
            return self.queues if place == 0x50300000 else pio_chip.Words(place)

        self.outputs.ptr32 = ptr32
        known = self.speed.known if known is None else known
        result: int = self.outputs._play(
            self.bench.state, self.wheel.state, self.speed.lengths, self.budget.words, self.driven,
            machines, known, ahead, 5000,
        )  # fmt: skip
        return result


@pytest.mark.parametrize(
    ("ahead", "records"), [(1, 1), (12 * MS, 1), (12 * MS + 1, 2), (24 * MS, 2), (24 * MS + 1, 3),
                           (36 * MS + 1, 4), (10**9, 4)],
)  # fmt: skip
@pytest.mark.parametrize("number", [BENCH, CRANK])
def test_a_queue_is_filled_by_time_and_holds_four_records(
    number: int, ahead: int, records: int
) -> None:
    """5000 rev/min, one pulse a turn: 12 ms a record. wire.md: 20 ms are queued, or two pulses."""
    fed = Fed(5000, 500, (1, 1, 1))
    fed.speed.reach(9)
    assert fed.play(1 << number, ahead) == 0
    # 500 cycles, or a thirty-sixth of 1 500 000: less the 2, 3 and 4 that the program adds.
    active = 500 if number == BENCH else 41_666
    record = [(number, (active - 2) << 8), (number, 1_500_000 - active - 3 - 4)]
    assert fed.queues.written == record * records
    # Called again with that in the queue: nothing is missing.
    assert fed.play(1 << number, ahead) == 0 and len(fed.queues.written) == 2 * records
    made = fed.bench if number == BENCH else fed.wheel
    assert made.state[fed.p.TOTAL] == records


def test_what_waits_is_told_by_the_newest_records() -> None:
    """Four records of lengths and numbers of their own; the newest in place 1, then 0, 3 and 2."""
    for queued, waiting, pulses in ((1, 20, 7), (2, 21, 8), (3, 4021, 1008)):
        for spare, more in ((0, 0), (1, 1)):  # the new one's 1 500 000 cycles are enough then
            fed = Fed(5000, 500, (1, 1, 1))
            fed.speed.reach(9)
            p, state = fed.p, fed.bench.state
            for k, (cycles, count) in enumerate(((1, 1), (20, 7), (300, 100), (4000, 1000))):
                state[p.SPANS + k], state[p.COUNTS + k] = cycles, count
            state[p.LAST], state[p.TOTAL], state[p.OFFSET] = 1, 5000, 40
            fed.queues.words[BENCH] = 2 * queued
            assert fed.play(1 << BENCH, waiting + spare) == 0
            assert len(fed.queues.written) == 2 * more
            # The one that was made now waits as well, so that as much has begun as before.
            assert fed.driven[0] == 5040 - pulses
    # A word alone: the other half of its record has been taken.
    fed = Fed(5000, 500, (1, 1, 1))
    fed.speed.reach(9)
    fed.queues.words[BENCH] = 7
    assert fed.play(1 << BENCH, 10**9) == 0 and len(fed.queues.written) == 2
    # 30 bits, as the heartbeat has them.
    fed.bench.state[fed.p.TOTAL], fed.bench.state[fed.p.OFFSET] = 0x3FFFFFFF, 5
    fed.queues.words[BENCH] = 8
    for k in range(4):
        fed.bench.state[fed.p.COUNTS + k] = 1
    assert fed.play(1 << BENCH, 10**9) == 0 and fed.driven[0] == 0


def test_both_trains_are_fed_and_a_length_that_is_missing_is_asked_for() -> None:
    fed = Fed(5000, 500, (1, 1, 1), teeth=4)
    fed.speed.reach(2)
    assert fed.play(1 << BENCH | 1 << CRANK, 30 * MS, known=0) == -1  # revolution 0's
    assert fed.play(1 << BENCH | 1 << CRANK, 30 * MS, known=2) == -1 - 2
    assert [number for number, _ in fed.queues.written] == [BENCH] * 4
    assert fed.play(1 << BENCH | 1 << CRANK, 30 * MS, known=3) == 0
    # A turn of 12 ms in four teeth: 3 ms each, so each a record of its own, four at most.
    assert [number for number, _ in fed.queues.written] == [BENCH] * 6 + [CRANK] * 8
    assert fed.driven[0] == 0  # of the crank nothing is counted
    other = Fed(5000, 500, (1, 1, 1), teeth=4)
    other.speed.reach(9)
    assert other.play(1 << CRANK, 30 * MS) == 0
    assert other.driven[0] == 77 and {number for number, _ in other.queues.written} == {CRANK}


def test_a_machine_that_ran_dry_is_not_fed() -> None:
    for empty in (1 << BENCH, 1 << CRANK, 1 << BENCH | 1 << CRANK):
        fed = Fed(5000, 500, (1, 1, 1))
        fed.speed.reach(9)
        fed.queues.empty = empty | 0b1001
        for machines in (1 << BENCH, 1 << CRANK, 1 << BENCH | 1 << CRANK):
            before = len(fed.queues.written)
            dry = bool(machines & empty)
            assert fed.play(machines, 10**9) == (8 if dry else 0)
            assert dry is (len(fed.queues.written) == before)


def test_what_is_queued_is_counted_first_and_nothing_beyond_is_sent() -> None:
    """A group of four pulses of 1250 cycles, 10 µs: 40 µs. At most 60 ms at once and 6 s above the
    mean (firmware/limits.py); the host is told 2 and 4 for them (wire.md, `cut`)."""
    for word, most, why in (("SECOND", 60_000, 2), ("MINUTE", 6_000_000, 4)):
        for left, found in ((40, 0), (39, why)):
            # 12 a turn of 28.8 ms: 2.4 ms apart, so four in 10 ms.
            fed = Fed(2083, 1250, (12, 12, 1))
            fed.speed.reach(9)
            words = fed.budget.words
            words[fed.limits.THEN] = 5000
            words[getattr(fed.limits, word)] = most - left
            assert fed.play(1 << BENCH, 1) == found
            count = fed.bench.state[fed.p.COUNT]
            assert count == 4 and len(fed.queues.written) == (0 if found else 2)
            if not found:
                assert fed.queues.written[0] == (BENCH, 3 | 1248 << 8)
                assert words[getattr(fed.limits, word)] == most
    # As close as they may come, 6000 a second: 59 of a turn's 60 in a group, 590 µs.
    fed = Fed(6000, 1250, (60, 60, 1))
    fed.speed.reach(9)
    assert fed.play(1 << BENCH, 1) == 0 and fed.queues.written[0] == (BENCH, 58 | 1248 << 8)
    assert fed.budget.words[fed.limits.SECOND] == fed.budget.words[fed.limits.MINUTE] == 590


class Driver:
    """Outputs on a chip by events, ordered and fed by the test, without the app."""

    def __init__(self) -> None:
        self.board = Board()
        self.chip: QuickChip = self.board.chip
        self.hardware = self.board.hardware
        self.outputs = self.hardware.driver
        self.module = self.board.modules["outputs"]

    def now(self) -> int:
        return self.chip.cycle // MS

    def run(self, ms: int) -> None:
        for _ in range(ms):
            self.chip.run(MS)
            self.outputs.feed()

    def starts(self, pin: int) -> list[int]:
        return [cycle for cycle, level in self.chip.watch(pin) if level]


def test_a_change_of_speed_waits_for_no_more_than_two_queued_pulses() -> None:
    """wire.md: a change comes when the pulses queued are over (20 ms, or two pulses when that is
    longer) and the revolution with them. Of 12 ms: the one under way and two that wait; of 20 ms
    one waits, of 4 ms four, which is all that a queue holds. And so for the teeth."""
    for rpm, wait in ((5_000, 3), (15_000, 5), (3_000, 2)):
        driver = Driver()
        turn = 60_000 * MS // rpm
        order = {"width_us": 100, "firings": 1, "turns": 1, "teeth": 1}
        driver.outputs.drive(drive(1000 * rpm, 1000 * rpm, **order), driver.now())
        driver.run(100)
        faster = drive(2000 * rpm, 2000 * rpm, **order)
        asked = driver.chip.cycle
        assert driver.outputs.drive(faster, driver.now()) is None
        driver.run(120)
        for pin in (BENCH_PIN, CRANK_PIN):
            ups = [cycle for cycle in driver.starts(pin) if cycle > asked - turn]
            gaps = [b - a for a, b in pairwise(ups)]
            assert gaps[:wait] == [turn] * wait and set(gaps[wait:]) == {turn // 2}, (rpm, pin)


def test_a_train_lasts_without_the_loop_from_its_begin() -> None:
    """wire.md, driving: 20 ms are queued; of 6 ms each, four."""
    driver = Driver()
    driver.outputs.drive(drive(10_000_000, 10_000_000, 0, 100, 1, 1, 0, teeth=1), driver.now())
    begun = driver.chip.cycle
    driver.chip.run(20 * MS)  # the loop stands still
    driver.run(60)
    assert list(driver.hardware.told) == [0, 0, 0]
    for pin in (BENCH_PIN, CRANK_PIN):
        ups = [cycle for cycle in driver.starts(pin) if cycle > begun]
        assert len(ups) > 12 and {b - a for a, b in pairwise(ups)} == {6 * MS}


@pytest.mark.parametrize(
    ("order", "stall", "first", "gap"),
    # One pulse in four turns: one waits beside the one under way, 48 ms at the most; of the teeth
    # four, 30 ms. And four a turn, three of them in a record: 12 ms wait; of the teeth 24 ms.
    [({"firings": 1, "turns": 4}, 35, CRANK, 24 * MS),
     ({"firings": 4, "turns": 1}, 20, BENCH, 3 * MS // 2)],
)  # fmt: skip
def test_a_train_that_ran_dry_waits_for_the_other_one(
    order: dict[str, int], stall: int, first: int, gap: int
) -> None:
    """wire.md, driving: one pause, and both begin anew together, with a revolution of 6 ms."""
    driver = Driver()
    chip, told = driver.chip, driver.hardware.told
    payload = drive(10_000_000, 10_000_000, width_us=100, teeth=1, **order)
    driver.outputs.drive(payload, driver.now())
    driver.run(100)
    while driver.chip.cycle - driver.starts(BENCH_PIN)[-1] > MS:
        driver.run(1)
    chip.run(stall * MS)  # the loop stands still
    driver.run(1)
    assert [chip.machines[k].starved for k in (BENCH, CRANK)] == [first == BENCH, first == CRANK]
    assert list(told) == [0, 0, 0]
    before = chip.cycle
    driver.run(100)
    assert list(told) == [1, 0, 16]
    pulses, teeth = driver.starts(BENCH_PIN), driver.starts(CRANK_PIN)
    slow, quick = (pulses, teeth) if first == CRANK else (teeth, pulses)
    (pause,) = (b for a, b in pairwise(quick) if b - a > 6 * MS)
    # What waited of the other was played; not 2 ms later both begin.
    (last,) = (a for a, b in pairwise(slow) if b == pause)
    span = gap if first == CRANK else 6 * MS
    assert before < pause and span <= pause - last < span + 2 * MS
    after = [cycle for cycle in pulses if cycle >= pause]
    # In a group within 4 cycles of its place.
    assert len(after) > 3 and all(abs(b - a - gap) <= 4 for a, b in pairwise(after))
    assert {b - a for a, b in pairwise(teeth) if a >= pause} == {6 * MS}


def test_a_turn_of_an_odd_number_of_cycles_is_played_to_the_cycle() -> None:
    """60 x 125 MHz / 1280 rev/min are 5 859 375; so for the trigger, and for a single tooth."""
    for pin, one in ((BENCH_PIN, {"firings": 1}), (CRANK_PIN, {"firings": 0, "teeth": 1})):
        driver = Driver()
        order = drive(1_280_000, 1_280_000, width_us=100, **{"turns": 1, **one})
        driver.outputs.drive(order, driver.now())
        driver.run(300)
        ups = driver.starts(pin)
        assert len(ups) > 5 and {b - a for a, b in pairwise(ups)} == {5_859_375}


def test_a_pulse_counts_as_driven_when_it_begins() -> None:
    """wire.md, `driven`: the pulses that have begun, since the last order."""
    driver = Driver()
    order = {"width_us": 500, "firings": 2, "turns": 1}
    begun = 0
    for rpm in (5_000, 4_000, 6_000):
        driver.outputs.drive(drive(1000 * rpm, 1000 * rpm, **order), driver.now())
        for _ in range(60):
            driver.run(1)
            driver.outputs.fill()
            assert driver.hardware.driven[0] == len(driver.starts(BENCH_PIN)) - begun
        begun += driver.hardware.driven[0]
    assert begun > 20
    last = driver.hardware.driven[0]
    driver.outputs.drive(drive(0, 0), driver.now())
    driver.run(20)
    assert driver.hardware.driven[0] == last > 0  # off is the end of what was counted
    driver.outputs.drive(drive(firings=0, teeth=4), driver.now())
    driver.run(20)
    assert driver.hardware.driven[0] == 0


@pytest.mark.parametrize("lit", [0, 4])
def test_the_old_lease_does_not_end_what_a_new_order_begins(lit: int) -> None:
    """Another shape rests for 2 ms first, and just then the timer finds the old lease over 900 ms;
    where the lamp is on, that timer goes on meanwhile.

    wire.md: outputs stay on after the last order that was valid.
    """
    driver = Driver()
    driver.chip.run(20 * MS)
    if lit:
        driver.outputs.light(lamp(mode=2), driver.now())
        driver.chip.run(20 * MS)
    since = driver.now() - (25 if lit else 5)  # 905 ms before the look that matters
    driver.outputs.drive(drive(6_000_000, 6_000_000, firings=4, width_us=100), since)
    begun = driver.chip.timers[0]._due
    assert begun // MS + 850 - since > 900
    while driver.chip.cycle < begun + 849 * MS:
        driver.run(1)
    order = drive(6_000_000, 6_000_000, firings=2, width_us=100)
    assert driver.outputs.drive(order, driver.now()) is None
    assert driver.chip.cycle > begun + 850 * MS  # the timer has looked meanwhile
    assert driver.hardware.outputs == 1 | lit and list(driver.hardware.told) == [0, 0, 0]
    before = len(driver.starts(BENCH_PIN))
    driver.run(30)
    assert len(driver.starts(BENCH_PIN)) > before


def test_what_stands_behind_an_output_and_when() -> None:
    """wire.md, "The lease": 0.9 s, a timer every 50 ms, the watchdog after 1 s; said once."""
    driver = Driver()
    for off in (drive(0, 0), drive(firings=0), lamp(mode=0)):  # nothing is on: nothing to watch
        (driver.outputs.light if len(off) == 12 else driver.outputs.drive)(off, 0)
        assert not driver.chip.timers and driver.chip.dog_due is None
    assert driver.outputs.feed() == 0
    began = driver.chip.cycle
    driver.outputs.drive(drive(width_us=100), driver.now())
    (timer,) = driver.chip.timers
    assert timer._period == 50 * MS
    dog = driver.chip.dog_due
    assert dog is not None and began < dog - 1000 * MS <= driver.chip.cycle
    driver.run(30)
    assert driver.chip.dog_due == pytest.approx(driver.chip.cycle + 1000 * MS, abs=MS // 10)
    # A lease from 900 ms ago holds, and from 901 ms ago it does not; what was cut before stays.
    driver.hardware.told[2] = 16
    for ago, on in ((900, 1), (901, 0)):
        driver.outputs.guard(driver.now() - ago)
        driver.outputs._check()
        assert driver.hardware.outputs == on and driver.hardware.told[2] == 17 - on
    assert not driver.chip.timers and driver.chip.dog_due is None
    assert [text for _, text in driver.hardware.notes] == [
        "the host did not renew its lease for 1 s: outputs are off"
    ]
    driver.outputs._check()
    assert len(driver.hardware.notes) == 1
    assert driver.chip.by_machine & 0x1C0 == 0 and driver.chip.high & 0x1C0 == 0


def test_a_module_that_only_triggers_may_be_driven_for_longer() -> None:
    """wire.md, "Limits": a capacitive one for up to 20 ms and 75 %, for ever: 20 of 26.79 ms.

    An inductive one's 70 % would be used up within a second.
    """
    driver = Driver()
    order = drive(2_240_000, 2_240_000, 0, 20_000, 1, 1, load=1)
    assert driver.outputs.drive(order, driver.now()) is None
    for _ in range(6):
        driver.run(500)
        driver.outputs.guard(driver.now())
    assert driver.hardware.outputs == 1 and list(driver.hardware.told) == [0, 0, 0]
    assert len(driver.starts(BENCH_PIN)) == pytest.approx(3000 / 26.79, abs=2)


def test_the_lamp_alone_has_a_lease_as_well() -> None:
    """wire.md, "The lease": 0.9 s from when the order came, looked at every 50 ms; and the dog."""
    driver = Driver()
    driver.chip.run(20 * MS)
    since = driver.now() - 5
    assert driver.outputs.light(lamp(mode=2), since) is None
    assert driver.hardware.outputs == 4 and driver.hardware.leased == since
    assert len(driver.chip.timers) == 1 and driver.chip.dog_due is not None
    while driver.now() <= since + 895:
        driver.run(1)
    assert driver.hardware.outputs == 4
    driver.run(60)
    assert driver.hardware.outputs == 0 and list(driver.hardware.told) == [0, 0, 1]
    assert not driver.chip.timers and driver.chip.dog_due is None


def test_a_ramp_may_begin_or_end_at_nothing() -> None:
    """wire.md, drive: rpm_from 0 with rpm_to 0 is off; one of them alone is 20 rev/min, 3 s a turn.

    A ramp of no time is a step: 1000 rev/min is a pulse each 60 ms.
    """
    for mrpm_from, mrpm_to, pulses in ((0, 1_000_000, 4), (1_000_000, 0, 1), (0, 0, 0)):
        driver = Driver()
        order = drive(mrpm_from, mrpm_to, 0, 100, 1, 1)
        assert driver.outputs.drive(order, driver.now()) is None
        driver.run(200)
        assert len(driver.starts(BENCH_PIN)) == pulses
        assert driver.hardware.outputs == (pulses > 0)


def test_how_long_a_turn_of_the_outputs_took_is_told_only_when_something_was_made() -> None:
    """10 000 rev/min, one pulse a turn of 6 ms: a record each 6 ms, in the other turns nothing.

    A look at the queues takes 40 µs here, and so does one at the lamp.
    """
    driver = Driver()
    outputs, chip = driver.outputs, driver.chip
    real = outputs._top_up

    def slow(ahead: int) -> None:
        chip.run(40 * US)
        real(ahead)

    outputs._top_up = slow

    def turns() -> list[int]:
        told = []
        for _ in range(24):
            chip.run(MS - 40 * US)
            told.append(outputs.feed())
        return told

    for one in (
        {"firings": 1, "turns": 1, "width_us": 100},
        {"firings": 0, "teeth": 1},
        {"firings": 1, "turns": 1, "width_us": 100, "teeth": 1},
    ):
        outputs.drive(drive(10_000_000, 10_000_000, **one), driver.now())
        turns()
        told = turns()
        assert sorted(set(told)) in ([0, 40], [0, 40, 41]) and sum(map(bool, told)) == 4
    outputs.drive(drive(0, 0), driver.now())
    for ordered in (True, False):
        outputs.light(lamp(), driver.now())
        outputs.lamp.turn = lambda good=ordered: chip.run(40 * US) or good
        assert outputs.feed() == (40 if ordered else 0)


def test_a_lamp_that_is_off_is_not_asked_for_flashes() -> None:
    driver = Driver()
    driver.outputs.drive(drive(width_us=100), driver.now())
    asked: list[bool] = []
    driver.outputs.lamp.turn = lambda: asked.append(True)
    driver.run(30)
    assert not asked and driver.starts(BENCH_PIN)


def test_pulses_that_are_active_low_begin_2_ms_after_the_pin_rests_high() -> None:
    """wire.md, driving: rest is the pin high from such an order on."""
    driver = Driver()
    watched = driver.chip.watch(BENCH_PIN)
    driver.run(10)
    assert driver.outputs.drive(drive(width_us=100, active_low=1), driver.now()) is None
    driver.run(30)
    rest = next(cycle for cycle, level in watched if level)
    pulse = next(cycle for cycle, level in watched if cycle > rest and not level)
    assert pulse - rest >= 1999 * US  # by a clock of whole microseconds


def test_which_pulse_is_waited_for_before_another_shape() -> None:
    """wire.md: pulses under way on both outputs come to their end, 25 ms at most: looks of 0.25 µs.

    An output that plays nothing is not waited for; rest is high where pulses are active low.
    """
    driver = Driver()
    asked: list[tuple[int, ...]] = []
    real = driver.module.whole
    driver.module.whole = lambda *given: asked.append(given) or real(*given)
    both = drive(active_low=1, teeth=4)
    for order, wanted in (
        (both, []),
        (drive(active_low=1), [(1 << 6, 1 << 6, 2, 100_000), (1 << 7, 1 << 6, 4, 100_000)]),
        (drive(active_low=0, firings=0, teeth=4), [(1 << 6, 1 << 6, 2, 100_000)]),
        (drive(0, 0), []),
        (drive(width_us=100), []),
    ):
        assert driver.outputs.drive(order, driver.now()) is None
        assert asked == wanted
        asked.clear()
        driver.run(5)


def test_an_output_that_rests_high_never_falls_at_boot() -> None:
    """firmware/rest.py: a reset by the watchdog leaves a mark that the bench trigger rests high."""
    hw, outputs, rest, chip = pio_chip.load("hw_rp2", "outputs", "rest", "chip")
    rest.mem32 = {chip.WATCHDOG_SCRATCH0: 0x7E570000 | 1 << BENCH_PIN}
    made: list[tuple[int, int, int]] = []

    class Pin(pio_chip.Pin):
        def __init__(self, number: int, mode: int = -1, pull: int = -1, value: int | None = None):
            super().__init__(number, mode, pull, value)
            if value is not None:
                made.append((number, mode, value))

    outputs.Pin = Pin
    watched = {pin: pio_chip.CHIP.watch(pin) for pin in (BENCH_PIN, CRANK_PIN, LAMP_PIN)}
    hardware = hw.Hardware()
    pio_chip.CHIP.run(100)
    assert made == [(6, Pin.OUT, 1), (7, Pin.OUT, 0), (8, Pin.OUT, 0)]
    assert list(hardware.driven) == [0] and list(hardware.told) == [0, 0, 0]
    assert [level for _, level in watched[BENCH_PIN]] == [True]
    assert not watched[CRANK_PIN] and not watched[LAMP_PIN]
    gpio = pio_chip.CHIP.rp2040.gpio
    assert all(gpio[pin].output_enable for pin in watched)
    hardware.outputs_off()
    pio_chip.CHIP.run(100)
    assert [level for _, level in watched[BENCH_PIN]] == [True]


def test_what_rests_high_is_kept_for_a_reset_by_the_watchdog() -> None:
    """wire.md, driving: rest is the pin high from such an order on; a reset within the train must
    not make the pin fall, which would be the active level. By the next boot's reading."""
    driver = Driver()
    rest = driver.module.rest
    rest.mem32 = {0x4005800C: 0}  # WATCHDOG_SCRATCH0, see test_registers.py
    assert rest.high() == 0
    for low in (1, 0, 1):
        assert driver.outputs.drive(drive(width_us=100, active_low=low), driver.now()) is None
        assert rest.high() == low << BENCH_PIN
        for nothing in (drive(19_000, 19_000, active_low=1 - low), drive(0, 0)):
            driver.outputs.drive(nothing, driver.now())
            assert rest.high() == low << BENCH_PIN


def test_a_restart_of_the_program_stops_what_played() -> None:
    """A soft reset leaves machines, pins and watchdog as they are: at rest before anything else.

    The watchdog's enable is bit 30 of its CTRL, a pin's master is SIO at 5 (RP2040 datasheet).
    """
    (hw,) = pio_chip.load("hw_rp2")
    put, get = pio_chip.CHIP.rp2040.write_uint32, pio_chip.CHIP.rp2040.read_uint32
    put(PIO1, 0b1110)
    put(0x40058000, 1 << 30)
    for pin in (BENCH_PIN, CRANK_PIN, LAMP_PIN):
        put(0x40014004 + 8 * pin, 7)
    hardware = hw.Hardware()
    assert get(PIO1) & 0b1110 == 0 and not get(0x40058000) >> 30 & 1
    assert [get(0x40014004 + 8 * pin) & 31 for pin in (BENCH_PIN, CRANK_PIN, LAMP_PIN)] == [5] * 3
    assert hardware.outputs == 0 and hardware._outputs.feed() == 0


def test_how_long_records_are() -> None:
    """wire.md: pulses closer than 3 ms come in groups, those of the trigger of 10 ms at most; 20 ms
    are queued. Groups of teeth last 250 ms, and 5 ms wait before a train begins (our own choice).
    """
    driver = Driver()
    p = driver.board.modules["pulses"]
    bench, wheel = driver.outputs._bench.train.state, driver.outputs._wheel.train.state
    assert (bench[p.SHORTEST], bench[p.LONGEST]) == (3 * MS, 10 * MS)
    assert (wheel[p.SHORTEST], wheel[p.LONGEST]) == (3 * MS, 250 * MS)
    assert (bench[p.WIDTH], wheel[p.WIDTH]) == (1, 0)
    assert (driver.outputs._ahead, driver.outputs._first) == (20 * MS, 5 * MS)


PIO1 = 0x50300000
SHAPES = [
    {"firings": 1, "turns": 1}, {"firings": 1, "turns": 1, "active_low": 1}, {"firings": 4},
    {"firings": 0, "turns": 1, "teeth": 1}, {"firings": 0, "turns": 2, "teeth": 1},
    {"firings": 0, "turns": 1, "teeth": 36, "missing": 1},
    {"firings": 1, "turns": 1, "teeth": 2, "missing": 1}, {"firings": 1, "turns": 1, "load": 1},
]  # fmt: skip


@pytest.mark.parametrize("shape", SHAPES)
def test_what_is_off_begins_anew_and_what_is_not_asked_for_stays_off(shape: dict[str, int]) -> None:
    """The first order, one after everything was switched off, and one after it was itself ended.

    The machine of block 1 that keeps the time is nobody's here: it stays as it is.
    """
    driver = Driver()
    chip, outputs = driver.chip, driver.outputs
    payload = drive(6_000_000, 6_000_000, width_us=300, **shape)
    pins = [BENCH_PIN] * (shape["firings"] > 0) + [CRANK_PIN] * ("teeth" in shape)
    bits = sum({BENCH_PIN: 1, CRANK_PIN: 2}[pin] for pin in pins)
    high = shape.get("active_low", 0)

    def active(pin: int, since: int) -> list[int]:
        level = 1 - high if pin == BENCH_PIN else 1
        return [cycle for cycle, now in chip.watch(pin) if now == level and cycle >= since]

    before = 0
    for ended, clock in ((None, 1), ("off", 1), ("rest", 1), ("off", 0)):
        if ended == "off":
            outputs.off()
        elif ended:
            assert outputs.drive(drive(0, 0, active_low=high), driver.now()) is None
        assert outputs.on == 0 and not outputs._machines
        assert chip.get(PIO1) & 15 == before and chip.by_machine & 0x1C0 == 0
        before = clock
        since = chip.cycle
        outputs.fill()
        driver.run(20)
        assert not active(BENCH_PIN, since + 1) and not active(CRANK_PIN, since + 1)
        assert chip.high & 0x1C0 == (high << 6 if ended else 0)
        chip.put(PIO1, clock)
        chip.put(0x40014004 + 8 * CRANK_PIN, 7)  # somebody gave it away
        since = chip.cycle
        assert outputs.drive(payload, driver.now()) is None
        assert outputs.on == bits and chip.by_machine & 0xC0 == sum(1 << pin for pin in pins)
        driver.run(60)
        for pin in (BENCH_PIN, CRANK_PIN):
            assert (len(active(pin, since)) >= 2) is (pin in pins)
        assert chip.get(PIO1) & 1 == clock
        assert outputs.feed() in range(3) and driver.hardware.driven[0] == (
            len(active(BENCH_PIN, since)) if shape["firings"] else 0
        )
    outputs.light(lamp(), driver.now())
    assert outputs.on == bits | 4 and chip.get(PIO1) & 8
    assert outputs.drive(drive(0, 0, active_low=high), driver.now()) is None
    assert outputs.on == 4 and chip.get(PIO1) & 14 == 8 and chip.by_machine & 0x1C0 == 0x100
    assert chip.timers and chip.dog_due
    # A train beside the lamp leaves it on.
    assert outputs.drive(payload, driver.now()) is None
    assert outputs.on == bits | 4 and chip.get(PIO1) & 8 and chip.by_machine & 0x100
    assert outputs.drive(drive(0, 0, active_low=high), driver.now()) is None
    outputs.light(lamp(mode=0), driver.now())
    assert outputs.on == 0 and chip.get(PIO1) & 14 == 0 and chip.by_machine & 0x1C0 == 0
    assert not chip.timers and chip.dog_due is None
    outputs.light(lamp(mode=2), driver.now())
    assert outputs.lamp.mode == 2
    outputs.off()
    assert outputs.lamp.mode == 0 == outputs.on


@pytest.mark.parametrize(
    ("rested", "slept"),
    [(0, [2000]), (1, [1999]), (1999, [1]), (2001, []), (1 << 28, []), (-1, [])],
)
def test_how_long_a_train_rests_after_another(rested: int, slept: list[int]) -> None:
    """wire.md, driving: 2 ms of rest; by a clock that wraps, so that a long rest may look like one
    that has not begun."""
    driver = Driver()
    module, chip = driver.module, driver.chip
    chip.run(MS)
    found: list[int] = []
    module.ticks_us = lambda: 5
    module.sleep_us = lambda us: found.append(us) or chip.run(us * US)
    driver.outputs._rested_us = (5 - rested) & 0x3FFFFFFF
    began = chip.cycle
    assert driver.outputs.drive(drive(width_us=100), driver.now()) is None
    assert found == slept
    (first, *_) = driver.starts(BENCH_PIN) or [chip.cycle]
    assert first - began >= sum(slept) * US


def test_a_train_beyond_the_limits_of_a_second_or_a_minute_is_cut_and_said() -> None:
    """wire.md, `cut`: 2 a second's active time, 4 a minute's; everything goes to rest.

    Pulses of 5 ms, 10 ms apart: one under way and two that wait. Room is left for none or for two.
    """
    for word, most, bit, said in (
        ("SECOND", 60_000, 2, "second"), ("MINUTE", 6_000_000, 4, "minute"),
    ):  # fmt: skip
        for left in (4_999, 12_000):
            driver = Driver()
            limits = driver.board.modules["limits"]
            words = driver.outputs._budget.words
            driver.chip.run(MS)
            order = drive(6_000_000, 6_000_000, 0, 5000, 1, 1)
            words[limits.THEN] = driver.now()
            driver.outputs._budget.fault = lambda *_: None  # else it would be refused at once
            words[getattr(limits, word)] = most - left
            driver.outputs.drive(order, driver.now())
            driver.run(5)
            assert driver.hardware.outputs == 0 and driver.hardware.told[2] == bit
            ((level, text),) = driver.hardware.notes
            assert level == 1 and f"active time of a {said}" in text
            assert not driver.chip.timers and driver.chip.by_machine & 0x1C0 == 0


def test_pauses_are_those_since_the_last_order_that_was_obeyed() -> None:
    """wire.md, driving: pauses since the last drive command; `cut` since the start."""
    driver = Driver()
    told = driver.hardware.told
    one, two = drive(width_us=100), drive(width_us=100, firings=2)
    for payload, left in ((one, 0), (one, 0), (two, 0), (drive(19_000, 19_000), 7), (two, 0)):
        told[0], told[1], told[2] = 7, 8, 16
        assert (driver.outputs.drive(payload, driver.now()) is None) is (left == 0)
        assert list(told) == [left, 8, 16]


def test_queues_are_filled_on_demand_but_not_while_a_train_has_to_pause() -> None:
    """`fill` goes before what takes its time. A train of 6 ms a turn, 12 ms without the loop."""
    driver = Driver()
    driver.outputs.drive(drive(10_000_000, 10_000_000, 0, 100, 1, 1, 0, teeth=1), driver.now())
    driver.run(30)
    chip = driver.chip
    for machine in (BENCH, CRANK):
        assert len(chip.machines[machine].queue) == 8
    chip.run(12 * MS)
    assert [len(chip.machines[k].queue) for k in (BENCH, CRANK)] == [4, 4]
    driver.outputs.fill()
    assert [len(chip.machines[k].queue) for k in (BENCH, CRANK)] == [8, 8]
    driver.outputs._dry = 1 << BENCH
    chip.run(12 * MS)
    driver.outputs.fill()
    assert [len(chip.machines[k].queue) for k in (BENCH, CRANK)] == [4, 4]


def test_a_machine_that_is_loaded_stands_still_and_the_others_do_not() -> None:
    driver = Driver()
    for player, bit in ((driver.outputs._bench, 2), (driver.outputs._wheel, 4)):
        asked: list[Any] = []
        init = player._machine.init
        player._machine.init = lambda program, real=init, seen=asked, **more: (
            seen.append(program) or real(program, **more)
        )
        for low in (0, 0, 1, 1, 0):
            driver.chip.put(PIO1, 15)
            player.load(low)
            assert driver.chip.get(PIO1) == 15 - bit
        # A call of MicroPython's class freezes the pin: only for another program.
        high, low = driver.module.programs.pulses_high, driver.module.programs.pulses_low
        assert asked == [high, low, high]


def test_a_train_that_was_not_fed_at_its_end_does_not_make_the_next_one_pause() -> None:
    """The chip keeps that a machine has found its queue empty; that was in another train."""
    driver = Driver()
    both = {"width_us": 100, "teeth": 4}
    for ends in (driver.outputs.off, lambda: driver.outputs.drive(drive(0, 0), driver.now())):
        driver.outputs.drive(drive(6_000_000, 6_000_000, **both), driver.now())
        driver.run(20)
        driver.chip.run(300 * MS)
        assert driver.chip.get(PIO1 + 8) >> 24 & 6 == 6
        ends()
        driver.outputs.drive(drive(6_000_000, 6_000_000, firings=2, **both), driver.now())
        begun = len(driver.starts(BENCH_PIN))
        driver.run(100)
        assert list(driver.hardware.told) == [0, 0, 0]
        assert len(driver.starts(BENCH_PIN)) - begun == pytest.approx(10, abs=1)
