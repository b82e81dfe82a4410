"""What differs between the chips: the one table of addresses and bits, RP2040 first, RP2350 second.

Names are those of the chips' register headers (pico-sdk, hardware_regs). What is the same on both
(PIO blocks, DMA channels without their control word) stands as numbers in viper code.
Numbers from 2^30 on are objects on the heap: viper code gets them as arguments or from arrays.
"""

import os

RP2350 = "RP2350" in os.uname().machine


def _by_chip(rp2040, rp2350):
    return rp2350 if RP2350 else rp2040


CLOCK_HZ = _by_chip(125000000, 150000000)
DMA_SNIFF_CTRL = _by_chip(0x50000434, 0x50000454)
DMA_SNIFF_DATA = _by_chip(0x50000438, 0x50000458)
DMA_CHAN_ABORT = _by_chip(0x50000444, 0x50000464)
DMA_BUSY = _by_chip(1 << 24, 1 << 26)  # of a channel's control word
DMA_SNIFF_EN = _by_chip(1 << 23, 1 << 25)
SIO_GPIO_OUT_SET = _by_chip(0xD0000014, 0xD0000018)
SIO_GPIO_OUT_CLR = _by_chip(0xD0000018, 0xD0000020)
SIO_GPIO_OE_SET = _by_chip(0xD0000024, 0xD0000038)
IO_BANK0_GPIO0_CTRL = _by_chip(0x40014004, 0x40028004)  # of GPIO n: 8 n further on
PADS_BANK0_GPIO0 = _by_chip(0x4001C004, 0x40038004)  # of GPIO n: 4 n further on
WATCHDOG_CTRL = _by_chip(0x40058000, 0x400D8000)
WATCHDOG_SCRATCH0 = _by_chip(0x4005800C, 0x400D800C)
