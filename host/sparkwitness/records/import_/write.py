"""A foreign file as a recording: its format found, its edges framed as a board would send them."""

from collections.abc import Iterator
from dataclasses import dataclass
from importlib import import_module
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np

from sparkwitness.decode import wire
from sparkwitness.decode.recording import IMPORTED, Recorder
from sparkwitness.errors import UserError
from sparkwitness.foreign import one_line
from sparkwitness.records.import_.base import NONE, Channel, Logged, Options, Ticks, regular

FORMATS = {
    "vcd": "value change dump",
    "csv": "text table",
    "sigrok": "sigrok session",
    "wav": "sound file",
    "parquet": "Parquet table",
}
"""Format, in the module of that name: what it is."""

_MAGIC = {
    b"RIFF": "wav", b"RF64": "wav", b"fLaC": "wav", b"FORM": "wav", b"OggS": "wav",
    b"PAR1": "parquet", b"PK\3\4": "sigrok", b"PK\5\6": "sigrok",
}  # fmt: skip
_BEAT_S = 0.1
_BLOCK = 58
_MOST_STEP = 1 << 29  # ticks between heartbeats: counts are of 32 bits
_NOT_MEASURED = 65535


def format_of(path: Path) -> str:
    """Format of a file, by its first bytes.

    Raises:
        UserError: it cannot be read.
    """
    try:
        with open(path, "rb") as file:
            start = file.read(4096)
    except OSError as error:
        raise UserError(f"cannot read {path}: {error.strerror}") from None
    if start[:4] in _MAGIC:
        return _MAGIC[start[:4]]
    if start.startswith(b'{"format": "sparkwitness'):
        raise UserError(f"{path} is a recording already: give it to `sparkwitness measure --from`")
    return "vcd" if start.lstrip().startswith(b"$") else "csv"


def read(path: Path, options: Options, kind: str | None = None) -> Logged:
    """What a foreign file holds.

    Args:
        path: the file.
        options: what was said about it.
        kind: of `FORMATS`; None: found.

    Raises:
        UserError: it cannot be read, or makes no sense.
    """
    regular(path)
    module = import_module(f"sparkwitness.records.import_.{kind or format_of(path)}")
    try:
        logged: Logged = module.read(path, options)
    except OSError as error:
        raise UserError(f"cannot read {path}: {error.strerror or error}") from None
    except MemoryError:
        raise UserError(f"{path} is too large for this computer's memory: cut it") from None
    if not any(len(c.rising) or len(c.falling) for c in logged.channels):
        hint = "set --threshold" if logged.traces else "was the logger connected and triggered?"
        raise UserError(f"{path} holds no edge on any channel: {hint}")
    return logged


def write(
    logged: Logged,
    inputs: dict[str, str],
    falling: tuple[str, ...],
    path: Path,
    source: Path,
    setup: dict[str, Any] | None,
    about: dict[str, Any],
) -> dict[str, int]:
    """Write a recording.

    Args:
        logged: what the foreign file holds.
        inputs: input: channel.
        falling: inputs whose falling edge is wanted.
        path: of the recording; it must not be there.
        source: the foreign file, for the mark that every face shows.
        setup: plain values as in `Setup.to_dict`, or None.
        about: what else the header keeps.

    Returns:
        Input: edges written.

    Raises:
        UserError: it is there or cannot be written.
    """
    board = {"board": f"imported, {FORMATS[about['format']]}", "tick_ps": logged.tick_ps}
    recorder = Recorder(path, board, setup, source_of(logged, source), {"imported": about})
    counts = dict.fromkeys(inputs, 0)
    try:
        for number, channels, last in zip(logged.ids, logged.sessions, logged.last, strict=True):
            edges = {
                name: _of(channels.get(channel), name, name in falling)
                for name, channel in inputs.items()
            }
            for frames in _frames(number, edges, last, logged.tick_ps):
                recorder.write(frames)
            for name, one in edges.items():
                counts[name] += len(one.ticks)
    finally:
        recorder.close()
    return counts


def source_of(logged: Logged, path: Path) -> str:
    """The mark that every face shows."""
    return f"{IMPORTED}: {one_line(path.name)}" + (f", {logged.origin}" if logged.origin else "")


@dataclass(frozen=True)
class _Edges:
    """Edges of one input as they are framed.

    Attributes:
        ticks: int64[n] strictly rising.
        lost: indices of edges just before which others were lost.
        level: int64[n] level after each where both flanks are there; else None.
    """

    ticks: Ticks
    lost: list[int]
    level: Ticks | None = None


def _of(channel: Channel | None, name: str, falling: bool) -> _Edges:
    """Both flanks of the trigger, one direction of the others."""
    if channel is None:
        return _Edges(NONE, [])
    level = None
    if name == "trigger" and channel.directed:
        ticks, level = channel.both()
    else:
        ticks = channel.edges(falling)
    return _Edges(ticks, np.flatnonzero(np.isin(ticks, channel.lost)).tolist(), level)


def _frames(session: int, edges: dict[str, _Edges], last: int, tick_ps: int) -> Iterator[bytes]:
    """A session frame by frame: heartbeats, and between them the edges that came."""
    seq = 0
    total = [0] * len(wire.INPUTS)
    step = min(_MOST_STEP, max(1, round(_BEAT_S * 1e12 / tick_ps)))

    def framed(name: str, **fields: Any) -> bytes:
        nonlocal seq
        seq += 1
        return wire.encode(name, session, seq - 1, **fields)

    def beat(time: int) -> bytes:
        return framed(
            "heartbeat", time=time, total=total, lost=[0] * 4, stalls=[0] * 4, driven=0,
            worst_us=0, busy_permille=0, unsent=0, supply_mv=_NOT_MEASURED,
            state=wire.ENUMS["state"]["streaming"], outputs=0,
        )  # fmt: skip

    yield b"\0" + beat(0)
    # Windows of time that hold an edge; in a silence the next heartbeat jumps.
    every = [one.ticks // step for one in edges.values()]
    at = 0
    for window in np.unique(np.concatenate([np.empty(0, np.int64), *every])).tolist():
        if window * step > at:
            yield beat(window * step)
        at = (window + 1) * step
        for name, one in edges.items():
            which = wire.INPUTS.index(name)
            low, high = np.searchsorted(one.ticks, (window * step, at))
            cuts = [k for k in one.lost if low <= k < high]
            words = one.ticks if one.level is None else one.ticks << 1 | one.level
            bounds = sorted({int(low), *cuts, int(high)})
            for begin, end in pairwise(bounds):
                if begin in cuts:
                    total[which] += 1  # one at least; how many is not known
                for k in range(begin, end, _BLOCK):
                    counts = (words[k : min(k + _BLOCK, end)] & 0xFFFFFFFF).tolist()
                    yield framed(
                        "edges", input=which, n=len(counts), first=total[which] & 0xFFFFFFFF,
                        counts=counts, levels=int(one.level is not None),
                    )  # fmt: skip
                    total[which] += len(counts)
        total = [n & 0xFFFFFFFF for n in total]
        yield beat(at)
    if last > at:
        yield beat(last)
