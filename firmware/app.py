"""What the board does: obey commands, stream edges, beat, and switch off when the host is silent.

Everything here is the same on a board and on the unix port. The hardware module behind it is
described in hw_unix.py. Longer than other files: one loop, and all that happens in its turns.
"""

import gc
import os
from array import array
from time import ticks_diff, ticks_ms, ticks_us

import micropython
from micropython import const

import limits
import wire
from frame import (
    BODY,
    BUFFER_SIZE,
    FRAME,
    open_frame,
    outside,
    put16,
    put32,
    put_header,
    put_words,
    seal,
)
from lease import Lease
from link import CTRL_C
from ring import BEAT_DUE, BEATING, INPUTS, STALE

BEAT_MS = const(100)
BLOCK_AGE_MS = const(20)
BUSY_TURNS = const(4)  # of the loop from one look at the supply to the next while edges go out
PACKS = const(3)  # of frames in one turn, after the first
PATIENCE_MS = const(50)  # how long an answer may wait for the line
SPARE_US = const(4000)  # a turn that took longer leaves the meter out
SKIPPED = const(32)  # turns, a quarter of a second
SLICE_MS = const(4)  # how long one turn may take commands, while edges wait in the rings
PIECE_MS = const(100)  # a piece of a frame that is older is no part of the next one
DESERTED_MS = const(3000)  # a streaming board is taken over by other tools only then
NOTES = const(8)  # so many may wait for a host that does not read
RETURN = const(13)

# As frame.outside() takes them, of a command that stands from index 1 on.
LIMITS = {}
for _number in wire.LIMITS:
    LIMITS[_number] = _words = array("I")
    for _check in wire.LIMITS[_number][1]:
        _words.extend(array("I", (1 + _check[1], _check[2], _check[3], _check[4])))
STILL = array("I", (1 + wire.DRIVE_RPM_FROM, 4, 0, 0, 1 + wire.DRIVE_RPM_TO, 4, 0, 0))


class App:
    """The loop between hardware and host."""

    def __init__(self, hw):
        self.hw = hw
        self.link = hw.link
        self.rings = hw.rings
        self.state = wire.STATE_IDLE
        self.running = True
        self.enabled = 15
        self.falling = self.both = 0
        self.session = 0
        self.unsent = 0
        self._frame = bytearray(BUFFER_SIZE)
        self._command = bytearray(256)
        self._received = self._waiting = 0  # bytes of a frame, size of a command that is whole
        self._byte_ms = self._none_ms = ticks_ms()
        self._sliced = self._full = self._first = False
        self._lease = Lease()
        self._said = array("I", [0, 0, 0])  # of hw.told
        self._met = False  # whether a host has spoken since boot
        self._alone = False  # capturing for the meter, without a host
        self._skipped = 0  # turns without the meter
        ticks_per_ms = 1000000 // hw.tick_ps * 1000
        self.rings.pace(BLOCK_AGE_MS * ticks_per_ms, BEAT_MS * ticks_per_ms)
        self._busy_turns = 0
        self._busy_us = self._worst_us = 0  # of a session, which sets them
        self._since_us = ticks_us()
        self._new_session()

    # The loop

    def run(self):
        """Work until the host says leave. Outputs are off whenever this is left."""
        try:
            self.hw.enter()
            self._clear_line()
            self._hello()
            while self.running:
                try:
                    gc.collect()
                    while self.running:
                        self.turn()
                except Exception as error:
                    self._recover(error)
        finally:
            self.hw.outputs_off()
            self.hw.stop()
            self.hw.leave()

    @micropython.native
    def turn(self):
        """One turn of the loop: time and edges from the hardware, commands, frames."""
        start = ticks_us()
        streaming = self.state == wire.STATE_STREAMING
        meter = self.hw.meter
        if meter and not streaming and (meter.stale or not self._alone):
            # What a host has set of the inputs ends with its session.
            self._rest()
            self.hw.configure(meter.enabled, meter.falling, 0)
            self._capture(meter.enabled, meter.falling, 0)
            self._alone = True
        fed_us = self.hw.poll(streaming or self._alone)
        # What the host says goes before the edges, in every other turn.
        self._first = streaming and not self._first and self.link.comes()
        worked = self._first or (streaming and self._stream())
        self._busy_turns += 1
        heard = self._listen()
        if not worked or self._busy_turns >= BUSY_TURNS:
            self._busy_turns = 0
            self._watch()
            self.hw.sample()
        worked = worked or heard
        if meter:
            # With edges in plenty the stream comes first; the meter says by itself what it missed.
            self._skipped += 1
            spare = ticks_diff(ticks_us(), start) < SPARE_US
            if not streaming or spare or self._skipped >= SKIPPED:
                self._skipped = 0
                meter.turn(streaming)
        if streaming:
            took = ticks_diff(ticks_us(), start)
            if took > self._worst_us:
                self._worst_us = took
            self._busy_us += took if worked else fed_us

    def _recover(self, error):
        """After any fault: outputs off, tell the host, stay reachable."""
        self.hw.outputs_off()
        self.hw.told[2] |= wire.CUT_FAULT
        self.hw.stop()
        self.state = wire.STATE_IDLE
        self._alone = False
        self._received = self._waiting = 0
        text = "the board stopped after a fault of its own: "
        self.log(wire.LEVEL_ERROR, text + type(error).__name__ + " " + str(error))
        self._driving()  # no heartbeat goes before it: there will be none

    def _watch(self):
        """Outputs off when the lease is over; what else the hardware has to say."""
        if self.hw.outputs and ticks_diff(ticks_ms(), self.hw.leased) > limits.LEASE_MS:
            self.hw.outputs_off()
            self.hw.told[2] |= wire.CUT_LEASE
            self.hw.notes.append((wire.LEVEL_WARNING, limits.SILENT))
        # A host that does not read is told when it reads again.
        if self.hw.notes and self._met and self.link.ready():
            level, text = self.hw.notes.pop(0)
            self.log(level, text)
        while len(self.hw.notes) > NOTES:
            self.hw.notes.pop()

    # Frames to the host

    def _new_session(self):
        was = self.session
        while self.session in (0, was):
            self.session = int.from_bytes(os.urandom(2), "little")
        self.rings.seq[0] = 0

    def _await_line(self):
        """Whether the line takes a frame, waiting a little for it; counts the frame if not."""
        start = ticks_ms()
        while not self.link.ready():
            if self.link.stuck or ticks_diff(ticks_ms(), start) > PATIENCE_MS:
                self.unsent += 1
                return False
            self.hw.rest()
        return True

    def _clear_line(self):
        """One delimiter, so that what lay in the line before is a frame of its own."""
        if self._await_line():
            self.link.send(self._frame, 0, 1)  # nothing is ever put before FRAME

    def _begin(self, number):
        put_header(self._frame, number, self.session, self.rings.seq)

    def _send(self, size):
        self.link.send(self._frame, FRAME, seal(self._frame, size))

    def _text(self, at, text):
        """Put text at body offset `at`, as much as fits. Returns the size of the body."""
        data = text.encode() if isinstance(text, str) else text
        size = min(len(data), wire.MAX_BODY - wire.TRAILER_SIZE - at)
        self._frame[BODY + at : BODY + at + size] = data[:size]
        return at + size

    def _hello(self):
        if not self._await_line():
            return
        hw, frame = self.hw, self._frame
        self._begin(wire.HELLO)
        put16(frame, wire.HELLO_PROTOCOL, wire.PROTOCOL)
        at = BODY + wire.HELLO_FIRMWARE
        frame[at : at + 3] = wire.VERSION
        frame[BODY + wire.HELLO_STATE] = self.state
        put32(frame, wire.HELLO_TICK_PS, hw.tick_ps)
        put32(frame, wire.HELLO_CLOCK_HZ, hw.clock_hz)
        frame[BODY + wire.HELLO_ENABLED] = self.enabled
        frame[BODY + wire.HELLO_FALLING] = self.falling
        put16(frame, wire.HELLO_DEAD_NS, hw.dead_ns)
        put16(frame, wire.HELLO_MIN_PULSE_NS, hw.min_pulse_ns)
        put16(frame, wire.HELLO_RING_EDGES, self.rings.size)
        frame[BODY + wire.HELLO_BOTH] = self.both
        put32(frame, wire.HELLO_EDGE_RATE, hw.edge_rate)
        put16(frame, wire.HELLO_LEASE_MS, limits.LEASE_MS)
        put16(frame, wire.HELLO_BENCH_RATE, limits.BENCH_RATE)
        put16(frame, wire.HELLO_CRANK_RATE, limits.CRANK_RATE)
        for k in range(2):
            put16(frame, wire.HELLO_ACTIVE_US + 2 * k, limits.ACTIVE_US[k])
            put16(frame, wire.HELLO_DUTY_PERMILLE + 2 * k, limits.DUTY_PERMILLE[k])
            put16(frame, wire.HELLO_SECOND_MS + 2 * k, limits.SECOND_MS[k])
            put16(frame, wire.HELLO_MINUTE_MS + 2 * k, limits.MINUTE_MS[k])
            put16(frame, wire.HELLO_MEAN_PERMILLE + 2 * k, limits.MEAN_PERMILLE[k])
        put16(frame, wire.HELLO_FLASH_US, limits.FLASH_US)
        put16(frame, wire.HELLO_FLASH_PERMILLE, limits.FLASH_PERMILLE)
        by_chip = self.rings.stuff is not None
        frame[BODY + wire.HELLO_CHECKSUM] = wire.CHECKSUM_CHIP if by_chip else wire.CHECKSUM_PROGRAM
        at = BODY + wire.HELLO_UID
        frame[at : at + 8] = hw.uid
        self._send(self._text(wire.HELLO_BOARD, hw.board))

    def log(self, level, text):
        """A sentence for the user."""
        if self._await_line():
            self._begin(wire.LOG)
            self._frame[BODY + wire.LOG_LEVEL] = level
            self._send(self._text(wire.LOG_TEXT, text))

    @micropython.native
    def _ack(self, result, text=b""):
        if not self._await_line():
            return
        command, frame = self._command, self._frame
        self._begin(wire.ACK)
        frame[BODY + wire.ACK_COMMAND] = command[1]
        frame[BODY + wire.ACK_RESULT] = result
        put16(frame, wire.ACK_RESERVED, 0)
        for k in range(4):
            frame[BODY + wire.ACK_COMMAND_SEQ + k] = command[1 + wire.HEADER_SEQ + k]
        if text:
            self._send(self._text(wire.ACK_TEXT, text))
        else:
            self._send(wire.ACK_SIZE)

    # Streaming

    @micropython.native
    def _stream(self):
        """Send what is due. Returns whether anything was done."""
        rings = self.rings
        due = rings.survey()
        if not due:
            return False
        if not self.link.ready():
            if due & STALE:  # the host has not read for long: what waits would be ambiguous
                rings.discard()
                rings.mark()
            return False
        if due & BEAT_DUE:
            rings.mark()
            due = BEATING
        # A command is not kept waiting: with slow flash four packs take 8 ms.
        packs = most = 0 if self._waiting else PACKS
        size = rings.pack()
        while size and self.link.send(rings.out, FRAME, size) and packs and not self.link.comes():
            packs -= 1
            size = rings.pack()
        self._full = packs < most - 1
        if due & BEATING and rings.drained() and self.link.ready():
            self._heartbeat()
            self._driving()
        return True

    @micropython.native
    def _heartbeat(self):
        hw, frame = self.hw, self._frame
        now = ticks_us()
        span_ms = ticks_diff(now, self._since_us) // 1000
        busy = self._busy_us // span_ms if span_ms > 0 else 0
        self._begin(wire.HEARTBEAT)
        put_words(frame, wire.HEARTBEAT_TIME, self.rings.beat, 2)
        put_words(frame, wire.HEARTBEAT_TOTAL, self.rings.taken, INPUTS)
        put_words(frame, wire.HEARTBEAT_LOST, self.rings.lost, INPUTS)
        put_words(frame, wire.HEARTBEAT_STALLS, self.rings.stalls, INPUTS)
        put_words(frame, wire.HEARTBEAT_DRIVEN, hw.driven, 1)
        put32(frame, wire.HEARTBEAT_WORST_US, self._worst_us)
        put16(frame, wire.HEARTBEAT_BUSY_PERMILLE, min(busy, 1000))
        put16(frame, wire.HEARTBEAT_UNSENT, min(self.unsent + self.link.cut, 65535))
        put16(frame, wire.HEARTBEAT_SUPPLY_MV, hw.supply_mv())
        frame[BODY + wire.HEARTBEAT_STATE] = self.state
        frame[BODY + wire.HEARTBEAT_OUTPUTS] = hw.outputs
        self._send(wire.HEARTBEAT_SIZE)
        self.rings.beaten()
        self._worst_us = 0
        self._busy_us = 0
        self._since_us = now

    def _driving(self):
        """What has gone wrong with the outputs, when it is news."""
        told, said, frame = self.hw.told, self._said, self._frame
        if told[0] == said[0] and told[1] == said[1] and told[2] == said[2]:
            return
        if not self.link.ready():
            return
        for k in range(3):
            said[k] = told[k]
        self._begin(wire.DRIVING)
        put16(frame, wire.DRIVING_PAUSES, told[0])
        put16(frame, wire.DRIVING_DROPPED, told[1])
        put32(frame, wire.DRIVING_CUT, told[2])  # cut, reserved
        self._send(wire.DRIVING_SIZE)

    def _flush(self):
        """Send all that waits and a heartbeat: the end of a session."""
        self.rings.mark()
        start = ticks_ms()
        while self.rings.beating():
            self._stream()
            if ticks_diff(ticks_ms(), start) > 500:
                self.rings.beaten()

    # Commands from the host

    @micropython.native
    def _listen(self):
        """Take bytes from the host; obey a command when one is whole. True if bytes came.

        In slices while streaming, so that the rings are emptied in between: at full rate one holds
        20 ms. What is left waits for the next turn.
        """
        now = ticks_ms()
        if self._waiting:
            size = self._waiting
            self._waiting = 0
            self.hw.fill()
            self._obey(size)
            return True
        if not self._sliced and ticks_diff(now, self._byte_ms) > PIECE_MS:
            self._received = 0
        # A piece that is too long stays too long, so that it is refused as a whole.
        at = self.link.receive(self._command, self._received)
        if at < 0:
            self._none_ms = now
            return False
        self._sliced = False
        while at >= 0:
            self._received = at
            self._byte_ms = ticks_ms()
            byte = self.link.byte[0]
            if byte == CTRL_C and self._knock():
                self.running = False
                return True
            late = self.state == wire.STATE_STREAMING and ticks_diff(self._byte_ms, now) > SLICE_MS
            if not byte and self._whole(late):
                return True
            if late:
                self._sliced = True
                return True
            at = self.link.receive(self._command, self._received)
        self._none_ms = ticks_ms()
        return True

    @micropython.native
    def _whole(self, late):
        """A frame has come: obey it, now or in the next turn. Whether this turn has done enough."""
        size = open_frame(self._command, self._received)
        self._received = 0
        if size < wire.HEADER_SIZE:
            return False
        number = self._command[1]
        for k in range(size, wire.COMMAND_SIZE):  # what is left out counts as 0
            self._command[1 + k] = 0
        self.hw.heard = ticks_ms()
        self._met = True
        if number == wire.DRIVE or number == wire.LAMP:
            self.hw.fill()
            if self._full and not self._first:
                self._waiting = size  # for a turn in which less is sent
                return True
        self._obey(size)
        return late or number != wire.RENEW or not self.link.ready()

    def _knock(self):
        """Whether Ctrl-C at this place means: give me the prompt.

        No frame of a host begins like this: the first byte of a frame is 2, since the flags are 0.
        """
        if self._received > 2 or (self._received == 2 and self._command[0] != RETURN):
            return False
        silent = ticks_diff(ticks_ms(), self.hw.heard)
        return self.state == wire.STATE_IDLE or silent > DESERTED_MS

    @micropython.native
    def _obey(self, size):
        number = self._command[1]
        if number == wire.ALIVE:
            self._ack(wire.RESULT_OK)
            return
        if number == wire.RENEW and size >= wire.RENEW_SIZE:
            self._renew()
            return
        result, text = self._check(number, size)
        if result:
            self._ack(result, text)
        elif number == wire.IDENTIFY:
            self._hello()
            self._ack(wire.RESULT_OK)
        elif number == wire.CONFIGURE:
            self._configure()
        elif number == wire.START:
            self._start()
            self._ack(wire.RESULT_OK)
        elif number == wire.STOP:
            self._stop()
            self._ack(wire.RESULT_OK)
        elif number == wire.DRIVE or number == wire.LAMP:
            # The payload as it came; the hardware says what it cannot do.
            act = self.hw.drive if number == wire.DRIVE else self.hw.lamp
            fault = act(bytes(self._command[1 + wire.HEADER_SIZE : 1 + size]), self._none_ms)
            if not fault:
                self._lease.grant(self._command)
                if self.hw.meter and number == wire.LAMP:
                    angle = self._field(wire.LAMP_ANGLE_MDEG, 4)
                    self.hw.meter.lit(self._command[1 + wire.LAMP_MODE], angle)
            self._ack(wire.RESULT_BAD_VALUE if fault else wire.RESULT_OK, fault or b"")
        elif number == wire.LEAVE:
            self._stop()
            self._ack(wire.RESULT_OK)
            self.running = False

    def _configure(self):
        command = self._command
        enabled = command[1 + wire.CONFIGURE_ENABLED]
        falling = command[1 + wire.CONFIGURE_FALLING]
        both = command[1 + wire.CONFIGURE_BOTH] & enabled
        self._rest()
        fault = self.hw.configure(enabled, falling, both)
        if not fault:
            self.enabled, self.falling, self.both = enabled, falling, both
        self._ack(wire.RESULT_BAD_VALUE if fault else wire.RESULT_OK, fault or b"")

    def _renew(self):
        """Keep the outputs on that are on; does not allocate.

        From when nothing was waiting: a renewal may have lain in the line for as long as that.
        """
        if not self.hw.outputs:
            self._ack(wire.RESULT_NOT_NOW, "no output is on")
            return
        reason = self._lease.stale(self._command, self.session)
        if reason:
            self._ack(wire.RESULT_NOT_NOW, reason)
            return
        if ticks_diff(self._none_ms, self.hw.leased) > 0:
            self.hw.leased = self._none_ms
        self._ack(wire.RESULT_OK)

    @micropython.native
    def _check(self, number, size):
        """(result, reason) for a command, (0, "") when it may be obeyed."""
        if number not in wire.LIMITS:
            return wire.RESULT_UNKNOWN_COMMAND, f"unknown command {number}"
        least, checks = wire.LIMITS[number]
        if size < least:
            return wire.RESULT_BAD_LENGTH, f"command too short: {size} of {least} bytes"
        streaming = self.state == wire.STATE_STREAMING
        if number == wire.CONFIGURE and streaming:
            return wire.RESULT_NOT_NOW, "inputs can be configured only while idle: stop first"
        if number == wire.DRIVE or number == wire.LAMP:
            if self._switches_off(number):
                return wire.RESULT_OK, ""
            if not streaming:
                return wire.RESULT_NOT_NOW, "outputs work only while streaming: start first"
            reason = self._lease.stale(self._command, self.session)
            if reason:
                return wire.RESULT_NOT_NOW, reason
            # Like a renewal, it may have lain in the line since nothing was waiting.
            if ticks_diff(ticks_ms(), self._none_ms) > limits.LEASE_MS:
                return wire.RESULT_NOT_NOW, "this command has waited in the line for too long"
            if number == wire.LAMP and self.both & 1:
                return wire.RESULT_NOT_NOW, "the lamp counts one flank of the crank, not both"
        bad = outside(self._command, LIMITS[number], len(checks))
        if bad >= 0:
            name, at, wide, low, high = checks[bad]
            reason = f"{name} is {self._field(at, wide)}, must be {low} to {high}"
            return wire.RESULT_BAD_VALUE, reason
        return wire.RESULT_OK, ""

    def _switches_off(self, number):
        if number == wire.LAMP:
            return self._command[1 + wire.LAMP_MODE] == wire.LAMP_MODE_OFF
        return outside(self._command, STILL, 2) < 0

    def _field(self, at, size):
        if size == 1:
            return self._command[1 + at]
        return int.from_bytes(self._command[1 + at : 1 + at + size], "little")

    def _capture(self, enabled, falling, both):
        """Everything to 0, and begin, with the inputs as they have been configured."""
        hw = self.hw
        hw.outputs_off()
        hw.stop()
        self.rings.clear(self.session)
        self.rings.stamp_both(both)
        for words in (hw.driven, hw.told, self._said):
            for k in range(len(words)):
                words[k] = 0
        if hw.meter:
            hw.meter.restart(enabled, falling, both)
        gc.collect()  # now, rather than in the middle of the stream
        hw.start()

    def _rest(self):
        """End a capture for the meter."""
        if self._alone:
            self.hw.stop()
            self._alone = False

    def _start(self):
        self._rest()
        self.unsent = self.link.cut = 0
        self._worst_us = self._busy_us = 0
        self._since_us = ticks_us()
        self._new_session()
        self._lease.clear()
        self.state = wire.STATE_STREAMING
        if self.hw.meter:
            self.hw.configure(self.enabled, self.falling, self.both)
        self._capture(self.enabled, self.falling, self.both)
        self._hello()
        self.rings.mark()
        if self._await_line():
            self._heartbeat()

    def _stop(self):
        self.hw.outputs_off()
        if self.state == wire.STATE_STREAMING:
            self.hw.halt()
            self._flush()
            self.hw.stop()
            self.state = wire.STATE_IDLE
