"""KiCad's own rule check of the schematic, and its net list against board.net -> erc.txt.

    python hardware/layout/erc.py EESCHEMA_DO BOARD

KiCad 6 does both in its window only: EESCHEMA_DO is the command of PyPI's kiauto, which works that
window on a display of its own (Debian: xvfb, xdotool, xclip).
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import footprints
import kept
import parts
import rules
import verify


def joined(net_list: str) -> set[frozenset[tuple[str, str]]]:
    """Pins that KiCad's net list joins, as groups of (reference, pin); none of one alone."""
    groups = set()
    for net in kept.children(kept.first(kept.parse(net_list), "nets"), "net"):
        pins = frozenset(
            (kept.first(node, "ref")[1], kept.first(node, "pin")[1])
            for node in kept.children(net, "node")
        )
        if len(pins) > 1:
            groups.add(pins)
    return groups


def wanted() -> set[frozenset[tuple[str, str]]]:
    """The same of board.net, without what hangs on cables."""
    nets: dict[str, set[tuple[str, str]]] = {}
    for reference, pads in parts.read_pads().items():
        for pin, node in pads.items() if reference not in footprints.OFF_BOARD else ():
            nets.setdefault(node, set()).add((reference, pin))
    return {frozenset(pins) for pins in nets.values() if len(pins) > 1}


def main() -> int:
    """Write BOARD/erc.txt; exit code 1 where KiCad finds an error or other nets."""
    command, board = sys.argv[1], Path(sys.argv[2])
    with tempfile.TemporaryDirectory() as temporary:
        folder = Path(temporary)
        for path in board.iterdir():
            if (
                path.suffix in (".kicad_sch", ".kicad_sym", ".kicad_pro")
                or path.name == "sym-lib-table"
            ):
                shutil.copy(path, folder)
        (folder / "home").mkdir()
        environment = {**os.environ, "HOME": str(folder / "home")}
        for task in ("run_erc", "netlist"):
            for _ in range(3):  # a window that comes late is tried again
                done = subprocess.run(
                    [command, task, f"{rules.NAME}.kicad_sch", str(folder)], cwd=folder,
                    env=environment, capture_output=True, text=True, check=False,
                )  # fmt: skip
                if (folder / f"{rules.NAME}.{'erc' if task == 'run_erc' else 'net'}").exists():
                    break
            else:
                print(done.stdout + done.stderr, file=sys.stderr)
                return 1
        report = (folder / f"{rules.NAME}.erc").read_text(encoding="utf-8")
        report = re.sub(r"^ERC report \(.*\)\n", "ERC report of KiCad 6\n", report)
        got = joined((folder / f"{rules.NAME}.net").read_text(encoding="utf-8"))
    want = wanted()
    heads = [
        f"** Of {p.name}, SHA-256 {verify.digest(p)}" for p in sorted(board.glob("*.kicad_sch"))
    ]
    nets = f"** Net list of KiCad: {len(got)} nets of two pins or more, "
    nets += "equal to board.net" if got == want else "NOT equal to board.net"
    (board / "erc.txt").write_text("\n".join((*heads, nets, report)), encoding="utf-8")
    for group in sorted(sorted(g) for g in got ^ want):
        print(
            "KiCad's net list and board.net differ at",
            *(f"{r} {p}" for r, p in group),
            file=sys.stderr,
        )
    found = re.search(r"ERC messages:.*", report)
    print(found[0] if found else "no result", "·", nets.strip("* "))
    return 1 if got != want or "Severity: error" in report else 0


if __name__ == "__main__":
    sys.exit(main())
