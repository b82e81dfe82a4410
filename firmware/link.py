"""The byte line to the host: standard input and output, without waiting and without allocation.

USB serial on a board, whatever the process was started with on the unix port.
"""

import select
import sys
from time import ticks_diff, ticks_ms

import micropython
from micropython import const

# MicroPython waits 500 ms for USB to take bytes. From 1.27 on it then says how many were taken;
# before, it drops them without a word: so they go in packets, and one that took long was torn.
TELLS = (1, 27)
PIECE = 64
GIVEN_UP_MS = 400
BUFFERED = 512  # more than USB can hold: when so much has gone, the host reads again
DELIMITER = b"\0"
AT_ONCE = const(16)  # bytes in one look at the line
CTRL_C = const(3)
POLLOUT = select.POLLOUT


class Link:
    """Bytes in, frames out whole or not at all.

    `byte` holds the last one that came in.
    `cut` counts frames that were given up half way. `usb`: a write waits for the line, and an old
    MicroPython drops what the line has not taken after a while. A write that has waited in vain is
    the last one for now: until the host reads again (not `stuck`), bytes go one by one, where there
    is room, without waiting.
    """

    def __init__(self, usb=False):
        self._drops = usb and sys.implementation.version < TELLS
        self._in = sys.stdin.buffer
        self._out = sys.stdout.buffer
        self._readable = select.poll()
        self._readable.register(sys.stdin, select.POLLIN)
        self._writable = select.poll()
        self._writable.register(sys.stdout, select.POLLOUT)
        self.byte = bytearray(1)
        self._coming = self._readable.ipoll  # kept, as a bound method made in the loop is garbage
        self._read = self._in.readinto
        self._left = 0  # bytes of the frame that goes out
        self._torn = False
        self.stuck = False
        self.cut = 0

    @micropython.native
    def receive(self, into, at):
        """Put what has come into `into`, from index `at` on, as far as there is room.

        Ends after a delimiter, which is not put there, after a Ctrl-C, and after AT_ONCE bytes.
        Returns the index after the last one; -1 when nothing has come.
        """
        byte, coming, read = self.byte, self._coming, self._read
        room = len(into)
        left = AT_ONCE
        came = -1
        try:
            while left:
                for _ in coming(0):
                    break
                else:
                    break
                if not read(byte):
                    break
                left -= 1
                value = byte[0]
                if not value:
                    came = at
                    break
                if at < room:
                    into[at] = value
                    at += 1
                came = at
                if value == CTRL_C:
                    break
        except OSError:  # a terminal whose other end is closed
            pass
        return came

    @micropython.native
    def comes(self):
        """Whether bytes wait to be received."""
        for _ in self._coming(0):
            return True
        return False

    def wait(self, wait_ms):
        """Until a byte is there, wait_ms at most."""
        for _ in self._readable.ipoll(wait_ms):
            return

    @micropython.native
    def ready(self):
        """Whether a frame can be sent now: the last one is out and the host reads."""
        if self._left:
            self._push()
            if self._left:
                return False
        return self._room()

    @micropython.native
    def _room(self):
        for event in self._writable.ipoll(0):
            if event[1] & POLLOUT:
                return True
        return False

    @micropython.native
    def send(self, frame, at, size):
        """Send size bytes of frame (or frames) from index `at`; only when ready() was true.

        They must stay as they are until ready() is true again. Returns whether it is all out.
        """
        if self._torn:  # end what is left of the frame that was cut
            self._torn = False
            self._out.write(DELIMITER)
        self._frame = frame
        self._at = at
        self._left = size
        self._push()
        return not self._left

    @micropython.native
    def _push(self):
        try:
            if self.stuck:
                self._trickle()
            elif not self._drops:
                start = ticks_ms()
                # As `_took`, whose call costs a twentieth of a busy turn.
                done = self._out.write(self._frame, self._at, self._left)
                if done:
                    self._at += done
                    self._left -= done
                self.stuck = self._left > 0 and ticks_diff(ticks_ms(), start) > GIVEN_UP_MS
                self._flowed = 0  # bytes taken since the line was full
            while self._drops and self._left and self._put_packet():
                pass
        except OSError:
            self._tear()

    def _trickle(self):
        """Some bytes of what is left; each fits where the line takes anything at all."""
        count = PIECE
        while count and self._left:
            if not self._room():
                self._flowed = 0
                return
            self._took(self._out.write(self._frame, self._at, 1))
            self._flowed += 1
            count -= 1
        if self._flowed > BUFFERED:
            self.stuck = False

    def _put_packet(self):
        """Whether the line has taken something."""
        start = ticks_ms()
        done = self._out.write(self._frame, self._at, min(self._left, PIECE))
        if ticks_diff(ticks_ms(), start) > GIVEN_UP_MS:
            self._tear()
            return 0
        return self._took(done)

    def _took(self, done):
        if done:
            self._at += done
            self._left -= done
        return done

    def _tear(self):
        self._left = 0
        self._torn = True
        self.cut += 1
