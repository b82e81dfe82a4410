"""The options by which a command keeps what it finds in the logbook, and what they do."""

from collections.abc import Callable
from concurrent.futures import Future
from dataclasses import dataclass, field
from functools import partial, wraps
from pathlib import Path
from threading import Thread
from typing import Any, TypeVar

import click

from sparkwitness.cli.options import quiet
from sparkwitness.decode.recording import Recorder, Recording
from sparkwitness.errors import UserError
from sparkwitness.faces.console import Console
from sparkwitness.records import engines
from sparkwitness.records.logbook import Logbook, default_path
from sparkwitness.timing.advice import Trial

Command = Callable[..., Any]
T = TypeVar("T")
_LONGEST_S = 40.0  # other programs that write are waited for up to 30 s

logbook_option = click.option(
    "--logbook",
    "logbook_file",
    type=click.Path(path_type=Path, dir_okay=False),
    envvar="SPARKWITNESS_LOGBOOK",
    help="The logbook's file. Default: one in your data folder, or $SPARKWITNESS_LOGBOOK.",
)


def open_logbook(file: Path | None, beside: Console) -> Logbook:
    """The logbook that the user named, or the usual one; says if a damaged one was set aside.

    Raises:
        UserError: it cannot be used.
    """
    book = Logbook(file or default_path(), named=file is not None)
    if book.set_aside:
        beside.print(f"! {book.set_aside}", style="bold")
    return book


def in_time(work: Callable[[], T], file: Path) -> T:
    """What a piece of work with a disk gives, in bounded time: some never answer.

    Raises:
        UserError: it takes too long, or Ctrl-C says so; and what `work` raises.
    """
    done: Future[T] = Future()

    def run() -> None:
        try:
            done.set_result(work())
        except BaseException as error:
            done.set_exception(error)

    # A thread of the program's own, which does not wait for it at its end.
    Thread(target=run, name="keep", daemon=True).start()
    try:
        return done.result(_LONGEST_S)
    except TimeoutError:
        raise UserError(
            f"the disk of {file} does not answer; look at it, or use --no-log"
        ) from None
    except KeyboardInterrupt:
        raise UserError("stopped by hand while the disk was waited for") from None


@dataclass
class Keeping:
    """Keeps what a command finds. A logbook that cannot be written never costs the finding.

    Attributes:
        file: the logbook that the user named, or None for the usual one.
        engine, module: names typed, or None.
        off: nothing is to be kept.
        broken: the recording could not be made or stopped early, so nothing rests on it.
    """

    file: Path | None = None
    engine: str | None = None
    module: str | None = None
    off: bool = False
    broken: bool = False
    _named: bool = field(default=False, repr=False)
    _tried: bool = field(default=False, repr=False)
    _book: Logbook | None = field(default=None, repr=False)

    def book(self, beside: Console) -> Logbook | None:
        """The open logbook; None with --no-log or where the usual one cannot be used (said).

        Call it before the work begins, so that a wrong --logbook is said at once.

        Raises:
            UserError: the logbook that the user named cannot be used.
        """
        if not self._tried and not self.off:
            try:
                self._book = in_time(partial(open_logbook, self.file, beside), self._path)
            except UserError as error:
                if self.file is not None:
                    raise
                beside.print(f"! nothing will be kept: {error.message}")
        self._tried = True
        return self._book

    @property
    def _path(self) -> Path:
        return self.file or default_path()

    def known(self, beside: Console, like: int | None = None) -> dict[str, Any] | None:
        """What is known of the engine before anything is typed: of run `like`, else of --engine.

        Raises:
            UserError: there is no such run, or the engine's file cannot be used.
        """
        if like is not None:
            with open_logbook(self.file, beside) as book:
                return setup_of(book, like)
        if self.engine is None:
            return None
        if not self.engine.endswith(".toml") and not engines.has(self.engine):
            if engines.names():
                beside.print(
                    f"no engine called {self.engine!a} is saved: only the name is kept",
                    style="dim",
                )
            return None
        self.engine, setup = engines.load(self.engine)
        return setup.to_dict()

    def last(self, beside: Console) -> dict[str, Any] | None:
        """Set-up of the newest measurement on a real board, of this engine if one is named."""
        book = self.book(beside)
        if book is None:
            return None
        try:
            runs = book.runs(kind="measurement", engine=self.engine, newest=20)
        except UserError:
            return None
        mine = [run.setup for run in runs if run.source == "board" and run.setup is not None]
        return mine[-1] if mine else None

    def recording(self, typed: Path | None, beside: Console) -> Path | None:
        """Where to record: where the user said, else beside the logbook, so that the number can
        be computed again; None if neither.
        """
        book = self.book(beside)
        self.broken, self._named = False, typed is not None
        if typed is not None or book is None:
            return typed
        try:
            return book.new_recording()
        except UserError as error:
            beside.print(f"! no recording is kept: {error.message}")
            return None

    def recorder(
        self,
        beside: Console,
        path: Path | None,
        board: dict[str, Any],
        setup: dict[str, Any] | None,
        source: str,
    ) -> Recorder | None:
        """What records to the file that `recording` gave; a measurement nobody wanted recorded is
        not refused because that file cannot be made.

        Raises:
            UserError: the user named the file, and it cannot be written.
        """
        if path is None:
            return None
        try:
            return Recorder(path, board, setup, source)
        except UserError as error:
            if self._named:
                raise
            self.unrecorded(beside, error.message)
            return None

    def unrecorded(self, beside: Console, why: str) -> None:
        """Say that the recording goes no further; the run does."""
        self.broken = True
        beside.print(f"! {why}; the run goes on without a recording", style="bold")

    def keep(self, beside: Console, how: Callable[..., int], *args: Any, **more: Any) -> int | None:
        """Keep a finding; a failure is said, and nothing else lost.

        To be called when the finding is on the screen: a disk may not answer.

        Args:
            beside: console for what accompanies the result.
            how: method of the logbook, such as `Logbook.keep_measurement`, with its arguments.

        Returns:
            The run's number, or None if it is not kept.
        """
        if self.broken:
            more["recording"] = None
        return self._in_time(
            beside,
            lambda book: how(book, *args, engine=self.engine, module=self.module, **more),
        )

    def _in_time(self, beside: Console, work: Callable[[Logbook], T]) -> T | None:
        book = self.book(beside)
        if book is None:
            return None
        try:
            return in_time(partial(work, book), self._path)
        except UserError as error:
            beside.print(f"! not kept: {error.message}", style="bold")
            return None

    def keep_trial(
        self, beside: Console, run: int | None, trial: Trial, series: int | None
    ) -> int | None:
        """Mark a kept run as a trial of the setting; gives the number of its series."""
        if run is None:
            return series
        self._in_time(
            beside,
            lambda book: book.keep_trial(run, trial.setting, trial.error, trial.u_error, series),
        )
        return series or run


def setup_of(book: Logbook, number: int) -> dict[str, Any]:
    """Set-up of a run, to measure in the same way again.

    Raises:
        UserError: no such run, or one that had none.
    """
    run = book.run(number)
    if run.setup is None or "reference" not in run.setup:
        raise UserError(f"run {number} ({run.kind}) has no set-up of an engine to repeat")
    return dict(run.setup)


def kept(out: Console, run: int | None) -> None:
    """Tell a person under which number a finding is kept."""
    if run is not None and not quiet():
        out.print(f"kept as run {run} (`sparkwitness report {run}`)", style="dim")


like_option = click.option(
    "--like", type=int, metavar="RUN", help="Take the set-up of this run of the logbook."
)


def options(command: Command) -> Command:
    """Add --no-log, --logbook, --engine and --module; the command gets them as `keeping`."""

    @wraps(command)
    def with_keeping(
        *args: Any,
        no_log: bool,
        logbook_file: Path | None,
        engine: str | None,
        module: str | None,
        **others: Any,
    ) -> Any:
        keeping = Keeping(logbook_file, engine, module, no_log)
        return command(*args, keeping=keeping, **others)

    for option in (
        click.option("--no-log", is_flag=True, help="Keep nothing in the logbook."),
        logbook_option,
        click.option("--module", help="Name of the ignition module, for the logbook."),
        click.option(
            "--engine",
            help="A saved engine (see `sparkwitness engine`), or its name for the logbook.",
        ),
    ):
        with_keeping = option(with_keeping)
    return with_keeping


def recording_and_setup(
    source: str, logbook_file: Path | None, beside: Console
) -> tuple[Path, dict[str, Any] | None]:
    """The recording that a person means, a file or a run's number, and what was typed for it.

    Raises:
        UserError: no such file or run, or the run's recording is gone or changed.
    """
    if source.isdecimal() and not Path(source).exists():
        with open_logbook(logbook_file, beside) as book:
            run = book.run(int(source))
            return book.recording_of(run), run.setup
    path = Path(source)
    return path, Recording(path).setup
