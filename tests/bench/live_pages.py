"""What ten open pages cost a live capture: ten pages against none, in the same run.

    python tests/bench/live_pages.py [SECONDS]

The pages are real sockets in a process of their own; times are the capture thread's own CPU.
"""

import statistics
import subprocess
import sys
import time
from itertools import pairwise
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent))
from live_rig import serving, wait_until

PAGES, ROUNDS = 10, 3
READER = """
import asyncio, sys
from websockets.asyncio.client import connect

async def look():
    async with connect(sys.argv[1], origin=sys.argv[2], compression=None, max_size=None) as page:
        async for _ in page:
            pass

async def main():
    await asyncio.gather(*(look() for _ in range(int(sys.argv[3]))))

asyncio.run(main())
"""


def used(thread: int) -> float:
    """CPU seconds of a thread of this process (Linux)."""
    fields = Path(f"/proc/self/task/{thread}/stat").read_text().rsplit(")", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) / 100


def main() -> None:
    seconds = float(sys.argv[1]) if len(sys.argv) > 1 else 12.0
    spent: dict[int, list[float]] = {0: [], PAGES: []}
    gaps: dict[int, list[float]] = {0: [], PAGES: []}
    with serving("marine-four") as rig:
        rig.newest.wait(lambda v: v["error"])
        thread = rig.capture._thread.native_id or 0

        def phase(pages: int) -> None:
            before, looks, begun = used(thread), len(rig.newest.times), time.monotonic()
            time.sleep(seconds)
            spent[pages].append((used(thread) - before) / (time.monotonic() - begun))
            gaps[pages] += [b - a for a, b in pairwise(rig.newest.times[looks:])]

        for _ in range(ROUNDS):
            phase(0)
            reader = subprocess.Popen(
                [sys.executable, "-c", READER, rig.socket_url, f"http://{rig.host}", str(PAGES)]
            )
            try:
                wait_until(lambda: rig.pages.count == PAGES)
                phase(PAGES)
            finally:
                reader.kill()
                reader.wait()
            wait_until(lambda: rig.pages.count == 0)
        lost = rig.newest.view["lost"]
    for pages in (0, PAGES):
        print(
            f"{pages:2d} pages: capture's CPU {statistics.mean(spent[pages]):.4f} s/s, "
            f"views every {statistics.median(gaps[pages]):.3f} s, worst {max(gaps[pages]):.3f} s"
        )
    print(f"ratio {statistics.mean(spent[PAGES]) / statistics.mean(spent[0]):.2f}; lost: {lost}")


if __name__ == "__main__":
    main()
