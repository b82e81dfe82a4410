"""The case's source -> hardware/case/body.stl, lid.stl, by OpenSCAD.

    python hardware/layout/case.py

OpenSCAD puts the same triangles in another order each time; here they are sorted, each from its
least corner on, so that the files are the same to the byte.
"""

from __future__ import annotations

import struct
import subprocess
import sys
import tempfile
from pathlib import Path

CASE = Path(__file__).resolve().parents[1] / "case"


def ordered(data: bytes) -> bytes:
    """A binary STL with its triangles sorted; the corners keep their turn."""
    count = struct.unpack_from("<I", data, 80)[0]
    found = []
    for i in range(count):
        v = struct.unpack_from("<12f", data, 84 + 50 * i)
        normal, corners = v[:3], [v[3:6], v[6:9], v[9:12]]
        k = corners.index(min(corners))
        found.append((*(x for c in corners[k:] + corners[:k] for x in c), *normal))
    body = b"".join(struct.pack("<12fH", *t[9:], *t[:9], 0) for t in sorted(found))
    return b"sparkwitness case".ljust(80) + struct.pack("<I", count) + body


def main() -> int:
    """Both parts; exit code 1 where OpenSCAD is missing or complains."""
    for part in ("body", "lid"):
        with tempfile.TemporaryDirectory() as folder:
            target = Path(folder, "part.stl")
            command = ["openscad", "--export-format", "binstl", "-D", f'part="{part}"']
            try:
                done = subprocess.run(
                    [*command, "-o", str(target), str(CASE / "case.scad")],
                    capture_output=True,
                    text=True,
                    check=False,
                )
            except FileNotFoundError:
                print("openscad is missing: apt-get install openscad.", file=sys.stderr)
                return 1
            if done.returncode or "WARNING" in done.stderr:
                print(done.stderr, file=sys.stderr)
                return 1
            (CASE / f"{part}.stl").write_bytes(ordered(target.read_bytes()))
    return 0


if __name__ == "__main__":
    sys.exit(main())
