"""sigrok sessions (.sr): a ZIP archive of samples, session file format version 2.

https://sigrok.org/wiki/File_format:Sigrok/v2
"""

import configparser
import re
import zipfile
import zlib
from collections.abc import Iterator
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from sparkwitness.errors import UserError
from sparkwitness.records.import_ import analog
from sparkwitness.records.import_.base import (
    NONE,
    Channel,
    Logged,
    Options,
    Ticks,
    Trace,
    levels_to_edges,
    strictly,
    tick_of_rate,
)

_CHUNK = 1 << 22
_MOST_UNIT = 8  # bytes of a sample
_RATE = re.compile(r"([\d.]+)\s*([kMG]?)Hz", re.IGNORECASE)
_FACTOR = {"": 1.0, "k": 1e3, "m": 1e6, "g": 1e9}


def rate_of(text: str) -> float | None:
    """Samples a second in words such as "24 MHz"; None if it is not that."""
    match = _RATE.search(text)
    return float(match[1]) * _FACTOR[match[2].lower()] if match else None


def read(path: Path, options: Options) -> Logged:
    """Edges of a session's logic and analogue channels.

    Raises:
        UserError: it is no session, damaged, or without a rate.
    """
    try:
        with zipfile.ZipFile(path) as archive:
            return _read(path, archive, options)
    except (zipfile.BadZipFile, EOFError, zlib.error, KeyError, configparser.Error,
            NotImplementedError, RuntimeError, UnicodeDecodeError) as error:  # fmt: skip
        why = str(error).strip("'\"") or type(error).__name__
        raise UserError(
            f"{path} is no whole sigrok session ({why}): save it again, with sigrok-cli -o"
        ) from None


def _read(path: Path, archive: zipfile.ZipFile, options: Options) -> Logged:
    about = configparser.ConfigParser(interpolation=None, strict=False)
    about.read_string(archive.read("metadata").decode("utf-8"))
    devices = [s for s in about.sections() if s.startswith("device")]
    if not devices:
        raise UserError(f"{path} names no device: it holds no samples")
    device = about[devices[0]]
    rate = options.rate or rate_of(device.get("samplerate", ""))
    if rate is None:
        raise UserError(f"{path} does not say its samples a second: give them as --rate")
    tick = tick_of_rate(rate)
    channels: dict[str, Channel] = {}
    notes: list[str] = []
    traces: list[Trace] = []
    last, blur = 0, 0.0
    if len(devices) > 1:
        notes.append(f"only the first of its {len(devices)} devices is read")
    prefix = device.get("capturefile", "logic-1")
    parts = _parts(archive, prefix)
    if parts:
        unit = device.getint("unitsize", 1)
        if not 1 <= unit <= _MOST_UNIT:
            raise UserError(f"{path} has samples of {unit} bytes; 1 to {_MOST_UNIT} can be read")
        names = {k: device[f"probe{k + 1}"] for k in range(8 * unit) if f"probe{k + 1}" in device}
        found, last = _logic(archive, parts, unit, names)
        channels.update(found)
    volts = {
        device[key]: files
        for key in device
        if key.startswith("analog") and (files := _parts(archive, f"analog-1-{key[6:]}"))
    }
    if volts:
        made, traces = _volts(archive, volts, rate, options)
        for channel, up, down in made:
            channel.rising, channel.falling = (
                strictly(np.rint(t / tick).astype(np.int64))[0] for t in (up, down)
            )
            channels[channel.name] = channel
            last = max(last, *(int(t[-1]) for t in (channel.rising, channel.falling) if len(t)), 0)
        blur = 0.5e6 / rate
    if not channels:
        raise UserError(f"{path} holds no samples: record again")
    return Logged([channels], tick, [last], notes, traces, blur)


def _parts(archive: zipfile.ZipFile, prefix: str) -> list[str]:
    """Files of one run of samples, in order: the whole, or numbered ones."""
    names = archive.namelist()
    numbered = [n for n in names if n.startswith(f"{prefix}-") and n[len(prefix) + 1 :].isdigit()]
    whole = [prefix] if prefix in names else []
    return whole + sorted(numbered, key=lambda n: int(n[len(prefix) + 1 :]))


def _bytes(archive: zipfile.ZipFile, parts: list[str], unit: int) -> Iterator[bytes]:
    """Whole samples of `unit` bytes."""
    rest = b""
    for part in parts:
        with archive.open(part) as file:
            while data := file.read(_CHUNK):
                data = rest + data
                whole = len(data) - len(data) % unit
                rest = data[whole:]
                if whole:
                    yield data[:whole]


def _logic(
    archive: zipfile.ZipFile, parts: list[str], unit: int, names: dict[int, str]
) -> tuple[dict[str, Channel], int]:
    """Edges of the bits of each sample; ticks are the samples' numbers."""
    found: dict[int, tuple[list[Ticks], list[Ticks]]] = {k: ([], []) for k in names}
    before: NDArray[np.uint64] | None = None
    at = 0
    for data in _bytes(archive, parts, unit):
        raw = np.frombuffer(data, np.uint8).reshape(-1, unit)
        padded = np.zeros((len(raw), 8), np.uint8)
        padded[:, :unit] = raw
        words = padded.view("<u8")[:, 0]
        joined = words if before is None else np.concatenate((before, words))
        first = at if before is None else at - 1
        # Few samples differ from the one before: all channels look at these only.
        moved = np.flatnonzero(joined[1:] != joined[:-1]) + 1
        ticks = moved.astype(np.int64) + first
        for k, (rising, falling) in found.items():
            bit = np.uint64(k)
            now = (joined[moved] >> bit & np.uint64(1)).astype(np.bool_)
            initial = bool(joined[0] >> bit & np.uint64(1))
            up, down = levels_to_edges(ticks, now, initial)
            rising.append(up)
            falling.append(down)
        before, at = words[-1:], at + len(words)
    channels = {}
    for k, name in names.items():
        up, down = (np.concatenate([NONE, *side]) for side in found[k])
        channels[name] = Channel(name, up, down)
    return channels, at


def _volts(
    archive: zipfile.ZipFile, files: dict[str, list[str]], rate: float, options: Options
) -> tuple[list[tuple[Channel, NDArray[np.float64], NDArray[np.float64]]], list[Trace]]:
    """Edges of analogue channels, float32 samples, each in files of its own."""
    sample_ps = 1e12 / rate

    def parts() -> Iterator[analog.Block]:
        streams = [_bytes(archive, names, 4) for names in files.values()]
        at = 0
        values: list[NDArray[np.float64]]
        for data in zip(*streams, strict=False):
            values = [np.frombuffer(d, "<f4").astype(np.float64) for d in data]
            n = min(map(len, values))
            table = np.stack([v[:n] for v in values], axis=1)
            time: NDArray[np.float64] = np.multiply(at + np.arange(n), sample_ps)
            yield time, np.nan_to_num(table)
            at += n

    size = max(16, round(analog.BLOCK_S * rate))
    return analog.edges(lambda: analog.in_blocks(parts(), size), list(files), options)
