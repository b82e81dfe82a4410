"""Edges to the bytes that a board sends, from protocol/wire.md alone.

COBS is Cheshire and Baker's (IEEE/ACM Trans. Networking 7(2), 1999) by the PyPI package cobs; the
CRC is CRC-32/ISO-HDLC, which is zlib's.
"""

import struct
import zlib
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from cobs import cobs
from numpy.typing import NDArray

TICK_PS = 24_000
TICK_S = TICK_PS * 1e-12
INPUTS = ("crank", "clamp_a", "clamp_b", "trigger")
_SLOT_S = 0.02  # oldest edge not yet sent
_SLOTS_A_BEAT = 5
_MOST_COUNTS = 58
HELLO, EDGES, HEARTBEAT = 1, 2, 3


@dataclass
class Sender:
    """One board's side of the line.

    Attributes:
        session: of all frames.
        lost: probability of a frame to go missing on the line.
        rng: which ones.
    """

    session: int
    lost: float = 0.0
    rng: np.random.Generator = field(default_factory=lambda: np.random.default_rng(0))
    seq: int = 0
    parts: list[bytes] = field(default_factory=lambda: [b"\0"])

    def frame(self, number: int, payload: bytes, sure: bool = False) -> None:
        """Seal one message; `sure` ones are never lost."""
        body = struct.pack("<BBHI", number, 0, self.session, self.seq) + payload
        self.seq += 1
        if not sure and self.lost and self.rng.random() < self.lost:
            return
        self.parts.append(cobs.encode(body + struct.pack("<I", zlib.crc32(body))) + b"\0")

    def hello(self, both: int = 0) -> None:
        """Of a board of protocol 1, or, where inputs stamp both flanks, of protocol 2.

        A crank of both flanks is one whose falling edge was asked for.
        """
        common = struct.pack(
            "<H3BBIIBBHHH8s", 2 if both else 1, 1, 0, 0, 1, TICK_PS, 125_000_000, 15, both & 1,
            72, 32, 4096, b"truth\0\0\1",
        )  # fmt: skip
        more = struct.pack(
            "<BIHHH10HHHB", both, 100_000, 900, 6000, 45000, 15000, 20000, 700, 750, 810, 900,
            36000, 51000, 500, 750, 200, 50, 0,
        )  # fmt: skip
        self.frame(HELLO, common + (more if both else b"") + b"second hand", sure=True)

    def beat(self, ticks: int, totals: list[int], supply_mv: int = 65535) -> None:
        self.frame(
            HEARTBEAT,
            struct.pack(
                "<Q4I4I4IIIHHHBB", ticks, *totals, *([0] * 8), 0, 900, 300, 0, supply_mv, 1, 0
            ),
            sure=True,
        )  # fmt: skip


def encode(
    edges: dict[str, NDArray[np.float64]],
    seconds: float,
    session: int = 1,
    lost: float = 0.0,
    rng: np.random.Generator | None = None,
    falling: dict[str, NDArray[np.float64]] | None = None,
    supply_v: Callable[[float], float] | None = None,
) -> bytes:
    """The bytes of one session.

    Args:
        edges: seconds of each edge by input, rising; those outside [0, seconds) are left out.
        seconds: length of the session.
        session: its number.
        lost: probability of an edge frame to go missing.
        rng: which ones.
        falling: seconds of the falling edges of inputs that stamp both flanks; `edges` has the
            rising ones.
        supply_v: supply voltage by time, lowest since the last heartbeat; None: not measured.
    """
    sender = Sender(session, lost, rng or np.random.default_rng(0))
    both = falling or {}
    counts = []
    for name in INPUTS:
        at = np.asarray(edges.get(name, ()), np.float64)
        ticks = np.floor(np.sort(at[(at >= 0) & (at < seconds)]) / TICK_S).astype(np.int64)
        counts.append(np.unique(ticks))
    sent = list(counts)
    for name, times in both.items():
        k = INPUTS.index(name)
        down = np.floor(np.sort(times[(times >= 0) & (times < seconds)]) / TICK_S).astype(np.int64)
        ticks = np.concatenate((counts[k], down))
        order = np.argsort(ticks, kind="stable")
        level = np.repeat((1, 0), (len(counts[k]), len(down)))[order]
        counts[k], sent[k] = ticks[order], 2 * ticks[order] + level
    sender.hello(sum(1 << INPUTS.index(name) for name in both))
    sender.beat(0, [0, 0, 0, 0])
    slots = int(np.ceil(seconds / _SLOT_S)) + 1
    bounds = np.arange(slots + 1) * round(_SLOT_S / TICK_S)
    cuts = [np.searchsorted(c, bounds).tolist() for c in counts]
    low = [(c & 0xFFFFFFFF).astype("<u4") for c in sent]
    for slot in range(slots):
        for k in range(4):
            at, end = cuts[k][slot], cuts[k][slot + 1]
            while at < end:
                n = min(_MOST_COUNTS, end - at)
                head = struct.pack("<BBHI", k, n, INPUTS[k] in both, at)
                sender.frame(EDGES, head + low[k][at : at + n].tobytes())
                at += n
        if slot % _SLOTS_A_BEAT == _SLOTS_A_BEAT - 1 or slot == slots - 1:
            now = float(bounds[slot + 1]) * TICK_S
            mv = 65535 if supply_v is None else round(1000 * supply_v(now))
            sender.beat(int(bounds[slot + 1]), [c[slot + 1] for c in cuts], mv)
    return b"".join(sender.parts)
