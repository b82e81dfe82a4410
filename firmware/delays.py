"""Delay of the clamp path less that of the crank path, for the meter.

Made by protocol/generate.py from hardware/delays.json: do not edit.
"""

DEAD_US = 230  # an edge sooner after one is ringing
# By sensor (see settings.py) and edge (rising, falling), rows by speed: rev/min, ns, its
# standard uncertainty in ns; none where that edge is not timed.
CLAMP_LESS_CRANK = (
    (  # hall_optical
        ((0, -6041, 1851),),
        ((0, -1845, 1073),),
    ),
    (  # vr
        (),
        ((150, -348911, 238432), (200, -198225, 133249), (300, -92246, 59629), (500, -41080, 23858), (1000, -40006, 19798), (2000, -41980, 19100), (5000, -35401, 15175), (9000, -27649, 10980)),
    ),
    (  # logic
        ((0, -2813, 1155),),
        ((0, -2374, 1126),),
    ),
    (  # first_spark_hall
        ((0, -3653, 1502),),
        ((0, -1835, 973),),
    ),
    (  # first_spark_logic
        ((0, -989, 940),),
        ((0, -2352, 1081),),
    ),
)
