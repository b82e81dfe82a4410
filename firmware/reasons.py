"""Why the meter shows no number, or what must be said with it: two lines of sixteen letters."""

from micropython import const

FINE = const(0)
SET_WHEEL = const(1)
HOST = const(2)
NO_CRANK = const(3)
NOT_WHEEL = const(4)
ON_CRANK = const(5)
UNEVEN = const(6)
NO_SPARKS = const(7)
WAIT = const(8)
LOST = const(9)
ELSEWHERE = const(10)
SPACING = const(11)
PLACES = const(12)
SCATTER = const(13)
REVERSED = const(14)
REPEATS = const(15)
IMPLAUSIBLE = const(16)
CHECK = const(17)
FALLING = const(18)
COIL_ON = const(19)
FAR = const(20)  # with this one and those after it the number is shown
WIRES = const(21)
VARIES = const(22)
TRUE = const(23)
TWICE = const(24)
REASONS = (
    ("", ""),
    ("SET THE WHEEL", "press A"),
    ("HOST SET INPUTS", "when it is done"),
    ("NO CRANK SIGNAL", "sensor, wires?"),
    ("NOT THIS WHEEL", "wheel, edge?"),
    ("SPARKS ON CRANK", "part the cables"),
    ("CRANK UNEVEN", "gap, screen?"),
    ("NO SPARKS", "clamp, lead?"),
    ("WAIT", ""),
    ("EDGES LOST", "too many come"),
    ("OTHER SPARKS", "part the leads"),
    ("WHEEL OR LEAD?", "as set in menu?"),
    ("TWO PLACES", "one lead only?"),
    ("UNSTEADY by", "loose, moving?"),
    ("SENSOR REVERSED", "swap its wires"),
    ("REPEATS", "use other wheel"),
    ("TIMING?", "lead, mark?"),
    ("ERROR?", "lead, mark?"),
    ("SET FALLING EDGE", "a VR needs it"),
    ("COIL HEARD ON?", "to a plug lead"),
    ("FAR FROM PULSE", ""),
    ("VR WIRES RIGHT?", ""),
    ("VARYING by", ""),
    ("WHEEL TRUE?", ""),
    ("TWO EDGES EACH?", ""),
)
