"""GPIO numbers. Made by protocol/generate.py from hardware/pins.json: do not edit."""

from micropython import const

CRANK = const(2)  # crank reference, conditioned logic
CLAMP_A = const(3)  # inductive clamp A, conditioned logic
CLAMP_B = const(4)  # inductive clamp B, conditioned logic
TRIGGER = const(5)  # trigger tap, conditioned logic
BENCH = const(6)  # bench trigger to the module driver
BENCH_CRANK = const(7)  # bench crank reference
LAMP = const(8)  # marker lamp driver
I2C_SDA = const(16)  # display data, I2C 0
I2C_SCL = const(17)  # display clock, I2C 0
BUTTON_A = const(14)  # button A to ground; held at boot: go to the prompt
BUTTON_B = const(15)  # button B to ground
SUPPLY = const(26)  # engine supply through the divider, ADC 0
OUTPUTS = (6, 7, 8)
REST = const(0)  # level of an output at which nothing is driven
SUPPLY_TOP_OHM = const(100000)
SUPPLY_BOTTOM_OHM = const(15000)
