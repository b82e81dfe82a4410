"""What commands print as JSON: each name with its unit, and the schema of it all.

Both are made from the tables of `answers.toml`, so that what is printed and what is published
cannot differ. Results keep the short names by which the code and the logbook know them.
"""

import re
import tomllib
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from math import isfinite
from typing import Any

from sparkwitness.decode import wire
from sparkwitness.errors import UserError

_FIELD = re.compile(r"([a-z0-9_/]+)(\[\]|\{\})?(\?)?(?: from (\w+))?(?: \| (.+))?")
_NUMBER_ROW = {"type": "array", "items": {"type": ["number", "null"]}}
_PLAIN: dict[str, dict[str, Any]] = {
    "number": {"type": "number"},
    "whole": {"type": "integer"},
    "text": {"type": "string"},
    "yes": {"type": "boolean"},
    "span": {**_NUMBER_ROW, "minItems": 2, "maxItems": 2},
    "rows": {"type": "array", "items": _NUMBER_ROW},
    "any": {},
}


@dataclass(frozen=True)
class _Field:
    """One name: its kinds (any of them), "[]" or "{}" of them, null allowed, the result's key."""

    kinds: tuple[str, ...]
    many: str
    null: bool
    source: str
    words: str


_Table = dict[str, _Field]


@cache
def _definition() -> tuple[int, dict[str, _Table], dict[str, _Table]]:
    """Version, tables of the commands, and the others."""
    text = files("sparkwitness.faces").joinpath("answers.toml").read_text("utf-8")
    raw = tomllib.loads(text)
    version, commands = raw.pop("version"), raw.pop("command")

    def fields(rows: Mapping[str, Any]) -> _Table:
        made: _Table = {}
        for name, told in rows.items():
            if name == "also":
                continue
            match = _FIELD.fullmatch(told)
            if match is None:
                raise ValueError(f"answers.toml: {name} = {told!r} cannot be read")
            kinds, many, null, source, words = match.groups("")
            made[name] = _Field(tuple(kinds.split("/")), many, bool(null), source or name, words)
        for other in rows.get("also", ()):
            made |= fields(raw[other])
        return made

    others = {name: fields(rows) for name, rows in raw.items()}
    return version, {name: fields(rows) for name, rows in commands.items()}, others


def commands() -> tuple[str, ...]:
    """Every command that can print JSON, as it is typed."""
    return tuple(_definition()[1])


def publish(command: str, values: Mapping[str, Any]) -> dict[str, Any]:
    """What a command prints: its own name, the schema's version, and the values by their names.

    Args:
        command: one of `commands()`.
        values: plain values by the names of the code. What is not finite becomes null.
    """
    version, tables, _ = _definition()
    return {"command": command, "schema": version, **_named(tables[command], values)}


def _named(table: _Table, values: Mapping[str, Any]) -> dict[str, Any]:
    made = {}
    for name, field in table.items():
        if field.source in values:
            made[name] = _value(field, values[field.source])
        elif field.null:
            made[name] = None
    known = {field.source for field in table.values()}
    # A result of another version may have more.
    return made | {k: _finite(v) for k, v in values.items() if k not in known}


def _value(field: _Field, value: Any) -> Any:
    others = _definition()[2]
    tables = [others[kind] for kind in field.kinds if kind in others]
    if value is None or not tables:
        return _finite(value)
    if field.many == "[]":
        return [_of(tables, one) for one in value]
    if field.many == "{}":
        return {key: _of(tables, one) for key, one in value.items()}
    return _of(tables, value)


def _of(tables: list[_Table], value: Any) -> Any:
    """A value by that table which knows most of its names."""
    if not isinstance(value, Mapping):
        return _finite(value)

    def known(table: _Table) -> float:
        sources = {field.source for field in table.values()}
        return len(sources & value.keys()) / len(sources | value.keys())

    return _named(max(tables, key=known), value)


def _finite(value: Any) -> Any:
    """JSON knows neither NaN nor infinity."""
    if isinstance(value, Mapping):
        return {k: _finite(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [_finite(v) for v in value]
    return None if isinstance(value, float) and not isfinite(value) else value


def schema(command: str | None = None, closed: bool = False) -> dict[str, Any]:
    """JSON Schema, draft 2020-12, of what one command prints, or of all.

    Args:
        command: one of `commands()`; None: all.
        closed: names that it does not know are refused, for tests of this version.

    Raises:
        UserError: no such command prints JSON.
    """
    version, tables, others = _definition()
    if command is not None and command not in tables:
        raise UserError(f"no command {command!r} prints JSON; those that do: {', '.join(tables)}")
    chosen = (command,) if command is not None else tuple(tables)
    wanted: dict[str, _Table] = {}

    def gather(table: _Table) -> None:
        for kind in (k for field in table.values() for k in field.kinds if k in others):
            if kind not in wanted:
                wanted[kind] = others[kind]
                gather(others[kind])

    answers = {}
    for name in chosen:
        gather(tables[name])
        made = _object(tables[name], closed)
        own = {"command": {"const": name}, "schema": {"const": version}}
        made["properties"] = own | made["properties"]
        made["required"] = [*own, *made["required"]]
        answers[name] = made
    body = answers[command] if command is not None else {"oneOf": list(answers.values())}
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "$id": ":".join(["urn:sparkwitness:json", str(version), *(command or "").split()]),
        "title": f"sparkwitness {command} --json" if command else "sparkwitness, all --json",
        **body,
        "$defs": {name: _object(table, closed) for name, table in sorted(wanted.items())},
    }


def _object(table: _Table, closed: bool) -> dict[str, Any]:
    made: dict[str, Any] = {
        "type": "object",
        "properties": {name: _property(field, closed) for name, field in table.items()},
        "required": list(table),
    }
    return {**made, "additionalProperties": False} if closed else made


def _property(field: _Field, closed: bool) -> dict[str, Any]:
    # What an older version kept is anything; what this one computes is one of the others.
    kinds = [k for k in field.kinds if not (closed and k == "any" and len(field.kinds) > 1)]
    made = [{**_PLAIN[k]} if k in _PLAIN else {"$ref": f"#/$defs/{k}"} for k in kinds]
    one = made[0] if len(made) == 1 else {"anyOf": made}
    if field.many == "[]":
        one = {"type": "array", "items": one}
    elif field.many == "{}":
        one = {"type": "object", "additionalProperties": one}
    if field.null and one:
        one = {"anyOf": [one, {"type": "null"}]}
    return {"description": field.words, **one} if field.words else one


def names() -> Iterator[tuple[str, str, str]]:
    """(table, name, kind) of everything that is published."""
    _, tables, others = _definition()
    for table, rows in (tables | others).items():
        for name, field in rows.items():
            yield table, name, field.kinds[0]


def board(hello: Mapping[str, Any]) -> dict[str, Any]:
    """A board's hello as plain values, as received or as it was kept."""

    def inputs(bits: Any) -> list[str]:
        return [name for i, name in enumerate(wire.INPUTS) if bits >> i & 1]

    def word(enum: str, value: Any) -> str:
        return next((k for k, v in wire.ENUMS[enum].items() if v == value), str(value))

    shown: dict[str, Callable[[Any], Any]] = {
        "firmware": lambda parts: ".".join(map(str, parts)),
        "uid": lambda uid: uid if isinstance(uid, str) else bytes(uid).hex(),
        "state": lambda value: word("state", value),
        "checksum": lambda value: word("checksum", value),
        "enabled": inputs,
        "falling": inputs,
        "both": inputs,
    }
    return {name: shown[name](value) if name in shown else value for name, value in hello.items()}
