"""The edge decoder's meaning, written down a second time: one frame at a time and slow.

Shares no decoding with `sparkwitness.decode.edges`: COBS by the C package `cobs`, messages by
`struct` as protocol/wire.json lays them out and by construct, times in Python's integers. What
protocol/wire.md says is what all must do.
"""

import struct
import zlib
from dataclasses import dataclass, field
from typing import Any

import construct
from cobs import cobs

from sparkwitness.decode import wire
from sparkwitness.decode.edges import Loss

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


def construct_fields(name: str, payload: bytes) -> dict[str, Any]:
    """Fields by construct.

    Raises:
        Damaged: they do not fit.
    """
    try:
        parsed = wire.layout_of(name, payload).parse(payload)
    except (construct.ConstructError, UnicodeDecodeError):
        raise Damaged from None
    return {k: list(v) if isinstance(v, list) else v for k, v in parsed.items() if k != "_io"}


CODES = {"u8": "B", "u16": "H", "u32": "I", "u64": "Q", "i8": "b", "i16": "h", "i32": "i"}


class Layout:
    """One message for `struct`: fields of fixed length, then at most one to the payload's end."""

    def __init__(self, definition: dict[str, Any]) -> None:
        code, self.columns, self.last = "<", [], None
        self.ranges = []
        for one in definition["fields"]:
            kind, _, length = one["type"].partition("[")
            length = length.rstrip("]")
            assert self.last is None, "nothing can follow a field of unknown length"
            if kind == "text" or (length and not length.isdigit()):
                self.last = one["name"], kind, length
                continue
            many = int(length or 0)
            code += f"{many}s" if kind == "bytes" else f"{many or ''}{CODES[kind]}"
            self.columns.append((one["name"], 0 if kind == "bytes" else many))
            if "range" in one and one["name"] != "reserved":
                self.ranges.append((one["name"], *one["range"]))
        self.head = struct.Struct(code)

    def fields(self, payload: bytes) -> dict[str, Any]:
        """Fields, whatever their ranges.

        Raises:
            Damaged: they do not fit.
        """
        if len(payload) < self.head.size or (len(payload) > self.head.size and not self.last):
            raise Damaged
        flat, at = self.head.unpack_from(payload), 0
        fields: dict[str, Any] = {}
        for name, many in self.columns:
            fields[name] = list(flat[at : at + many]) if many else flat[at]
            at += many or 1
        if self.last:
            name, kind, length = self.last
            rest = payload[self.head.size :]
            try:
                fields[name] = (
                    rest.decode()
                    if kind == "text"
                    else list(struct.unpack(f"<{fields[length]}{CODES[kind]}", rest))
                )
            except (UnicodeDecodeError, struct.error):
                raise Damaged from None
        return fields


LAYOUTS = {name: Layout(one) for name, one in wire.DEFINITION["messages"].items()}
HELLO = wire.DEFINITION["messages"]["hello"]["fields"]
HELLO_1 = Layout({"fields": [one for one in HELLO if "since" not in one]})
HEAD = Layout({"fields": wire.DEFINITION["header"]}).head


def fields_of(name: str, payload: bytes, by_construct: bool = True) -> dict[str, Any]:
    """Fields in their ranges; if asked, construct must read the same.

    Raises:
        Damaged: they do not fit.
    """
    first = name == "hello" and payload[:2] == b"\x01\x00"  # protocol version 1
    layout = HELLO_1 if first else LAYOUTS[name]
    try:
        fields = layout.fields(payload)
    except Damaged:
        if by_construct:
            try:
                construct_fields(name, payload)
            except Damaged:
                raise Damaged from None
            raise AssertionError(f"construct alone reads {name} {payload.hex()}") from None
        raise
    if by_construct:
        assert construct_fields(name, payload) == fields, f"{name} {payload.hex()}"
    for key, low, high in layout.ranges:
        value = fields[key]
        for single in value if isinstance(value, list) else (value,):
            if not low <= single <= high:
                raise Damaged
    return fields


def chosen(piece: bytes, one_in: int) -> bool:
    """Whether a frame is among the one in so many that take the slow ways too."""
    return one_in == 1 or zlib.crc32(piece) % one_in == 0


def further(now: int, before: int) -> int:
    """A counter of 32 bits that wraps; from 0 again where that would be more than half of it, and
    none where it would then have begun in its upper half."""
    on = (now - before) % 2**32
    if on < 2**31:
        return on
    return now if now < 2**31 else 0


class Decoder:
    """A whole stream in, sessions and losses out.

    Args:
        data: the stream.
        one_in: of so many frames one is read by construct too.
    """

    def __init__(self, data: bytes, one_in: int = 1) -> None:
        self.one_in = one_in
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
            if len(body) < HEAD.size + 4:
                raise Damaged
            if zlib.crc32(body[:-4]) != int.from_bytes(body[-4:], "little"):
                raise Damaged
        except (cobs.DecodeError, Damaged):
            self._damaged(piece)
            return
        slow = chosen(piece, self.one_in)
        kind, _, number, seq = HEAD.unpack_from(body)
        if slow:
            header = wire.HEADER.parse(body)
            assert (header.type, header.session, header.seq) == (kind, number, seq)
        if not self.sessions or self.sessions[-1].number != number:
            self._tail()
            made = Session(number, seq - 1, seq)
            if not seq:
                made.following = [0 for _ in INPUTS]
            self.sessions.append(made)
        session = self.sessions[-1]
        ahead = ((seq - session.seq + HALF) & U32) - HALF
        if ahead <= 0:
            self.loss.frames_repeated += 1
            return
        session.seq += ahead
        self.loss.frames_missing += ahead - 1
        name = wire.NAME.get(kind)
        if name is None:
            self.loss.frames_good += 1
            self.loss.frames_unknown += 1
            return
        try:
            fields = fields_of(name, body[HEAD.size : -4], slow)
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
            loss.board_lost[i] += further(beat["lost"][i], before["lost"][i])
            loss.board_stalls[i] += further(beat["stalls"][i], before["stalls"][i])
        loss.board_unsent += further(beat["unsent"], before["unsent"])

    def _edges(self, session: Session, **block: Any) -> None:
        i, counts, first = block["input"], block["counts"], block["first"]
        half = HALF >> block["levels"]  # doubled counts have one bit of time less
        counts = [c >> block["levels"] for c in counts]
        if session.beat is None:
            self.loss.frames_unplaced += 1
            self.loss.edges_unplaced += len(counts)
            session.following[i] = (first + len(counts)) & U32
            return
        ticks = [session.beat + ((c - session.beat + half) & (2 * half - 1)) - half for c in counts]
        expected = session.following[i]
        jump = 0 if expected is None else (first - expected) & U32
        last = session.ticks[i][-1] if session.ticks[i] else -1
        rising = all(b > a for a, b in zip([last, *ticks], ticks, strict=False))
        if jump >= HALF or not rising:
            # What is older than what came before, or repeats it, is refused.
            self.loss.frames_good -= 1
            self.loss.frames_damaged += 1
            # Its edges are missing where the next block begins.
            session.following[i] = first if expected is None else expected
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
