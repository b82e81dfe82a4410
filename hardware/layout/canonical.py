"""A KiCad file as it must come out each time: blocks in the order of what they say, and UUIDs made
from
that. KiCad draws its UUIDs at random and sorts by them."""

from __future__ import annotations

import re
import uuid

SPACE = uuid.uuid5(uuid.NAMESPACE_URL, "sparkwitness")
_STAMP = re.compile(r"\(tstamp [0-9a-f-]{36}\)")


def name(*words: object) -> str:
    """The UUID that belongs to a name."""
    return str(uuid.uuid5(SPACE, "/".join(map(str, words))))


def blocks(text: str) -> tuple[str, list[str], str]:
    """A node as its head, its children (each with the space before it) and its end."""
    depth, start, found, quoted, skip = 0, 0, [], False, False
    head = ""
    for i, c in enumerate(text):
        if skip:
            skip = False
        elif quoted:
            skip, quoted = c == "\\", c != '"'
        elif c == '"':
            quoted = True
        elif c == "(":
            if depth == 1 and not head:
                head, start = text[:i].rstrip(), len(text[:i].rstrip())
            depth += 1
        elif c == ")":
            depth -= 1
            if depth == 1:
                found.append(text[start : i + 1])
                start = i + 1
    return head, found, text[start:]


def _ordered(text: str) -> str:
    """A node without stamps, stamped children sorted within their kind, in footprints too."""
    head, children, end = blocks(text)
    groups: dict[str, list[int]] = {}
    for i, child in enumerate(children):
        kind = re.match(r"\s*\((\w+)", child)
        if kind and kind[1] not in ("tstamp", "net", "path") and "(tstamp)" in child:
            groups.setdefault(kind[1], []).append(i)
            if kind[1] == "footprint":
                children[i] = _ordered(child)
    for at in groups.values():
        # the space before a place stays there: the first of a kind has a blank line
        spaces = [children[i][: -len(children[i].lstrip())] for i in at]
        own = sorted(children[i].lstrip() for i in at)
        for i, space, child in zip(at, spaces, own, strict=True):
            children[i] = space + child
    return head + "".join(children) + end


def text(board: str) -> str:
    """The whole file, pours' corners packed on long lines."""
    board = re.sub(r"\)\n\s+\(xy ", ") (xy ", board)
    head, children, end = blocks(_ordered(_STAMP.sub("(tstamp)", board)))
    seen: dict[str, int] = {}
    for i, child in enumerate(children):
        own = child.strip()
        seen[own] = seen.get(own, 0) + 1
        pieces = child.split("(tstamp)")
        stamps = [f"(tstamp {name(own, seen[own], k)})" for k in range(len(pieces) - 1)]
        children[i] = "".join(a + b for a, b in zip(pieces, [*stamps, ""], strict=True))
    return head + "".join(children) + end
