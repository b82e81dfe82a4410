"""Numbers and offsets of the wire format.

Made by protocol/generate.py from protocol/wire.json: do not edit.
An offset counts from the start of the body, that is, from the header's first byte.
"""

from micropython import const

VERSION = b'\x00\x01\x00'  # of the package, sparkwitness/__init__.py
PROTOCOL = const(2)
MAX_BODY = const(254)
INPUTS = ('crank', 'clamp_a', 'clamp_b', 'trigger')

HEADER_TYPE = const(0)
HEADER_FLAGS = const(1)
HEADER_SESSION = const(2)
HEADER_SEQ = const(4)
HEADER_SIZE = const(8)
TRAILER_SIZE = const(4)

STATE_IDLE = const(0)
STATE_STREAMING = const(1)
LEVEL_INFO = const(0)
LEVEL_WARNING = const(1)
LEVEL_ERROR = const(2)
RESULT_OK = const(0)
RESULT_UNKNOWN_COMMAND = const(1)
RESULT_BAD_LENGTH = const(2)
RESULT_BAD_VALUE = const(3)
RESULT_NOT_NOW = const(4)
RESULT_NOT_ON_THIS_BOARD = const(5)
OUTPUT_BITS_BENCH = const(1)
OUTPUT_BITS_CRANK = const(2)
OUTPUT_BITS_LAMP = const(4)
LAMP_MODE_OFF = const(0)
LAMP_MODE_ANGLE = const(1)
LAMP_MODE_FIRST_SPARK = const(2)
CHECKSUM_PROGRAM = const(0)
CHECKSUM_CHIP = const(1)
LOAD_INDUCTIVE = const(0)
LOAD_CAPACITIVE = const(1)
CUT_LEASE = const(1)
CUT_SECOND = const(2)
CUT_MINUTE = const(4)
CUT_FAULT = const(8)
CUT_PAUSE = const(16)

HELLO = const(1)
HELLO_PROTOCOL = const(8)
HELLO_FIRMWARE = const(10)
HELLO_STATE = const(13)
HELLO_TICK_PS = const(14)
HELLO_CLOCK_HZ = const(18)
HELLO_ENABLED = const(22)
HELLO_FALLING = const(23)
HELLO_DEAD_NS = const(24)
HELLO_MIN_PULSE_NS = const(26)
HELLO_RING_EDGES = const(28)
HELLO_UID = const(30)
HELLO_BOTH = const(38)
HELLO_EDGE_RATE = const(39)
HELLO_LEASE_MS = const(43)
HELLO_BENCH_RATE = const(45)
HELLO_CRANK_RATE = const(47)
HELLO_ACTIVE_US = const(49)
HELLO_DUTY_PERMILLE = const(53)
HELLO_SECOND_MS = const(57)
HELLO_MINUTE_MS = const(61)
HELLO_MEAN_PERMILLE = const(65)
HELLO_FLASH_US = const(69)
HELLO_FLASH_PERMILLE = const(71)
HELLO_CHECKSUM = const(73)
HELLO_BOARD = const(74)
HELLO_SIZE = const(74)

EDGES = const(2)
EDGES_INPUT = const(8)
EDGES_N = const(9)
EDGES_LEVELS = const(10)
EDGES_RESERVED = const(11)
EDGES_FIRST = const(12)
EDGES_COUNTS = const(16)
EDGES_SIZE = const(16)
EDGES_MAX_N = const(58)

HEARTBEAT = const(3)
HEARTBEAT_TIME = const(8)
HEARTBEAT_TOTAL = const(16)
HEARTBEAT_LOST = const(32)
HEARTBEAT_STALLS = const(48)
HEARTBEAT_DRIVEN = const(64)
HEARTBEAT_WORST_US = const(68)
HEARTBEAT_BUSY_PERMILLE = const(72)
HEARTBEAT_UNSENT = const(74)
HEARTBEAT_SUPPLY_MV = const(76)
HEARTBEAT_STATE = const(78)
HEARTBEAT_OUTPUTS = const(79)
HEARTBEAT_SIZE = const(80)

LOG = const(4)
LOG_LEVEL = const(8)
LOG_TEXT = const(9)
LOG_SIZE = const(9)

ACK = const(5)
ACK_COMMAND = const(8)
ACK_RESULT = const(9)
ACK_RESERVED = const(10)
ACK_COMMAND_SEQ = const(12)
ACK_TEXT = const(16)
ACK_SIZE = const(16)

DRIVING = const(6)
DRIVING_PAUSES = const(8)
DRIVING_DROPPED = const(10)
DRIVING_CUT = const(12)
DRIVING_RESERVED = const(13)
DRIVING_SIZE = const(16)

IDENTIFY = const(16)
IDENTIFY_SIZE = const(8)

CONFIGURE = const(17)
CONFIGURE_ENABLED = const(8)
CONFIGURE_FALLING = const(9)
CONFIGURE_BOTH = const(10)
CONFIGURE_SIZE = const(11)
CONFIGURE_FORMAT = '<BBB'

START = const(18)
START_SIZE = const(8)

STOP = const(19)
STOP_SIZE = const(8)

DRIVE = const(20)
DRIVE_RPM_FROM = const(8)
DRIVE_RPM_TO = const(12)
DRIVE_RAMP_MS = const(16)
DRIVE_WIDTH_US = const(20)
DRIVE_FIRINGS = const(24)
DRIVE_TURNS = const(25)
DRIVE_ACTIVE_LOW = const(26)
DRIVE_TEETH = const(27)
DRIVE_MISSING = const(28)
DRIVE_LOAD = const(29)
DRIVE_RESERVED = const(30)
DRIVE_SIZE = const(32)
DRIVE_FORMAT = '<IIIIBBBBBB'

LAMP = const(21)
LAMP_MODE = const(8)
LAMP_TEETH = const(9)
LAMP_MISSING = const(10)
LAMP_INPUT = const(11)
LAMP_ANGLE_MDEG = const(12)
LAMP_FLASH_US = const(16)
LAMP_RESERVED = const(18)
LAMP_SIZE = const(20)
LAMP_FORMAT = '<BBBBIH'

LEAVE = const(22)
LEAVE_SIZE = const(8)

ALIVE = const(23)
ALIVE_SIZE = const(8)

RENEW = const(24)
RENEW_LEASE = const(8)
RENEW_SIZE = const(12)
RENEW_FORMAT = '<I'

COMMAND_SIZE = const(32)  # of the longest, without CRC
# Command -> (least size without CRC, ((name, offset, bytes, lowest, highest), ...))
LIMITS = {
    16: (8, ()),
    17: (10, (
        ('enabled', 8, 1, 1, 15),
        ('falling', 9, 1, 0, 15),
        ('both', 10, 1, 0, 15),
    )),
    18: (8, ()),
    19: (8, ()),
    20: (32, (
        ('rpm_from', 8, 4, 0, 20000000),
        ('rpm_to', 12, 4, 0, 20000000),
        ('ramp_ms', 16, 4, 0, 600000),
        ('width_us', 20, 4, 0, 100000),
        ('firings', 24, 1, 0, 32),
        ('turns', 25, 1, 1, 2),
        ('active_low', 26, 1, 0, 1),
        ('teeth', 27, 1, 0, 120),
        ('missing', 28, 1, 0, 3),
        ('load', 29, 1, 0, 1),
    )),
    21: (20, (
        ('mode', 8, 1, 0, 2),
        ('teeth', 9, 1, 0, 120),
        ('missing', 10, 1, 0, 3),
        ('input', 11, 1, 0, 3),
        ('angle_mdeg', 12, 4, 0, 359999),
        ('flash_us', 16, 2, 2, 200),
    )),
    22: (8, ()),
    23: (8, ()),
    24: (12, ()),
}
