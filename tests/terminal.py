"""A command in a real terminal (a pseudo-terminal), answered line by line."""

import os
import pty
import re
import select
import sys
import time

_START = "from sparkwitness.cli import main; main(prog_name='sparkwitness')"
# 149 is 128 and SIGTSTP: it has been stopped.
_JOBS = (
    '"$0" "$@"; code=$?; while [ $code -gt 145 ]; do echo stopped; fg; code=$?; done; exit $code'
)


class Terminal:
    """`sparkwitness` with arguments; what it said is in `said`, plain text."""

    def __init__(
        self, *arguments: object, columns: int = 80, jobs: bool = False, **environment: str
    ) -> None:
        """jobs: as a job of a shell, which brings it back to the foreground each time it stops."""
        self.child, self.end = pty.fork()
        if self.child == 0:
            os.environ.update(environment, COLUMNS=str(columns), TERM="xterm", NO_COLOR="1")
            os.environ.setdefault("LC_ALL", "C.UTF-8")
            typed = [str(a) for a in arguments]
            command = [sys.executable, "-c", _START, *typed]
            if jobs:
                command = ["/bin/sh", "-mc", _JOBS, *command]
            os.execv(command[0], command)
        self.raw = b""
        self.read_to = 0

    @property
    def said(self) -> str:
        text = self.raw.decode(errors="replace").replace("\r", "")
        return re.sub(r"\x1b\[[0-9;?]*[A-Za-z]", "", text)

    def _more(self, seconds: float) -> bool:
        ready, _, _ = select.select([self.end], [], [], seconds)
        if not ready:
            return True
        try:
            piece = os.read(self.end, 65536)
        except OSError:  # how Linux says that the other end has closed
            return False
        self.raw += piece
        return bool(piece)

    def expect(self, text: str, seconds: float = 90.0) -> str:
        """Wait until `text` is said after what was expected before; what stood before it."""
        until = time.monotonic() + seconds
        while True:
            said = self.said
            at = said.find(text, self.read_to)
            if at >= 0:
                before, self.read_to = said[self.read_to : at], at + len(text)
                return before
            open_ = time.monotonic() < until and self._more(0.2)
            assert open_ or text in self.said[self.read_to :], f"no {text!r} in: {said[-3000:]}"

    def send(self, text: str | bytes) -> None:
        os.write(self.end, text if isinstance(text, bytes) else text.encode() + b"\n")

    def close(self, seconds: float = 120.0) -> int:
        """Wait for the end; the exit code."""
        until = time.monotonic() + seconds
        while self._more(0.2):
            assert time.monotonic() < until, f"did not end: {self.said[-3000:]}"
        os.close(self.end)
        code = os.waitstatus_to_exitcode(os.waitpid(self.child, 0)[1])
        assert "Traceback" not in self.said, self.said[-3000:]
        return code
