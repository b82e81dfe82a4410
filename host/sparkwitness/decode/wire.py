"""Messages on the wire, built from the one definition in protocol/wire.json.

`construct` states the format; `edges` decodes the same bytes in bulk with numpy.
"""

import json
import struct
from dataclasses import dataclass, field
from typing import Any

import construct as c  # type: ignore[import-untyped]
import numpy as np

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


def _field(definition: dict[str, Any]) -> Any:
    """The construct for one field of the definition."""
    kind, _, length = definition["type"].partition("[")
    length = length.rstrip("]")
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


def _layout(definition: dict[str, Any]) -> np.dtype[np.void] | None:
    """The payload of a message as a packed record; None where its length is not fixed."""
    columns = []
    for one in definition["fields"]:
        kind, _, length = one["type"].partition("[")
        length = length.rstrip("]")
        if kind not in _INTEGERS or (length and not length.isdigit()):
            return None
        code = f"<{kind[0]}{int(kind[1:]) // 8}"
        columns.append((one["name"], code, (int(length),) if length else ()))
    return np.dtype(columns)


# Messages of fixed length need no construct: the same fields, a hundred times as fast.
# As a board of protocol version 1 says hello, for recordings of such boards.
_HELLO_1 = c.Struct(
    *(_field(d) for d in DEFINITION["messages"]["hello"]["fields"] if "since" not in d),
    c.Terminated,
)
LAYOUT: dict[str, np.dtype[np.void]] = {
    name: layout
    for name, m in DEFINITION["messages"].items()
    if (layout := _layout(m)) is not None and layout.itemsize
}
# Reserved fields are sent as 0 and ignored.
RANGES: dict[str, tuple[tuple[str, int, int], ...]] = {
    name: tuple(
        (d["name"], *d["range"]) for d in m["fields"] if "range" in d and d["name"] != "reserved"
    )
    for name, m in DEFINITION["messages"].items()
}
_HEAD = struct.Struct("<BBHI")
assert _HEAD.size == HEADER.sizeof()
_CODES = {"u8": "B", "u16": "H", "u32": "I", "u64": "Q", "i8": "b", "i16": "h", "i32": "i"}


def _fixed(name: str) -> tuple[struct.Struct, tuple[tuple[str, int], ...]]:
    """The same payload for `struct`; and per field its name and length, 0 for a single value."""
    code, columns = "<", []
    for one in DEFINITION["messages"][name]["fields"]:
        kind, _, length = one["type"].partition("[")
        code += length.rstrip("]") + _CODES[kind]
        columns.append((one["name"], int(length.rstrip("]") or 0)))
    layout = struct.Struct(code)
    assert layout.size == LAYOUT[name].itemsize
    return layout, tuple(columns)


_FIXED = {name: _fixed(name) for name in LAYOUT}


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
        value = values[key]
        for one in value if isinstance(value, list | tuple) else (value,):
            if not isinstance(one, int) or not low <= one <= high:
                raise ValueError(f"{name}.{key} must be from {low} to {high}, not {one}")


def encode(name: str, session: int, seq: int, **fields: Any) -> bytes:
    """One whole frame, delimiter included. Reserved fields may be left out.

    Raises:
        ValueError: a field is missing, out of its range, or the message too long.
    """
    values = dict(fields)
    for definition in DEFINITION["messages"][name]["fields"]:
        if definition["name"] == "reserved":
            count = definition["type"].partition("[")[2].rstrip("]")
            values.setdefault("reserved", [0] * int(count) if count else 0)
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


def protocol_of(hello: bytes) -> int | None:
    """Protocol version in the body of a hello of any version; None if it is too short.

    Header and this field stay where they are in every version.
    """
    at = HEADER.sizeof()
    return int.from_bytes(hello[at : at + 2], "little") if len(hello) >= at + 2 else None


def layout_of(name: str, payload: bytes) -> Any:
    """The construct that reads a payload: hello of protocol version 1 was shorter."""
    return _HELLO_1 if name == "hello" and payload[:2] == b"\1\0" else PAYLOAD[name]


def _parse(name: str, payload: bytes) -> dict[str, Any]:
    """Fields of a payload as construct reads it."""
    try:
        parsed = layout_of(name, payload).parse(payload)
    except (c.ConstructError, UnicodeDecodeError) as error:
        reason = str(error).splitlines()[0]
        raise framing.FrameError(f"{name} does not fit its payload: {reason}") from None
    fields = {key: (list(v) if isinstance(v, c.ListContainer) else v) for key, v in parsed.items()}
    fields.pop("_io", None)
    return fields


def decode_body(body: bytes) -> Message:
    """The message in a frame's body (header and payload, CRC checked and taken off).

    An unknown type gives a Message without a name, to be skipped and counted.

    Raises:
        framing.FrameError: shorter than the header, or the payload does not fit its type.
    """
    if len(body) < _HEAD.size:
        raise framing.FrameError("shorter than its header")
    number, _, session, seq = _HEAD.unpack_from(body)
    name = NAME.get(number)
    if name is None:
        return Message(None, number, session, seq)
    layout, columns = _FIXED.get(name, (None, ()))
    fields: dict[str, Any]
    if layout is not None and len(body) == _HEAD.size + layout.size:
        flat = layout.unpack_from(body, _HEAD.size)
        fields, at = {}, 0
        for key, count in columns:
            fields[key] = list(flat[at : at + count]) if count else flat[at]
            at += count or 1
    else:
        fields = _parse(name, body[_HEAD.size :])
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
