"""The table of addresses and bits by chip against the figures of the chips' published headers.

Source: pico-sdk 2.2.0, src/rp2040 and src/rp2350, hardware_regs/include/hardware/regs:
addressmap.h, dma.h, sio.h, io_bank0.h, pads_bank0.h, watchdog.h. An
address is *_BASE + *_OFFSET, a bit *_LSB.
"""

from __future__ import annotations

import re
import types

import pytest

from firmware_board import FIRMWARE

# Header's figure: (RP2040, RP2350)
BASES = {
    "DMA": (0x50000000, 0x50000000),
    "PIO0": (0x50200000, 0x50200000),
    "PIO1": (0x50300000, 0x50300000),
    "SIO": (0xD0000000, 0xD0000000),
    "IO_BANK0": (0x40014000, 0x40028000),
    "PADS_BANK0": (0x4001C000, 0x40038000),
    "WATCHDOG": (0x40058000, 0x400D8000),
}
OFFSETS = {
    "DMA_SNIFF_CTRL": (0x434, 0x454),
    "DMA_SNIFF_DATA": (0x438, 0x458),
    "DMA_CHAN_ABORT": (0x444, 0x464),
    "SIO_GPIO_OUT_SET": (0x14, 0x18),
    "SIO_GPIO_OUT_CLR": (0x18, 0x20),
    "SIO_GPIO_OE_SET": (0x24, 0x38),
    "IO_BANK0_GPIO0_CTRL": (0x4, 0x4),
    "PADS_BANK0_GPIO0": (0x4, 0x4),
    "WATCHDOG_CTRL": (0x0, 0x0),
    "WATCHDOG_SCRATCH0": (0xC, 0xC),
}
BITS = {  # DMA_CH0_CTRL_TRIG_*_LSB
    "DMA_BUSY": (24, 26),
    "DMA_SNIFF_EN": (23, 25),
}


def table(chip: str, monkeypatch: pytest.MonkeyPatch) -> dict[str, int]:
    """Names and numbers of firmware/chip.py on this chip."""
    uname = types.SimpleNamespace(machine=f"Some board with {chip}")
    monkeypatch.setattr("os.uname", lambda: uname)
    names: dict[str, int] = {}
    exec((FIRMWARE / "chip.py").read_text(encoding="utf-8"), names)
    return {name: value for name, value in names.items() if name.isupper()}


@pytest.mark.parametrize("chip", ["RP2040", "RP2350"])
def test_table_is_that_of_the_headers(chip: str, monkeypatch: pytest.MonkeyPatch) -> None:
    which = ["RP2040", "RP2350"].index(chip)
    expected = {
        name: BASES[next(base for base in BASES if name.startswith(base))][which] + offset[which]
        for name, offset in OFFSETS.items()
    }
    expected |= {name: 1 << bit[which] for name, bit in BITS.items()}
    found = table(chip, monkeypatch)
    assert found.pop("RP2350") == (chip == "RP2350")
    # The same headers' SYS_CLK_HZ: what the chips are specified for.
    assert found.pop("CLOCK_HZ") == (125_000_000, 150_000_000)[which]
    assert found == expected


def test_no_other_file_has_an_address_that_depends_on_the_chip() -> None:
    by_chip = {
        BASES[next(base for base in BASES if name.startswith(base))][k] + offsets[k]
        for name, offsets in OFFSETS.items()
        for k in (0, 1)
    }
    peripherals = {BASES[name][k] >> 12 for name in ("IO_BANK0", "PADS_BANK0") for k in (0, 1)}
    for file in FIRMWARE.glob("*.py"):
        if file.name == "chip.py":
            continue
        numbers = {int(word, 16) for word in re.findall(r"0x[0-9A-Fa-f]+", file.read_text())}
        assert not numbers & by_chip, file.name
        assert not {number >> 12 for number in numbers} & peripherals, file.name
