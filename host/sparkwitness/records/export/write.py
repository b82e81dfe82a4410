"""A recording's tables written in one format."""

import json
from collections.abc import Iterator
from dataclasses import dataclass, field
from importlib import import_module
from pathlib import Path

from sparkwitness import __version__
from sparkwitness.decode import wire
from sparkwitness.decode.edges import Loss
from sparkwitness.decode.recording import Recording
from sparkwitness.errors import not_written
from sparkwitness.records.export.base import About, Files, Writer
from sparkwitness.records.tables import TABLES, Columns, Progress, events, pieces, sessions, supply
from sparkwitness.timing.gates import Finding
from sparkwitness.timing.setup import Setup

WRITERS = {
    "csv": "CsvWriter", "parquet": "ParquetWriter", "vcd": "VcdWriter", "mdf4": "Mdf4Writer"
}  # fmt: skip
"""Format: class of its writer, in the module of that name."""

PASSES = 3  # through the bytes: sessions, events, edges


@dataclass
class Exported:
    """What an export gave.

    Attributes:
        files: written.
        loss: of the stream.
        refused: sessions, or stretches of one, without events, each with the reason.
    """

    files: list[Path]
    loss: Loss
    refused: list[tuple[int, Finding]] = field(default_factory=list)

    def note(self, session: int, why: Finding) -> None:
        """A stretch of a session had no events; said once for each reason."""
        if (session, why.code) not in ((s, f.code) for s, f in self.refused):
            self.refused.append((session, why))


def export(
    recording: Recording,
    to: str,
    stem: Path,
    setup: Setup | None,
    wanted: tuple[str, ...] = tuple(TABLES),
    may_replace: bool = False,
    progress: Progress = lambda _: None,
) -> Exported:
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

    Raises:
        UserError: a library is missing, a file is there or cannot be written.
    """
    wanted = tuple(t for t in wanted if t != "events" or setup is not None)
    found, loss = sessions(recording, progress)
    small: dict[str, Iterator[tuple[int, Columns]]] = {}
    told = Exported([], loss)
    if "events" in wanted and setup is not None:
        small["events"] = events(recording, setup, progress, told.note)
    if "supply" in wanted:
        small["supply"] = ((k, supply(session)) for k, session in enumerate(found))
    meta = {
        "file": str(recording.path.name),
        "source": recording.source,
        "recorded": str(recording.header.get("utc_start", "")),
        "tick": f"{recording.tick_ps} ps",
        "software": f"sparkwitness {__version__}",
        "loss": json.dumps(loss.to_dict()),
    }
    one_flank = [
        name
        for k, name in enumerate(wire.INPUTS)
        if all(session.levels[k] is None for session in found)
    ]
    if one_flank:
        meta["one flank"] = " ".join(one_flank)
    if setup is not None:
        meta["setup"] = json.dumps(setup.to_dict())
    files = Files(may_replace)
    writer: Writer | None = None
    try:
        about = About(stem, recording.tick_ps, meta, wanted, found, small)
        module = import_module(f"sparkwitness.records.export.{to}")
        writer = getattr(module, WRITERS[to])(about, files)
        assert writer is not None
        for piece in pieces(recording, progress):
            if "edges" in wanted:
                writer.edges(piece)
        writer.close()
        told.files = files.done()
        return told
    except OSError as error:
        raise not_written(stem, error) from None
    finally:
        if writer is not None:
            writer.abandon()
        files.drop()
