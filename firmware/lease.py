"""What keeps outputs on: a lease that drive and lamp grant, and only renew prolongs.

A frame may come again, late, or from another session; so a command of these three counts only when
its seq is ahead of the last one's, its session is this one (or 0: not said), and a renew names the
command by which outputs are on. Without allocation: a host renews four times a second.
"""

from array import array

import micropython

import wire


@micropython.viper
def _ahead(body, words) -> int:
    """Whether the seq of a body is ahead of words[0], by less than 2^31."""
    b = ptr8(body)
    ahead = (b[5] | (b[6] << 8) | (b[7] << 16) | (b[8] << 24)) - ptr32(words)[0]
    if (ahead >> 31) & 1:
        return 0
    return 1 if (ahead & 0xFFFF) or ((ahead >> 16) & 0xFFFF) else 0


@micropython.viper
def _equal(body, at: int, words) -> int:
    """Whether four bytes of a body are words[1]."""
    b = ptr8(body)
    w = ptr32(words)[1]
    low = (b[at] | (b[at + 1] << 8)) ^ (w & 0xFFFF)
    high = (b[at + 2] | (b[at + 3] << 8)) ^ ((w >> 16) & 0xFFFF)
    return 0 if low | high else 1


@micropython.viper
def _keep(body, words, k: int):
    b = ptr8(body)
    ptr32(words)[k] = b[5] | (b[6] << 8) | (b[7] << 16) | (b[8] << 24)


class Lease:
    """Bodies stand in the buffer from index 1 on, as frame.open_frame leaves them."""

    def __init__(self):
        self._words = array("I", [0, 0])  # seq of the last command; of the one in force
        self._any = self._granted = False

    def clear(self):
        """A new session: no command has come."""
        self._any = self._granted = False

    def stale(self, body, session):
        """Why a drive, lamp or renew does not count; None when it does."""
        named = body[1 + wire.HEADER_SESSION] | body[2 + wire.HEADER_SESSION] << 8
        if named and named != session:
            return "this command is of another session"
        if self._any and not _ahead(body, self._words):
            return "this command has come before"
        self._any = True
        _keep(body, self._words, 0)
        other = not self._granted or not _equal(body, 1 + wire.RENEW_LEASE, self._words)
        if body[1] == wire.RENEW and other:
            return "the lease is of another command than the last drive or lamp"
        return None

    def grant(self, body):
        """A drive or lamp command has been obeyed."""
        self._granted = True
        _keep(body, self._words, 1)
