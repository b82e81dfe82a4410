"""The consoles that all commands write to.

Nothing that is printed is read as markup, and nothing in it acts on the terminal.
"""

from collections.abc import Iterable

from rich.console import Console as _Console
from rich.console import ConsoleOptions, RenderableType
from rich.segment import Segment

from sparkwitness.foreign import shown


class Console(_Console):
    """A console of rich that shows text as it is: see `foreign.shown`."""

    def __init__(self, *, stderr: bool = False, quiet: bool = False) -> None:
        super().__init__(stderr=stderr, quiet=quiet, highlight=False, markup=False, emoji=False)

    def render(
        self, renderable: RenderableType, options: ConsoleOptions | None = None
    ) -> Iterable[Segment]:
        for part in super().render(renderable, options):
            yield part if part.control else Segment(shown(part.text), part.style)


def consoles(as_json: bool) -> tuple[Console, Console]:
    """Console for the result and for what accompanies it; the latter on stderr for a script."""
    out = Console()
    return out, Console(stderr=True) if as_json else out
