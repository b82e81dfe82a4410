"""`sparkwitness demo --meter`: the meter without a computer, in the terminal."""

import contextlib
import os
import select
import shutil
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import click

from sparkwitness.cli import sources
from sparkwitness.device import meter as settings
from sparkwitness.errors import UserError
from sparkwitness.faces import dots
from sparkwitness.faces.console import Console
from sparkwitness.timing.setup import Setup

if TYPE_CHECKING:
    from sparkwitness.simulator.board import SimulatedBoard
    from sparkwitness.simulator.desk import Desk

_PRESS_S = 0.08
_HOLD_S = 1.2
_HELP = "a, b: press button A, B    A, B: hold it    q: end"


def play(out: Console, name: str, seconds: float | None, new: bool) -> None:
    """Show what the firmware draws for a scenario's engine.

    Args:
        seconds: for how long; None: until the person ends it.
        new: no wheel has been set, as on a new board.

    Raises:
        UserError: no such scenario, or no MicroPython interpreter.
    """
    from sparkwitness.simulator import desk, scenario
    from sparkwitness.simulator.board import SimulatedBoard
    from sparkwitness.simulator.world import World

    loaded = scenario.load(name)
    if loaded.kind == "bench":
        raise UserError(f"{name} has no engine: `sparkwitness scenarios` lists those that have")
    values = settings.first()
    if not new:
        setup = Setup.from_dict(sources.typed_by_user(loaded.setup))
        values = settings.from_setup(setup, values)
    out.print(f"{loaded.title}: the meter's display, drawn by the board's own firmware")
    with tempfile.TemporaryDirectory() as folder:
        if not new:
            (Path(folder) / "meter.json").write_text(settings.text(values), encoding="utf-8")
        with (
            desk.Desk(folder) as panel,
            SimulatedBoard(World(loaded, 1), 1.0, "micropython", panel) as board,
        ):
            interactive = sys.stdin.isatty() and sys.stdout.isatty()
            if interactive:
                _live(panel, board, seconds)
            else:
                deadline = time.monotonic() + (8.0 if seconds is None else seconds)
                while time.monotonic() < deadline and board.running:
                    panel.look(0.05)
                click.echo(_picture(panel, 0))
            if not board.running:
                raise UserError(f"the firmware ended: {board.stderr.strip()[-200:]}")


def _picture(panel: "Desk", lines: int) -> str:
    """The display with a frame, in as many lines as there are at most (0: any number)."""
    draw = dots.blocks if not lines or lines >= 37 else dots.braille
    rows = draw(panel.display.lit, 128, 64)
    edge = "─" * len(rows[0])
    return "\n".join([f"┌{edge}┐", *(f"│{row}│" for row in rows), f"└{edge}┘"])


@contextlib.contextmanager
def _keys() -> Iterator[None]:
    """Keys come one by one, unseen."""
    import termios
    import tty

    number = sys.stdin.fileno()
    before = termios.tcgetattr(number)
    try:
        tty.setcbreak(number)
        yield
    finally:
        termios.tcsetattr(number, termios.TCSADRAIN, before)


def _live(panel: "Desk", board: "SimulatedBoard", seconds: float | None) -> None:
    """Draw in place, and press the buttons, until q or the end of the time."""
    end = None if seconds is None else time.monotonic() + seconds
    release, drawn = 0.0, ""
    with _keys():
        click.echo(_HELP)
        while board.running and (end is None or time.monotonic() < end):
            panel.look(0.05)
            now = time.monotonic()
            if release and now >= release:
                panel.press(0)
                release = 0.0
            if select.select([sys.stdin], [], [], 0)[0]:
                key = os.read(sys.stdin.fileno(), 1).decode(errors="replace")
                if key in ("q", "\x03", "\x04", ""):
                    break
                if key in "abAB":
                    panel.press(1 if key in "aA" else 2)
                    release = now + (_HOLD_S if key.isupper() else _PRESS_S)
            picture = _picture(panel, shutil.get_terminal_size().lines)
            if picture != drawn:
                up = f"\x1b[{drawn.count(chr(10)) + 1}A" if drawn else ""
                sys.stdout.write(f"{up}\r{picture}\n")
                sys.stdout.flush()
                drawn = picture
