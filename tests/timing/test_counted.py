"""What is counted over two sessions, two heartbeats and many pieces; and where typed values end.

Longer than other files: what is typed, and what follows from it, in one place.
"""

import json
import re
from dataclasses import dataclass, replace
from math import hypot, sqrt
from pathlib import Path
from typing import Any

import click
import numpy as np
import pytest
from scipy.interpolate import lagrange

from sparkwitness import shipped
from sparkwitness.cli.measure import command
from sparkwitness.decode.edges import EdgeDecoder
from sparkwitness.errors import UserError
from sparkwitness.timing import clamps, conditioner, interpolation, measure
from sparkwitness.timing.analyzer import Analyzer
from sparkwitness.timing.angle import Reference
from sparkwitness.timing.conditioner import Coil, Delay
from sparkwitness.timing.number import Number, plain
from sparkwitness.timing.setup import Setup
from streams import Stream

TICK_S = 24e-9


def in_pieces(data: bytes, size: int) -> list[bytes]:
    return [data[at : at + size] for at in range(0, len(data), size)]


# Losses that the board itself counted


@pytest.mark.parametrize("size", [1 << 20, 50])
def test_what_the_board_counts_is_counted_once(size: int):
    """Its counts go on from heartbeat to heartbeat, and wrap at 16 and 32 bits."""
    made = Stream()
    made.hello()
    for k, (lost, stalls, unsent) in enumerate(
        [(0, 0, 0), (5, 2, 1), (5, 2, 1), (9, 3, 1), (9, 3, 4)]
    ):
        made.heartbeat(1000 * k, lost=[0, lost, 0, 1], stalls=[stalls, 0, 0, 0], unsent=unsent)
    decoder = EdgeDecoder()
    for piece in in_pieces(made.data, size):
        decoder.feed(piece)
    decoder.finish()
    assert decoder.loss.board_lost == [0, 9, 0, 1]
    assert decoder.loss.board_stalls == [3, 0, 0, 0] and decoder.loss.board_unsent == 4
    again = Stream(session=8)
    again.hello()
    again.heartbeat(0, lost=[0, 2, 0, 0], stalls=[1, 0, 0, 0], unsent=1)
    decoder.feed(again.data)
    assert decoder.loss.board_lost == [0, 11, 0, 1]
    assert decoder.loss.board_stalls == [4, 0, 0, 0] and decoder.loss.board_unsent == 5
    assert decoder.loss.sessions == 2


def test_edges_that_never_came_are_counted_once_though_looked_at_twice():
    made = Stream()
    made.hello()
    made.heartbeat(0)
    made.edges(0, np.arange(100, 200, 10))
    made.heartbeat(300)
    del made.frames[2]
    decoder = EdgeDecoder()
    decoder.feed(made.data)
    decoder.finish()
    decoder.finish()
    assert decoder.loss.edges_lost == [10, 0, 0, 0]
    late = Stream(seq=made.seq, first=[10, 0, 0, 0])
    late.edges(0, np.array([400, 410]))
    decoder.feed(b"".join(late.frames))
    assert decoder.loss.edges_lost == [10, 0, 0, 0] and decoder.loss.frames_missing == 1
    repeated = decoder.loss.frames_repeated
    decoder.feed(b"".join(late.frames))
    assert decoder.loss.frames_repeated == repeated + 1


# Two sessions of an engine: 36 - 1 on the crank at 1000 rev/min, a spark each 720 degrees


def session(number: int, ringing: int, volts: tuple[int, ...], turns: int = 20) -> Stream:
    made = Stream(session=number)
    made.hello()
    made.heartbeat(0, supply_mv=volts[0])
    degrees = (np.arange(turns)[:, None] * 360.0 + np.arange(35) * 10.0).ravel()
    tick = np.rint((0.05 + degrees / 6000) / TICK_S).astype(np.int64)
    sparks = np.rint((0.05 + (np.arange(1, turns // 2) * 720.0 + 40) / 6000) / TICK_S)
    sparks = sparks.astype(np.int64)
    # Each rung edge comes 15 µs after its spark, and once more after 15 µs.
    rung = np.concatenate((sparks[:ringing] + 625, sparks[:ringing] + 1250))
    clamp = np.sort(np.concatenate((sparks, rung)))
    end = int(tick[-1]) + 100
    for k, mv in enumerate(volts[1:], 1):
        until = end * k // (len(volts) - 1)
        since = end * (k - 1) // (len(volts) - 1)
        for which, edges in ((0, tick), (1, clamp)):
            made.edges(which, edges[(edges >= since) & (edges < until)])
        made.heartbeat(until, supply_mv=mv)
    return made


SETUP = Setup(Reference(36, 1, 1, 60.0), cylinders=4, clamp="plug", commanded=20.0)


@pytest.mark.parametrize("size", [1 << 20, 300])
def test_counts_go_on_over_two_sessions(size: int):
    first, second = session(7, 3, (12_600, 12_400, 65_535)), session(9, 2, (12_000, 12_500, 12_100))
    analyzer = Analyzer(SETUP)
    for piece in in_pieces(first.data, size):
        analyzer.feed(piece)
    alone = analyzer.tables()
    assert alone.ringing == 6 and alone.clamp_edges == 9 + 6
    assert alone.supply_mv == [12_600, 12_400]
    for piece in in_pieces(second.data, size):
        analyzer.feed(piece)
    tables = analyzer.finish()
    assert tables.ringing == 6 + 4 and tables.clamp_edges == 2 * 9 + 6 + 4
    assert (tables.crank_edges, tables.crank_rejected) == (1400, 0)
    ends = sum(
        s.first[0] and 0.05 + (19 * 360 + 340) / 6000 + 100 * TICK_S for s in (first, second)
    )
    assert tables.seconds == pytest.approx(ends, abs=1e-6)
    assert tables.supply_mv == [12_600, 12_400, 12_000, 12_500, 12_100]
    assert len(tables.supply_tick) == 3 and len(tables.sessions) == 2
    assert len(tables.sparks.tick) == 18 and not tables.cut and tables.dropped == 0
    parts = tables.apart()
    assert [len(p.sparks.tick) for p in parts] == [9, 9]
    assert (parts[0].supply_tick, len(parts[1].supply_tick)) == ([], 3)
    assert parts[0].turns is None and parts[1].turns is not None
    result = measure.evaluate(SETUP, tables)
    assert result.ringing == 10 and result.supply_least_mv == 12_000
    assert result.seconds == pytest.approx(ends, abs=1e-6)
    placed = parts[1].sparks.degrees
    assert placed[np.isfinite(placed)] % 360 == pytest.approx(np.full(9, 40.0), abs=1e-3)


# Between a wheel's edges


def test_tooth_errors_and_the_speeds_bend_are_told_apart():
    """Mean squares 0.36 and 0.64; over twice the span the bend is 16 times as large."""
    near, far = 0.36 + 0.64, 0.36 + 0.64 * 16**2
    assert interpolation.split_miss(near, far, 16.0) == pytest.approx((0.6, 0.8))
    assert interpolation.split_miss(1.0, 0.5, 16.0) == (1.0, 0.0)
    assert interpolation.split_miss(1.0, 1000.0, 16.0) == (0.0, 1.0)


def test_a_miss_beside_the_gap_is_larger():
    """Nodes 1 and 3 steps off in place of 2 at 36 - 1: (3/2)² and (3 · 2 / 2)², their mean."""
    assert interpolation._gap_square(1) == pytest.approx((1.5**2 + 3.0**2) / 2)
    assert interpolation._gap_square(2) == pytest.approx((2.0**2 + 6.0**2) / 2)


def test_an_overtone_stands_out():
    """Amplitude 0.3 at twice two firings a turn: mean square 0.045; noise alone gives none."""
    at = np.arange(0.0, 7200.0, 10.0)
    waves = 0.3 * np.cos(np.radians(4 * at) + 0.7) + 0.5 * np.sin(np.radians(2 * at))
    assert interpolation.overtone(waves, at, 2.0, 35) == pytest.approx(0.045, rel=1e-6)
    noise = np.random.default_rng(3).normal(0, 0.3, len(at))
    assert interpolation.overtone(noise, at, 2.0, 35) == 0.0
    assert interpolation.overtone(waves, at, 2.0, 7) == 0.0  # too few teeth to tell
    nothing = np.full(5, np.nan)
    told = interpolation.interpolation(
        nothing, nothing, np.arange(5), Reference(36, 1), 2.0, np.zeros(3)
    )
    assert told == (10.0, 10.0, 0.0)


def test_an_overtone_of_many_misses_and_of_few_teeth():
    """Of more than four thousand every second is enough; eight teeth leave four to tell noise."""
    at = np.arange(0.0, 43_200.0, 10.0)
    waves = 0.3 * np.cos(np.radians(4 * at) + 0.7) + 0.5 * np.sin(np.radians(2 * at))
    assert interpolation.overtone(waves, at, 2.0, 35) == pytest.approx(0.045, rel=1e-6)
    assert interpolation.overtone(waves[:720], at[:720], 2.0, 8) == pytest.approx(0.045, rel=1e-6)
    assert interpolation.overtone(waves[:8], at[:8], 2.0, 35) == pytest.approx(0.045, rel=1e-6)
    assert interpolation.overtone(waves[:7], at[:7], 2.0, 35) == 0.0


@pytest.mark.parametrize(("teeth", "free"), [(12, 8), (9, 5), (60, 56)])
def test_an_overtone_against_what_chance_gives(teeth: int, free: int):
    """Beside it the fifth of the orders at 0.2: mean square 0.02, of which chance gives each wave's
    amplitude 2 · 0.02 / freedom squared; four times that must be passed."""
    at = np.arange(0.0, 7200.0, 10.0)
    noise, chance = 0.2 * np.sin(np.radians(10 * at)), 2 * 0.02 / free
    for amplitude, found in ((sqrt(8.2 * chance), 4.1 - 1), (sqrt(7.8 * chance), 0.0)):
        waves = amplitude * np.sin(np.radians(4 * at) + 0.4) + noise
        told = interpolation.overtone(waves, at, 2.0, teeth)
        assert told == pytest.approx(found * chance, rel=1e-6)


def test_places_between_two_edges():
    """In the middle of 32 equal parts; weights of a cubic as scipy's Lagrange polynomials have."""
    for nodes in ((-1, 0, 1, 2), (-1, 0, 2, 3)):
        f, weights = interpolation._cubic_weights(nodes)
        wide = nodes[2] - nodes[1]
        assert f == pytest.approx(wide * (np.arange(32) + 0.5) / 32) and f.mean() == wide / 2
        for k, weight in enumerate(weights):
            assert weight == pytest.approx(lagrange(nodes, np.eye(4)[k])(f), abs=1e-12)


@pytest.mark.parametrize(
    ("teeth", "even", "beside", "square"),
    [
        # Misses beside the gap are 5.625 times as large in the square: 0.5² / 5.625 on 15° teeth.
        (24, 12, 4, 0.25 / 5.625), (24, 12, 3, 0.01), (25, 12, 4, 0.01),
        # Where less than twelve are even they count together.
        (24, 11, 4, (11 * 0.01 + 4 * 0.25) / 15),
    ],
)  # fmt: skip
def test_misses_beside_the_gap_of_a_coarse_wheel(teeth, even, beside, square):
    wheel = Reference(teeth, 1)
    numbers = np.arange(400)
    mine = wheel.even_around(numbers)
    number = np.append(numbers[mine][:even], numbers[~mine][:beside])
    miss = np.append(np.full(even, 0.1), np.full(beside, 0.5))
    told = interpolation.interpolation(miss, miss, number, wheel, 2.0, np.array([100.0]))
    assert told[1] == pytest.approx(sqrt(square))


def test_an_overtone_on_a_coarse_wheel_is_no_error_of_the_teeth():
    """18 teeth, two firings a turn: 0.3 at their frequency, 0.1 at twice it, in both spans by
    1 - 4/3 cos x + 1/3 cos 2x of the sine."""
    wheel = Reference(18, 1)
    number = np.arange(900)
    number = number[wheel.even_around(number)]
    at = np.radians(wheel.left_out(number))

    def miss(order: float, wider: int) -> float:
        x = np.radians(order * 20.0 * wider)
        return 1 - 4 / 3 * np.cos(x) + np.cos(2 * x) / 3

    near, far = (
        0.3 * miss(2, w) / miss(2, 1) * np.cos(2 * at + 0.4)
        + 0.1 * miss(4, w) / miss(4, 1) * np.sin(4 * at) for w in (1, 2)
    )  # fmt: skip
    u, rms, teeth = interpolation.interpolation(near, far, number, wheel, 2.0, np.array([100.0]))
    assert rms == pytest.approx(sqrt(0.09 / 2 + 0.01 / 2), rel=0.01)
    assert teeth < 0.01
    swing, _ = interpolation.cubic_shares(20.0, 2.0)
    twice, _ = interpolation.cubic_shares(20.0, 4.0)
    assert u == pytest.approx(hypot(swing * 0.3, twice * 0.1) / sqrt(2), rel=0.02)
    # A miss that is known over one span alone is left out.
    end = np.array([5.0, np.nan]), np.array([np.nan, 5.0])
    near, far = np.append(near, end[0]), np.append(far, end[1])
    number = np.append(number, number[:2])
    told = interpolation.interpolation(near, far, number, wheel, 2.0, np.array([100.0]))
    assert told == (u, rms, teeth)


def test_teeth_an_overtone_and_a_bend_are_told_apart():
    """18 teeth: 0.05 of the teeth, alike in both spans; a bend of 0.02; and a wave of twice two
    firings a turn at 0.3, less what chance gives it: 2 (0.05² + 0.02²) of 13 free teeth."""
    wheel, rng = Reference(18, 1), np.random.default_rng(4)
    number = np.arange(900)
    number = number[wheel.even_around(number)]
    at = np.radians(wheel.left_out(number))
    waves = np.column_stack([w(k * at) for k in (2, 4) for w in (np.cos, np.sin)])
    rest = rng.normal(0, 1, len(at))
    rest -= waves @ np.linalg.lstsq(waves, rest, rcond=None)[0]
    rest *= hypot(0.05, 0.02) / sqrt(np.mean(rest**2))
    miss = 0.3 * np.cos(4 * at + 0.4) + rest

    def grows(order: float) -> float:
        x = np.radians(order * 20.0)
        one, two = (1 - 4 / 3 * np.cos(k * x) + np.cos(2 * k * x) / 3 for k in (1, 2))
        return two / one

    square = 0.3**2 / 2 - 2 * (0.05**2 + 0.02**2) / 13
    over = np.mean(miss**2) - (0.05**2 + 0.02**2) - square  # of the wave, left to the rest
    far = 0.05**2 + (0.02**2 + over) * grows(2) ** 2 + square * grows(4) ** 2
    wide = np.full(len(at), sqrt(far))
    found = interpolation.interpolation(miss, wide, number, wheel, 2.0, np.array([100.0]))
    assert found[1:] == pytest.approx((sqrt(np.mean(miss**2)), 0.05 / 1.39), rel=1e-4)
    # Between the edges: of the teeth 0.7, of the bend and of the wave each its own share.
    bend, wave = (interpolation.cubic_shares(20.0, order)[0] for order in (2.0, 4.0))
    u = sqrt((0.7 * 0.05) ** 2 + bend**2 * (0.02**2 + over) + wave**2 * square)
    assert found[0] == pytest.approx(u, rel=1e-4) and wave > 1.1 * bend


@pytest.mark.parametrize(("even", "square"), [(12, 0.01), (11, (11 * 0.01 + 4 * 0.25) / 15)])
def test_all_misses_of_a_wheel_too_coarse_for_the_swing_are_tooth_errors(even, square):
    """Beside the gap they count only where less than twelve are known away from it.

    An edge between neighbours that err as it does misses by sqrt(1 + 2/36 + 2 * 4/9) of that.
    """
    wheel = Reference(12, 1)
    numbers = np.arange(400)
    mine = wheel.even_around(numbers)
    number = np.append(numbers[mine][:even], numbers[~mine][:4])
    miss = np.append(np.full(even, -0.1), np.full(4, 0.5))
    blank = np.append(miss, np.nan), np.append(number, 7)
    u, rms, teeth = interpolation.teeth_at_most(*blank, wheel)
    assert rms == pytest.approx(sqrt(square))
    assert u == pytest.approx(0.7 * rms)
    assert teeth == pytest.approx(rms / sqrt(1 + 2 / 36 + 2 * 4 / 9), rel=0.01)
    nothing = interpolation.teeth_at_most(np.full(3, np.nan), np.arange(3), wheel)
    assert nothing == (30.0, 30.0, 0.0)


def test_where_angles_are_read_on_a_wheel_with_a_gap():
    """36 - 1: places 34 (the gap), 33 (before it) and 0 (after it) have cubics of their own."""
    past = np.array([5.0, 15.0, 25.0, 335.0, 345.0, 355.0, 705.0, 375.0, 332.0, 331.0])
    shares = dict(interpolation._nodes(Reference(36, 1), past))
    assert shares == {
        (-1, 0, 2, 3): pytest.approx(0.3), (-1, 0, 1, 3): pytest.approx(0.3),
        (-2, 0, 1, 2): pytest.approx(0.1), (-1, 0, 1, 2): pytest.approx(0.3),
    }  # fmt: skip


NODES = {100.0: (-1, 0, 1, 2), 345.0: (-1, 0, 2, 3), 335.0: (-1, 0, 1, 3), 5.0: (-2, 0, 1, 2)}


def of_cubic(nodes, f):
    """Weights of a cubic's four nodes (scipy's Lagrange polynomials)."""
    return np.array([lagrange(nodes, np.eye(4)[k])(f) for k in range(4)])


@pytest.mark.parametrize("at", [(100.0,), (345.0,), (335.0,), (5.0,), (100.0, 345.0, 5.0)])
def test_errors_of_teeth_come_into_the_angles_as_the_cubics_weigh_them(at):
    """Both spans miss by 0.1: all of it teeth, 0.7 of it where the nodes are even."""
    number = np.arange(40)
    miss = 0.1 * (-1.0) ** number
    told = interpolation.interpolation(miss, miss, number, Reference(36, 1), 2.0, np.array(at))
    f = (np.arange(32) + 0.5) / 32

    def square(place):
        nodes = NODES[place]
        wide = nodes[2] - nodes[1]
        return np.mean(np.sum(of_cubic(nodes, wide * f) ** 2, axis=0))

    u = 0.07 * sqrt(np.mean([square(place) for place in at]) / square(100.0))
    assert told == pytest.approx((u, 0.1, 0.1 / 1.39))
    # Where no angle is read, as between even teeth.
    none = interpolation.interpolation(miss, miss, number, Reference(36, 1), 2.0, np.empty(0))
    assert none == pytest.approx((0.07, 0.1, 0.1 / 1.39))


@pytest.mark.parametrize("at", [(100.0,), (345.0,), (335.0,), (5.0, 100.0)])
@pytest.mark.parametrize("teeth", [36, 20])
def test_a_bend_of_the_speed_comes_in_as_the_cubics_follow_a_sine(teeth: int, at):
    """A sine of two firings a turn that is misses by 1 - 4/3 cos x + 1/3 cos 2x of it, and over
    twice the span by that of 2 x; beside it teeth. From 20 teeth on no overtone is looked for,
    for it grows by 6.8 from span to span, and of 18 by 5.5."""
    wheel = Reference(teeth, 1)
    x = np.radians(2 * wheel.step)
    one, two = (1 - 4 / 3 * np.cos(k * x) + np.cos(2 * k * x) / 3 for k in (1, 2))
    bend, err = 0.08, 0.06
    number = np.arange(400)
    number = number[wheel.even_around(number)]
    phase = np.radians(4 * wheel.left_out(number))  # an overtone, to be let alone
    sign = sqrt(2) * np.cos(phase)
    sign /= sqrt(np.mean(sign**2))
    miss, wide = sign * hypot(err, bend), sign * hypot(err, bend * two / one)
    past = np.array(at) * wheel.step / 10 + (np.array(at) > 300) * (360 - 36 * wheel.step)
    told = interpolation.interpolation(miss, wide, number, wheel, 2.0, past)
    f = (np.arange(32) + 0.5) / 32
    squares = []
    for place in at:
        nodes = np.array(NODES[place])
        between = (nodes[2] - nodes[1]) * f
        weights = of_cubic(nodes, between)
        sine = weights.T @ np.exp(1j * x * nodes) - np.exp(1j * x * between)
        even = of_cubic(NODES[100.0], f)
        teeth_share = 0.49 * np.sum(weights**2) / np.sum(even**2)
        squares.append(teeth_share * err**2 + np.mean(np.abs(sine) ** 2) * (bend / one) ** 2)
    assert told == pytest.approx((sqrt(np.mean(squares)), hypot(err, bend), err / 1.39))


# The clamp's place


def test_what_would_fit_is_said_with_its_degrees():
    every = np.full(30, 720.0)
    text = clamps.no_reading(replace(SETUP, clamp="wasted"), every).text
    assert text.startswith("sparks come every 720° of crank by the typed reference, not every 360°")
    assert "would fit" in text
    odd = np.linspace(100.0, 500.0, 41)
    text = clamps.no_reading(SETUP, odd).text
    assert "no regular distance (140° to 460° of crank), not every 720°" in text
    alike = np.append(np.full(95, 300.0), np.full(5, 420.0))
    assert "every 300°" in clamps.no_reading(SETUP, alike).text
    assert "check the number of cylinders" in clamps.no_reading(SETUP, alike).text


def test_places_by_their_spacing():
    for clamp, parts, spacing in (("plug", 1, 720.0), ("wasted", 2, 360.0), ("coil", 4, 180.0)):
        found = clamps.typed(replace(SETUP, clamp=clamp))
        assert (found.clamp, found.parts, found.spacing) == (clamp, parts, spacing)
        assert clamps.inferred(SETUP, np.full(9, spacing)).clamp == clamp
    two = replace(SETUP, strokes=2, clamp="wasted")
    assert clamps.typed(two).parts == 1 and clamps.typed(two).spacing == 360.0
    # Odd steps among whole cycles: more than half tell.
    assert clamps.inferred(SETUP, np.array([720.0] * 6 + [500.0] * 5)).clamp == "plug"
    assert clamps.inferred(SETUP, np.array([500.0] * 6 + [720.0] * 5)) is None


# What is typed

RANGES = {
    "commanded": (-60, 80), "cylinders": (1, 16), "setting": (-1e6, 1e6), "step": (0, 1e3),
    "target": (0.01, 20), "swing": (0, 0.5), "dead_time_us": (1, 5000), "delay_us": (-1e4, 1e4),
    "u_delay_us": (0, 1e4), "learned_gain": (-1e3, 1e3), "seen": (-60, 80), "seen_within": (0, 30),
    "sensor_ohm": (1, 1e5), "sensor_henry": (1e-3, 10), "trigger_delay_us": (-1e4, 1e4),
    "u_trigger_delay_us": (0, 1e4), "coil_ms": (1e-3, 1e3), "rotor": (-60, 80),
    "rotor_within": (0, 30), "cranking_volts": (1, 60), "least": (-1e6, 1e6), "most": (-1e6, 1e6),
}  # fmt: skip


@pytest.mark.parametrize("name", RANGES)
def test_typed_values_from_both_sides_of_each_range(name: str):
    low, high = RANGES[name]
    wheel = Reference(36, 1)
    by = 1 if name == "cylinders" else 1e-4 * max(abs(low), 1e-3)
    assert getattr(Setup(wheel, **{name: low}), name) == low
    assert getattr(Setup(wheel, **{name: high}), name) == high
    for beyond in (low - by, high + (1 if name == "cylinders" else 1e-3)):
        said = f"{name.replace('_', ' ').removesuffix(' us')} must be from {low:g} to {high:g}"
        with pytest.raises(UserError, match="^" + re.escape(said)):
            Setup(wheel, **{name: beyond})


def test_what_is_taken_where_nothing_is_typed():
    """The target is ±0.25° (host/docs/using.md); how well a lamp and a rotor's marks are read is
    what --help shows."""
    plain = Setup(Reference(60, 2))
    shown = {
        one.name: float(one.show_default) for one in command.params
        if isinstance(one, click.Option) and isinstance(one.show_default, str)
    }  # fmt: skip
    assert shown == {"seen_within": plain.seen_within, "rotor_within": plain.rotor_within}
    guide = Path(__file__).resolve().parents[2] / "host" / "docs" / "using.md"
    assert "below the target (±0.25°" in guide.read_text(encoding="utf-8")
    assert plain.target == 0.25


def test_what_follows_from_the_engine():
    six = Setup(Reference(60, 2), cylinders=6)
    assert (six.firings_per_rev, six.cycle, six.spacings) == (3.0, 720.0, (120.0, 360.0, 720.0))
    assert six.firing_angles == (0, 120, 240, 360, 480, 600) and not six.odd and not six.by_cylinder
    two = Setup(Reference(60, 2), cylinders=3, strokes=2, clamp="coil", order=(1, 2, 3))
    assert (two.firings_per_rev, two.cycle, two.spacings) == (3.0, 360.0, (120.0,))
    assert two.by_cylinder
    twin = Setup(Reference(60, 2), cylinders=2, firing=(0.0, 315.0))
    assert twin.odd and twin.firing_angles == (0.0, 315.0)
    assert not replace(twin, firing=(0.0, 360.005)).odd
    for angles in ((0.0, 19.9), (0.0, 700.1), (1.0, 360.0)):
        with pytest.raises(UserError, match="20° or more apart"):
            replace(twin, firing=angles)
    assert replace(twin, firing=(0.0, 20.0)).odd and replace(twin, firing=(0.0, 700.0)).odd
    assert [replace(six, counts=c, retards=r).gain for c in ("crank", "distributor")
            for r in (False, True)] == [1.0, -1.0, 2.0, -2.0]  # fmt: skip
    assert replace(six, learned_gain=-1.7).gain == -1.7
    with pytest.raises(UserError, match="least setting must be below"):
        replace(six, least=3.0, most=3.0)


def test_delays_of_the_paths_that_were_typed():
    typed = replace(SETUP, delay_us=3.0, u_delay_us=0.6, u_trigger_delay_us=0.8)
    assert typed.delay(900.0) == Delay(3.0, 0.6)
    assert typed.trigger_delay(900.0, False) == Delay(0.0, 0.8)
    assert typed.answer_delay(False) == Delay(3.0, pytest.approx(1.0))
    both = replace(typed, trigger_delay_us=1.0)
    assert both.trigger_delay(900.0, True) == Delay(1.0, 0.8)
    assert both.answer_delay(True) == Delay(2.0, pytest.approx(1.0))
    tap = replace(SETUP, trigger_delay_us=1.0, u_trigger_delay_us=0.8)
    assert tap.answer_delay(False) == Delay(-1.0, pytest.approx(hypot(0.5, 0.8)))


def test_the_delay_of_a_coil_on_the_cam():
    """36 teeth of a wheel that turns half as fast: 18 pass in a turn of the crank."""
    cam = replace(SETUP, reference=Reference(36, 0, 2), delay_us=None, sensor="vr")
    cam = replace(cam, falling=("crank",), sensor_ohm=900.0, sensor_henry=0.6)
    coil = Coil(18.0, 900.0, 0.6)
    found = conditioner.clamp_less_crank("clamp", "vr", True, 700.0, coil)
    assert cam.delay(700.0) == found
    assert found == conditioner.delay("clamp") - conditioner.delay("vr", True, 700.0, coil)
    # Of the trigger's path, too.
    tap = replace(cam, trigger_kind="points")
    path = conditioner.delay("points") - conditioner.delay("vr", True, 700.0, coil)
    assert tap.trigger_delay(700.0, False) == path


def test_sums_of_delays():
    assert Delay(5.0, 0.3) - Delay(2.0, 0.4) == Delay(3.0, pytest.approx(0.5))
    # One of two, it is not known which: half their distance is in the spread.
    either = conditioner._either(Delay(4.0, 0.3), Delay(6.0, 0.5))
    assert either == Delay(5.0, pytest.approx(sqrt((0.09 + 0.25) / 2 + 1.0)))
    rows = [
        {"rpm": 100, "delay_us": 40.0, "u_us": 8.0},
        {"rpm": 10_000, "delay_us": 20.0, "u_us": 2.0},
    ]
    assert conditioner._between(rows, 1000.0) == Delay(pytest.approx(30.0), pytest.approx(5.0))
    assert conditioner._between(rows, 20_000.0) == Delay(20.0, 2.0)
    more = [*rows, {"rpm": 1e6, "delay_us": 10.0, "u_us": 1.0}]
    assert conditioner._between(more, 1e5) == Delay(pytest.approx(15.0), pytest.approx(1.5))
    assert conditioner._between(more, 1e7) == Delay(10.0, 1.0)
    # Below the range the voltage's part grows as 1 / rpm².
    assert conditioner._between(rows, 25.0) == Delay(40.0, pytest.approx(8.0 * 4**2))


def test_time_constants_of_a_coil():
    """L / (R + R of the input): 1 kΩ in series; an inductance is known to a tenth."""
    model = {"coil_henry": (0.5, 2.0), "coil_ms": (0.5, 1.0), "r301_ohm": 1000.0}
    # 0.5 ms of 0.5 H: 1 kΩ; 1 ms of 2 H: 2 kΩ.
    assert conditioner._lags(model, Coil()) == pytest.approx((0.5 / 2000, 2.0 / 3000))
    assert conditioner._lags(model, Coil(36, 1000.0, 1.0)) == pytest.approx(
        (0.9 / 2000, 1.1 / 2000)
    )
    assert conditioner._lags(model, Coil(36, None, 1.0)) == pytest.approx((0.9 / 3000, 1.1 / 2000))
    assert conditioner._lags(model, Coil(36, 1000.0)) == pytest.approx((0.5 / 2000, 1.0 / 2000))
    assert conditioner._lags(model, Coil(36, 3000.0)) == pytest.approx((1.5 / 4000, 2.0 / 4000))
    # Both ends of what was simulated belong to it.
    assert conditioner._lags(model, Coil(36, 1000.0, 0.5))[0] == pytest.approx(0.45 / 2000)
    assert conditioner._lags(model, Coil(36, 1000.0, 2.0))[1] == pytest.approx(2.2 / 2000)
    assert conditioner._lags(model, Coil(36, 500.0)) == pytest.approx((0.5 / 1500, 0.5 / 1500))
    assert conditioner._lags(model, Coil(36, 4000.0)) == pytest.approx((2.0 / 5000, 2.0 / 5000))
    for henry in (0.49, 2.01):
        with pytest.raises(UserError, match=r"known are 0\.5 to 2 H"):
            conditioner._lags(model, Coil(36, None, henry))
    for ohm in (499.0, 4001.0):
        with pytest.raises(UserError, match="known are 500 to 4000 Ω"):
            conditioner._lags(model, Coil(36, ohm))


def test_delay_of_a_coil_is_that_of_its_low_pass_and_what_is_left():
    """1e6 atan(w tau) / w at the teeth's frequency; between the range's ends a rectangle's u."""
    model = {
        "coil_henry": (0.5, 2.0), "coil_ms": (0.5, 1.0), "r301_ohm": 1000.0, "teeth": 36.0,
        "rest": [{"rpm": 100, "delay_us": 10.0, "u_us": 1.0},
                 {"rpm": 9000, "delay_us": 10.0, "u_us": 1.0}],
    }  # fmt: skip
    table = [{"rpm": r, "delay_us": 500.0, "u_us": u} for r, u in ((100, 90.0), (9000, 90.0))]

    def lag(tau: float, teeth: float, rpm: float) -> float:
        w = 2 * np.pi * teeth * rpm / 60
        return 1e6 * float(np.arctan(w * tau)) / w

    for coil in (Coil(36.0, 1000.0, 1.0), Coil(36.0, 1000.0, None), Coil(36.0, None, 1.0)):
        ends = [lag(tau, 36.0, 900.0) for tau in conditioner._lags(model, coil)]
        known = conditioner._of_coil(table, model, 900.0, coil)
        assert known.us == pytest.approx(10.0 + sum(ends) / 2, rel=1e-9)
        assert known.u_us == pytest.approx(hypot(1.0, (ends[1] - ends[0]) / sqrt(12)))
    assert conditioner._of_coil(table, model, 900.0, Coil()) == Delay(pytest.approx(500.0), 90.0)
    # Of another wheel the teeth's part alone changes: as fast a flank is at sqrt(2) of the speed.
    taus = conditioner._lags(model, Coil())
    here = sum(lag(tau, 72.0, 900.0) for tau in taus) / 2
    there = sum(lag(tau, 36.0, 900.0 * sqrt(2)) for tau in taus) / 2
    found = conditioner._of_coil(table, model, 900.0, Coil(72.0))
    assert found.us == pytest.approx(500.0 - there + here, rel=1e-9)


def test_delay_of_a_coil_is_read_where_the_voltage_falls_as_fast():
    """144 teeth at 500 rev/min are as fast as 36 at 500 sqrt(4): the table's middle, its speeds
    being 100 and 10000 rev/min in the logarithm: 20 ± 2 µs of (10 ± 1, 30 ± 3), 400 of 500, 300."""
    model = {
        "coil_henry": (0.5, 2.0), "coil_ms": (0.5, 1.0), "r301_ohm": 1000.0, "teeth": 36.0,
        "rest": [{"rpm": 100, "delay_us": 10.0, "u_us": 1.0},
                 {"rpm": 10_000, "delay_us": 30.0, "u_us": 3.0}],
    }  # fmt: skip

    def lag(tau: float, teeth: float, rpm: float) -> float:
        w = 2 * np.pi * teeth * rpm / 60
        return 1e6 * float(np.arctan(w * tau)) / w

    def found(u: float, coil: Coil) -> Delay:
        table = [{"rpm": r, "delay_us": us, "u_us": u} for r, us in ((100, 500.0), (10_000, 300.0))]
        return conditioner._of_coil(table, model, 500.0, coil)

    near, far = (lag(tau, 144.0, 500.0) for tau in conditioner._lags(model, Coil(144.0, 1000.0)))
    known = found(90.0, Coil(144.0, 1000.0))
    assert known.us == pytest.approx(20.0 + (near + far) / 2)
    assert known.u_us == pytest.approx(hypot(2.0, (far - near) / sqrt(12)))
    taus = conditioner._lags(model, Coil())
    near, far = (lag(tau, 144.0, 500.0) for tau in taus)
    was = sum(lag(tau, 36.0, 1000.0) for tau in taus) / 2
    # As unsure as the table, or as the coil's range on this wheel where that is more.
    for u, wide in ((90.0, 90.0), (1.0, hypot(2.0, (far - near) / sqrt(12)))):
        unknown = found(u, Coil(144.0))
        assert unknown.us == pytest.approx(400.0 - was + (near + far) / 2)
        assert unknown.u_us == pytest.approx(wide) and wide > 10.0


def test_delays_as_the_file_of_the_circuits_has_them():
    """hardware/delays.json by its own words; of a VR sensor by the speed, which must be given."""
    inputs = json.loads((shipped.folder("hardware") / "delays.json").read_text())["inputs"]
    row = inputs["hall_optical"]["falling"]
    assert conditioner.delay("hall_optical", True) == Delay(row["delay_us"], row["u_us"])
    row = inputs["clamp"]["rising"]
    assert conditioner.delay("clamp") == Delay(row["delay_us"], row["u_us"])
    with pytest.raises(UserError, match="timed on its rising edge"):
        conditioner.delay("clamp", falling=True)
    either = [conditioner.delay(f"first_spark_{k}", True) for k in ("hall", "logic")]
    assert conditioner.delay("first_spark", True) == conditioner._either(*either)
    vr, model = inputs["vr"], inputs["vr"]["model"]
    rows, coil = vr["falling"]["by_rpm"], Coil(60.0, 900.0)
    for rpm in (None, 0.0, -5.0, float("nan")):
        with pytest.raises(UserError, match="depends on the speed: give it in rpm"):
            conditioner.delay("vr", True, rpm)
    for rpm in (0.5, 900.0):
        for given, used in ((None, Coil()), (coil, coil)):
            found = conditioner.delay("vr", True, rpm, given)
            assert found == conditioner._of_coil(rows, model, rpm, used)


def test_a_breadboards_sensor_has_its_own_clamp():
    found = conditioner.clamp_less_crank("clamp_inductive", "hall_optical", True, 1000.0)
    assert found == conditioner.delay("clamp_inductive") - conditioner.delay("hall_optical", True)
    own = conditioner.clamp_less_crank("clamp_inductive", "first_spark_logic", True, 1000.0)
    assert own == conditioner.delay("first_spark_clamp") - conditioner.delay(
        "first_spark_logic", True
    )
    assert own != found


def test_a_number_carries_its_uncertainty():
    assert (Number(2.5, 0.3), Number(2.5, 0.3).u95) == (2.5, 0.3) and np.isnan(Number(1.0).u95)
    single = Setup(Reference(36, 1), cylinders=1, order=(1,), firing=(0.0,))
    assert (
        not single.by_cylinder and replace(single, cylinders=2, order=(1, 2), firing=()).by_cylinder
    )


def test_numbers_of_arrays_become_pythons_own():
    @dataclass(frozen=True)
    class Typed:
        a: Any
        b: Any
        c: Any
        d: Any
        e: Any

    made = Typed(np.float64(2.5), [np.int64(3), 4, "x"], np.array([1.5, 2.5]), None, "word")
    plain(made)
    assert made == Typed(2.5, (3, 4, "x"), (1.5, 2.5), None, "word")
    assert [type(v) for v in (made.a, *made.b, *made.c)] == [float, int, int, str, float, float]
    order = np.array([1, 3, 4, 2])
    typed = replace(SETUP, cylinders=np.int64(4), order=order, commanded=np.float32(18.0))
    assert json.loads(json.dumps(typed.to_dict()))["order"] == [1, 3, 4, 2]
    assert typed == replace(SETUP, order=(1, 3, 4, 2), commanded=18.0)


def test_a_set_up_that_was_kept_is_the_same_again():
    wheel = Reference(6, 1, 1, 60.0, 0.2, errors=(0.0, 1.5, 0.0, -2.0, 0.0))
    whole = replace(
        SETUP, reference=wheel, order=(1, 3, 4, 2), firing=(0.0, 150.0, 360.0, 510.0), bank=(1, 3),
        falling=("crank",), confirmed=("late",), learned_gain=-1.9, seen=20.0,
    )  # fmt: skip
    kept = json.loads(json.dumps(whole.to_dict()))
    assert Setup.from_dict(kept) == whole
    for name in ("order", "firing", "bank", "falling", "confirmed"):
        assert getattr(Setup.from_dict({k: v for k, v in kept.items() if k != name}), name) == ()
    bare = dict(kept, reference={k: v for k, v in kept["reference"].items() if k != "errors"})
    assert Setup.from_dict(bare).reference == replace(wheel, errors=())
    for bad in ({}, {**kept, "colour": 1}, {**kept, "reference": {"teeth": 6, "x": 1}}):
        with pytest.raises(UserError, match="stored set-up cannot be used"):
            Setup.from_dict(bad)


def test_words_and_lists_of_a_set_up():
    """Inputs 1 and 2 bear clamps; a bank is some of the cylinders; a hundredth of a degree even."""
    with pytest.raises(UserError, match="cylinders must be a whole number"):
        replace(SETUP, cylinders=4.5)
    for name, bad in (("strokes", 4.0), ("order", (1.0, 3, 4, 2)), ("bank", (1.0,))):
        with pytest.raises(UserError, match=r"must be one of 2, 4|are made of whole numbers"):
            replace(SETUP, **{name: bad})
    with pytest.raises(UserError, match="commanded must be a number"):
        replace(SETUP, commanded="x")
    assert replace(SETUP, setting=1e6).setting == 1e6
    for name in ("setting", "least", "most"):
        for far in (1_000_000.5, -1_000_000.5):
            with pytest.raises(UserError, match="must be from"):
                replace(SETUP, **{name: far})
    assert replace(SETUP, clamp_input="clamp_b", index="clamp_a").index == "clamp_a"
    for bad in ("crank", "trigger"):
        for name in ("clamp_input", "index"):
            with pytest.raises(UserError, match="must be one of"):
                replace(SETUP, **{name: bad})
    assert replace(SETUP, bank=(1, 2)).bank == (1, 2) and replace(SETUP, bank=(4,)).bank == (4,)
    for bank in ((1, 2, 3, 4), (1, 5), (0,)):
        with pytest.raises(UserError, match="must name some of the 4 cylinders"):
            replace(SETUP, bank=bank)
    assert replace(SETUP, firing=(0.0, 180.006, 360.0, 540.0)).odd
    assert not replace(SETUP, firing=(0.0, 180.004, 360.0, 540.0)).odd


@pytest.mark.parametrize("falls", [True, False])
def test_what_a_modules_delay_seems_longer_by(falls: bool):
    """The clamp's own delay less the tap's; squares of what is not known of either add up."""
    bare = replace(SETUP, delay_us=None)
    clamp, tap = conditioner.delay(bare.clamp_kind), conditioner.delay(bare.trigger_kind, falls)
    found = bare.answer_delay(falls)
    assert (found.us, found.u_us) == pytest.approx((clamp.us - tap.us, hypot(clamp.u_us, tap.u_us)))
