"""The byte line to the host: standard input and output, without waiting and without allocation.

USB serial on a board, whatever the process was started with on the unix port.
"""

import select
import sys
from time import ticks_diff, ticks_ms

PIECE = 64  # one USB full-speed packet
GIVEN_UP_MS = 400  # MicroPython drops bytes when USB has not taken them for 500 ms
DELIMITER = b"\0"


class Link:
    """Bytes in one at a time, frames out whole or not at all.

    `cut` counts frames that were given up half way. `blocks`: a write waits for the line, and
    drops what the line has not taken after a while without saying so, as on USB.
    """

    def __init__(self, blocks=False):
        self._blocks = blocks
        self._in = sys.stdin.buffer
        self._out = sys.stdout.buffer
        self._readable = select.poll()
        self._readable.register(sys.stdin, select.POLLIN)
        self._writable = select.poll()
        self._writable.register(sys.stdout, select.POLLOUT)
        self._byte = bytearray(1)
        self._frame = bytearray()
        self._at = 0
        self._left = 0
        self._torn = False
        self.cut = 0

    def receive(self, wait_ms=0):
        """One byte from the host, or -1 when none is there after wait_ms."""
        for event in self._readable.ipoll(wait_ms):
            if event[1] & select.POLLIN:
                try:
                    if self._in.readinto(self._byte):
                        return self._byte[0]
                except OSError:  # a terminal whose other end is closed
                    pass
        return -1

    def wait(self, wait_ms):
        """Until a byte is there, wait_ms at most."""
        for _ in self._readable.ipoll(wait_ms):
            return

    def ready(self):
        """Whether a frame can be sent now: the last one is out and the host reads."""
        if self._left:
            self._push()
            if self._left:
                return False
        for event in self._writable.ipoll(0):
            if event[1] & select.POLLOUT:
                return True
        return False

    def send(self, frame, at, size):
        """Send size bytes of frame from index `at`; only when ready() was true.

        The frame must stay as it is until ready() is true again.
        """
        if self._torn:  # end what is left of the frame that was cut
            self._torn = False
            self._out.write(DELIMITER)
        self._frame = frame
        self._at = at
        self._left = size
        self._push()

    def _push(self):
        while self._left:
            start = ticks_ms()
            try:
                done = self._out.write(self._frame, self._at, min(self._left, PIECE))
            except OSError:
                self._tear()
                return
            if self._blocks and ticks_diff(ticks_ms(), start) > GIVEN_UP_MS:
                self._tear()
                return
            if not done:
                return
            self._at += done
            self._left -= done

    def _tear(self):
        self._left = 0
        self._torn = True
        self.cut += 1
