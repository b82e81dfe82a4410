"""Three ways to read the same hostile stream: numpy, construct, and the C package `cobs`.

tests/fuzz/reference.py decodes frame by frame with construct and the C package, in Python's
integers; the numpy path must give the same edges, breaks, messages and counts of damage.
"""

from random import Random

import numpy as np
import pytest

from fuzz import mutate, reference, targets
from sparkwitness.decode import wire
from streams import Stream, random_stream


def compare(data: bytes, seed: int = 0) -> reference.Decoder:
    """Both paths, the numpy one whole and in pieces."""
    expected = reference.Decoder(data)
    made = [(s.number, s.ticks, s.breaks, s.messages) for s in expected.sessions]
    rng = Random(seed)
    for pieces in (lambda: 1 << 30, lambda: rng.choice((1, 60, 500, 4000))):
        decoder, sessions = targets.decoded(data, pieces)
        assert decoder.loss == expected.loss
        assert sessions == made
    return expected


@pytest.mark.parametrize("seed", range(12))
def test_long_streams_with_much_damage(seed):
    rng = Random(seed)
    start = rng.choice((0, (1 << 32) - 40_000, 7 << 40))
    data = random_stream(np.random.default_rng(seed), 120, start)[0].data
    for _ in range(seed * 3):
        data = mutate.frames(rng, data) if rng.random() < 0.7 else mutate.raw(rng, data)
    loss = compare(data, seed).loss
    assert loss.frames_good > 5
    assert bool(seed) == loss.any() or loss.frames_before


def test_counts_and_times_at_their_ends():
    """Sequence numbers, edge numbers and counts around 2^31 and 2^32, times up to 2^62."""
    edge = [0, 1, (1 << 31) - 1, 1 << 31, (1 << 31) + 1, (1 << 32) - 1]
    rng = Random(3)
    for _ in range(150):
        made = Stream(session=1, seq=rng.choice(edge))
        made.heartbeat(rng.choice((0, 5, (1 << 32) - 2, (1 << 62) - 1)))
        for _ in range(6):
            made.seq = rng.choice((made.seq, made.seq + 1, rng.choice(edge))) & 0xFFFFFFFF
            made.first[0] = rng.choice((made.first[0], rng.choice(edge)))
            if rng.random() < 0.3:
                made.heartbeat(rng.choice((0, 1 << 31, 1 << 32, (1 << 62) - 1)))
            made.edges(0, np.sort(rng.sample(edge, rng.randint(1, 5))))
        compare(made.data, rng.randrange(100))


def test_noise_alone():
    rng = Random(4)
    for size in (1, 12, 13, 254, 255, 256, 257, 5000, 300_000):
        for zeros in (0.0, 0.004, 0.3):
            noise = np.frombuffer(rng.randbytes(size), np.uint8).copy()
            mask = np.random.default_rng(size).random(size) < zeros
            noise[mask] = 0
            loss = compare(noise.tobytes()).loss
            assert loss.frames_good == 0
            assert loss.bytes_damaged == int(np.count_nonzero(noise))


def test_every_length_of_frame_that_fits_or_does_not():
    """Bodies of 0 to 260 bytes with a CRC that fits: the longest allowed is wire.MAX_BODY."""
    import zlib

    from cobs import cobs

    for kind in (wire.NUMBER["log"], wire.NUMBER["edges"], 99):
        pieces = []
        for size in range(0, 260):
            body = bytes([kind, 0, 1, 0, size & 255, size >> 8, 0, 0])[:size].ljust(size, b"a")
            pieces.append(cobs.encode(body + zlib.crc32(body).to_bytes(4, "little")) + b"\0")
        loss = compare(b"".join(pieces)).loss
        if kind == 99:
            assert loss.frames_unknown == loss.frames_good == wire.MAX_BODY - 4 - 8 + 1
