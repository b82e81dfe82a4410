"""Sound files: a sound card's channels as a logger of voltages."""

from collections.abc import Iterator
from pathlib import Path

import numpy as np

from sparkwitness.errors import UserError, needed
from sparkwitness.records.import_ import analog
from sparkwitness.records.import_.base import Logged, Options, strictly, tick_of_rate

_PARTS = 64  # ticks of a sample: crossings are interpolated
_NAMES = {1: ("mono",), 2: ("left", "right")}
_MOST_CHANNELS = 16


def read(path: Path, options: Options) -> Logged:
    """Edges of a sound file (WAV, FLAC and what else libsndfile reads).

    Between two samples the voltage is taken to be straight. How late an edge really is depends on
    the card's filters, so half a sample is given as the uncertainty of each.

    Raises:
        UserError: it cannot be read, or its rate is too low.
    """
    soundfile = needed("soundfile", "wav")
    try:
        with soundfile.SoundFile(path) as file:
            rate, count, frames = file.samplerate, file.channels, file.frames
    except (soundfile.LibsndfileError, RuntimeError) as error:
        raise UserError(f"{path} cannot be read as a sound file: {_why(error)}") from None
    if count > _MOST_CHANNELS:
        raise UserError(f"{path} has {count} channels; at most {_MOST_CHANNELS} are read")
    if not frames:
        raise UserError(f"{path} holds no samples: record again")
    sample_ps = 1e12 / rate
    tick = max(1, tick_of_rate(rate) // _PARTS)
    names = _NAMES.get(count) or tuple(str(k + 1) for k in range(count))
    size = max(16, round(analog.BLOCK_S * rate))
    notes = []
    if (missing := _cut(path)) > 0:
        notes.append(f"the file is cut: {missing} bytes that its head announces are not there")

    def blocks() -> Iterator[analog.Block]:
        at = 0
        try:
            with soundfile.SoundFile(path) as file:
                while len(values := file.read(size, dtype="float64", always_2d=True)):
                    yield (at + np.arange(len(values))) * sample_ps, np.nan_to_num(values)
                    at += len(values)
        except (soundfile.LibsndfileError, RuntimeError) as error:
            raise UserError(f"{path} is damaged after {at / rate:.3f} s: {_why(error)}") from None

    made, traces = analog.edges(blocks, names, options)
    channels = {}
    for channel, up, down in made:
        channel.rising, channel.falling = (
            strictly(np.rint(t / tick).astype(np.int64))[0] for t in (up, down)
        )
        channels[channel.name] = channel
    last = round(frames * sample_ps / tick)
    blur = 0.5 * sample_ps * 1e-6
    return Logged([channels], tick, [last], notes, traces, blur)


def _why(error: Exception) -> str:
    return str(error).rpartition(": ")[2].rstrip(".").lower() or "unknown reason"


def _cut(path: Path) -> int:
    """Bytes of a RIFF file that its head announces and that are not there."""
    with open(path, "rb") as file:
        head = file.read(8)
        file.seek(0, 2)
        size = file.tell()
    if head[:4] != b"RIFF":
        return 0
    said = int.from_bytes(head[4:8], "little")
    return said + 8 - size if said < 0xFFFFFFF0 else 0  # written as a stream: not known
