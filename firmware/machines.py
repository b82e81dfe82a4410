"""Pins and state machines of PIO block 1, by stores to their registers.

A call of MicroPython's own classes takes from 20 us to some ms, and a pin is frozen meanwhile.
Registers that differ between the chips come in one array, see Outputs.registers.
"""

import micropython


@micropython.viper
def take(registers, mask: int, high: int):
    """Take the pins of `mask` from their machines and drive them: those of `high` high."""
    r = ptr32(registers)
    ptr32(r[0])[0] = high & mask
    ptr32(r[1])[0] = (high ^ mask) & mask
    ptr32(r[2])[0] = mask
    pin = 0
    while mask >> pin:
        if (mask >> pin) & 1:
            ptr32(r[3] + (pin << 3))[0] = 5
        pin += 1


@micropython.viper
def give(registers, mask: int):
    """Give the pins of `mask` to PIO block 1."""
    r = ptr32(registers)
    pin = 0
    while mask >> pin:
        if (mask >> pin) & 1:
            ptr32(r[3] + (pin << 3))[0] = 7
        pin += 1


@micropython.viper
def enable(machines: int, fresh: int):
    """Start machines of block 1 in one cycle; others go on as they are.

    fresh: machines of which it is to be forgotten that they have found their queue empty.
    """
    p = ptr32(0x50300000)
    p[2] = fresh << 24  # FDEBUG
    p[0] = (p[0] & 15) | machines | (machines << 8)


@micropython.viper
def disable(machines: int):
    p = ptr32(0x50300000)
    p[0] = p[0] & (15 ^ machines)


@micropython.viper
def rewind(machine: int, start: int):
    """A machine that is disabled: its queue empty, at the first instruction, its pin at rest.

    start: that instruction's place, with the side-set bit of its rest level.
    """
    p = ptr32(0x50300000)
    m = ptr32(int(0x503000C8) + machine * 24)
    joined = m[2]
    top = 30  # a number of 2^30 cannot stand in viper code
    m[2] = joined ^ (1 << top)  # parting and joining the queues empties them
    m[2] = joined
    p[0] = (p[0] & 15) | (16 << machine)
    m[4] = start  # an instruction: jump there


@micropython.viper
def starved(machines: int) -> int:
    """Which of the machines have found their queue empty since the last call."""
    p = ptr32(0x50300000)
    found = (p[2] >> 24) & machines
    if found:
        p[2] = found << 24
    return found


@micropython.viper
def whole(mask: int, high: int, machines: int, tries: int) -> int:
    """Disable machines while the pins of `mask` are at rest; 0 when `tries` looks saw none."""
    p = ptr32(0x50300000)
    running = p[0] & (15 ^ machines)
    while tries > 0:
        if (p[15] ^ high) & mask == 0:
            p[0] = running
            # A pulse may have begun between the look and the store: then let it go on.
            if (p[15] ^ high) & mask == 0:
                return 1
            p[0] = running | machines
        tries -= 1
    return 0


@micropython.viper
def place(machine: int) -> int:
    """Program counter of a machine of block 1."""
    return ptr32(int(0x503000D4) + machine * 24)[0] & 31


@micropython.viper
def calm(registers):
    """Stop the watchdog."""
    w = ptr32(ptr32(registers)[4])
    enabled = 30
    w[0] = w[0] & ((1 << enabled) ^ -1)
