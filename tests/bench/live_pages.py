"""What those who look cost a live capture: readers that are slow, half-open, or come back again and
again, against nobody, in the same run.

    python tests/bench/live_pages.py [--seconds 12] [--visits 1500]

The board and those who look are processes of their own. Lateness is the time from the board's
stamp of a heartbeat to the measuring loop that takes it, less the least of the run; CPU is that
of the capture thread. Exit code 1 if an edge is lost, or fewer views are made than with nobody.
"""

import argparse
import json
import statistics
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from itertools import pairwise
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent.parent))
from live_rig import Newest, Rig, running, wait_until
from sparkwitness.decode import framing, wire
from sparkwitness.faces.live import server, stream
from sparkwitness.faces.live.capture import Capture
from sparkwitness.timing.setup import Setup

BOARD = """
import json, sys
from sparkwitness.cli import sources
with sources.board(sys.argv[1], None, speed=1.0) as source:
    print(json.dumps([source.simulated.port, source.setup]), flush=True)
    sys.stdin.read()
"""
# Each gets the port, the token and a number; those without end are killed.
COMMON = """
import base64, os, select, socket, sys, time
port, token, number = int(sys.argv[1]), sys.argv[2], int(sys.argv[3])
host = f"127.0.0.1:{port}"
def connected(small=False):
    one = socket.socket()
    if small:
        one.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 1)
    one.settimeout(5)
    one.connect(("127.0.0.1", port))
    return one
def page(small=False):
    one = connected(small)
    one.sendall((f"GET /stream?token={token} HTTP/1.1\\r\\nHost: {host}\\r\\n"
        f"Origin: http://{host}\\r\\nUpgrade: websocket\\r\\nConnection: Upgrade\\r\\n"
        "Sec-WebSocket-Version: 13\\r\\nSec-WebSocket-Key: AAAAAAAAAAAAAAAAAAAAAA==\\r\\n\\r\\n"
        ).encode())
    return one
def said(text):
    data = text.encode()
    return bytes([0x81, 0x80 | len(data), 0, 0, 0, 0]) + data  # masked by zeros
def answers(one):
    # Pongs for the pings among what has come.
    data = one.recv(1 << 20)
    if not data:
        raise ConnectionError
    at = data.rfind(b"\\x89\\x04")
    if at >= 0 and len(data) >= at + 6:
        one.sendall(b"\\x8a\\x84\\0\\0\\0\\0" + data[at + 2 : at + 6])
held = []
"""
WAYS = {
    "pages": (10, """
held = [page() for _ in range(number)]
while True:
    for one in select.select(held, [], [])[0]:
        answers(one)
"""),
    "pages that talk": (10, """
held, due = [page() for _ in range(number)], time.monotonic()
while True:
    for one in select.select(held, [], [], 0.05)[0]:
        answers(one)
    if time.monotonic() > due:
        due += 0.3
        for one in held:
            one.sendall(said('{"do": "nothing", "id": 1}'))
"""),
    "slow readers": (24, """
held = [page(True) for _ in range(number)]
while True:
    time.sleep(0.5)
    for k, one in enumerate(held):
        try:
            one.recv(1)  # a byte at a time
        except OSError:
            one.close()
            held[k] = page(True)
"""),
    "half-open": (64, """
while True:
    try:
        one = connected()
        one.sendall(b"GET / HTTP/1.1\\r\\nHost: ")  # and never the rest
        held.append(one)
    except OSError:
        time.sleep(0.1)
    if len(held) > number:
        held.pop(0).close()
        time.sleep(0.02)
"""),
    "coming back": (0, """
for _ in range(number):
    try:
        with connected() as one:
            one.sendall(b"GET /page.js HTTP/1.1\\r\\nHost: nobody\\r\\n\\r\\n")
            one.recv(100)
    except OSError:
        pass
"""),
}  # fmt: skip
LEAST_VIEWS = 0.8  # of those that are made with nobody


class Lateness:
    """When each heartbeat was stamped by the board and taken by the loop, both in s."""

    def __init__(self, capture: Capture) -> None:
        self._taken: list[tuple[float, bytes]] = []
        take = capture._take

        def noted(data: bytes) -> None:
            self._taken.append((time.monotonic(), data))
            take(data)

        capture._take = noted  # type: ignore[method-assign]

    def since_start(self, tick_s: float) -> np.ndarray:
        """Rows of (taken, late), late less the least of all."""
        rows, partial = [], b""
        for taken, data in self._taken:
            *frames, partial = (partial + data).split(b"\0")
            for frame in frames:
                if len(frame) > 12 and frame[1] == wire.NUMBER["heartbeat"]:
                    try:
                        message = wire.decode(frame)
                    except framing.FrameError:
                        continue
                    rows.append((taken, taken - message.fields["time"] * tick_s))
        made = np.array(rows)
        made[:, 1] -= made[:, 1].min()
        return made


def used(thread: int) -> float:
    """CPU seconds of a thread of this process (Linux)."""
    fields = Path(f"/proc/self/task/{thread}/stat").read_text().rsplit(")", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) / 100


@contextmanager
def elsewhere(*arguments: object) -> Iterator[subprocess.Popen[str]]:
    """A Python process with a script, ended at the end."""
    words = [sys.executable, "-c", *map(str, arguments)]
    with subprocess.Popen(words, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as one:
        try:
            yield one
        finally:
            one.kill()


@contextmanager
def serving(scenario: str) -> Iterator[tuple[Rig, Lateness]]:
    """A capture with its page, on a board that is simulated in another process."""
    listener, address = server.listen(0, False)
    broadcast, newest = stream.Broadcast(), Newest()

    def both(view: dict[str, object]) -> None:
        newest.publish(view)
        broadcast.publish(view)

    with listener, elsewhere(BOARD, scenario) as board:
        assert board.stdout is not None
        port, setup = json.loads(board.stdout.readline())
        capture = Capture(lambda: port, Setup.from_dict(setup), both)
        late = Lateness(capture)
        capture.start()
        try:
            rig = Rig(capture, None, newest, address, stream.Pages(broadcast, capture.ask))
            with running(rig, listener):
                yield rig, late
        finally:
            capture.close()


def main() -> int:
    parser = argparse.ArgumentParser()
    parser.add_argument("--seconds", type=float, default=12.0)
    parser.add_argument("--visits", type=int, default=1500)
    parser.add_argument("--scenario", default="marine-four")
    given = parser.parse_args()
    spans: dict[str, list[tuple[float, float]]] = {}
    spent: dict[str, list[float]] = {}
    with serving(given.scenario) as (rig, late):
        rig.newest.wait(lambda v: v["error"])
        thread = rig.capture._thread.native_id or 0

        def phase(name: str, until: "subprocess.Popen[str] | None" = None) -> None:
            before, begun = used(thread), time.monotonic()
            if until is None:
                time.sleep(given.seconds)
            else:
                until.wait()
            now = time.monotonic()
            spent.setdefault(name, []).append((used(thread) - before) / (now - begun))
            spans.setdefault(name, []).append((begun, now))

        phase("nobody")
        for name, (number, script) in WAYS.items():
            number = number or given.visits
            who = (COMMON + script, rig.address.port, rig.address.token, number)
            with elsewhere(*who) as looking:
                if name == "coming back":
                    phase(name, looking)
                else:
                    time.sleep(1.0)
                    phase(name)
                    assert looking.poll() is None, f"{name}: gave up"
            wait_until(lambda: rig.pages.count == 0, 30)
            phase("nobody")
        lost, anything = (rig.newest.view[name] for name in ("lost", "anything_lost"))
        tick_s = rig.capture._analyzer.tick_ps * 1e-12
        times = np.array(rig.newest.times)
        rows = late.since_start(tick_s)

    def views(name: str) -> tuple[float, float]:
        """A second, and the longest pause, s."""
        gaps = [
            b - a for first, last in spans[name]
            for a, b in pairwise(times[(times > first) & (times < last)])
        ]  # fmt: skip
        return len(gaps) / sum(gaps), max(gaps)

    calm, slow = views("nobody"), []
    print("lateness of the loop, ms; views a second; CPU of the capture, s/s; ratios to nobody")
    print(f"{'who looks':<18}{'median':>8}{'99 %':>8}{'worst':>8}{'ratio':>7}{'views':>8}"
          f"{'pause':>8}{'CPU':>8}{'ratio':>7}")  # fmt: skip
    ordinary = None
    for name in ("nobody", *WAYS):
        which = np.zeros(len(rows), bool)
        for first, last in spans[name]:
            which |= (rows[:, 0] > first) & (rows[:, 0] < last)
        median, most, worst = np.percentile(rows[which, 1], [50, 99, 100]) * 1e3
        rate, pause = views(name)
        cpu = statistics.mean(spent[name])
        ordinary = ordinary or (most, cpu)
        print(f"{name:<18}{median:8.1f}{most:8.1f}{worst:8.1f}{most / ordinary[0]:7.2f}{rate:8.2f}"
              f"{pause:8.3f}{cpu:8.4f}{cpu / ordinary[1]:7.2f}", flush=True)  # fmt: skip
        if rate < LEAST_VIEWS * calm[0]:
            slow.append(name)
    print(f"lost: {lost}" + (f"; fewer views with {', '.join(slow)}" if slow else ""))
    return bool(slow) or bool(anything)


if __name__ == "__main__":
    sys.exit(main())
