"""The innermost loops, twice: `plain` in numpy, `compiled` by numba (the extra `fast`).

Both have the same names and signatures and give the same results to the last bit: integers, and
floating-point operations that are each rounded by IEEE 754 in the same order (no fastmath, no
contraction to fused multiply-add). Which of the two runs is chosen here and nowhere else.

Loading numba takes a second, so it is done only for streams that are long, and never while a board
waits. The environment variable SPARKWITNESS_KERNELS forces one: numpy or numba.

    gather    bytes of whole frames to words, where all of them are as they should be
    spread    those words to 64-bit times of edges
    uneven    edges at which the pace changes much: gaps of a wheel, stray and missing edges
    misses    how far an edge of the crank misses the curve through its neighbours
    place     crank angle at given times
    firsts    which sparks begin an event
"""

import os
from typing import Any

from sparkwitness.decode.kernels import compiled, plain
from sparkwitness.errors import UserError

VARIABLE = "SPARKWITNESS_KERNELS"
_LONG = 24 << 20  # bytes, some 15 minutes of a 60-2 wheel at 6000 rpm
_PIECE = 1 << 17  # no board sends as much at once: it is a file


def chosen(total: int = 0, piece: int = 0) -> Any:
    """The kernels to be used now, as attributes of what is returned.

    Args:
        total: bytes of the stream so far.
        piece: bytes that came at once.

    Raises:
        UserError: what SPARKWITNESS_KERNELS forces is not there.
    """
    choice = os.environ.get(VARIABLE, "")
    if choice not in ("", "numpy", "numba"):
        raise UserError(f"{VARIABLE} must be numpy or numba, not {choice}")
    if choice == "numpy":
        return plain
    if choice == "numba" or (total >= _LONG and piece >= _PIECE):
        found = compiled.load()
        if found is None and choice:
            raise UserError(
                f"{VARIABLE} asks for numba, which is not installed: "
                "pip install 'sparkwitness[fast]'"
            )
        return found or plain
    return compiled.loaded[0] if compiled.loaded else plain
