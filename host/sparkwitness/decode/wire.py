"""Messages on the wire, built from the one definition in protocol/wire.json.

From it come, side by side, constructs, which are the reference, and records of numpy, by which
`edges` decodes many frames at once; protocol/generate.py makes the firmware's constants. The tests
hold all equal.
"""

import json
from dataclasses import dataclass, field
from typing import Any, NamedTuple

import construct as c  # type: ignore[import-untyped]
import numpy as np
from numpy.typing import ArrayLike

from sparkwitness import shipped
from sparkwitness.decode import framing

DEFINITION: dict[str, Any] = json.loads(
    (shipped.folder("protocol") / "wire.json").read_text(encoding="utf-8")
)
PROTOCOL: int = DEFINITION["protocol"]
INPUTS: tuple[str, ...] = tuple(DEFINITION["inputs"])
ENUMS: dict[str, dict[str, int]] = DEFINITION["enums"]
NUMBER: dict[str, int] = {name: m["number"] for name, m in DEFINITION["messages"].items()}
NAME: dict[int, str] = {number: name for name, number in NUMBER.items()}
FROM_HOST: frozenset[str] = frozenset(
    name for name, m in DEFINITION["messages"].items() if m["from"] == "host"
)
MAX_BODY: int = DEFINITION["max_body"]

_INTEGERS = {
    "u8": c.Int8ul, "u16": c.Int16ul, "u32": c.Int32ul, "u64": c.Int64ul,
    "i8": c.Int8sl, "i16": c.Int16sl, "i32": c.Int32sl,
}  # fmt: skip


def _type(definition: dict[str, Any]) -> tuple[str, str]:
    """Type of a field and its length: "" for a single value, a number, or the name of a field."""
    kind, _, length = definition["type"].partition("[")
    return kind, length.rstrip("]")


def _field(definition: dict[str, Any]) -> Any:
    """The construct for one field of the definition."""
    kind, length = _type(definition)
    if kind == "text":
        made = c.GreedyString("utf8")
    elif kind == "bytes":
        made = c.Bytes(int(length))
    elif not length:
        made = _INTEGERS[kind]
    else:
        count = int(length) if length.isdigit() else c.this[length]
        made = c.Array(count, _INTEGERS[kind])
    return definition["name"] / made


HEADER = c.Struct(*map(_field, DEFINITION["header"]))
PAYLOAD: dict[str, Any] = {
    name: c.Struct(*map(_field, m["fields"]), c.Terminated)
    for name, m in DEFINITION["messages"].items()
}
# As a board of protocol version 1 says hello, for recordings of such boards.
_HELLO_1 = c.Struct(
    *(_field(d) for d in DEFINITION["messages"]["hello"]["fields"] if "since" not in d),
    c.Terminated,
)


def _record(definitions: list[dict[str, Any]]) -> tuple[np.dtype[np.void], bool]:
    """Fields as a packed record, up to the first whose length is not fixed; True if that is all."""
    columns: list[tuple[str, str, tuple[int, ...]]] = []
    for one in definitions:
        kind, length = _type(one)
        if kind == "text" or (length and not length.isdigit()):
            return np.dtype(columns), False
        code = f"V{length}" if kind == "bytes" else f"<{kind[0]}{int(kind[1:]) // 8}"
        columns.append((one["name"], code, (int(length),) if length and kind != "bytes" else ()))
    return np.dtype(columns), True


HEAD, _ = _record(DEFINITION["header"])
_RECORDS = {name: _record(m["fields"]) for name, m in DEFINITION["messages"].items()}
# What stands in front of a payload's text or list, and the messages that have neither: these need
# no construct. The same fields, many times as fast.
FRONT: dict[str, np.dtype[np.void]] = {name: record for name, (record, _) in _RECORDS.items()}
LAYOUT: dict[str, np.dtype[np.void]] = {
    name: record for name, (record, whole) in _RECORDS.items() if whole and record.itemsize
}
BLOCK: np.dtype[np.void] = np.dtype(HEAD.descr + FRONT["edges"].descr)  # a block up to its counts


class Places(NamedTuple):
    """Where the kernels find what they need.

    They count words of four bytes, from the one before a body on. In it the frame's type is the
    lowest byte of word 1, its session the upper half, its sequence number word 2; a block's input
    is the lowest byte of its word, the number of edges the byte above.
    """

    edges: int  # number of the message
    beat: int  # number of the heartbeats
    beat_size: int  # their bytes, CRC included
    block: int
    first: int
    counts: int


def _places() -> Places:
    fields: Any = BLOCK.fields
    at = {name: fields[name][1] for name in fields}
    assert (at["type"], at["session"], at["seq"], HEAD.itemsize % 4) == (0, 2, 4, 0)
    assert (at["input"] % 4, at["first"] % 4, BLOCK.itemsize % 4) == (0, 0, 0)
    assert at["n"] == at["input"] + 1
    return Places(
        edges=NUMBER["edges"],
        beat=NUMBER["heartbeat"],
        beat_size=HEAD.itemsize + LAYOUT["heartbeat"].itemsize + 4,
        block=1 + (at["input"] >> 2),
        first=1 + (at["first"] >> 2),
        counts=1 + (BLOCK.itemsize >> 2),
    )


PLACES = _places()
# Reserved fields are sent as 0 and ignored.
RANGES: dict[str, tuple[tuple[str, int, int], ...]] = {
    name: tuple(
        (d["name"], *d["range"]) for d in m["fields"] if "range" in d and d["name"] != "reserved"
    )
    for name, m in DEFINITION["messages"].items()
}


@dataclass(frozen=True)
class Message:
    """One decoded message: `name` is None and `fields` empty when its type is unknown."""

    name: str | None
    number: int
    session: int
    seq: int
    fields: dict[str, Any] = field(default_factory=dict)


def _check_ranges(name: str, values: dict[str, Any]) -> None:
    for key, low, high in RANGES[name]:
        value = values.get(key, low)  # a message of an earlier version has not all fields
        for one in value if isinstance(value, list | tuple) else (value,):
            if not isinstance(one, int) or not low <= one <= high:
                raise ValueError(f"{name}.{key} must be from {low} to {high}, not {one}")


def encode(name: str, session: int, seq: int, **fields: Any) -> bytes:
    """One whole frame, delimiter included. Reserved fields and defaults may be left out.

    Raises:
        ValueError: a field is missing, out of its range, or the message too long.
    """
    values = dict(fields)
    for definition in DEFINITION["messages"][name]["fields"]:
        if definition["name"] == "reserved":
            _, length = _type(definition)
            values.setdefault("reserved", [0] * int(length) if length else 0)
        elif "default" in definition:
            values.setdefault(definition["name"], definition["default"])
    missing = [d["name"] for d in DEFINITION["messages"][name]["fields"] if d["name"] not in values]
    if missing:
        raise ValueError(f"{name} lacks {', '.join(missing)}")
    _check_ranges(name, values)
    header = {"type": NUMBER[name], "flags": 0, "session": session, "seq": seq & 0xFFFFFFFF}
    try:
        body = HEADER.build(header) + PAYLOAD[name].build(values)
    except (c.ConstructError, TypeError, AttributeError, UnicodeEncodeError) as error:
        raise ValueError(f"{name} cannot be built: {error}") from None
    if len(body) + 4 > MAX_BODY:
        raise ValueError(f"{name} is {len(body) + 4} bytes long, at most {MAX_BODY} fit")
    return framing.seal(body)


def gone_on(counts: ArrayLike) -> Any:
    """How far 32-bit counters of the board went on over looks one after the other.

    A wrap is none; one that went back was begun anew, and counts from 0 then. One that so had
    begun at 2^31 or more tells nothing, and counts as 0.

    Args:
        counts: integers[looks, ...].

    Returns:
        int64[...].
    """
    wide = np.asarray(counts).astype(np.int64)
    ahead = np.diff(wide, axis=0) & 0xFFFFFFFF
    anew = np.where(wide[1:] < 1 << 31, wide[1:], 0)
    return np.where(ahead < 1 << 31, ahead, anew).sum(axis=0)


def protocol_of(hello: bytes) -> int | None:
    """Protocol version in the body of a hello of any version; None if it is too short.

    Header and this field stay where they are in every version.
    """
    at = HEAD.itemsize
    return int.from_bytes(hello[at : at + 2], "little") if len(hello) >= at + 2 else None


def fields_of(name: str, payload: bytes) -> dict[str, Any]:
    """Fields in front of a payload's text or list, their ranges not looked at.

    Raises:
        ValueError: it is shorter.
    """
    record = np.frombuffer(payload, FRONT[name], 1)[0]
    return {key: record[key].tolist() for key in FRONT[name].names or ()}


def layout_of(name: str, payload: bytes) -> Any:
    """The construct that reads a payload: hello of protocol version 1 was shorter."""
    return _HELLO_1 if name == "hello" and payload[:2] == b"\1\0" else PAYLOAD[name]


def _parse(name: str, payload: bytes) -> dict[str, Any]:
    """Fields of a payload as construct reads it."""
    try:
        parsed = layout_of(name, payload).parse(payload)
    except (c.ConstructError, UnicodeDecodeError) as error:
        raise framing.FrameError(f"{name} does not fit its payload: {error}") from None
    fields = {key: (list(v) if isinstance(v, c.ListContainer) else v) for key, v in parsed.items()}
    fields.pop("_io", None)
    return fields


def decode_body(body: bytes) -> Message:
    """The message in a frame's body (header and payload, CRC checked and taken off).

    An unknown type gives a Message without a name, to be skipped and counted.

    Raises:
        framing.FrameError: shorter than the header, or the payload does not fit its type.
    """
    if len(body) < HEAD.itemsize:
        raise framing.FrameError("shorter than its header")
    number, _, session, seq = np.frombuffer(body, HEAD, 1)[0].item()
    name = NAME.get(number)
    if name is None:
        return Message(None, number, session, seq)
    layout = LAYOUT.get(name)
    if layout is not None and len(body) == HEAD.itemsize + layout.itemsize:
        fields = fields_of(name, body[HEAD.itemsize :])
    else:
        fields = _parse(name, body[HEAD.itemsize :])
    try:
        _check_ranges(name, fields)
    except ValueError as error:
        raise framing.FrameError(str(error)) from None
    return Message(name, number, session, seq, fields)


def decode(stuffed: bytes) -> Message:
    """The message in one frame given without its delimiter.

    Raises:
        framing.FrameError: the frame or its payload is damaged.
    """
    return decode_body(framing.unseal(stuffed))
