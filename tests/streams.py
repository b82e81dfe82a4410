"""Streams of frames for tests: what a board would send, with the truth beside it."""

from dataclasses import dataclass, field
from typing import Any

import numpy as np

from sparkwitness.decode import wire
from sparkwitness.decode.kernels import compiled

TICK_PS = 24_000
HELLO = {
    "protocol": wire.PROTOCOL, "firmware": [0, 1, 0], "state": 1, "tick_ps": TICK_PS,
    "clock_hz": 125_000_000, "enabled": 15, "falling": 0, "dead_ns": 144, "min_pulse_ns": 96,
    "ring_edges": 2048, "uid": b"\x01\x02\x03\x04\x05\x06\x07\x08",
    "both": 0, "edge_rate": 120_000, "lease_ms": 900, "bench_rate": 6000, "crank_rate": 45000,
    "active_us": [15000, 20000],
    "duty_permille": [700, 750], "second_ms": [810, 900], "minute_ms": [36100, 51100],
    "mean_permille": [500, 750], "flash_us": 200, "flash_permille": 50, "checksum": 0,
    "board": "test",
}  # fmt: skip


def loops() -> Any:
    """The innermost loops as they stand, uncompiled.

    numpy 1 makes a float of an unsigned number and one of Python's: there they are compiled.
    """
    newer = np.lib.NumpyVersion(np.__version__) >= "2.0.0"
    return compiled if newer else compiled.load()


@dataclass
class Stream:
    """Builds one session frame by frame."""

    session: int = 7
    seq: int = 0
    first: list[int] = field(default_factory=lambda: [0] * 4)
    frames: list[bytes] = field(default_factory=list)

    def add(self, name: str, **fields) -> None:
        self.frames.append(wire.encode(name, self.session, self.seq, **fields))
        self.seq += 1

    def hello(self) -> None:
        self.add("hello", **HELLO)

    def heartbeat(self, time: int, **more) -> None:
        fields = {
            "time": time, "total": list(self.first), "lost": [0] * 4, "stalls": [0] * 4,
            "driven": 0, "worst_us": 50, "busy_permille": 10, "unsent": 0, "supply_mv": 13800,
            "state": 1, "outputs": 0,
        }  # fmt: skip
        self.add("heartbeat", **{**fields, **more})

    def edges(
        self, which: int, ticks: np.ndarray, block: int = 58, levels: np.ndarray | None = None
    ) -> None:
        if levels is not None:
            ticks = 2 * ticks + levels
        for at in range(0, len(ticks), block):
            counts = (ticks[at : at + block] & 0xFFFFFFFF).tolist()
            self.add(
                "edges", input=which, n=len(counts), first=self.first[which], counts=counts,
                levels=int(levels is not None),
            )  # fmt: skip
            self.first[which] = (self.first[which] + len(counts)) & 0xFFFFFFFF

    @property
    def data(self) -> bytes:
        return b"\0" + b"".join(self.frames)


def random_stream(rng: np.random.Generator, blocks: int = 60, start: int = 0):
    """A session with random edges on all inputs; returns (Stream, ticks per input)."""
    made = Stream()
    made.hello()
    made.heartbeat(start)
    now = start
    truth: list[list[np.ndarray]] = [[] for _ in range(4)]
    for k in range(blocks):
        which = int(rng.integers(0, 4))
        ticks = now + np.cumsum(rng.integers(1, 4000, int(rng.integers(1, 59))))
        now = int(ticks[-1])
        truth[which].append(ticks)
        made.edges(which, ticks)
        if k % 5 == 4:
            made.heartbeat(now)
    made.heartbeat(now)
    none = np.empty(0, np.int64)
    return made, [np.concatenate([none, *parts]) for parts in truth]
