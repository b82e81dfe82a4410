"""Sockets of the microcontroller's board, mm from pin 1: pins 1 to 20 down the left, 21 to 40 up
the
right, 2.54 mm apart, rows 17.78 mm apart (its data sheet, from memory)."""

PADS = {str(i + 1): (0.0, 2.54 * i) for i in range(20)}
PADS |= {str(21 + i): (17.78, 2.54 * (19 - i)) for i in range(20)}
PAD_MM, DRILL_MM = 1.7, 1.0
BOX = (-1.9, -1.7, 19.7, 49.9)
