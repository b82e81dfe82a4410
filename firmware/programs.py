"""PIO programs, for MicroPython's own assembler.

Capture (PIO block 0, one state machine per input; 13, 11 and 15 of 32 instructions)
    X counts down once every 3 cycles, on every path. An edge pushes ~X, the number of counts
    since the start. The pin is looked at once per count, in its second cycle, also right after an
    edge: a level that lasts 3 cycles is surely seen, and two edges of one sense that are 6 cycles
    or more apart are both seen. A machine starts on the far side of its edge, so that a pin that
    rests there from the beginning makes no edge.
    Both flanks: pushed is 2 ~X, plus 1 after a rising edge. The pin is not looked at in the count
    after an edge, in which the level is shifted in: an edge in it is stamped in the next one. The
    level comes from the place in the program, so that levels alternate whatever the pin does. Y
    must be all ones.

Clock (PIO block 1): the same count, always ready to be read. The queue is always full, so that a
    value behind the four old ones is a fresh one.

Pulses (PIO block 1): records of two words, (pulses - 1) | active << 8, then inactive. Each pulse is
    active for `active` + 2 cycles and inactive for `inactive` + 3; a record takes 4 inactive
    cycles more before its first pulse. The queue can run dry only while the pin is inactive.

Lamp (PIO block 1): three words, (edges to wait for) | (flash - 1) << 8, the delay, and how long to
    be blind to edges after the flash. The flash begins `delay` + 4 cycles after the cycle that saw
    the edge, lasts flash cycles, and edges are looked at again `blind` + 3 cycles after its end.
    Waiting for no edge, it begins `delay` + 6 cycles after the end of the last order. The lamp is
    dark wherever the queue can run dry.

Block 1 is full when the bench trigger is active low, and crank and lamp are used as well.

No instruction has a delay: block 1 keeps step with block 0 even in an emulator that does not run
both at the speed of the clock.
"""

# ruff: noqa: F821
# mypy: disable-error-code="name-defined"

from rp2 import PIO, asm_pio


@asm_pio(fifo_join=PIO.JOIN_RX)
def capture_rising():
    label("stay")
    jmp("high")
    label("still")
    push(noblock)
    label("high")
    jmp(x_dec, "high look")
    label("high look")
    jmp(pin, "stay")
    jmp("low")
    wrap_target()
    label("low")
    jmp(x_dec, "low look")
    label("low look")
    jmp(pin, "edge")
    jmp("low")
    label("edge")
    mov(isr, invert(x))
    jmp(x_dec, "edge look")
    label("edge look")
    jmp(pin, "still")
    push(noblock)


@asm_pio(fifo_join=PIO.JOIN_RX)
def capture_falling():
    jmp("low")
    wrap_target()
    label("low")
    jmp(x_dec, "low look")
    label("low look")
    jmp(pin, "up")
    jmp("low")
    label("up")
    jmp("high")
    label("still")
    push(noblock)
    label("high")
    jmp(x_dec, "high look")
    label("high look")
    jmp(pin, "up")
    mov(isr, invert(x))
    jmp(x_dec, "edge look")
    label("edge look")
    jmp(pin, "still")
    push(noblock)


@asm_pio(fifo_join=PIO.JOIN_RX, in_shiftdir=PIO.SHIFT_LEFT)
def capture_both():
    jmp(pin, "high")
    wrap_target()
    label("low")
    jmp(x_dec, "low look")
    label("low look")
    jmp(pin, "up")
    jmp("low")
    label("up")
    mov(isr, invert(x))
    jmp(x_dec, "up level")
    label("up level")
    in_(y, 1)
    push(noblock)
    label("high")
    jmp(x_dec, "high look")
    label("high look")
    jmp(pin, "still")
    mov(isr, invert(x))
    jmp(x_dec, "down level")
    label("down level")
    in_(null, 1)
    push(noblock)
    wrap()
    label("still")
    jmp("high")


@asm_pio()
def clock():
    jmp(x_dec, "stamp")
    label("stamp")
    mov(isr, invert(x))
    push(noblock)


@asm_pio(sideset_init=PIO.OUT_LOW, out_shiftdir=PIO.SHIFT_RIGHT, fifo_join=PIO.JOIN_TX)
def pulses_high():
    pull(block).side(0)
    out(y, 8).side(0)
    out(isr, 24).side(0)
    pull(block).side(0)
    label("pulse")
    mov(x, isr).side(1)
    label("active")
    jmp(x_dec, "active").side(1)
    mov(x, osr).side(0)
    label("inactive")
    jmp(x_dec, "inactive").side(0)
    jmp(y_dec, "pulse").side(0)


@asm_pio(sideset_init=PIO.OUT_HIGH, out_shiftdir=PIO.SHIFT_RIGHT, fifo_join=PIO.JOIN_TX)
def pulses_low():
    pull(block).side(1)
    out(y, 8).side(1)
    out(isr, 24).side(1)
    pull(block).side(1)
    label("pulse")
    mov(x, isr).side(0)
    label("active")
    jmp(x_dec, "active").side(0)
    mov(x, osr).side(1)
    label("inactive")
    jmp(x_dec, "inactive").side(1)
    jmp(y_dec, "pulse").side(1)


@asm_pio(
    sideset_init=PIO.OUT_LOW, out_shiftdir=PIO.SHIFT_RIGHT, autopull=True, fifo_join=PIO.JOIN_TX
)
def lamp_rising():
    out(y, 8).side(0)
    jmp("edges").side(0)
    label("edge")
    wait(0, pin, 0).side(0)
    wait(1, pin, 0).side(0)
    label("edges")
    jmp(y_dec, "edge").side(0)
    out(y, 24).side(0)
    out(x, 32).side(0)
    label("delay")
    jmp(x_dec, "delay").side(0)
    label("flash")
    jmp(y_dec, "flash").side(1)
    out(x, 32).side(0)
    label("blind")
    jmp(x_dec, "blind").side(0)


@asm_pio(
    sideset_init=PIO.OUT_LOW, out_shiftdir=PIO.SHIFT_RIGHT, autopull=True, fifo_join=PIO.JOIN_TX
)
def lamp_falling():
    out(y, 8).side(0)
    jmp("edges").side(0)
    label("edge")
    wait(1, pin, 0).side(0)
    wait(0, pin, 0).side(0)
    label("edges")
    jmp(y_dec, "edge").side(0)
    out(y, 24).side(0)
    out(x, 32).side(0)
    label("delay")
    jmp(x_dec, "delay").side(0)
    label("flash")
    jmp(y_dec, "flash").side(1)
    out(x, 32).side(0)
    label("blind")
    jmp(x_dec, "blind").side(0)
