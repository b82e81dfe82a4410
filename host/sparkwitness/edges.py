"""Bytes to edges: the streaming decoder that every number starts from.

Whole chunks are decoded with numpy; the result does not depend on how the bytes were cut into
chunks. Everything lost or refused is counted in `Loss`, and every place where edges of an input
are missing is marked, so that no angle is ever interpolated across it.
"""

import zlib
from dataclasses import asdict, dataclass, field
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from . import wire
from .framing import FrameError

Ticks = NDArray[np.int64]

_N_INPUTS = len(wire.INPUTS)
_EDGES = wire.NUMBER["edges"]
_MIN_BODY = wire.HEADER.sizeof() + 4
_EDGES_HEAD = wire.HEADER.sizeof() + 8
_MAX_STUFFED = wire.MAX_BODY + 1
_CRC_RESIDUE = 0x2144DF1C  # crc32 of any data followed by its own crc32, little-endian
_ROW = 260  # stuffed frame right-shifted so that its body starts on a 4-byte boundary
_WORDS = _ROW // 4
_MAX_COUNTS = (wire.MAX_BODY - _EDGES_HEAD - 4) // 4
_BLOCK = 1 << 18  # bytes decoded at a time: bounds memory, keeps the arrays in cache


@dataclass
class Loss:
    """What did not arrive or was refused, counted from the start of the stream.

    `sessions` counts those that streamed. `frames_before` is no loss: frames that they had sent
    before this stream joined them.
    `frames_unplaced`: edge blocks before the first heartbeat, whose wide time is not known.
    `edges_lost`: per input, edges counted by the board that are missing here, for whatever
    reason; `board_lost` is the share that was overwritten on the board.
    """

    bytes_total: int = 0
    frames_good: int = 0
    frames_damaged: int = 0
    bytes_damaged: int = 0
    frames_missing: int = 0
    frames_repeated: int = 0
    frames_unknown: int = 0
    frames_before: int = 0
    frames_unplaced: int = 0
    edges_unplaced: int = 0
    edges_lost: list[int] = field(default_factory=lambda: [0] * _N_INPUTS)
    board_lost: list[int] = field(default_factory=lambda: [0] * _N_INPUTS)
    board_stalls: list[int] = field(default_factory=lambda: [0] * _N_INPUTS)
    board_unsent: int = 0
    sessions: int = 0

    def any(self) -> bool:
        """True if anything at all was lost or refused."""
        return bool(
            self.frames_damaged or self.frames_missing or self.frames_repeated
            or self.frames_unknown or self.frames_unplaced or any(self.edges_lost)
            or any(self.board_stalls) or self.board_unsent or self.sessions > 1
        )  # fmt: skip

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON."""
        return asdict(self)


@dataclass
class Batch:
    """What one piece of the stream held, for one session.

    Attributes:
        session: id of the board's session; times of different sessions have nothing in common.
        ticks: per input, int64[n] strictly rising edge times in ticks since the session's start.
        breaks: per input, int64[m] indices k into `ticks`: edges were lost just before ticks[k].
        complete: every edge older than this tick has arrived or is counted as lost.
        messages: all other good messages, in order (hello, heartbeat, log, ack).
    """

    session: int
    ticks: tuple[Ticks, ...]
    breaks: tuple[Ticks, ...]
    complete: int
    messages: list[wire.Message]


class _Session:
    """Carried state of one session."""

    def __init__(self, session: int, first_seq: int) -> None:
        self.id = session
        self.seq = first_seq - 1
        self.joined_at = first_seq
        self.beat: int | None = None
        # Where the stream joins in the middle, the first block tells where counting starts.
        self.next_first: list[int | None] = [None if first_seq else 0] * _N_INPUTS
        self.last_tick = [-1] * _N_INPUTS
        self.total = [0] * _N_INPUTS
        self.lost_tail = [0] * _N_INPUTS
        self.board_counts: dict[str, Any] = {
            "lost": [0] * _N_INPUTS, "stalls": [0] * _N_INPUTS, "unsent": 0
        }  # fmt: skip


class EdgeDecoder:
    """Streaming decoder: feed bytes, get batches of edges with 64-bit times."""

    def __init__(self) -> None:
        self.loss = Loss()
        self.hello: dict[str, Any] | None = None
        self._rest = b""
        self._skipping = False
        self._session: _Session | None = None

    def feed(self, data: bytes) -> list[Batch]:
        """Decode the next bytes of the stream; one batch per session met, often none or one.

        Bytes after the last delimiter wait for the next call.
        """
        self.loss.bytes_total += len(data)
        batches: list[Batch] = []
        data = self._rest + data
        at = 0
        while True:
            # Cut at a delimiter, so that a block always holds whole frames.
            end = data.rfind(b"\0", at, at + _BLOCK) + 1
            if not end:
                end = data.find(b"\0", at) + 1
            if not end:
                break
            self._block(data[at:end], batches)
            at = end
        self._rest = data[at:]
        if len(self._rest) > _MAX_STUFFED:
            # Longer than any frame: count it now, skip up to the next delimiter, bound memory.
            if not self._skipping:
                self.loss.frames_damaged += 1
            self.loss.bytes_damaged += len(self._rest)
            self._skipping = True
            self._rest = b""
        return batches

    def finish(self) -> None:
        """Count a cut frame at the end of the stream, and edges announced but never received."""
        if self._rest:
            self.loss.bytes_damaged += len(self._rest)
            if not self._skipping:
                self.loss.frames_damaged += 1
        self._rest = b""
        self._skipping = False
        self._count_tail()

    def _count_tail(self) -> None:
        """Edges that a heartbeat has announced and that no block brought."""
        session = self._session
        if session is None:
            return
        for i in range(_N_INPUTS):
            expected = session.next_first[i]
            tail = 0 if expected is None else (session.total[i] - expected) & 0xFFFFFFFF
            tail = tail if tail < 1 << 31 else 0  # blocks sent since the heartbeat
            self.loss.edges_lost[i] += tail - session.lost_tail[i]
            session.lost_tail[i] = tail

    def _block(self, data: bytes, batches: list[Batch]) -> None:
        stuffed = np.frombuffer(data, np.uint8)
        ends = np.flatnonzero(stuffed == 0)
        starts = np.empty_like(ends)
        starts[0] = 0
        starts[1:] = ends[:-1] + 1
        if self._skipping:
            # The rest of an over-long run of bytes, whose frame is already counted.
            self.loss.bytes_damaged += int(ends[0])
            self._skipping = False
            starts, ends = starts[1:], ends[1:]
        lengths = ends - starts
        filled = lengths > 0
        starts, lengths = starts[filled], lengths[filled]
        fits = (lengths > _MIN_BODY) & (lengths <= _MAX_STUFFED)
        self.loss.frames_damaged += int(np.count_nonzero(~fits))
        self.loss.bytes_damaged += int(lengths[~fits].sum())
        starts, lengths = starts[fits], lengths[fits]
        if not len(starts):
            return
        rows, good = _unstuff(stuffed, starts, lengths)
        self.loss.frames_damaged += int(np.count_nonzero(~good))
        self.loss.bytes_damaged += int(lengths[~good].sum())
        rows, sizes = rows[good], lengths[good] - 1
        if len(rows):
            self._frames(rows, sizes, batches)

    def _frames(self, rows: NDArray[np.uint8], sizes: Ticks, batches: list[Batch]) -> None:
        """Frames with a good CRC: rows uint8[n, 260], body from column 4; sizes with CRC."""
        words = rows.view("<u4")
        sessions = words[:, 1] >> 16
        cuts = np.flatnonzero(np.diff(sessions)) + 1
        bounds = [0, *cuts.tolist(), len(rows)]
        for begin, end in pairwise(bounds):
            piece = slice(begin, end)
            self._run(int(sessions[begin]), rows[piece], words[piece], sizes[piece], batches)

    def _run(
        self,
        session_id: int,
        rows: NDArray[np.uint8],
        words: NDArray[np.uint32],
        sizes: Ticks,
        batches: list[Batch],
    ) -> None:
        """A run of frames of one session, in order of arrival."""
        session = self._session
        if session is None or session.id != session_id:
            self._count_tail()
            session = self._session = _Session(session_id, int(words[0, 2]))
        seq = words[:, 2].astype(np.int64)
        seq = session.seq + ((seq - session.seq + (1 << 31)) & 0xFFFFFFFF) - (1 << 31)
        before = np.maximum.accumulate(np.concatenate(([session.seq], seq)))[:-1]
        fresh = seq > before
        self.loss.frames_repeated += int(np.count_nonzero(~fresh))
        self.loss.frames_missing += int((seq - before - 1)[fresh].sum())
        session.seq = max(session.seq, int(seq.max()))
        rows, words, sizes = rows[fresh], words[fresh], sizes[fresh]
        if not len(rows):
            return
        self.loss.frames_good += len(rows)

        kind = words[:, 1] & 0xFF
        is_edges = kind == _EDGES
        messages: list[wire.Message] = []
        beats_at: list[int] = []
        beats: list[int] = []
        for k in np.flatnonzero(~is_edges).tolist():
            try:
                message = wire.decode_body(rows[k, 4 : sizes[k]].tobytes())
            except FrameError:
                self.loss.frames_damaged += 1
                self.loss.bytes_damaged += int(sizes[k]) + 1
                self.loss.frames_good -= 1
                continue
            if message.name is None or message.name in wire.FROM_HOST:
                self.loss.frames_unknown += 1
                continue
            if message.name == "hello":
                self.hello = message.fields
            elif message.name == "heartbeat":
                beats_at.append(k)
                beats.append(message.fields["time"])
            messages.append(message)
        ticks, breaks = self._edges(session, words, sizes, is_edges, beats_at, beats)
        for message in messages:
            if message.name == "heartbeat":
                self._heartbeat(session, message.fields)
        complete = session.beat if session.beat is not None else 0
        batches.append(Batch(session.id, ticks, breaks, complete, messages))

    def _heartbeat(self, session: _Session, beat: dict[str, Any]) -> None:
        """Take the wide time and the board's own counts of losses."""
        if session.beat is None:
            self.loss.sessions += 1
            self.loss.frames_before += session.joined_at
        session.beat = beat["time"]
        session.total = beat["total"]
        for i in range(_N_INPUTS):
            self.loss.board_lost[i] += beat["lost"][i] - session.board_counts["lost"][i]
            self.loss.board_stalls[i] += beat["stalls"][i] - session.board_counts["stalls"][i]
        self.loss.board_unsent += beat["unsent"] - session.board_counts["unsent"]
        session.board_counts = beat

    def _edges(
        self,
        session: _Session,
        words: NDArray[np.uint32],
        sizes: Ticks,
        is_edges: NDArray[np.bool_],
        beats_at: list[int],
        beats: list[int],
    ) -> tuple[tuple[Ticks, ...], tuple[Ticks, ...]]:
        """64-bit times of all edge blocks of a run, per input, and where edges are missing."""
        at = np.flatnonzero(is_edges)
        head = words[at, 3]
        which = (head & 0xFF).astype(np.int64)
        n = ((head >> 8) & 0xFF).astype(np.int64)
        fits = (which < _N_INPUTS) & (n > 0) & (sizes[at] == _EDGES_HEAD + 4 * n + 4)
        if not fits.all():
            bad = int(np.count_nonzero(~fits))
            self.loss.frames_damaged += bad
            self.loss.frames_good -= bad
            self.loss.bytes_damaged += int((sizes[at][~fits] + 1).sum())
            at, which, n = at[fits], which[fits], n[fits]
        # The heartbeat before each block places its 32-bit counts, through any silence.
        order = np.searchsorted(np.asarray(beats_at, np.int64), at)
        have = [session.beat, *beats]
        placed = np.asarray([-1 if b is None else b for b in have], np.int64)[order]
        known = placed >= 0
        if not known.all():
            self.loss.frames_unplaced += int(np.count_nonzero(~known))
            self.loss.edges_unplaced += int(n[~known].sum())
            for k in np.flatnonzero(~known).tolist():
                session.next_first[int(which[k])] = (int(words[at[k], 4]) + int(n[k])) & 0xFFFFFFFF
            at, which, n, placed = at[known], which[known], n[known], placed[known]

        all_ticks: list[Ticks] = []
        all_breaks: list[Ticks] = []
        column = np.arange(_MAX_COUNTS)
        for i in range(_N_INPUTS):
            mine = which == i
            ticks, breaks = self._one_input(
                session, i, words, at[mine], n[mine], placed[mine], column
            )
            all_ticks.append(ticks)
            all_breaks.append(breaks)
        return tuple(all_ticks), tuple(all_breaks)

    def _one_input(
        self,
        session: _Session,
        i: int,
        words: NDArray[np.uint32],
        at: Ticks,
        n: Ticks,
        placed: Ticks,
        column: Ticks,
    ) -> tuple[Ticks, Ticks]:
        none = np.empty(0, np.int64)
        if not len(at):
            return none, none
        counts = words[at, 5 : 5 + _MAX_COUNTS].astype(np.int64)
        wide = counts - placed[:, None]
        wide += 1 << 31
        wide &= 0xFFFFFFFF
        wide += (placed - (1 << 31))[:, None]
        full = n == _MAX_COUNTS
        inside = None if full.all() else column < n[:, None]
        ticks = wide.ravel() if inside is None else wide[inside]
        ends = np.cumsum(n)
        begins = ends - n

        first = words[at, 4].astype(np.int64)
        expected = np.empty_like(first)
        known = session.next_first[i]
        expected[0] = first[0] if known is None else known
        expected[1:] = first[:-1] + n[:-1]
        jump = (first - expected) & 0xFFFFFFFF

        rising = np.empty(len(ticks), np.bool_)
        rising[0] = ticks[0] > session.last_tick[i]
        np.greater(ticks[1:], ticks[:-1], out=rising[1:])
        if not rising.all() or (jump >= 1 << 31).any():
            return self._one_by_one(session, i, ticks, begins, ends, first)
        session.next_first[i] = int(first[-1] + n[-1]) & 0xFFFFFFFF
        session.last_tick[i] = int(ticks[-1])
        self._lost(session, i, int(jump.sum()))
        return ticks, begins[jump > 0]

    def _lost(self, session: _Session, i: int, edges: int) -> None:
        # What was counted as a missing tail by an earlier look is not counted twice.
        self.loss.edges_lost[i] += max(0, edges - session.lost_tail[i])
        session.lost_tail[i] = max(0, session.lost_tail[i] - edges)

    def _one_by_one(
        self, session: _Session, i: int, ticks: Ticks, begins: Ticks, ends: Ticks, first: Ticks
    ) -> tuple[Ticks, Ticks]:
        """The rare case of a block out of order: refuse it, keep the rest, mark the place."""
        kept: list[Ticks] = []
        breaks: list[int] = []
        at = 0
        for k in range(len(begins)):
            block = ticks[begins[k] : ends[k]]
            known = session.next_first[i]
            jump = 0 if known is None else (int(first[k]) - known) & 0xFFFFFFFF
            rising = block[0] > session.last_tick[i] and bool((np.diff(block) > 0).all())
            if jump >= 1 << 31 or not rising:
                self.loss.frames_damaged += 1
                self.loss.frames_good -= 1
                self.loss.edges_lost[i] += len(block)
                continue
            if jump:
                breaks.append(at)
                self._lost(session, i, jump)
            kept.append(block)
            at += len(block)
            session.next_first[i] = (int(first[k]) + len(block)) & 0xFFFFFFFF
            session.last_tick[i] = int(block[-1])
        if not kept:
            return np.empty(0, np.int64), np.empty(0, np.int64)
        return np.concatenate(kept), np.asarray(breaks, np.int64)


def _unstuff(
    stuffed: NDArray[np.uint8], starts: Ticks, lengths: Ticks
) -> tuple[NDArray[np.uint8], NDArray[np.bool_]]:
    """Undo COBS of many short frames side by side and check their CRC.

    Args:
        stuffed: uint8[m], whole frames with their delimiters.
        starts, lengths: int64[n], frames without delimiter, each at most 255 bytes long.

    Returns:
        rows uint8[n, 260], body and CRC from column 4; and bool[n], True where all is well.
    """
    padded = np.zeros(len(stuffed) + 3 + _ROW, np.uint8)
    padded[3 : 3 + len(stuffed)] = stuffed
    windows = np.lib.stride_tricks.sliding_window_view(padded, _ROW)
    rows: NDArray[np.uint8] = windows[starts]  # the code byte lands in column 3
    flat = rows.reshape(-1)
    base = np.arange(len(starts), dtype=np.int64) * _ROW + 3
    ends = base + lengths
    good = np.ones(len(starts), np.bool_)
    position, row = base, np.arange(len(starts))
    code = flat[position]
    while len(row):
        # A frame this short holds one chain of codes, each telling how far the next zero is.
        position = position + code
        good[row[position > ends[row]]] = False
        inside = position < ends[row]
        position, row = position[inside], row[inside]
        code = flat[position]
        flat[position] = 0
    view = memoryview(rows.data).cast("B")
    crc = zlib.crc32
    first = (base + 1).tolist()
    last = ends.tolist()
    checked = np.fromiter(
        (crc(view[a:b]) for a, b in zip(first, last, strict=True)), np.int64, len(first)
    )
    good &= checked == _CRC_RESIDUE
    return rows, good
