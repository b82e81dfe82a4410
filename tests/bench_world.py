"""A driven bench without an interpreter: the simulated world's edges as the bytes of a board."""

import numpy as np

from sparkwitness.bench.plan import Plan
from sparkwitness.bench.shots import Collector
from sparkwitness.decode import wire
from sparkwitness.simulator import scenario as scenarios
from sparkwitness.simulator.board import drive_of
from sparkwitness.simulator.world import TICK_PS, Truth, World
from streams import HELLO, Stream

BEAT = round(0.1e12 / TICK_PS)
MODULES = ("inductive", "capacitive", "slow", "dying", "dead", "limiter", "ringing")


def plan_for(loaded: scenarios.Scenario, **values) -> Plan:
    """What the person at the simulated bench would type."""
    setup = loaded.setup
    kind = "capacitive" if setup.trigger_edge == "rising" else "inductive"
    typed = {"kind": kind, "width_us": setup.width_us, "cylinders": setup.cylinders}
    return Plan.from_dict({**typed, **values})


def stream(
    loaded: scenarios.Scenario, plan: Plan, order=None, seed: int = 1
) -> tuple[bytes, Truth]:
    """Bytes of a run as a board would send them, and the truth behind them."""
    world = World(loaded, seed, live=False)
    world.configure(0b1010, 0b1000 if plan.edge == "falling" else 0)
    made = Stream()
    made.add("hello", **HELLO)
    made.heartbeat(0)
    if order is None:
        order = [(index, segment.seconds) for index, segment in enumerate(plan.segments)]
    for number, (index, seconds) in enumerate(order):
        command = wire.encode("drive", 0, 0, **plan.drive(plan.segments[index]))
        payload = wire.framing.unseal(command[:-1])[wire.HEADER.sizeof() :]
        world.drive(drive_of(payload))
        made.add("ack", command=wire.NUMBER["drive"], result=0, command_seq=number, text="")
        begin = world.now
        beats = round((seconds + 0.4) * 10)
        edges = world.advance(beats * BEAT).edges
        for until in begin + BEAT * np.arange(1, beats + 1):
            for which, found in enumerate(edges):
                first, last = np.searchsorted(found, (until - BEAT, until))
                made.edges(which, found[first:last])
            driven = int(np.searchsorted(edges[3], until))
            made.heartbeat(int(until), driven=driven, outputs=1, supply_mv=13100)
    return made.data, world.truth()


def collect(loaded, plan, order=None, seed: int = 1) -> tuple[Collector, Truth]:
    """The same, decoded."""
    data, truth = stream(loaded, plan, order, seed)
    if order is None:
        order = [(index, segment.seconds) for index, segment in enumerate(plan.segments)]
    collector = Collector(plan, order, 24_000)
    collector.feed(data)
    collector.finish()
    return collector, truth


def matching(truth: Truth, times: np.ndarray) -> np.ndarray:
    """Indices of the triggers at these times, s."""
    at = np.searchsorted(truth.trigger_s, times - 1e-6)
    assert np.abs(truth.trigger_s[at] - times).max() < 1e-7
    return at
