"""A recording's edges, events and supply voltage for other programs.

All of them stream through in pieces, however long the recording is. Every format holds the board's
counts themselves, so what is read back is equal to the tick.
"""

import csv
import heapq
import json
import os
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import dataclass, field, replace
from datetime import datetime
from importlib import import_module
from pathlib import Path
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from sparkwitness import __version__
from sparkwitness.decode import wire
from sparkwitness.decode.edges import Batch, EdgeDecoder, Loss
from sparkwitness.decode.recording import Recording
from sparkwitness.errors import UserError
from sparkwitness.timing import measure
from sparkwitness.timing.setup import Setup

Ticks = NDArray[np.int64]
Columns = dict[str, NDArray[Any]]
Progress = Callable[[int], None]

_WINDOW, _OVERLAP = 50_000, 100  # clamp edges and events, see `events`
_ROWS = 10_000  # of a table at a time where they become Python values
PASSES = 3  # through the bytes: sessions, events, edges
_PAUSE_S = 1.0  # between sessions where a format has a single time axis


@dataclass(frozen=True)
class Column:
    """A column: numpy type, unit ("" for none) and meaning."""

    kind: str
    unit: str
    about: str


_SESSION = Column("uint16", "", "the board's session; ticks count from its start")
TABLES: dict[str, dict[str, Column]] = {
    "edges": {
        "session": _SESSION,
        "input": Column("str", "", f"input: {', '.join(wire.INPUTS)}"),
        "tick": Column("int64", "tick", "time of the edge"),
        "lost_before": Column("bool", "", "edges of this input were lost just before this one"),
    },
    "events": {
        "session": _SESSION,
        "tick": Column("int64", "tick", "time of the first spark"),
        "timing": Column("float64", "deg", "crank angle of the first spark, BTDC positive"),
        "speed": Column("float64", "rev/min", "crank speed around the event; NaN: not known"),
        "sparks": Column("int64", "", "number of sparks; 0: the burst's end was not seen"),
        "last_tick": Column("int64", "tick", "time of the last spark"),
        "to_edge": Column("float64", "deg", "crank angle to the nearest reference edge"),
    },
    "supply": {
        "session": _SESSION,
        "tick": Column("int64", "tick", "time of the heartbeat"),
        "supply": Column("int64", "mV", "lowest supply voltage since the heartbeat before"),
    },
}


@dataclass
class Piece:
    """Edges of all inputs in order of time.

    Attributes:
        number: of the session in the recording, from 0.
        session: the board's number for it.
        tick: int64[n].
        which: int64[n], index into `wire.INPUTS`.
        lost_before: bool[n].
    """

    number: int
    session: int
    tick: Ticks
    which: Ticks
    lost_before: NDArray[np.bool_]


@dataclass
class Session:
    """One session of a recording.

    Attributes:
        id: the board's number for it.
        last: tick of the last edge or heartbeat.
        supply: tick int64[n] and lowest supply voltage in mV int64[n] of the heartbeats.
    """

    id: int
    last: int = 0
    supply: tuple[Ticks, Ticks] = (np.empty(0, np.int64), np.empty(0, np.int64))


def sessions(
    recording: Recording, progress: Progress = lambda _: None
) -> tuple[list[Session], Loss]:
    """The sessions of a recording in order, and what was lost of it.

    Args:
        recording: the bytes.
        progress: called with the number of bytes just read.

    Raises:
        UserError: there is not one good frame in it.
    """
    decoder = EdgeDecoder()
    found: list[Session] = []
    beats: list[list[tuple[int, int]]] = []
    for batch in _batches(recording, decoder, progress):
        if not found or batch.session != found[-1].id:
            found.append(Session(batch.session))
            beats.append([])
        times = [int(t[-1]) for t in batch.ticks if len(t)]
        for message in batch.messages:
            if message.name == "heartbeat":
                times.append(message.fields["time"])
                if message.fields["supply_mv"] != 65535:
                    beats[-1].append((message.fields["time"], message.fields["supply_mv"]))
        found[-1].last = max(found[-1].last, *times, 0)
    if not decoder.loss.frames_good:
        raise UserError(
            f"{recording.path} holds {decoder.loss.bytes_total} bytes but not one good frame: "
            "it is damaged, or what was recorded was no board"
        )
    for session, pairs in zip(found, beats, strict=True):
        table = np.array(pairs, np.int64).reshape(-1, 2)
        session.supply = table[:, 0], table[:, 1]
    return found, decoder.loss


def pieces(recording: Recording, progress: Progress = lambda _: None) -> Iterator[Piece]:
    """All edges in order of time, session after session, in bounded memory."""
    held: list[Piece] = []
    number, session = -1, -1
    for batch in _batches(recording, EdgeDecoder(), progress):
        if batch.session != session:
            if held:
                yield _merge(held)
            held = []
            number, session = number + 1, batch.session
        held.append(_piece(number, batch))
        # Later bytes may hold earlier edges, but none before `complete`.
        merged = _merge(held)
        ready = int(np.searchsorted(merged.tick, batch.complete))
        if ready:
            yield _cut(merged, slice(0, ready))
        rest = _cut(merged, slice(ready, None))
        held = [rest] if len(rest.tick) else []
    if held:
        yield _merge(held)


def _batches(recording: Recording, decoder: EdgeDecoder, progress: Progress) -> Iterator[Batch]:
    for chunk in recording.chunks():
        yield from decoder.feed(chunk)
        progress(len(chunk))
    decoder.finish()


def _piece(number: int, batch: Batch) -> Piece:
    lost = []
    for ticks, breaks in zip(batch.ticks, batch.breaks, strict=True):
        mark = np.zeros(len(ticks), np.bool_)
        mark[breaks] = True
        lost.append(mark)
    which = np.repeat(np.arange(len(batch.ticks)), [len(t) for t in batch.ticks])
    tick, mark = np.concatenate(batch.ticks), np.concatenate(lost)
    return Piece(number, batch.session, tick, which, mark)


def _cut(piece: Piece, part: slice) -> Piece:
    return replace(
        piece,
        tick=piece.tick[part],
        which=piece.which[part],
        lost_before=piece.lost_before[part],
    )


def _merge(held: list[Piece]) -> Piece:
    tick = np.concatenate([p.tick for p in held])
    which = np.concatenate([p.which for p in held])
    lost = np.concatenate([p.lost_before for p in held])
    order = np.lexsort((which, tick))
    return replace(held[0], tick=tick[order], which=which[order], lost_before=lost[order])


def events(
    recording: Recording, setup: Setup, progress: Progress = lambda _: None
) -> Iterator[tuple[int, Columns]]:
    """Events in order: (number of the session from 0, columns as in `TABLES["events"]`).

    A recording of up to `_WINDOW` clamp edges is judged as a whole, as `measure` does it; a longer
    one in stretches of that length that overlap.
    """
    which = wire.INPUTS.index(setup.clamp_input)
    number, session, told, new = -1, -1, -1, 0
    analyzer: measure.Analyzer | None = None
    for batch in _batches(recording, EdgeDecoder(), progress):
        if batch.session != session:
            if analyzer is not None:
                yield number, _told(measure.timed(setup, analyzer.finish()), session, told)
            analyzer = measure.Analyzer(setup, recording.tick_ps)
            number, session, told, new = number + 1, batch.session, -1, 0
        assert analyzer is not None
        analyzer.take(batch)
        new += len(batch.ticks[which])
        if new < _WINDOW:
            continue
        new = 0
        timed = measure.timed(setup, analyzer.tables())
        if isinstance(timed, measure.Finding):
            analyzer.forget(batch.complete)
        elif len(timed.events.tick) > 2 * _OVERLAP:
            ticks = timed.events.tick
            cut = int(ticks[-_OVERLAP])
            yield number, _told(timed, session, told, cut)
            told = cut - 1
            analyzer.forget(int(ticks[-2 * _OVERLAP]))
    if analyzer is not None:
        yield number, _told(measure.timed(setup, analyzer.finish()), session, told)


def _told(
    timed: measure.Timed | measure.Finding, session: int, after: int, before: int = 1 << 62
) -> Columns:
    """Columns of the events between two ticks, both excluded."""
    if isinstance(timed, measure.Finding):
        return {n: np.empty(0, c.kind) for n, c in TABLES["events"].items()}
    part = timed.pick((timed.events.tick > after) & (timed.events.tick < before))
    found = part.events
    return {
        "session": np.full(len(found.tick), session, np.uint16), "tick": found.tick,
        "timing": part.angles, "speed": part.speed, "sparks": found.sparks,
        "last_tick": found.last_tick, "to_edge": found.to_edge,
    }  # fmt: skip


def supply(session: Session) -> Columns:
    """A session's supply table: columns as in `TABLES["supply"]`."""
    tick, millivolts = session.supply
    return {
        "session": np.full(len(tick), session.id, np.uint16), "tick": tick, "supply": millivolts
    }  # fmt: skip


def _edge_columns(piece: Piece) -> Columns:
    names = np.array(wire.INPUTS)
    return {
        "session": np.full(len(piece.tick), piece.session, np.uint16),
        "input": names[piece.which], "tick": piece.tick, "lost_before": piece.lost_before,
    }  # fmt: skip


# Writers. Each writes files named *.part and gives them their names when all is well.


@dataclass
class Files:
    """Files that come into being together: written under another name, renamed at the end."""

    may_replace: bool
    paths: list[Path] = field(default_factory=list)

    def new(self, path: Path) -> Path:
        """Name to write under for a file to be called `path`.

        Raises:
            UserError: it is there and may not be replaced.
        """
        if path.exists() and not self.may_replace:
            raise UserError(f"{path} is there already; choose another name with --out, or --force")
        self.paths.append(path)
        return _part(path)

    def done(self) -> list[Path]:
        """Give all files their names."""
        for path in self.paths:
            os.replace(_part(path), path)
        return self.paths

    def drop(self) -> None:
        """Remove what was written."""
        for path in self.paths:
            with suppress(OSError):
                _part(path).unlink(missing_ok=True)


def _part(path: Path) -> Path:
    return path.with_name(path.name + ".part")


@dataclass
class About:
    """What a format gets beside the edges.

    Attributes:
        stem: path of the files without suffix.
        meta: plain values for a person.
        tables: the tables wanted.
        sessions: of the recording.
        small: events and supply in pieces, (number of the session, columns), in order of time;
            they can be gone through once.
    """

    stem: Path
    tick_ps: int
    meta: dict[str, str]
    tables: tuple[str, ...]
    sessions: list[Session]
    small: dict[str, Iterator[tuple[int, Columns]]]

    def path(self, table: str, suffix: str) -> Path:
        """File of one table."""
        return self.stem.with_name(f"{self.stem.name}-{table}{suffix}")


class Writer(Protocol):
    """A format: gets the edges piece by piece, the small tables from `About`."""

    def __init__(self, about: About, files: Files) -> None: ...

    def edges(self, piece: Piece) -> None:
        """The next edges."""
        ...

    def close(self) -> None:
        """Write what is left."""
        ...

    def abandon(self) -> None:
        """Let go of everything after a fault; may be called after close."""
        ...


class CsvWriter:
    """Comma-separated values, one file per table, with a description of the columns beside it.

    The description follows W3C's Metadata Vocabulary for Tabular Data (2015).
    """

    def __init__(self, about: About, files: Files) -> None:
        self._about = about
        self._open: dict[str, Any] = {}
        self._csv: dict[str, Any] = {}
        for table in about.tables:
            path = about.path(table, ".csv")
            file = open(files.new(path), "w", encoding="utf-8", newline="")  # noqa: SIM115
            self._open[table] = file
            self._csv[table] = csv.writer(file, lineterminator="\n")
            self._csv[table].writerow(TABLES[table])
            beside = files.new(path.with_name(f"{path.name}-metadata.json"))
            beside.write_text(json.dumps(self._metadata(table, path.name), indent=2))
        for table, parts in about.small.items():
            for _, columns in parts:
                self._rows(table, columns)

    def _metadata(self, table: str, name: str) -> dict[str, Any]:
        types = {"int64": "integer", "uint16": "integer", "float64": "double", "str": "string"}
        return {
            "@context": "http://www.w3.org/ns/csvw",
            "url": name,
            "dc:description": "; ".join(f"{k}: {v}" for k, v in self._about.meta.items()),
            "tableSchema": {
                "columns": [
                    {
                        "name": key, "datatype": types.get(c.kind, "boolean"),
                        "dc:description": c.about,
                        **({"schema:unitText": _unit(c, self._about.tick_ps)} if c.unit else {}),
                    }
                    for key, c in TABLES[table].items()
                ]
            },
        }  # fmt: skip

    def _rows(self, table: str, columns: Columns) -> None:
        for at in range(0, len(columns["tick"]), _ROWS):
            plain = [_plain(values[at : at + _ROWS]) for values in columns.values()]
            self._csv[table].writerows(zip(*plain, strict=True))

    def edges(self, piece: Piece) -> None:
        self._rows("edges", _edge_columns(piece))

    def close(self) -> None:
        for file in self._open.values():
            file.close()

    def abandon(self) -> None:
        with suppress(OSError):
            self.close()


class ParquetWriter:
    """Apache Parquet, one file per table, units and meanings in the fields' metadata."""

    def __init__(self, about: About, files: Files) -> None:
        self._arrow = needed("pyarrow", "parquet")
        parquet = needed("pyarrow.parquet", "parquet")
        self._schema = {t: self._schema_of(t, about) for t in about.tables}
        self._writers = {
            t: parquet.ParquetWriter(files.new(about.path(t, ".parquet")), schema)
            for t, schema in self._schema.items()
        }
        for table, parts in about.small.items():
            for _, columns in parts:
                self._rows(table, columns)

    def _schema_of(self, table: str, about: About) -> Any:
        pa = self._arrow
        kinds = {
            "str": pa.dictionary(pa.int8(), pa.string()), "bool": pa.bool_(), "int64": pa.int64(),
            "uint16": pa.uint16(), "float64": pa.float64(),
        }  # fmt: skip
        fields = [
            pa.field(
                name, kinds[c.kind], nullable=False,
                metadata={"unit": _unit(c, about.tick_ps), "description": c.about},
            )
            for name, c in TABLES[table].items()
        ]  # fmt: skip
        return pa.schema(fields, metadata=about.meta)

    def _rows(self, table: str, columns: Columns) -> None:
        schema = self._schema[table]
        arrays = [
            self._arrow.array(values, schema.field(name).type) for name, values in columns.items()
        ]
        self._writers[table].write_table(self._arrow.table(arrays, schema=schema))

    def edges(self, piece: Piece) -> None:
        columns = _edge_columns(piece)
        names = self._arrow.array(wire.INPUTS)
        which = self._arrow.array(piece.which.astype(np.int8))
        columns["input"] = self._arrow.DictionaryArray.from_arrays(which, names)
        schema = self._schema["edges"]
        table = self._arrow.table(list(columns.values()), schema=schema)
        self._writers["edges"].write_table(table)

    def close(self) -> None:
        for writer in self._writers.values():
            writer.close()

    def abandon(self) -> None:
        with suppress(Exception):
            self.close()


class VcdWriter:
    """Value change dump (IEEE 1364-2005, clause 18): an event variable per input.

    One time axis: where the recording has several sessions, each begins one second after the last
    sign of the one before.
    """

    def __init__(self, about: About, files: Files) -> None:
        vcd = needed("vcd", "vcd")
        self._about = about
        self._scale, unit = _timescale(about.tick_ps)
        self._open = open(  # noqa: SIM115
            files.new(about.stem.with_name(f"{about.stem.name}.vcd")), "w", encoding="utf-8"
        )
        comment = "; ".join(f"{k}: {v}" for k, v in about.meta.items())
        self._vcd = vcd.VCDWriter(
            self._open, timescale=unit, date=about.meta["recorded"], comment=comment,
            version=f"sparkwitness {__version__}", check_values=False,
        )  # fmt: skip
        register = self._vcd.register_var
        self._inputs = [register("sparkwitness", n, "event") for n in wire.INPUTS]
        self._losses = [register("sparkwitness", f"{n}_lost_before", "event") for n in wire.INPUTS]
        self._small = {
            name: register("sparkwitness", f"{name}_{unit_of}".rstrip("_"), kind, size=64)
            for table, name, unit_of, kind in (
                ("events", "timing", "deg_btdc", "real"), ("events", "speed", "rpm", "real"),
                ("events", "sparks", "", "integer"), ("supply", "supply", "mv", "integer"),
            )
            if table in about.small
        }  # fmt: skip
        self._session = register("sparkwitness", "session", "integer", size=64)
        self._shift = self._place_sessions()
        begins = ((at, self._session, about.sessions[k].id) for k, at in enumerate(self._shift))
        small = (self._changes_of(parts) for parts in about.small.values())
        self._changes = heapq.merge(begins, *small, key=lambda change: change[0])
        self._next = next(self._changes, None)

    def _place_sessions(self) -> list[int]:
        shifts, at = [], 0
        pause = round(_PAUSE_S * 1e12 / self._about.tick_ps)
        for session in self._about.sessions:
            shifts.append(at)
            at += session.last + pause
        return shifts

    def _changes_of(
        self, parts: Iterator[tuple[int, Columns]]
    ) -> Iterator[tuple[int, Any, float | int]]:
        """(tick on the axis, variable, value) of a small table, in order of time."""
        for number, columns in parts:
            names = [name for name in columns if name in self._small]
            for at in range(0, len(columns["tick"]), _ROWS):
                piece = slice(at, at + _ROWS)
                ticks = (columns["tick"][piece] + self._shift[number]).tolist()
                values = zip(*(columns[name][piece].tolist() for name in names), strict=True)
                for tick, row in zip(ticks, values, strict=True):
                    for name, value in zip(names, row, strict=True):
                        if value == value:  # NaN: not known, no change
                            yield tick, self._small[name], value

    def _until(self, tick: int) -> None:
        while self._next is not None and self._next[0] <= tick:
            at, var, value = self._next
            self._vcd.change(var, at * self._scale, value)
            self._next = next(self._changes, None)

    def edges(self, piece: Piece) -> None:
        shift = self._shift[piece.number]
        change, scale = self._vcd.change, self._scale
        rows = zip(piece.tick.tolist(), piece.which.tolist(), piece.lost_before.tolist(),
                   strict=True)  # fmt: skip
        for tick, which, lost in rows:
            tick += shift
            self._until(tick)
            if lost:
                change(self._losses[which], tick * scale, True)
            change(self._inputs[which], tick * scale, True)

    def close(self) -> None:
        self._until(1 << 62)
        self._vcd.close()
        self._open.close()

    def abandon(self) -> None:
        with suppress(Exception):
            self._open.close()


class Mdf4Writer:
    """ASAM MDF 4.10: a channel group per session and input, its own tick channel in each."""

    def __init__(self, about: About, files: Files) -> None:
        self._asammdf = needed("asammdf", "mdf4")
        self._about = about
        self._path = files.new(about.stem.with_name(f"{about.stem.name}.mf4"))
        self._mdf = self._asammdf.MDF(version="4.10")
        self._mdf.header.start_time = datetime.fromisoformat(about.meta["recorded"])
        self._mdf.header.comment = "; ".join(f"{k}: {v}" for k, v in about.meta.items())
        self._groups: dict[tuple[int, str], int] = {}
        for table, parts in about.small.items():
            for number, columns in parts:
                if len(columns["tick"]):
                    session = about.sessions[number].id
                    self._add((number, table), f"{table}, session {session}", table, columns)

    def _signal(self, name: str, column: Column, values: NDArray[Any], time: Any) -> Any:
        if values.dtype == np.bool_:
            values = values.astype(np.uint8)
        return self._asammdf.Signal(
            values, time, name=name, comment=column.about,
            unit=_unit(column, self._about.tick_ps),
        )  # fmt: skip

    def _add(self, key: tuple[int, str], title: str, table: str, columns: Columns) -> None:
        """Rows to a channel group, made when its first rows come."""
        time = columns["tick"] * (self._about.tick_ps * 1e-12)
        prefix = f"{key[1]}_" if table == "edges" else ""
        signals = [
            self._signal(prefix + name, TABLES[table][name], values, time)
            for name, values in columns.items()
            if name != "session"
        ]
        if key in self._groups:
            more = [(time, None), *((signal.samples, None) for signal in signals)]
            self._mdf.extend(self._groups[key], more)
        else:
            self._groups[key] = len(self._groups)
            self._mdf.append(signals, acq_name=title, comment=title, common_timebase=True)

    def edges(self, piece: Piece) -> None:
        for which in np.unique(piece.which).tolist():
            mine = piece.which == which
            columns = {"tick": piece.tick[mine], "lost_before": piece.lost_before[mine]}
            name = wire.INPUTS[which]
            self._add((piece.number, name), f"{name}, session {piece.session}", "edges", columns)

    def close(self) -> None:
        # asammdf gives the file the suffix it wants, so write beside and rename.
        with open(self._path, "wb+") as file:
            self._mdf.save(file, compression=2)
        self._mdf.close()

    def abandon(self) -> None:
        with suppress(Exception):
            self._mdf.close()


WRITERS: dict[str, type[Writer]] = {
    "csv": CsvWriter, "parquet": ParquetWriter, "vcd": VcdWriter, "mdf4": Mdf4Writer
}  # fmt: skip


def needed(module: str, extra: str) -> Any:
    """An optional library.

    Raises:
        UserError: it is not installed.
    """
    try:
        return import_module(module)
    except ImportError:
        raise UserError(
            f"{module.partition('.')[0]} is not installed: pip install 'sparkwitness[{extra}]'"
        ) from None


def export(
    recording: Recording,
    to: str,
    stem: Path,
    setup: Setup | None,
    wanted: tuple[str, ...] = tuple(TABLES),
    may_replace: bool = False,
    progress: Progress = lambda _: None,
) -> tuple[list[Path], Loss]:
    """Write a recording's tables in one format.

    Args:
        recording: the bytes.
        to: a key of `WRITERS`.
        stem: path of the files without suffix.
        setup: what was typed; without it there are no events.
        wanted: of `TABLES`.
        may_replace: files of these names may be replaced.
        progress: called with the number of bytes just read; every byte is read up to
            `PASSES` times.

    Returns:
        The files, and what was lost of the stream.

    Raises:
        UserError: a library is missing, a file is there or cannot be written.
    """
    wanted = tuple(t for t in wanted if t != "events" or setup is not None)
    found, loss = sessions(recording, progress)
    small: dict[str, Iterator[tuple[int, Columns]]] = {}
    if "events" in wanted and setup is not None:
        small["events"] = events(recording, setup, progress)
    if "supply" in wanted:
        small["supply"] = ((k, supply(session)) for k, session in enumerate(found))
    meta = {
        "source": str(recording.path.name),
        "recorded": str(recording.header.get("utc_start", "")),
        "tick": f"{recording.tick_ps} ps",
        "software": f"sparkwitness {__version__}",
        "loss": json.dumps(loss.to_dict()),
    }
    if setup is not None:
        meta["setup"] = json.dumps(setup.to_dict())
    files = Files(may_replace)
    writer: Writer | None = None
    try:
        about = About(stem, recording.tick_ps, meta, wanted, found, small)
        writer = WRITERS[to](about, files)
        for piece in pieces(recording, progress):
            if "edges" in wanted:
                writer.edges(piece)
        writer.close()
        return files.done(), loss
    except OSError as error:
        raise UserError(
            f"cannot write {stem}: {error.strerror or error}; the recording is as it was"
        ) from None
    finally:
        if writer is not None:
            writer.abandon()
        files.drop()


def _plain(values: NDArray[Any]) -> list[Any]:
    """Values as CSV on the Web spells them: true, false and NaN."""
    if values.dtype == np.bool_:
        values = np.where(values, "true", "false")
    plain: list[Any] = values.tolist()
    return [v if v == v else "NaN" for v in plain] if values.dtype == np.float64 else plain


def _unit(column: Column, tick_ps: int) -> str:
    return f"{tick_ps} ps" if column.unit == "tick" else column.unit


def _timescale(tick_ps: int) -> tuple[int, str]:
    """VCD allows 1, 10 and 100 of a unit: the largest that divides a tick, and ticks in it."""
    for power in range(11, -1, -1):
        if tick_ps % 10**power == 0:
            unit = ("ps", "ns", "us", "ms")[power // 3]
            return tick_ps // 10**power, f"{10 ** (power % 3)} {unit}"
    raise AssertionError("unreachable: every whole number is divisible by 1")
