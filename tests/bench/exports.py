"""Exports and summaries: speed as ratios against a named peer in the same run, and peak memory.

    python tests/bench/exports.py [MINUTES]

Makes a recording of an eight's coil lead at 3000 rpm with a 36-1 wheel (2 150 edges/s), and copies
of it for the summary.
"""

import json
import os
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent.parent))
from sparkwitness.timing.angle import Reference
from sparkwitness.timing.setup import Setup
from streams import TICK_PS, Stream

SETUP = Setup(Reference(36, 1, 1, 72.0, 0.1), commanded=16.0, cylinders=8, clamp="coil")
REV = int(0.02 / (TICK_PS * 1e-12))


def make(path: Path, seconds: float) -> int:
    """Write the recording; gives its number of edges."""
    rng = np.random.default_rng(1)
    header = {
        "format": "sparkwitness recording", "version": 1, "board": {"tick_ps": TICK_PS},
        "utc_start": "2026-01-01T00:00:00.000+00:00", "setup": SETUP.to_dict(),
    }  # fmt: skip
    made, edges = Stream(), 0
    teeth = np.arange(35) * (REV / 36)
    with open(path, "wb") as file:
        file.write(json.dumps(header).encode() + b"\n\0")
        made.hello()
        made.heartbeat(0)
        for begin in range(0, int(seconds / 0.02), 5):
            turn = np.arange(begin, begin + 5)[:, None] * REV + 1000
            crank = np.rint(turn + teeth).astype(np.int64).ravel()
            spark = turn + (np.arange(4) + 0.1) * REV / 4 + rng.normal(0, 20, (5, 4))
            spark = np.rint(spark).astype(np.int64).ravel()
            made.edges(0, crank)
            made.edges(1, spark)
            made.edges(3, spark - 500)
            made.heartbeat((begin + 5) * REV)
            edges += len(crank) + 2 * len(spark)
            file.write(b"".join(made.frames))
            made.frames.clear()
    return edges


def timed(command: list[str]) -> tuple[float, float]:
    """Seconds and peak memory in MB of a command in a process of its own."""
    start = time.perf_counter()
    code = (
        "import resource, subprocess, sys\n"
        "subprocess.run(sys.argv[1:], check=True, stdout=subprocess.DEVNULL,"
        " stderr=subprocess.DEVNULL)\n"
        "print(resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss)"
    )
    out = subprocess.run([sys.executable, "-c", code, *command], capture_output=True, check=True)
    return time.perf_counter() - start, int(out.stdout) / 1024


PANDAS = """
import sys, pandas, pyarrow.parquet
pyarrow.parquet.read_table(sys.argv[1]).to_pandas().to_csv(sys.argv[2], index=False)
"""


def main() -> None:
    minutes = float(sys.argv[1]) if len(sys.argv) > 1 else 10
    tool = [sys.executable, "-c", "from sparkwitness.cli import main; main()"]
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        short, long = folder / "short.rec", folder / "long.rec"
        make(short, 6 * minutes)
        edges = make(long, 60 * minutes)
        print(f"{minutes:g} minutes, {edges} edges, {long.stat().st_size / 1e6:.1f} MB")
        for to in ("csv", "parquet", "vcd", "mdf4"):
            row = []
            for path in (short, long):
                out = str(folder / f"{path.stem}-{to}")
                row.append(timed([*tool, "export", str(path), "--to", to, "--out", out]))
            print(
                f"{to:8} {row[1][0]:6.1f} s  {edges / row[1][0] / 1e3:6.0f} k edges/s  peak "
                f"{row[1][1]:4.0f} MB, of a tenth of the length {row[0][1]:4.0f} MB"
            )
        # Peer: pandas writes the same edges from a table that is ready in memory.
        table = str(folder / "long-parquet-edges.parquet")
        peer = timed([sys.executable, "-c", PANDAS, table, str(folder / "peer.csv")])
        edges_only = timed([*tool, "export", str(long), "--to", "csv", "--only", "edges",
                            "--out", str(folder / "own")])  # fmt: skip
        print(
            f"CSV of the edges: {edges_only[0] / peer[0]:.2f} times the time and "
            f"{edges_only[1] / peer[1]:.2f} times the memory of pandas, decoding included"
        )
        many = folder / "many"
        many.mkdir()
        for k in range(3 * (os.cpu_count() or 1)):
            shutil.copy(long, many / f"{k}.rec")
        runs = [
            timed([*tool, "summarize", str(many), "--jobs", str(n), "--out", f"{folder}/{n}.pq"])
            for n in (1, os.cpu_count() or 1)
        ]
        print(
            f"summarize: {runs[0][0] / runs[1][0]:.2f} times as fast with {os.cpu_count()} "
            "processes as with one"
        )


if __name__ == "__main__":
    main()
