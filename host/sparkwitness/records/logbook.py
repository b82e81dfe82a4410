"""The logbook: everything that the commands find, in one SQLite file that several may write.

What a command keeps is a run: a measurement, a curve, a bench test, a fault search or a check. All
kinds share one sequence of numbers, so `logbook show 12` needs no kind. Set-up and result are kept
as the command gave them (JSON), recordings by path and SHA-256, so that a number can be computed
again from its bytes and compared bit for bit.
"""

import hashlib
import json
import os
import sqlite3
import time
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import platformdirs

from sparkwitness import __version__
from sparkwitness.decode import wire
from sparkwitness.decode.recording import Recording, parts_to
from sparkwitness.errors import UserError
from sparkwitness.foreign import one_line, shown
from sparkwitness.records.database import Database
from sparkwitness.records.replay import replay as replay_tables
from sparkwitness.timing import gates, measure
from sparkwitness.timing.setup import Setup
from sparkwitness.timing.wording import angle

KINDS = {
    "measurement": "timing at one speed",
    "curve": "timing over several speeds",
    "bench": "bench test of a removed module",
    "faultfind": "search for a lost spark",
    "check": "electrical check",
}
_SETTLED_S = 3600.0


@dataclass(frozen=True)
class Run:
    """One row of the logbook with what belongs to it.

    Attributes:
        made: UTC, ISO 8601.
        source: "board", "replay", or "simulated: " and the scenario.
        setup, result: plain values as the command gave them; `result` keeps its exact text in
            `result_text`.
        recording, sha256: where the bytes were, and their hash; None without a recording.
        software, protocol: versions that computed the result.
        board: what the board's hello said, or None.
        notes: (made, text), oldest first.
    """

    id: int
    kind: str
    made: str
    source: str
    headline: str
    engine: str | None
    module: str | None
    recording: Path | None
    sha256: str | None
    setup: dict[str, Any] | None
    result: dict[str, Any]
    result_text: str
    software: str
    protocol: int
    board: dict[str, Any] | None
    notes: tuple[tuple[str, str], ...] = ()

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON."""
        return {
            "id": self.id, "kind": self.kind, "made": self.made, "source": self.source,
            "headline": self.headline, "engine": self.engine, "module": self.module,
            "recording": str(self.recording) if self.recording else None, "sha256": self.sha256,
            "software": self.software, "protocol": self.protocol, "board": self.board,
            "setup": self.setup, "result": self.result,
            "notes": [{"made": made, "text": text} for made, text in self.notes],
        }  # fmt: skip


@dataclass(frozen=True)
class KeptTrial:
    """A trial of the controller's setting; angles in crank degrees, `u_error` standard."""

    run: int
    made: str
    setting: float
    error: float
    u_error: float


def default_path() -> Path:
    """The logbook in the user's data folder."""
    return platformdirs.user_data_path("sparkwitness", appauthor=False) / "logbook.db"


class Logbook(Database):
    """An open logbook. Use as a context manager; every method is one transaction.

    Attributes:
        path: the file.
        set_aside: a sentence for the user if a damaged file was found and set aside, else "".
    """

    def keep(
        self,
        kind: str,
        headline: str,
        result: dict[str, Any],
        setup: dict[str, Any] | None = None,
        *,
        recording: Path | None = None,
        engine: str | None = None,
        module: str | None = None,
        source: str = "board",
        board: dict[str, Any] | None = None,
    ) -> int:
        """Keep what a command found.

        The same result of the same recording and set-up is kept once: its number is given again.

        Args:
            kind: a key of `KINDS`.
            headline: the finding in one line, numbers with their uncertainty.
            result, setup: plain values (JSON). `compare` can compare any kind whose result has
                "quantities": {name: {"value": x, "expanded": U, "unit": "ms"}}.
            recording: file with the bytes, or None.
            engine, module: names typed by the user, made on first use.
            source: "board", "replay", "by hand", or "simulated: " and the scenario.
            board: the board's hello; taken from the recording where None.

        Returns:
            The run's number.

        Raises:
            UserError: the file cannot be written; nothing of the run is kept then.
            ValueError: unknown kind.
        """
        if kind not in KINDS:
            raise ValueError(f"kind must be one of {', '.join(KINDS)}, not {kind}")
        if recording is not None and board is None:
            with suppress(UserError):  # an empty recording is no reason to lose the finding
                board = Recording(recording).header.get("board")
        hashed = hash_of(recording) if recording is not None else None
        text = canonical(result)
        setup_text = None if setup is None else canonical(setup)
        with self.writing() as db:
            file = None
            if recording is not None and hashed is not None:
                file = self._recording(db, recording, *hashed)
                again = db.execute(
                    "SELECT id FROM runs WHERE recording = ? AND kind = ? AND result = ? "
                    "AND setup IS ?",
                    (file, kind, text, setup_text),
                ).fetchone()
                if again:
                    return int(again[0])
            row = db.execute(
                "INSERT INTO runs (kind, made, source, headline, engine, module, recording, "
                "setup, result, software, protocol, board) VALUES (?,?,?,?,?,?,?,?,?,?,?,?)",
                (
                    kind, _now(), shown(source), shown(headline), _named(db, "engines", engine),
                    _named(db, "modules", module), file, setup_text, text, __version__,
                    wire.PROTOCOL, None if board is None else canonical(board),
                ),
            )  # fmt: skip
            return int(row.lastrowid or 0)

    def keep_measurement(self, result: measure.Measurement, setup: Setup, **more: Any) -> int:
        """Keep a measurement; `more` as for `keep`."""
        return self.keep("measurement", headline(result), result.to_dict(), setup.to_dict(), **more)

    def keep_trial(
        self, run: int, setting: float, error: float, u_error: float, series: int | None = None
    ) -> None:
        """Mark a kept measurement as a trial of the controller's setting.

        Args:
            run: its number.
            setting, error, u_error: as in `advice.Trial`.
            series: number of the first run of the series; None for the first itself.
        """
        with self.writing() as db:
            db.execute(
                "INSERT OR REPLACE INTO trials VALUES (?,?,?,?,?)",
                (run, series or run, setting, error, u_error),
            )

    def note(self, run: int, text: str) -> None:
        """Add a note to a run.

        Raises:
            UserError: no such run, or nothing written.
        """
        if not text.strip():
            raise UserError("the note is empty: write something after the run's number")
        with self.writing() as db:
            if not db.execute("SELECT 1 FROM runs WHERE id = ?", (run,)).fetchone():
                raise self._no_run(run)
            db.execute(
                "INSERT INTO notes (run, made, text) VALUES (?,?,?)",
                (run, _now(), shown(text.strip())),
            )

    def new_recording(self) -> Path:
        """A free file name beside the logbook for a recording that the user did not name.

        Raises:
            UserError: the folder cannot be made.
        """
        folder = self._folder
        try:
            folder.mkdir(exist_ok=True)
        except OSError as error:
            raise UserError(
                f"cannot make {folder}: {error.strerror}; choose another place with --record"
            ) from None
        stamp = datetime.now(UTC).strftime("%Y%m%dT%H%M%S.%fZ")
        return folder / f"{stamp}-{os.getpid()}.rec"

    @property
    def _folder(self) -> Path:
        return self.path.parent / "recordings"

    # Reading

    def recordings(self) -> list[tuple[Path, int, str | None]]:
        """Recordings beside the logbook that are an hour old or more.

        Returns:
            File, bytes, and when the newest run that was computed from it was kept; None if it is
            no run's.
        """
        made: dict[Path, str] = {}
        for run in self.runs():
            for part in parts_to(run.recording) if run.recording is not None else ():
                made[part] = max(run.made, made.get(part, ""))
        found = []
        for path in sorted(self._folder.glob("*.rec")):
            with suppress(OSError):  # another program may tidy up at the same time
                about = path.stat()
                if time.time() - about.st_mtime > _SETTLED_S:  # else a run may still write it
                    found.append((path, about.st_size, made.get(path.resolve())))
        return found

    def runs(
        self,
        kind: str | None = None,
        engine: str | None = None,
        module: str | None = None,
        newest: int | None = None,
    ) -> list[Run]:
        """Runs in order of their numbers, all or those that fit; at most the `newest` ones."""
        where, values = [], []
        for column, value in (("kind", kind), ("engines.name", engine), ("modules.name", module)):
            if value is not None:
                where.append(f"{column} = ?")
                values.append(value if column == "kind" else one_line(value))
        condition = f"WHERE {' AND '.join(where)}" if where else ""
        with self.said():
            rows = self.db.execute(
                f"{_SELECT} {condition} ORDER BY runs.id DESC LIMIT ?", (*values, newest or -1)
            ).fetchall()
            return [self._run(row) for row in reversed(rows)]

    def run(self, number: int) -> Run:
        """The run with this number.

        Raises:
            UserError: there is none.
        """
        with self.said():
            row = self.db.execute(f"{_SELECT} WHERE runs.id = ?", (number,)).fetchone()
            if row is not None:
                return self._run(row)
        raise self._no_run(number)

    def trials(self, run: int) -> list[KeptTrial]:
        """All trials of the series that a run belongs to, oldest first; empty if to none."""
        with self.said():
            rows = self.db.execute(
                "SELECT trials.run, runs.made, setting, error, u_error FROM trials "
                "JOIN runs ON runs.id = trials.run "
                "WHERE series = (SELECT series FROM trials WHERE run = ?) ORDER BY trials.run",
                (run,),
            ).fetchall()
        return [KeptTrial(*row) for row in rows]

    def recording_of(self, run: Run, moved_to: Path | None = None) -> Path:
        """A run's recording, after checking that it holds the same bytes as when it was kept.

        Args:
            moved_to: its new place where the user names one; the logbook remembers it.

        Raises:
            UserError: the run has none, or it is gone, unreadable or changed.
        """
        if run.recording is None or run.sha256 is None:
            raise UserError(f"run {run.id} was kept without a recording")
        path = moved_to or run.recording
        if not path.exists():
            raise UserError(
                f"the recording of run {run.id} is no longer at {path}: it was moved or deleted; "
                "name its new place with --recording FILE"
            )
        digest, size = hash_of(path)
        if digest != run.sha256:
            raise UserError(
                f"{path} is not what run {run.id} was computed from: its SHA-256 is "
                f"{digest[:12]}…, not {run.sha256[:12]}…; it was changed or is another recording"
            )
        if moved_to is not None and moved_to.resolve() != run.recording:
            with self.writing() as db:
                file = self._recording(db, moved_to, digest, size)
                db.execute("UPDATE runs SET recording = ? WHERE id = ?", (file, run.id))
        return path

    # Inside

    def _run(self, row: tuple[Any, ...]) -> Run:
        notes = self.db.execute(
            "SELECT made, text FROM notes WHERE run = ? ORDER BY id", (row[0],)
        ).fetchall()
        (number, kind, made, source, line, engine, module, path, digest, setup, result, software,
         protocol, board) = row  # fmt: skip
        try:
            typed, hello = (None if t is None else json.loads(t) for t in (setup, board))
            found = json.loads(result)
        except (ValueError, RecursionError):
            # One damaged row must not hide the others.
            typed, found, hello = None, {}, None
            line = f"damaged in the logbook; it was: {line}"
        return Run(
            number, kind, made, source, line, engine, module,
            None if path is None else Path(os.fsdecode(path)), digest,
            typed, found, result, software, protocol, hello, tuple(notes),
        )  # fmt: skip

    def _no_run(self, number: int) -> UserError:
        return UserError(
            f"there is no run {number} in {self.path}: `sparkwitness logbook` lists the runs"
        )

    def _recording(self, db: sqlite3.Connection, path: Path, digest: str, size: int) -> int:
        values = (_path(path.resolve()), digest, size)
        db.execute("INSERT OR IGNORE INTO recordings (path, sha256, size) VALUES (?,?,?)", values)
        row = db.execute(
            "SELECT id FROM recordings WHERE path = ? AND sha256 = ?", values[:2]
        ).fetchone()
        return int(row[0])


_SELECT = (
    "SELECT runs.id, kind, runs.made, source, headline, engines.name, modules.name, path, sha256, "
    "setup, result, software, protocol, board FROM runs "
    "LEFT JOIN engines ON engines.id = runs.engine "
    "LEFT JOIN modules ON modules.id = runs.module "
    "LEFT JOIN recordings ON recordings.id = runs.recording"
)


def canonical(values: dict[str, Any]) -> str:
    """JSON text in which equal values are equal texts: floats by their shortest exact digits."""
    text = json.dumps(values, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
    # Half a character, which JSON can hold and no file can: all in ASCII then.
    if _encodes(text):
        return text
    return json.dumps(values, sort_keys=True, separators=(",", ":"))


def _encodes(text: str) -> bool:
    try:
        text.encode()
    except UnicodeEncodeError:
        return False
    return True


def _path(path: Path) -> str | bytes:
    """As it is kept: a name that is no text is kept as the bytes that it is."""
    text = str(path)
    return text if _encodes(text) else os.fsencode(path)


def headline(result: measure.Measurement) -> str:
    """A measurement in one line."""
    if result.timing is None or result.expanded is None:
        return result.findings[0].text if result.findings else "nothing measured"
    text = f"{angle(result.timing)} ± {result.expanded:.2f}°"
    if result.rpm is not None:
        text += f" at {result.rpm:.0f} rpm"
    if result.error is not None:
        text += f", error {result.error:+.2f}°"
    unsure = [f.code for f in result.findings if f.level == gates.WARNING]
    return f"{text} ! {', '.join(unsure)}" if unsure else text


def replay(path: Path, setup: Setup) -> measure.Measurement:
    """Compute a measurement from a recording.

    Raises:
        UserError: the recording cannot be read.
    """
    return measure.evaluate(setup, replay_tables(Recording(path), setup))


def differences(old: Any, new: Any, name: str = "") -> list[str]:
    """Where two results differ, one line each, to the last bit; empty if they are the same."""
    if isinstance(old, dict) and isinstance(new, dict):
        found = []
        for key in dict.fromkeys((*old, *new)):
            inner = f"{name}.{key}" if name else str(key)
            found += differences(old.get(key), new.get(key), inner)
        return found
    if isinstance(old, list) and isinstance(new, list) and len(old) == len(new):
        return [
            line
            for k, (a, b) in enumerate(zip(old, new, strict=True))
            for line in differences(a, b, f"{name}[{k}]")
        ]
    return [] if json.dumps(old) == json.dumps(new) else [f"{name}: was {old!r}, is {new!r}"]


def flat(values: dict[str, Any], before: str = "") -> list[tuple[str, str]]:
    """Nested plain values as (name, text) lines for people.

    What is None or empty is left out, and so are matrices.
    """
    lines: list[tuple[str, str]] = []
    for key, value in values.items():
        name = f"{before}{key}".replace("_", " ")
        if isinstance(value, dict):
            lines += flat(value, f"{name}, ")
        elif not isinstance(value, list):
            lines.append((name, _word(value)))
        elif value and isinstance(value[0], dict):
            for k, one in enumerate(value, 1):
                lines += flat(one, f"{name} {k}, ")
        elif not value or not isinstance(value[0], list):
            lines.append((name, ", ".join(map(_word, value))))
    return [line for line in lines if line[1]]


def _word(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    return f"{value:.6g}" if isinstance(value, float) else str(value)


def _now() -> str:
    return datetime.now(UTC).isoformat(timespec="seconds")


def _named(db: sqlite3.Connection, table: str, name: str | None) -> int | None:
    """Row of an engine or module, made on first use."""
    if name is None or not name.strip():
        return None
    name = one_line(name)
    db.execute(f"INSERT OR IGNORE INTO {table} (name, made) VALUES (?,?)", (name, _now()))
    return int(db.execute(f"SELECT id FROM {table} WHERE name = ?", (name,)).fetchone()[0])


def hash_of(path: Path) -> tuple[str, int]:
    """SHA-256 and size of a file."""
    try:
        with open(path, "rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest(), os.fstat(file.fileno()).st_size
    except OSError as error:
        raise UserError(f"cannot read {path}: {error.strerror}") from None
