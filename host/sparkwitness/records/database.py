"""The logbook's file: opened, migrated, set aside when damaged; writes are all or nothing."""

import os
import sqlite3
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from datetime import UTC, datetime
from pathlib import Path
from typing import Self

from sparkwitness.errors import UserError

_APPLICATION = 0x53504B57  # SQLite's application_id, so that no foreign database is written to
_BUSY_S = 30.0
_MAGIC = b"SQLite format 3\0"

# One script per version; a file's user_version tells how many it has had. Never edit a script
# that was released: add one.
MIGRATIONS = (
    """
    CREATE TABLE engines (
        id INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE, made TEXT NOT NULL
    );
    CREATE TABLE modules (
        id INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE, made TEXT NOT NULL
    );
    CREATE TABLE recordings (
        id INTEGER PRIMARY KEY, path TEXT NOT NULL, sha256 TEXT NOT NULL, size INTEGER NOT NULL,
        UNIQUE (path, sha256)
    );
    CREATE TABLE runs (
        id INTEGER PRIMARY KEY AUTOINCREMENT,
        kind TEXT NOT NULL,
        made TEXT NOT NULL,
        source TEXT NOT NULL,
        headline TEXT NOT NULL,
        engine INTEGER REFERENCES engines (id),
        module INTEGER REFERENCES modules (id),
        recording INTEGER REFERENCES recordings (id),
        setup TEXT,
        result TEXT NOT NULL,
        software TEXT NOT NULL,
        protocol INTEGER NOT NULL,
        board TEXT
    );
    CREATE TABLE trials (
        run INTEGER PRIMARY KEY REFERENCES runs (id),
        series INTEGER NOT NULL REFERENCES runs (id),
        setting REAL NOT NULL, error REAL NOT NULL, u_error REAL NOT NULL
    );
    """,
    """
    CREATE TABLE notes (
        id INTEGER PRIMARY KEY,
        run INTEGER NOT NULL REFERENCES runs (id),
        made TEXT NOT NULL,
        text TEXT NOT NULL
    );
    CREATE INDEX notes_by_run ON notes (run);
    CREATE INDEX trials_by_series ON trials (series);
    """,
    """
    CREATE TABLE cases (
        id INTEGER PRIMARY KEY AUTOINCREMENT, made TEXT NOT NULL, symptom TEXT NOT NULL,
        engine TEXT
    );
    CREATE TABLE case_steps (
        id INTEGER PRIMARY KEY, case_id INTEGER NOT NULL REFERENCES cases (id),
        made TEXT NOT NULL, step TEXT NOT NULL, outcome TEXT NOT NULL, text TEXT NOT NULL,
        run INTEGER REFERENCES runs (id)
    );
    CREATE INDEX case_steps_by_case ON case_steps (case_id);
    """,
)
VERSION = len(MIGRATIONS)


class Database:
    """An open file of the logbook's kind; a context manager.

    Attributes:
        path: the file.
        set_aside: a sentence for the user if a damaged file was found and set aside, else "".
        db: the connection.
    """

    def __init__(self, path: Path, *, named: bool = True) -> None:
        """Open, create or bring up to date.

        Args:
            path: the file; its folder is made.
            named: the user named this file, so something else found there is refused instead of
                being set aside.

        Raises:
            UserError: not writable, not a logbook, or made by a later version.
        """
        self.path = path
        self.set_aside = ""
        self._inode: int | None = None
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise UserError(
                f"cannot make the folder of the logbook {path}: {error.strerror}; "
                "choose another file with --logbook"
            ) from None
        with self.said():
            try:
                self.db = self._open(named)
            except sqlite3.OperationalError:
                raise
            except sqlite3.DatabaseError as error:
                self._put_aside(error)
                self.db = self._open(named)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Close the file; may be called twice."""
        self.db.close()

    # Keeping

    def _open(self, named: bool) -> sqlite3.Connection:
        if self.path.exists() and self.path.stat().st_size:
            with open(self.path, "rb") as file:
                self._inode = os.fstat(file.fileno()).st_ino
                if file.read(len(_MAGIC)) != _MAGIC:
                    if named:
                        raise UserError(
                            f"{self.path} is not a logbook, and it is left as it is: "
                            "choose another file with --logbook"
                        )
                    raise sqlite3.DatabaseError("it does not begin as a database")
        db = sqlite3.connect(
            self.path, timeout=_BUSY_S, isolation_level=None, check_same_thread=False
        )
        db.text_factory = lambda text: text.decode(errors="replace")
        try:
            self._prepare(db)
        except BaseException:
            db.close()
            raise
        return db

    def _prepare(self, db: sqlite3.Connection) -> None:
        # Tables and version come into being in one transaction, so that no logbook has only one;
        # they are read in one as well, since another program may be making them right now.
        db.execute("BEGIN")
        application, version, schema = (
            _pragma(db, name) for name in ("application_id", "user_version", "schema_version")
        )
        db.execute("COMMIT")
        if (version or schema) and application != _APPLICATION:
            raise UserError(
                f"{self.path} is a database of another program, and it is left as it is: "
                "choose another file with --logbook"
            )
        if version > VERSION:
            raise UserError(
                f"the logbook {self.path} has format {version}, this program knows up to "
                f"{VERSION}: install a newer sparkwitness, or choose another file with --logbook"
            )
        if version:
            try:
                found = db.execute("PRAGMA quick_check(1)").fetchone()[0]
            except UnicodeDecodeError:  # names in its findings are as damaged as the file
                found = "its tables are damaged"
            if found != "ok":
                raise sqlite3.DatabaseError(found)
        _write_ahead(db)
        db.execute("PRAGMA foreign_keys = ON")
        db.execute("PRAGMA synchronous = FULL")  # a row said to be kept survives a power cut
        if version < VERSION:
            self._migrate(db)

    def _migrate(self, db: sqlite3.Connection) -> None:
        db.execute("BEGIN IMMEDIATE")
        try:
            version = _pragma(db, "user_version")  # another program may have been quicker
            for script in MIGRATIONS[version:]:
                for statement in script.split(";"):
                    if statement.strip():
                        db.execute(statement)
            db.execute(f"PRAGMA application_id = {_APPLICATION}")
            db.execute(f"PRAGMA user_version = {VERSION}")
            db.execute("COMMIT")
        except BaseException:
            with suppress(sqlite3.Error):  # a full disk has ended it already
                db.execute("ROLLBACK")
            raise

    def _put_aside(self, error: Exception) -> None:
        """Give a damaged file, and what belongs to it, another name; never write over one."""
        stamp = datetime.now(UTC).strftime("%Y%m%dT%H%M%SZ")
        aside = self.path.with_name(f"{self.path.name}.damaged-{stamp}")
        count = 1
        while aside.exists():
            count += 1
            aside = self.path.with_name(f"{self.path.name}.damaged-{stamp}-{count}")
        try:
            if self.path.stat().st_ino != self._inode:
                return  # another program has set it aside and begun a new one just now
            self.path.rename(aside)
            for tail in ("-wal", "-shm"):
                with suppress(FileNotFoundError):
                    Path(f"{self.path}{tail}").rename(f"{aside}{tail}")
        except FileNotFoundError:
            return  # another program is doing so
        except OSError as problem:
            raise UserError(
                f"the logbook {self.path} is damaged and cannot be renamed: {problem.strerror}; "
                "move it away or choose another file with --logbook"
            ) from None
        self.set_aside = (
            f"the logbook was damaged ({error}); it is kept as {aside} and a new one was begun "
            f"(`sqlite3 {aside.name} .recover` may save its rows)"
        )

    @contextmanager
    def writing(self) -> Iterator[sqlite3.Connection]:
        """One transaction that waits for other programs and is all or nothing."""
        with self.said():
            self.db.execute("BEGIN IMMEDIATE")
            try:
                yield self.db
                self.db.execute("COMMIT")
            except BaseException:
                with suppress(sqlite3.Error):
                    self.db.execute("ROLLBACK")
                raise

    @contextmanager
    def said(self) -> Iterator[None]:
        try:
            yield
        except sqlite3.IntegrityError as error:
            raise UserError(f"the logbook {self.path} refuses that: {error}") from None
        except (sqlite3.Error, OSError, UnicodeDecodeError) as error:
            # SQLite's own words may quote damaged names, which are then no text.
            reason = getattr(error, "strerror", None) or (
                "it is damaged" if isinstance(error, UnicodeDecodeError) else error
            )
            raise UserError(
                f"cannot use the logbook {self.path}: {reason}; check the disk and its "
                "permissions, or choose another file with --logbook"
            ) from None


def _pragma(db: sqlite3.Connection, name: str) -> int:
    return int(db.execute(f"PRAGMA {name}").fetchone()[0])


def _write_ahead(db: sqlite3.Connection) -> None:
    """Switch to the write-ahead log; SQLite does not wait by itself where two do so at once."""
    deadline = time.monotonic() + _BUSY_S
    while True:
        try:
            db.execute("PRAGMA journal_mode = WAL")
            return
        except sqlite3.OperationalError as error:
            if "lock" not in str(error) or time.monotonic() > deadline:
                raise
            time.sleep(0.02)
