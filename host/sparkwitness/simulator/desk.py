"""The meter's display and buttons at the desk, at the other end of firmware/desk.py's pipes."""

import os
import select
from types import TracebackType

WIDTH, HEIGHT = 128, 64
_PAGES, _COLUMNS = HEIGHT // 8, 132
# Commands with one more byte, of those that are sent (data sheet of the SSD1306).
_WITH_BYTE = {0x20, 0x81, 0x8D, 0xA8, 0xD3, 0xD5, 0xD9, 0xDA, 0xDB}


class Display:
    """What an SSD1306 in page addressing, or an SH1106, makes of what its bus carries."""

    def __init__(self) -> None:
        self.on = False
        self._dots = bytearray(_PAGES * _COLUMNS)
        self._page = self._column = 0
        self._first = 0  # leftmost column that was written to: 2 on an SH1106

    def take(self, data: bytes) -> None:
        """One transfer: control bytes, each followed by one command or by data to the end."""
        at = 0
        while at < len(data):
            control, at = data[at], at + 1
            if control == 0x40:
                for byte in data[at:]:
                    if self._column < _COLUMNS:
                        self._dots[self._page * _COLUMNS + self._column] = byte
                    self._column += 1
                return
            end = len(data) if control == 0 else at + 1
            while at < end:
                at += self._command(data[at])

    def _command(self, code: int) -> int:
        if code == 0xAE:
            self.on = False
        elif code == 0xAF:
            self.on = True
        elif code >> 4 == 0xB:
            self._page = code & 7
        elif code < 0x10:
            self._column = self._column & 0xF0 | code
        elif code < 0x20:
            self._column = self._column & 0x0F | (code & 0x0F) << 4
        return 2 if code in _WITH_BYTE else 1

    def lit(self, x: int, y: int) -> bool:
        """Whether a dot is seen to be on."""
        byte = self._dots[(y >> 3) * _COLUMNS + x]
        return self.on and bool(byte >> (y & 7) & 1)


class Desk:
    """Both pipes; use as a context manager, and give it to a SimulatedBoard.

    Args:
        folder: where the firmware keeps the meter's settings.
    Attributes:
        display: as it is, see `look`.
        fds: for the firmware's process; environment: its variables.
    """

    def __init__(self, folder: str) -> None:
        self.display = Display()
        self._reads, board_writes = os.pipe()
        board_reads, self._writes = os.pipe()
        self.fds = (board_writes, board_reads)
        self.environment = {
            "SPARKWITNESS_PANEL": f"{board_writes},{board_reads}",
            "SPARKWITNESS_SETTINGS": folder.rstrip("/") + "/",
        }
        self._rest = b""

    def __enter__(self) -> "Desk":
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        for number in (*self.fds, self._reads, self._writes):
            os.close(number)

    def press(self, down: int) -> None:
        """Which buttons are down from now on; bit 0: A, bit 1: B."""
        os.write(self._writes, bytes((down,)))

    def look(self, seconds: float) -> bool:
        """Take what the firmware sends within a time; whether anything came."""
        if not select.select([self._reads], [], [], seconds)[0]:
            return False
        data = self._rest + os.read(self._reads, 65536)
        at = 0
        while len(data) >= at + 2 and len(data) >= at + 2 + (
            size := int.from_bytes(data[at : at + 2], "little")
        ):
            self.display.take(data[at + 2 : at + 2 + size])
            at += 2 + size
        self._rest = data[at:]
        return True
