"""Bytes to edges: the streaming decoder that every number starts from.

Whole chunks are decoded with numpy; the result does not depend on how the bytes were cut into
chunks. Everything lost or refused is counted in `Loss`, and every place where edges of an input
are missing is marked, so that no angle is ever interpolated across it. Longer than other files:
one class, whose state from chunk to chunk is the whole of the matter.
"""

from collections.abc import Sequence
from dataclasses import asdict, dataclass, field
from itertools import pairwise
from typing import Any, overload

import numpy as np
from numpy.typing import NDArray

from sparkwitness.decode import flanks, framing, kernels, wire
from sparkwitness.decode.flanks import Levels

Ticks = NDArray[np.int64]

_N_INPUTS = len(wire.INPUTS)
_EDGES, _HEARTBEAT = wire.NUMBER["edges"], wire.NUMBER["heartbeat"]
_BEAT = wire.LAYOUT["heartbeat"]
_HEAD = wire.HEAD.itemsize
_BEAT_SIZE = wire.PLACES.beat_size
_BEAT_WORDS = np.arange(1, _BEAT_SIZE // 4)
_FRONT = wire.BLOCK.itemsize
_MAX_COUNTS = next(most for name, _, most in wire.RANGES["edges"] if name == "n")
_COLUMNS = np.arange(_MAX_COUNTS, dtype=np.uint8)
_MAX_STUFFED = wire.MAX_BODY + 1
_BLOCK = (1 << 20) + 4096  # bytes decoded at a time: a file's piece and what was left before
_START = 1 << 12  # of a session, until its first heartbeat


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


class Messages(Sequence[wire.Message]):
    """Good messages in order; heartbeats are many, so each is unpacked only when asked for."""

    def __init__(self, bodies: NDArray[np.uint8], sizes: list[int]) -> None:
        self._bodies, self._sizes = bodies, sizes
        self._made: list[wire.Message | None] = [None] * len(sizes)

    def __len__(self) -> int:
        return len(self._made)

    @overload
    def __getitem__(self, at: int) -> wire.Message: ...
    @overload
    def __getitem__(self, at: slice) -> list[wire.Message]: ...
    def __getitem__(self, at: int | slice) -> wire.Message | list[wire.Message]:
        if isinstance(at, slice):
            return [self[k] for k in range(*at.indices(len(self)))]
        made = self._made[at]
        if made is None:
            made = wire.decode_body(self._bodies[at, : self._sizes[at]].tobytes())
            self._made[at] = made
        return made


@dataclass
class Batch:
    """What one piece of the stream held, for one session.

    Attributes:
        session: id of the board's session; times of different sessions have nothing in common.
        ticks: per input, int64[n] strictly rising edge times in ticks since the session's start.
        breaks: per input, int64[m] indices k into `ticks`: edges were lost just before ticks[k].
        complete: every edge older than this tick has arrived or is counted as lost.
        messages: all other good messages, in order (hello, heartbeat, log, ack).
        beats: the heartbeats among them once more as records `wire.LAYOUT["heartbeat"]`.
        levels: per input, int8[n] level after each edge (`flanks.UNKNOWN` where not told), or None
            where one flank only is stamped.
    """

    session: int
    ticks: tuple[Ticks, ...]
    breaks: tuple[Ticks, ...]
    complete: int
    messages: Sequence[wire.Message]
    beats: NDArray[np.void] = field(default_factory=lambda: np.empty(0, _BEAT))
    levels: tuple[Levels | None, ...] = (None,) * _N_INPUTS


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
        self.board_counts = np.zeros(1, _BEAT)


def _room(size: int) -> tuple[NDArray[np.uint32], Ticks]:
    """For the words of so many bytes, whatever they are, and where their frames begin."""
    packed = np.empty(size + framing.ROW, np.uint32)
    return packed, np.empty((2, len(packed)), np.int64)


def _unwrapped(counts: list[int], last: int) -> Ticks:
    """Each count continued from the highest before it, whatever the pieces they came in."""
    wide = []
    for count in counts:
        wide.append(last + ((count - last + (1 << 31)) & 0xFFFFFFFF) - (1 << 31))
        last = max(last, wide[-1])
    return np.asarray(wide, np.int64)


class EdgeDecoder:
    """Streaming decoder: feed bytes, get batches of edges with 64-bit times."""

    def __init__(self) -> None:
        self.loss = Loss()
        self.hello: dict[str, Any] | None = None
        self._rest = b""
        self._skipping = False
        self._session: _Session | None = None
        self._kernels: Any = None
        self._packed, self._begins = _room(_MAX_STUFFED)

    def feed(self, data: bytes) -> list[Batch]:
        """Decode the next bytes of the stream; one batch per session met, often none or one.

        Bytes after the last delimiter wait for the next call.
        """
        self.loss.bytes_total += len(data)
        self._kernels = kernels.chosen(self.loss.bytes_total, len(data))
        batches: list[Batch] = []
        data, at = self._rest + data, 0
        whole = np.frombuffer(data, np.uint8)
        while True:
            # Cut at a delimiter, so that a block always holds whole frames.
            end = data.rfind(b"\0", at, at + self._most()) + 1
            if not end:
                end = data.find(b"\0", at) + 1
            if not end:
                break
            self._block(whole, at, end, batches)
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

    def _most(self) -> int:
        """Bytes to decode at a time: few at a session's start, which `_orderly` cannot take."""
        return _START if self._session is None and not self.loss.frames_damaged else _BLOCK

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

    def _block(
        self, stuffed: NDArray[np.uint8], start: int, stop: int, batches: list[Batch]
    ) -> None:
        """Whole frames, the last byte before `stop` a delimiter."""
        if self._skipping:
            # The rest of an over-long run of bytes, whose frame is already counted.
            gone = int(np.argmin(stuffed[start:stop]))
            self.loss.bytes_damaged += gone
            start += gone + 1
            self._skipping = False
        if start == stop:
            return
        if self._orderly(stuffed, start, stop, batches):
            return
        rows, sizes, bad, bad_bytes = framing.unseal_all(
            stuffed[start:stop], _HEAD + 4, wire.MAX_BODY
        )
        self.loss.frames_damaged += bad
        self.loss.bytes_damaged += bad_bytes
        if len(rows):
            self._frames(rows, sizes, batches)

    def _orderly(
        self, stuffed: NDArray[np.uint8], start: int, stop: int, batches: list[Batch]
    ) -> bool:
        """A block in which all is as it should be, in one go; False: nothing has been done."""
        session = self._session
        if session is None or session.beat is None:
            return False
        if len(self._packed) < stop - start + framing.ROW:
            self._packed, self._begins = _room(stop - start)
        firsts = np.array([-1 if f is None else f for f in session.next_first], np.int64)
        counts = np.zeros(_N_INPUTS, np.int64)
        words, frames, found = self._kernels.gather(
            wire.PLACES, stuffed, start, stop, framing.CRC_FIXER, session.id,
            session.seq & 0xFFFFFFFF, firsts, counts, self._packed, *self._begins,
        )  # fmt: skip
        packed = self._packed[:words]
        if words == -1 or not framing.crc_good(packed):
            return False
        begins, beats_at = self._begins[0, :frames], self._begins[1, :found]
        bodies = packed[begins[beats_at][:, None] + _BEAT_WORDS]
        raw = bodies.view(np.uint8)
        is_beat, beats = _beats(raw)
        if not is_beat.all():
            return False
        times = beats["time"].astype(np.int64)
        levels = flanks.undouble(
            wire.PLACES, packed, begins, session.beat, beats_at, times, _N_INPUTS
        )
        if levels is None:
            return False
        bounds = np.concatenate(([0], np.cumsum(counts)))
        ticks, last = np.empty(bounds[-1], np.int64), np.array(session.last_tick)
        if not self._kernels.spread(
            wire.PLACES, packed, begins, session.beat, beats_at, times, last, bounds[:-1].copy(),
            ticks,
        ):  # fmt: skip
            return False
        session.seq += frames
        session.next_first = [None if first < 0 else first for first in firsts.tolist()]
        session.last_tick = last.tolist()
        self.loss.frames_good += frames
        none = np.empty(0, np.int64)
        split = tuple(ticks[a:b] for a, b in pairwise(bounds.tolist()))
        messages = Messages(raw, [raw.shape[1]] * found)
        self._batch(session, split, (none,) * _N_INPUTS, messages, beats, batches, levels)
        return True

    def _frames(self, rows: NDArray[np.uint8], sizes: Ticks, batches: list[Batch]) -> None:
        """Frames with a good CRC: rows uint8[n, 260], body from column 4; sizes with CRC."""
        sessions = rows[:, 4 : 4 + _HEAD].view(wire.HEAD)["session"][:, 0]
        cuts = np.flatnonzero(np.diff(sessions)) + 1
        for begin, end in pairwise([0, *cuts.tolist(), len(rows)]):
            self._run(sessions[begin].item(), rows[begin:end], sizes[begin:end], batches)

    def _run(
        self,
        session_id: int,
        rows: NDArray[np.uint8],
        sizes: Ticks,
        batches: list[Batch],
    ) -> None:
        """A run of frames of one session, in order of arrival."""
        session = self._session
        heads = rows[:, 4 : 4 + _FRONT].view(wire.BLOCK)[:, 0]
        if session is None or session.id != session_id:
            self._count_tail()
            session = self._session = _Session(session_id, int(heads["seq"][0]))
        seq = heads["seq"].astype(np.int64)
        ahead = (seq - session.seq).astype(np.int32).astype(np.int64)  # 32 bits wrap
        if np.abs(ahead).max() < 1 << 30:
            seq = session.seq + ahead
        else:
            seq = _unwrapped(seq.tolist(), session.seq)
        before = np.maximum.accumulate(np.concatenate(([session.seq], seq)))[:-1]
        fresh = seq > before
        self.loss.frames_repeated += int(np.count_nonzero(~fresh))
        self.loss.frames_missing += int((seq - before - 1)[fresh].sum())
        session.seq = max(session.seq, seq.max().item())
        if not fresh.all():
            rows, heads, sizes = rows[fresh], heads[fresh], sizes[fresh]
        if not len(rows):
            return
        self.loss.frames_good += len(rows)

        is_edges = heads["type"] == _EDGES
        others = np.flatnonzero(~is_edges)
        is_beat = (rows[others, 4] == _HEARTBEAT) & (sizes[others] == _BEAT_SIZE)
        is_beat[is_beat], beats = _beats(rows[others[is_beat], 4:])
        messages = self._messages(rows, sizes, others, is_beat)
        times = beats["time"].astype(np.int64)
        ticks, breaks, levels = self._edges(
            session, rows, heads, sizes, is_edges, others[is_beat], times
        )
        self._batch(session, ticks, breaks, messages, beats, batches, levels)

    def _batch(
        self,
        session: _Session,
        ticks: tuple[Ticks, ...],
        breaks: tuple[Ticks, ...],
        messages: Messages,
        beats: NDArray[np.void],
        batches: list[Batch],
        levels: tuple[Levels | None, ...],
    ) -> None:
        if len(beats):
            self._heartbeats(session, beats)
        complete = session.beat if session.beat is not None else 0
        batches.append(Batch(session.id, ticks, breaks, complete, messages, beats, levels))

    def _messages(
        self, rows: NDArray[np.uint8], sizes: Ticks, at: Ticks, is_beat: NDArray[np.bool_]
    ) -> Messages:
        """All frames but blocks of edges, which stand in the rows `at`."""
        kept = np.ones(len(at), np.bool_)
        for j in np.flatnonzero(~is_beat).tolist():
            k = at[j].item()
            try:
                message = wire.decode_body(rows[k, 4 : sizes[k]].tobytes())
            except framing.FrameError:
                self.loss.frames_damaged += 1
                self.loss.bytes_damaged += int(sizes[k]) + 1
                self.loss.frames_good -= 1
                kept[j] = False
                continue
            if message.name is None or message.name in wire.FROM_HOST:
                self.loss.frames_unknown += 1
                kept[j] = False
                continue
            if message.name == "hello":
                self.hello = message.fields
        at = at[kept]
        return Messages(rows[at, 4:], (sizes[at] - 4).tolist())

    def _heartbeats(self, session: _Session, beats: NDArray[np.void]) -> None:
        """Take the newest wide time and the board's own counts of losses."""
        if session.beat is None:
            self.loss.sessions += 1
            self.loss.frames_before += session.joined_at
        newest = beats[-1]
        session.beat = int(newest["time"])
        session.total = newest["total"].tolist()
        counted = np.concatenate((session.board_counts, beats))
        lost, stalls, unsent = (
            wire.gone_on(counted[name]) for name in ("lost", "stalls", "unsent")
        )
        for i in range(_N_INPUTS):
            self.loss.board_lost[i] += int(lost[i])
            self.loss.board_stalls[i] += int(stalls[i])
        self.loss.board_unsent += int(unsent)
        session.board_counts = beats[-1:].copy()

    def _edges(
        self,
        session: _Session,
        rows: NDArray[np.uint8],
        heads: NDArray[np.void],
        sizes: Ticks,
        is_edges: NDArray[np.bool_],
        beats_at: Ticks,
        beats: Ticks,
    ) -> tuple[tuple[Ticks, ...], tuple[Ticks, ...], tuple[Levels | None, ...]]:
        """All edge blocks of a run, per input: 64-bit times, where edges are missing, levels."""
        at = np.flatnonzero(is_edges)
        heads = heads[at]
        which, n, first = (heads[name].astype(np.int64) for name in ("input", "n", "first"))
        doubled = heads["levels"]
        fits = (which < _N_INPUTS) & (n > 0) & (sizes[at] == _FRONT + 4 * n + 4) & (doubled < 2)
        if not fits.all():
            bad = int(np.count_nonzero(~fits))
            self.loss.frames_damaged += bad
            self.loss.frames_good -= bad
            self.loss.bytes_damaged += int((sizes[at][~fits] + 1).sum())
            at, which, n, first = at[fits], which[fits], n[fits], first[fits]
            doubled = doubled[fits]
        # The heartbeat before each block places its 32-bit counts, through any silence.
        have = np.concatenate(([-1 if session.beat is None else session.beat], beats))
        placed = have[np.searchsorted(beats_at, at)]
        known = placed >= 0
        if not known.all():
            self.loss.frames_unplaced += int(np.count_nonzero(~known))
            self.loss.edges_unplaced += int(n[~known].sum())
            for k in np.flatnonzero(~known).tolist():
                session.next_first[which[k]] = int(first[k] + n[k]) & 0xFFFFFFFF
            at, which, n, first = at[known], which[known], n[known], first[known]
            placed, doubled = placed[known], doubled[known]

        words = rows.view("<u4")[:, 1 + _FRONT // 4 :]
        seen = set(which[doubled == 1].tolist())
        marks = None
        if seen:
            both = at[doubled == 1]
            marks = np.full(words.shape, flanks.UNKNOWN, np.int8)
            marks[both] = words[both] & 1
            words = words.copy()
            words[both] = flanks.undoubled(words[both], placed[doubled == 1][:, None])
        all_ticks: list[Ticks] = []
        all_breaks: list[Ticks] = []
        all_levels: list[Levels | None] = []
        for i in range(_N_INPUTS):
            mine = which == i
            ticks, breaks, kept = self._one_input(
                session, i, words[at[mine]], n[mine], first[mine], placed[mine]
            )
            levels = None
            if marks is not None and i in seen:
                levels = marks[at[mine], :_MAX_COUNTS][_filled(n[mine])]
                levels = levels if kept is None else levels[kept]
            all_ticks.append(ticks)
            all_breaks.append(breaks)
            all_levels.append(levels)
        return tuple(all_ticks), tuple(all_breaks), tuple(all_levels)

    def _one_input(
        self,
        session: _Session,
        i: int,
        rows: NDArray[np.uint32],
        n: Ticks,
        first: Ticks,
        placed: Ticks,
    ) -> tuple[Ticks, Ticks, NDArray[np.bool_] | None]:
        """Times of one input's blocks, whose counts begin the rows, where edges are missing, and
        which of the blocks' edges these are; None: all.
        """
        none = np.empty(0, np.int64)
        if not len(n):
            return none, none, None
        ends = np.cumsum(n)
        begins = ends - n
        counts = rows[:, :_MAX_COUNTS] - placed.astype(np.uint32)[:, None]
        wide = counts.view(np.int32).astype(np.int64)
        wide += placed[:, None]
        ticks: Ticks = wide[_filled(n)]
        all_rise = ticks[0] > session.last_tick[i] and bool((ticks[1:] > ticks[:-1]).all())

        expected = np.empty_like(first)
        known = session.next_first[i]
        expected[0] = first[0] if known is None else known
        expected[1:] = first[:-1] + n[:-1]
        jump = (first - expected) & 0xFFFFFFFF

        if not all_rise or (jump >= 1 << 31).any():
            return self._one_by_one(session, i, ticks, begins, ends, first)
        session.next_first[i] = int(first[-1] + n[-1]) & 0xFFFFFFFF
        session.last_tick[i] = ticks[-1].item()
        self._lost(session, i, int(jump.sum()))
        return ticks, begins[jump > 0], None

    def _lost(self, session: _Session, i: int, edges: int) -> None:
        # What was counted as a missing tail by an earlier look is not counted twice.
        self.loss.edges_lost[i] += max(0, edges - session.lost_tail[i])
        session.lost_tail[i] = max(0, session.lost_tail[i] - edges)

    def _one_by_one(
        self, session: _Session, i: int, ticks: Ticks, begins: Ticks, ends: Ticks, first: Ticks
    ) -> tuple[Ticks, Ticks, NDArray[np.bool_]]:
        """The rare case of a block out of order: refuse it, keep the rest, mark the place."""
        keep = np.zeros(len(ticks), np.bool_)
        breaks: list[int] = []
        at = 0
        for k in range(len(begins)):
            block = ticks[begins[k] : ends[k]]
            known = session.next_first[i]
            jump = 0 if known is None else (first[k].item() - known) & 0xFFFFFFFF
            rising = block[0] > session.last_tick[i] and bool((np.diff(block) > 0).all())
            if jump >= 1 << 31 or not rising:
                self.loss.frames_damaged += 1
                self.loss.frames_good -= 1
                # Its edges are missing where the next block begins, and are counted there.
                session.next_first[i] = first[k].item() if known is None else known
                continue
            if jump:
                breaks.append(at)
                self._lost(session, i, jump)
            keep[begins[k] : ends[k]] = True
            at += len(block)
            session.next_first[i] = (int(first[k]) + len(block)) & 0xFFFFFFFF
            session.last_tick[i] = block[-1].item()
        return ticks[keep], np.asarray(breaks, np.int64), keep


def _filled(n: Ticks) -> NDArray[np.bool_]:
    """bool[blocks, most]: which places of the blocks hold an edge."""
    return n.astype(np.uint8)[:, None] > _COLUMNS


def _beats(bodies: NDArray[np.uint8]) -> tuple[NDArray[np.bool_], NDArray[np.void]]:
    """Which of the heartbeats uint8[n, at least 80] are sound, and those as records."""
    beats = np.ascontiguousarray(bodies[:, _HEAD : _HEAD + _BEAT.itemsize]).view(_BEAT)[:, 0]
    fine = np.ones(len(beats), np.bool_)
    for name, low, high in wire.RANGES["heartbeat"]:
        fine &= (beats[name] >= low) & (beats[name] <= high)
    return fine, beats if fine.all() else beats[fine]
