"""What a person sees while the board listens to one crank; for `check supply` and `findfault`."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager

from sparkwitness.faces.console import Console


@contextmanager
def listening(beside: Console) -> Iterator[Callable[[bool, float], None]]:
    """A line that says when to crank and how long still; gives what `live.listen` calls."""
    if not beside.is_terminal:
        yield lambda turning, left_s: None
        return
    with beside.status("listening") as line:

        def watch(turning: bool, left_s: float) -> None:
            doing = "turning" if turning else "CRANK NOW: waiting for it"
            line.update(f"{doing}, {left_s:.0f} s left")

        yield watch
