"""`sparkwitness live`: the measurement as it runs, on a page or in the terminal."""

import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from functools import partial
from pathlib import Path
from typing import Any

import click
from rich.live import Live
from rich.table import Table
from rich.text import Text

from sparkwitness.cli import ask, keeping, options, sources
from sparkwitness.cli import typed as typing
from sparkwitness.cli.keeping import Keeping, in_time
from sparkwitness.device import link
from sparkwitness.errors import UserError
from sparkwitness.faces import safety
from sparkwitness.faces.console import Console
from sparkwitness.faces.live import terminal
from sparkwitness.faces.live.capture import Capture, Keep
from sparkwitness.records.logbook import Logbook, default_path
from sparkwitness.timing.measure import Measurement
from sparkwitness.timing.setup import Setup

HTTP_PORT = 8467
_REFRESH_S = 0.25


@click.command()
@options.source
@typing.setup_options
@click.option("--record", type=click.Path(path_type=Path), help="Keep the bytes as received.")
@click.option(
    "--terminal",
    "in_terminal",
    is_flag=True,
    help="Show the numbers in this terminal, not on a web page.",
)
@click.option(
    "--lan", is_flag=True, help="Open the page to the local network, protected by a token."
)
@click.option(
    "--http-port",
    type=click.IntRange(0, 65535),
    default=HTTP_PORT,
    show_default=True,
    help="TCP port of the page; 0: any free one.",
)
@click.option("--browser", is_flag=True, help="Open the page here as well.")
@options.yes
@keeping.options
@keeping.like_option
def command(
    port: str | None,
    simulate: str | None,
    patience: float,
    record: Path | None,
    in_terminal: bool,
    lan: bool,
    http_port: int,
    browser: bool,
    yes: bool,
    keeping: Keeping,
    like: int | None,
    **typed: Any,
) -> None:
    """True timing, error, speed and sparks per event as they come, until Ctrl-C.

    The page is made for a phone on the fender: open it to the local network with --lan and scan
    the code. Without --lan only this machine can open it. Only the token in the address keeps
    others on the network out, and it is sent unencrypted: use --lan on a network you trust. The
    token stays for twelve hours after its last use, so that an open page finds the program again.

    Marked points and trials of a setting go into the logbook, each as a run of its own.
    """
    if simulate is not None and port is not None:
        raise UserError("give one of --port and --simulate")
    if in_terminal and (lan or browser):
        raise UserError("--terminal shows no page: leave out --lan and --browser")
    out = Console()
    asks = options.someone_answers() and simulate is None
    known = keeping.known(out, like)
    with sources.board(simulate, port, speed=1.0) as source:
        last = keeping.last(out) if asks else None
        setup = typing.setup_from(typed, known or source.setup, asks, last)
        safety.show(out, safety.RUNNING_ENGINE)
        if asks and not yes:
            ask.cautions_taken()
        keep = _keep(keeping, out, source.name)

        def make(publish: Callable[[dict[str, Any]], None]) -> Capture:
            where, entered = _where(source, port), _entered(source)
            return Capture(where, setup, publish, record, patience, entered, keep, source.name)

        capture = (
            _terminal(out, make)
            if in_terminal
            else _page(out, make, lan, http_port, browser, keeping.file or default_path())
        )
    _farewell(out, capture, record)


def _where(source: sources.Source, port: str | None) -> Callable[[], str]:
    """The port now: after unplugging, a board may come back under another name."""

    def where() -> str:
        if source.simulated is not None:
            return str(source.simulated.port)
        return port or link.choose_port()

    return where


def _entered(source: sources.Source) -> Callable[[float], None]:
    def entered(setting: float) -> None:
        # The engine is running, so its time must not be moved as `source.enter_setting` does.
        if source.simulated is not None:
            source.simulated.world.controller.setting = setting

    return entered


def _keep(keeping: Keeping, out: Console, source: str) -> Keep | None:
    """What keeps marks and trials in the logbook, from any thread; None if nothing is kept."""
    if keeping.book(out) is None:
        return None
    file = keeping.file or default_path()
    series: list[int] = []

    def keep(what: str, result: Measurement, setup: Setup, board: dict[str, Any]) -> None:
        in_time(partial(work, what, result, setup, board), file)

    def work(what: str, result: Measurement, setup: Setup, board: dict[str, Any]) -> None:
        with Logbook(file) as book:
            names = {"engine": keeping.engine, "module": keeping.module}
            run = book.keep_measurement(result, setup, source=source, board=board, **names)
            if what == "mark":
                book.note(run, "marked during a live run")
            elif setup.setting is not None and result.error is not None:
                first = series[0] if series else None
                u = (result.expanded or 0.0) / 2
                book.keep_trial(run, setup.setting, result.error, u, first)
                series.append(run)

    return keep


@contextmanager
def _running(capture: Capture) -> Iterator[None]:
    capture.start()
    try:
        with suppress(KeyboardInterrupt):
            yield
    finally:
        capture.close()


def _page(
    out: Console,
    make: Callable[[Callable[[dict[str, Any]], None]], Capture],
    lan: bool,
    http_port: int,
    browser: bool,
    beside: Path,
) -> Capture:
    try:
        import segno

        from sparkwitness.faces.live import server, stream
    except ImportError:
        raise UserError(
            "the page needs more packages: pip install 'sparkwitness[live]', or use --terminal"
        ) from None
    listener, address = server.listen(http_port, lan, beside.with_name("page.token"))
    with listener:
        broadcast = stream.Broadcast()
        capture = make(broadcast.publish)
        with _running(capture):
            out.print("\nThe page:", Text(address.url, "bold"))
            if lan:
                segno.make(address.url, micro=False).terminal(compact=True)
                out.print("Whoever has this address sees the numbers and can work the lamp.")
            out.print("Ctrl-C ends.\n")
            if browser:
                click.launch(address.url)
            pages = stream.Pages(broadcast, capture.ask)
            serving = server.server(address, pages, lambda: server.points_csv(capture.marks))
            serving.run(sockets=[listener])
    return capture


def _terminal(out: Console, make: Callable[[Callable[[dict[str, Any]], None]], Capture]) -> Capture:
    newest: list[dict[str, Any]] = []
    come = threading.Event()

    def keep(shown: dict[str, Any]) -> None:
        newest[:] = [shown]
        come.set()

    capture = make(keep)
    with _running(capture):
        come.wait(5)
        with Live(console=out, auto_refresh=False, screen=False) as screen:
            while True:
                if newest:
                    screen.update(terminal.render(newest[0]), refresh=True)
                time.sleep(_REFRESH_S)
    return capture


def _farewell(out: Console, capture: Capture, record: Path | None) -> None:
    """What is kept, and where."""
    if capture.marks:
        table = Table(title="Marked points", title_justify="left")
        names = ("number", "rpm", "timing", "error", "sparks", "commanded", "setting", "note")
        for name in names:
            table.add_column(name)
        for mark in capture.marks:
            table.add_row(*(str(mark[name]) for name in names))
        out.print(table)
    if capture.trouble:
        out.print(f"! {capture.trouble}", style="bold")
    if record is not None:
        out.print(f"The recording: {record}")
    elif capture.marks:
        out.print("No bytes were recorded; --record FILE keeps them.")
