"""When bench pulses fall: firmware/pulses.py under CPython, against exact fractions.

Worked by hand: a revolution at N rev/min lasts 60 f / N cycles of a clock of f. A record of n
pulses lasts n (A + 2 + I + 3) + 4 cycles, which programs.py says and test_pio_board.py runs.
"""

from __future__ import annotations

import random
from array import array
from fractions import Fraction
from math import ceil
from typing import Any

import pytest

import pio_chip

CLOCK = 125_000_000
MS = CLOCK // 1000
SHORTEST = 3 * MS


@pytest.fixture(scope="module")
def pulses() -> Any:
    return pio_chip.load("pulses")[0]


def test_quotient_is_pythons(pulses: Any) -> None:
    rng = random.Random(1)
    ends = [(0, 1), (2**48 - 1, 2**29 - 1), (2**32, 3), (2**32 - 1, 7), (7 * 10**12, 20_000_000)]
    some = [
        (rng.getrandbits(48) >> rng.randrange(16), rng.randrange(2**20, 2**29)) for _ in range(300)
    ]
    for numerator, divisor in ends + some:
        words = array("I", [numerator & 0xFFFFFFFF, numerator >> 32])
        assert pulses._quotient(words, divisor) == numerator // divisor & 0xFFFFFFFFFFFFFFFF


@pytest.mark.parametrize("clock", [125_000_000, 150_000_000])
@pytest.mark.parametrize("multiple", [1, 7, 60])
def test_lengths_of_revolutions_are_right_on_average(
    pulses: Any, clock: int, multiple: int
) -> None:
    """1 000.3 rev/min does not divide the clock: what one length lacks the next ones have."""
    for mrpm in (20_000, 1_000_300, 18_000_000):
        speed = pulses.Speed(clock)
        speed.order(mrpm, mrpm, 0, 500)
        speed.restart(multiple)
        ideal, total = Fraction(clock * 60_000, mrpm), 0
        for r in range(20):
            speed.reach(r)
            length = speed.lengths[r % pulses.TABLE]
            assert speed.known == r + 1 and speed.lengths[pulses.TABLE + r % pulses.TABLE] == 500
            assert length % multiple == 0
            total += length
            assert 0 <= (r + 1) * ideal - total < multiple + r + 1  # a part of a cycle each


def test_a_train_begins_without_what_the_last_one_left(pulses: Any) -> None:
    """1 000.3 rev/min: 7 497 750.67 cycles a turn. In multiples of 60 the first one leaves 30."""
    speed = pulses.Speed(CLOCK)
    speed.order(1_000_300, 1_000_300, 0, 1)
    speed.restart(60)
    speed.reach(1)
    assert list(speed.lengths[:2]) == [7_497_720, 7_497_780]
    for multiple, first in ((60, 7_497_720), (1, 7_497_750), (7, 7_497_749)):
        speed.restart(60)
        speed.reach(0)
        speed.restart(multiple)
        assert speed.known == 0
        speed.reach(0)
        assert (speed.known, speed.lengths[0]) == (1, first)


def speeds(pulses: Any, order: tuple[int, int, int], revolutions: int) -> list[tuple[float, float]]:
    """(seconds at its begin, rev/min) of each revolution."""
    speed, now, found = pulses.Speed(CLOCK), 0, []
    speed.order(*order, 1)
    for r in range(revolutions):
        speed.reach(r)
        found.append((now / CLOCK, 60 * CLOCK / speed.lengths[r % pulses.TABLE]))
        now += speed.lengths[r % pulses.TABLE]
    return found


@pytest.mark.parametrize(
    "order", [(600_000, 6_000_000, 2_000), (6_000_000, 600_000, 3_000), (1_000_000, 1_000_900, 999)]
)
def test_a_ramp_is_linear_in_time(pulses: Any, order: tuple[int, int, int]) -> None:
    """From a speed to another within a time; the step that a revolution takes is 1/1024 of it."""
    begin, end, ramp_ms = order
    found = speeds(pulses, order, 250)
    assert found[-1][0] > ramp_ms / 1000
    for at, rpm in found:
        share = min(1000 * at / ramp_ms, 1.0)
        wanted = (begin + (end - begin) * share) / 1000
        assert rpm == pytest.approx(wanted, abs=abs(end - begin) / 1000 * (1 / 1000 + 1.1 / ramp_ms)
                                    + 1e-6 * wanted + 0.01), at  # fmt: skip
    assert found[0][1] == pytest.approx(begin / 1000, rel=1e-6)
    assert found[-1][1] == pytest.approx(end / 1000, rel=1e-6)


def test_a_ramp_at_a_millisecond_is_what_it_should_be(pulses: Any) -> None:
    """From 1000 to 2024.513 rev/min in 1024 ms: 1.000 501 more each ms, cut to 0.001; and back.

    By hand, 1 024 513 = 1000 x 1024 + 513: after 1023 ms 1 023 000 and 512.49, after 2 ms 2001.002.
    """
    speed = pulses.Speed(CLOCK)
    for begin, end, at in (
        (1_000_000, 2_024_513, {0: 0, 1: 1000, 2: 2001, 512: 512_256, 1023: 1_023_512}),
        # Below 0 a cut goes down.
        (2_024_513, 1_000_000, {0: 0, 1: -1001, 2: -2002, 512: -512_257, 1023: -1_023_513}),
    ):
        speed.order(begin, end, 1024, 1)
        for ms, more in at.items():
            speed._elapsed_ms = ms
            assert speed._mrpm() == begin + more, (begin, ms)
        for ms in (1024, 1025, 90_000):
            speed._elapsed_ms = ms
            assert speed._mrpm() == end
    # One of 0.4 s: in its 256th part 4 of 1024 parts of 1 024 000.
    speed.order(1_000_000, 2_024_000, 400, 1)
    for ms, more in ((100, 256_000), (1, 2000), (399, 1_021_000)):
        speed._elapsed_ms = ms
        assert speed._mrpm() == 1_000_000 + more


@pytest.mark.parametrize(
    ("mrpm", "turns", "ms", "us"),
    # 10 ms; 8571.43 µs, of which each turn's whole ones count; 59.994 ms, over 6 s.
    [(6_000_000, 100, 1000, 0), (7_000_000, 100, 857, 100), (1_000_100, 101, 6059, 394)],
)
def test_a_ramps_time_is_that_of_the_turns_made(
    pulses: Any, mrpm: int, turns: int, ms: int, us: int
) -> None:
    speed = pulses.Speed(CLOCK)
    speed.order(mrpm, mrpm, 60_000, 1)
    speed.reach(turns - 1)
    assert (speed._elapsed_ms, speed._elapsed_us) == (ms, us)
    speed.order(mrpm, mrpm, 60_000, 1)
    assert (speed._elapsed_ms, speed._elapsed_us) == (0, 0)


def test_a_step_is_one_and_the_slowest_speed_is_twenty(pulses: Any) -> None:
    assert [rpm for _, rpm in speeds(pulses, (1_000_000, 3_000_000, 0), 3)] == [3000.0] * 3
    # A new one cuts no length: 833 333.33 cycles.
    assert speeds(pulses, (9_000_000, 9_000_000, 0), 2)[1][1] == 60 * CLOCK / 833_333
    assert speeds(pulses, (0, 0, 0), 1)[0][1] == 20.0
    assert speeds(pulses, (0, 40_000, 5_000), 1)[0][1] == 20.0
    assert speeds(pulses, (40_000, 0, 5_000), 8)[-1][1] == pytest.approx(20.0, rel=1e-6)


Record = tuple[int, int, int, int]  # pulses, active and inactive as the program has them, cycles


def records(train: Any, p: Any, n: int) -> list[Record]:
    """What the train makes, its counters held against what was made.

    No length is asked for before it is needed: a new order counts from the next one on.
    """
    found: list[Record] = []
    for _ in range(n):
        train.next()
        words = train.state
        reached = words[p.BASE] + Fraction(words[p.PLACE] * words[p.TURNS], words[p.STEPS])
        assert train._speed.known == ceil(reached)
        found.append((words[p.COUNT], words[p.ACTIVE], words[p.INACTIVE], words[p.CYCLES]))
        assert words[p.TOTAL] == sum(one[0] for one in found)
        for back, one in enumerate(found[:-5:-1]):
            k = (words[p.LAST] - back) % 4
            assert (words[p.COUNTS + k], words[p.SPANS + k]) == (one[0], one[3])
    return found


def edges(made: list[Record]) -> list[int]:
    """Cycles of the pulses' begins; asserts what a record is said to last."""
    now, found = 0, []
    for count, active, inactive, cycles in made:
        pitch = active + 2 + inactive + 3
        assert cycles == count * pitch + 4
        found += [now + k * pitch for k in range(count)]
        now += cycles
    return found


SHAPES = [
    (1, 1, 1), (4, 4, 2), (3, 3, 2), (5, 5, 4), (60, 58, 1), (36, 35, 1), (12, 12, 1), (40, 40, 1),
    (8, 5, 1), (1, 1, 2), (2, 2, 3), (200, 199, 1), (255, 255, 1),
]  # fmt: skip


@pytest.mark.parametrize(("steps", "present", "turns"), SHAPES)
@pytest.mark.parametrize("order", [(900_000, 900_000, 0), (5_000_000, 300_000, 400)])
@pytest.mark.parametrize("multiple", [True, False])
def test_each_pulse_falls_within_four_cycles_of_its_place(
    pulses: Any, steps: int, present: int, turns: int, order: tuple[int, int, int], multiple: bool
) -> None:
    """Place j of `steps` in `turns` revolutions, each of a length of its own: in fractions.

    As of a wheel, whose revolutions are multiples of its teeth; or of any length: then each pulse
    of a record may lack a part of a cycle, and the next record makes it good.
    """
    speed = pulses.Speed(CLOCK)
    train = pulses.Train(speed, SHORTEST, 250 * MS, 0)
    speed.restart(steps if multiple else 1)
    speed.order(*order, 1)
    train.restart(steps, present, turns)
    made = records(train, pulses, 60)
    found = edges(made)
    lengths = pulses.Speed(CLOCK)
    lengths.restart(steps if multiple else 1)
    lengths.order(*order, 1)
    begins = [0]
    wanted: list[Fraction] = []
    for n in range(len(found)):
        period, j = divmod(n, present)
        turn = Fraction(j * turns, steps)
        r = period * turns + int(turn)
        while len(begins) < r + 2:
            lengths.reach(len(begins) - 1)
            begins.append(begins[-1] + lengths.lengths[(len(begins) - 1) % pulses.TABLE])
        wanted.append(begins[r] + (turn - int(turn)) * (begins[r + 1] - begins[r]))
    off = max(abs(a - b) for a, b in zip(found, wanted, strict=True))
    assert off <= 4 + (0 if multiple else max(one[0] for one in made))


@pytest.mark.parametrize(
    ("shape", "rpm", "longest_ms", "counts"),
    [
        # 60 teeth at 6000: 10 ms and 1/6 ms a tooth, so one record of 59, and the last alone.
        ((60, 60, 1), 6000, 250, [59, 1]),
        ((60, 58, 1), 6000, 250, [57, 1]),
        # 40 a turn at 1000: 1.5 ms apart; six in no more than 10 ms.
        ((40, 40, 1), 1000, 10, [6, 6, 6, 6, 6, 6, 3, 1]),
        # 30 are 2 ms apart: five, and the 4 cycles that a record takes more, are over 10 ms.
        ((30, 30, 1), 1000, 10, [4] * 7 + [1, 1]),
        # A turn of 7 499 970 cycles: 249 999 apart, five with those 4 are 1 249 999 of 1 250 000.
        ((30, 30, 1), 1000.004, 10, [5] * 5 + [4, 1]),
        # 20 a turn at 1000 are 3 ms apart, as long as a record has to be; a little faster: less.
        ((20, 20, 1), 1000, 10, [1] * 20),
        ((20, 20, 1), 1001, 10, [3] * 6 + [1, 1]),
        # Two a turn, in four turns: never over a turn's end.
        ((8, 8, 4), 12_000, 10, [1] * 8),
        ((12, 12, 4), 12_000, 10, [2, 1] * 4),
        ((255, 255, 1), 1000, 250, [254, 1]),
    ],
)
def test_how_many_pulses_a_record_has(
    pulses: Any, shape: tuple[int, int, int], rpm: float, longest_ms: int, counts: list[int]
) -> None:
    speed = pulses.Speed(CLOCK)
    train = pulses.Train(speed, SHORTEST, longest_ms * MS, 1)
    speed.restart(1)
    speed.order(round(1000 * rpm), round(1000 * rpm), 0, 100)
    train.restart(*shape)
    made = records(train, pulses, 2 * len(counts))
    assert [one[0] for one in made] == 2 * counts
    # Both rounds last as long as their turns; a record of two as well.
    edges(made)
    turns = Fraction(2 * shape[2] * 60 * CLOCK) / Fraction(str(rpm))
    assert abs(sum(one[3] for one in made) - turns) <= 4 + max(counts)


def test_pulses_are_as_wide_as_ordered_or_half_of_their_place(pulses: Any) -> None:
    """At 1000 rev/min a turn is 7 500 000 cycles; a single tooth has a thirty-sixth of it."""

    def widths(
        shape: tuple[int, int, int], ordered: int, width: int = 0, mrpm: int = 10**6
    ) -> set[int]:
        speed = pulses.Speed(CLOCK)
        train = pulses.Train(speed, SHORTEST, 250 * MS, ordered)
        speed.restart(1)
        speed.order(mrpm, mrpm, 0, width)
        train.restart(*shape)
        return {active + 2 for _, active, _, _ in records(train, pulses, 24)}

    assert widths((4, 4, 2), 1, 125_000) == {125_000}
    assert widths((40, 40, 1), 1, 250) == {250}
    assert widths((4, 4, 2), 1, 0) == {2}  # the shortest that there is
    assert widths((1, 1, 1), 0) == {7_500_000 // 36}
    assert widths((4, 4, 1), 0) == {7_500_000 // 8}
    # 12 places of 625 000; the last of 12 - 1 reaches over the gap.
    assert sorted(widths((12, 11, 1), 0)) == pytest.approx([312_500, 625_000], abs=2)
    # The machine counts in 24 bits: a tooth of half 46 875 000 is cut.
    assert widths((4, 4, 1), 0, 0, 20_000) == {0xFFFFFF}


def test_the_width_is_that_ordered_before_its_revolution(pulses: Any) -> None:
    """One pulse a turn, another width with each turn, for longer than the table of 16."""
    speed = pulses.Speed(CLOCK)
    train = pulses.Train(speed, SHORTEST, 10 * MS, 1)
    train.restart(1, 1, 1)
    for r in range(40):
        speed.order(6_000_000, 6_000_000, 0, 1000 + 10 * r)
        speed.reach(r)
        train.next()
        assert train.state[pulses.ACTIVE] + 2 == 1000 + 10 * r


def test_a_pulse_wider_than_its_place_delays_the_next_ones_and_no_more(pulses: Any) -> None:
    """Two pulses a turn of 0.75 ms, of 0.5 ms each: 0.5 ms + 3 and 4 cycles at least apart."""
    speed = pulses.Speed(CLOCK)
    train = pulses.Train(speed, SHORTEST, 10 * MS, 1)
    speed.restart(1)
    speed.order(80_000_000, 80_000_000, 0, 62_500)
    train.restart(2, 2, 1)
    made = records(train, pulses, 6)
    assert {one[:3] for one in made} == {(1, 62_498, 0)} and {one[3] for one in made} == {62_507}
    # Of six in a record, 1.5 ms apart, each of 2 ms: 2 ms + 3 cycles, and 4 for the record.
    other = pulses.Train(speed, SHORTEST, 10 * MS, 1)
    speed.restart(1)
    speed.order(1_000_000, 1_000_000, 0, 250_000)
    other.restart(40, 40, 1)
    assert records(other, pulses, 1) == [(6, 249_998, 0, 6 * 250_003 + 4)]
    speed.restart(1)
    # A slower order makes good what came late, one pulse after the other.
    speed.order(8_000_000, 8_000_000, 0, 62_500)
    for _ in range(60):
        train.next()
    late = train.state[pulses.LATE] - pulses.BIAS
    assert late <= 4
