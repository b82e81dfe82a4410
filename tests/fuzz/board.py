"""The firmware's command parser under the real MicroPython interpreter, against a model of it.

The board gets bytes; what it must answer to them follows from protocol/wire.json alone. Real are
app.py, frame.py, lease.py, limits.py and hw_unix.py; only pipes and terminal are replaced by
memory.
"""

import struct
import zlib
from dataclasses import dataclass, field
from random import Random

from cobs import cobs

from firmware_board import command, drive, lamp, run_script
from sparkwitness.decode import wire

from . import mutate

BATCH = 20_000  # inputs per process
OK, UNKNOWN, BAD_LENGTH, BAD_VALUE, NOT_NOW = (
    wire.ENUMS["result"][k] for k in ("ok", "unknown_command", "bad_length", "bad_value", "not_now")
)
HELLO, HEARTBEAT, ACK = wire.NUMBER["hello"], wire.NUMBER["heartbeat"], wire.NUMBER["ack"]

SCRIPT = """
import gc, sys
import app as module
module.ticks_ms = lambda: 0
import hw_unix, limits
from array import array
from ring import plain_rings

class Line:
    cut = stuck = 0
    def __init__(self):
        self.data = b""
        self.at = 0
        self.out = bytearray()
        self.byte = bytearray(1)
    def receive(self, into, at):
        if self.at == len(self.data):
            return -1
        self.byte[0] = self.data[self.at]
        self.at += 1
        if self.byte[0] and at < len(into):
            into[at] = self.byte[0]
            at += 1
        return at
    def comes(self):
        return self.at < len(self.data)
    def ready(self):
        return True
    def send(self, frame, at, size):
        self.out.extend(memoryview(frame)[at : at + size])
        return True

class Board(hw_unix.Hardware):
    def __init__(self):
        self.board = "fuzzed"
        self.uid = b"fuzzfuzz"
        self.tick_ps, self.clock_hz, self.dead_ns, self.min_pulse_ns = 24000, 125000000, 32, 32
        self.link = Line()
        self.rings = plain_rings(64)
        self.edge_rate = 120000
        self.driven = array("I", [0])
        self.told = array("I", [0, 0, 0])
        self.outputs = self.heard = self.leased = 0
        self._budget = limits.Budget()
        self._width_us = self._counted = self._then = 0
        self.notes = []
        self.meter = None
        self._supply = 65535
    def _tell(self, operation, payload=b""):
        pass

hw = Board()
line = hw.link
app = module.App(hw)
class Chance:  # two sessions in turn, so that the model knows which one it is
    @staticmethod
    def urandom(n):
        return b"\\x5a\\xa5" if app.session == 0xC3A5 else b"\\xa5\\xc3"
module.os = Chance
app.session = 0
read, write = sys.stdin.buffer.read, sys.stdout.buffer.write
grown, least = 0, 0
count = int.from_bytes(read(4), "little")
for k in range(count):
    line.data = read(int.from_bytes(read(2), "little"))
    line.at = 0
    line.out = bytearray()
    failed = 0
    try:
        while app.running and (line.at < len(line.data) or app._waiting):
            app._listen()
    except Exception as error:
        failed = 1
        sys.print_exception(error, sys.stderr)
    out = line.out
    write(len(out).to_bytes(4, "little"))
    write(out)
    write(bytes((failed, app.running, app.state, hw.outputs)))
    line.out = bytearray()
    app._stop()
    app._received = app._waiting = 0
    app.session = 0
    app._lease.clear()
    app.running = True
    hw.outputs = 0
    if k == 200 or k == count - 1:
        line.data = line.out = out = b""
        gc.collect()
        if k == 200:
            least = gc.mem_alloc()
        elif least:
            grown = gc.mem_alloc() - least
write(max(grown, 0).to_bytes(4, "little"))
"""


@dataclass
class Model:
    """What the board must do with bytes, from idle."""

    running: bool = True
    streaming: bool = False
    outputs: set[int] = field(default_factory=set)
    answers: list[tuple[int, int, set[int]]] = field(default_factory=list)
    hellos: int = 0
    beats: int = 0
    session: int = 0
    last: set[int | None] = field(default_factory=lambda: {None})  # seq that may have counted last
    lease: set[int | None] = field(default_factory=lambda: {None})  # seq that may have to be named
    _buffer: bytearray = field(default_factory=bytearray)

    def feed(self, data: bytes) -> None:
        """Take bytes until the program on the board is left."""
        for byte in data:
            if not self.running:
                return
            if byte == 3 and not self.streaming and self._buffer in (b"", b"\r"):
                self.running = False  # Ctrl-C at the start of a line, while idle
            elif byte:
                if len(self._buffer) < 256:
                    self._buffer.append(byte)
            else:
                piece = bytes(self._buffer)
                self._buffer.clear()
                if 13 <= len(piece) <= 255:
                    self._frame(piece)

    def _frame(self, piece: bytes) -> None:
        try:
            body = cobs.decode(piece)
        except cobs.DecodeError:
            return
        if len(body) < 12 or zlib.crc32(body[:-4]) != int.from_bytes(body[-4:], "little"):
            return
        body = body[:-4]
        name, seq = wire.NAME.get(body[0]), int.from_bytes(body[4:8], "little")
        if name not in wire.FROM_HOST:
            self.answers.append((body[0], seq, {UNKNOWN}))
            return
        results = self._results(name, body) if name != "alive" else {OK}
        if OK in results:
            self._obey(name, body, results)
        self.answers.append((body[0], seq, results))

    def _fields(self, name: str, body: bytes) -> dict[str, int]:
        values, at, spare = {}, 8, 0
        for one in wire.DEFINITION["messages"][name]["fields"]:
            kind, _, many = one["type"].partition("[")
            size = int(kind[1:]) // 8
            values[one["name"]] = int.from_bytes(body[at : at + size], "little")
            at += size * int(many.rstrip("]") or 1)
            spare = spare + size if "default" in one else 0  # may be left out at the end
        return {**values, "": at - spare}

    def _results(self, name: str, body: bytes) -> set[int]:
        values = self._fields(name, body)
        if len(body) < values[""]:
            return {BAD_LENGTH}
        if name == "configure" and self.streaming:
            return {NOT_NOW}
        if name in ("drive", "lamp"):
            off = not values["mode"] if name == "lamp" else (
                not values["rpm_from"] and not values["rpm_to"]
            )  # fmt: skip
            if off:
                return {OK}
            if not self.streaming:
                return {NOT_NOW}
            counts = self._counts(body, {True})
            if counts != {True}:
                return {NOT_NOW} | (self._judged(name, values) if True in counts else set())
        if name == "renew":
            counts = self._counts(body, {o != 0 for o in self.outputs})
            named = {lease == values["lease"] for lease in self.lease}
            return {
                OK if all_of else NOT_NOW for all_of in {c and n for c in counts for n in named}
            }
        return self._judged(name, values)

    def _counts(self, body: bytes, on: set[bool]) -> set[bool]:
        """Whether a drive, lamp or renew counts; two answers where the model cannot know."""
        session, seq = int.from_bytes(body[2:4], "little"), int.from_bytes(body[4:8], "little")
        if session not in (0, self.session):
            return {False}
        ahead = {last is None or 0 < (seq - last) % 2**32 < 2**31 for last in self.last}
        found = {a and o for a in ahead for o in on}
        if True in found:
            self.last = {seq} | (self.last if False in found else set())
        return found

    def _judged(self, name: str, values: dict[str, int]) -> set[int]:
        for one in wire.DEFINITION["messages"][name]["fields"]:
            low, high = one.get("range", (0, 1 << 32))
            if one.get("enum"):
                low, high = 0, max(wire.ENUMS[one["enum"]].values())
            if one["name"] != "reserved" and not low <= values[one["name"]] <= high:
                return {BAD_VALUE}
        if name == "drive" and (values["firings"] or values["teeth"]):
            return {OK, BAD_VALUE}  # more than the outputs can do, judged by limits.py
        return {OK}

    def _obey(self, name: str, body: bytes, results: set[int]) -> None:
        values = self._fields(name, body)
        if name == "identify":
            self.hellos += 1
        elif name in ("stop", "leave"):
            self.beats += self.streaming
            self.streaming = False
            self.outputs = {0}
            self.running = name != "leave"
        elif name == "start":
            self.hellos += 1
            self.beats += 1
            self.streaming = True
            self.outputs = {0}
            self.session = 0xA55A if self.session == 0xC3A5 else 0xC3A5
            self.last, self.lease = {None}, {None}
        elif name == "lamp":
            on = 4 if values["mode"] else 0
            now = {(o & 3) | on for o in self.outputs}
            self._granted(body, now, results)
        elif name == "drive":
            bits = 0
            if values["rpm_from"] or values["rpm_to"]:
                bits = (1 if values["firings"] else 0) | (2 if values["teeth"] else 0)
            now = {(o & 4) | bits for o in self.outputs}
            self._granted(body, now, results)

    def _granted(self, body: bytes, outputs: set[int], results: set[int]) -> None:
        """Outputs and lease after a drive or lamp command, which may have been refused."""
        seq = int.from_bytes(body[4:8], "little")
        sure = results == {OK}
        self.outputs = outputs if sure else outputs | self.outputs
        self.lease = {seq} if sure else {seq, *self.lease}

    def __post_init__(self) -> None:
        self.outputs = {0}


def seeds() -> list[bytes]:
    """Commands as a host sends them."""
    number = wire.NUMBER
    start = command(number["start"], seq=1)
    return [
        b"\0" + command(number["identify"]),
        command(number["configure"], b"\x0f\x01"),
        start + command(number["alive"], seq=2) + command(number["stop"], seq=3),
        start + command(number["drive"], drive()) + command(number["lamp"], lamp()),
        start + command(number["drive"], drive(teeth=60, missing=2)),
        start + command(number["drive"], drive(0, 0)) + command(number["lamp"], lamp(mode=0)),
        start + command(number["lamp"], lamp(mode=2, flash_us=200)),
        start + command(number["drive"], drive(), 5) + command(number["renew"], b"\5\0\0\0", 6),
        start + command(number["lamp"], lamp(), 5) + command(number["drive"], drive(), 5),
        command(number["leave"]) + command(number["identify"]),
        b"\r\x03", b"\x03",
    ]  # fmt: skip


def inputs(rng: Random, count: int) -> list[bytes]:
    """Good commands, damaged."""
    good = seeds()
    made = []
    for _ in range(count):
        data = rng.choice(good)
        if rng.random() < 0.3:
            data += rng.choice(good)
        made.append(mutate.frames(rng, data, 3)[:2000])
    return made


def check(pieces: list[bytes]) -> int:
    """Run inputs on the board; returns in how many a command was obeyed.

    Promised, and so by the model: a command is obeyed, or refused with the reason that
    protocol/wire.md gives, each in its turn and once; what is no good frame is passed over;
    streaming, outputs and the way to the prompt follow from the commands obeyed; no input makes an
    exception or leaves memory behind.

    Raises:
        AssertionError: an answer, a state or an output is not what the model says; an exception
            on the board; memory that grows.
    """
    fed = struct.pack("<I", len(pieces)) + b"".join(
        struct.pack("<H", len(piece)) + piece for piece in pieces
    )
    out = run_script(SCRIPT, stdin=fed)
    at = obeyed = 0
    for piece in pieces:
        size = int.from_bytes(out[at : at + 4], "little")
        sent = out[at + 4 : at + 4 + size]
        failed, running, state, outputs = out[at + 4 + size : at + 8 + size]
        at += 8 + size
        model = Model()
        model.feed(piece)
        messages = [wire.decode(frame) for frame in sent.split(b"\0") if frame]
        where = piece.hex()
        assert not failed, where
        assert (bool(running), bool(state)) == (model.running, model.streaming), where
        assert outputs in model.outputs, where
        answers = [m.fields for m in messages if m.name == "ack"]
        assert len(answers) == len(model.answers), where
        for got, (number, seq, results) in zip(answers, model.answers, strict=True):
            assert (got["command"], got["command_seq"]) == (number, seq), where
            assert got["result"] in results, where
        obeyed += any(got["result"] == OK for got in answers)
        assert sum(m.name == "hello" for m in messages) == model.hellos, where
        assert sum(m.name == "heartbeat" for m in messages) == model.beats, where
    assert len(out) == at + 4
    grown = int.from_bytes(out[at:], "little")
    assert grown < 4096, f"{grown} bytes more in use after {len(pieces)} inputs"
    return obeyed
