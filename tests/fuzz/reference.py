"""The edge decoder's meaning, written down a second time: one frame at a time and slow.

Shares no decoding with `sparkwitness.edges`: COBS by the C package `cobs`, messages by construct,
times in Python's integers. What protocol/wire.md says is what both must do.
"""

import zlib
from dataclasses import dataclass, field
from typing import Any

import construct
from cobs import cobs

from sparkwitness import wire
from sparkwitness.edges import Loss

U32 = 0xFFFFFFFF
HALF = 1 << 31
INPUTS = range(len(wire.INPUTS))


@dataclass
class Session:
    """What one session brought."""

    number: int
    seq: int
    joined_at: int
    ticks: list[list[int]] = field(default_factory=lambda: [[] for _ in INPUTS])
    breaks: list[list[int]] = field(default_factory=lambda: [[] for _ in INPUTS])
    messages: list[tuple[str, dict[str, Any]]] = field(default_factory=list)
    beat: int | None = None
    following: list[int | None] = field(default_factory=lambda: [None for _ in INPUTS])
    total: list[int] = field(default_factory=lambda: [0 for _ in INPUTS])
    tail: list[int] = field(default_factory=lambda: [0 for _ in INPUTS])
    counts: dict[str, Any] = field(
        default_factory=lambda: {"lost": [0] * 4, "stalls": [0] * 4, "unsent": 0}
    )


class Damaged(Exception):
    """The frame is to be refused."""


def fields_of(name: str, payload: bytes) -> dict[str, Any]:
    """Fields by construct, ranges by the definition.

    Raises:
        Damaged: they do not fit.
    """
    try:
        parsed = wire.PAYLOAD[name].parse(payload)
    except (construct.ConstructError, UnicodeDecodeError):
        raise Damaged from None
    fields = {k: list(v) if isinstance(v, list) else v for k, v in parsed.items() if k != "_io"}
    for one in wire.DEFINITION["messages"][name]["fields"]:
        if "range" in one and one["name"] != "reserved":
            low, high = one["range"]
            value = fields[one["name"]]
            for single in value if isinstance(value, list) else [value]:
                if not low <= single <= high:
                    raise Damaged
    return fields


class Decoder:
    """A whole stream in, sessions and losses out."""

    def __init__(self, data: bytes) -> None:
        self.loss = Loss(bytes_total=len(data))
        self.sessions: list[Session] = []
        *pieces, rest = data.split(b"\0")
        for piece in pieces:
            if piece:
                self._piece(piece)
        if rest:
            self._damaged(rest)
        self._tail()

    def _damaged(self, piece: bytes) -> None:
        self.loss.frames_damaged += 1
        self.loss.bytes_damaged += len(piece)

    def _piece(self, piece: bytes) -> None:
        try:
            if len(piece) > wire.MAX_BODY + 1:
                raise Damaged
            body = cobs.decode(piece)
            if len(body) < wire.HEADER.sizeof() + 4:
                raise Damaged
            if zlib.crc32(body[:-4]) != int.from_bytes(body[-4:], "little"):
                raise Damaged
        except (cobs.DecodeError, Damaged):
            self._damaged(piece)
            return
        header = wire.HEADER.parse(body)
        if not self.sessions or self.sessions[-1].number != header.session:
            self._tail()
            made = Session(header.session, header.seq - 1, header.seq)
            if not header.seq:
                made.following = [0 for _ in INPUTS]
            self.sessions.append(made)
        session = self.sessions[-1]
        ahead = ((header.seq - session.seq + HALF) & U32) - HALF
        if ahead <= 0:
            self.loss.frames_repeated += 1
            return
        session.seq += ahead
        self.loss.frames_missing += ahead - 1
        name = wire.NAME.get(header.type)
        if name is None:
            self.loss.frames_good += 1
            self.loss.frames_unknown += 1
            return
        try:
            fields = fields_of(name, body[wire.HEADER.sizeof() : -4])
        except Damaged:
            self._damaged(piece)
            return
        self.loss.frames_good += 1
        if name in wire.FROM_HOST:
            self.loss.frames_unknown += 1
        elif name == "edges":
            self._edges(session, **fields)
        else:
            session.messages.append((name, fields))
            if name == "heartbeat":
                self._heartbeat(session, fields)

    def _heartbeat(self, session: Session, beat: dict[str, Any]) -> None:
        loss, before = self.loss, session.counts
        if session.beat is None:
            loss.sessions += 1
            loss.frames_before += session.joined_at
        session.beat, session.total, session.counts = beat["time"], beat["total"], beat
        for i in INPUTS:
            loss.board_lost[i] += beat["lost"][i] - before["lost"][i]
            loss.board_stalls[i] += beat["stalls"][i] - before["stalls"][i]
        loss.board_unsent += beat["unsent"] - before["unsent"]

    def _edges(self, session: Session, **block: Any) -> None:
        i, counts, first = block["input"], block["counts"], block["first"]
        if session.beat is None:
            self.loss.frames_unplaced += 1
            self.loss.edges_unplaced += len(counts)
            session.following[i] = (first + len(counts)) & U32
            return
        ticks = [session.beat + ((c - session.beat + HALF) & U32) - HALF for c in counts]
        expected = session.following[i]
        jump = 0 if expected is None else (first - expected) & U32
        last = session.ticks[i][-1] if session.ticks[i] else -1
        rising = all(b > a for a, b in zip([last, *ticks], ticks, strict=False))
        if jump >= HALF or not rising:
            # What is older than what came before, or repeats it, is refused.
            self.loss.frames_good -= 1
            self.loss.frames_damaged += 1
            self.loss.edges_lost[i] += len(ticks)
            return
        if jump:
            session.breaks[i].append(len(session.ticks[i]))
            self.loss.edges_lost[i] += max(0, jump - session.tail[i])
            session.tail[i] = max(0, session.tail[i] - jump)
        session.ticks[i] += ticks
        session.following[i] = (first + len(ticks)) & U32

    def _tail(self) -> None:
        """Edges announced by the session's last heartbeat that never came."""
        if not self.sessions:
            return
        session = self.sessions[-1]
        for i in INPUTS:
            expected = session.following[i]
            tail = 0 if expected is None else (session.total[i] - expected) & U32
            tail = tail if tail < HALF else 0
            self.loss.edges_lost[i] += tail - session.tail[i]
            session.tail[i] = tail
