"""Labels to print, 1:1 on A4, for the case and the cables: hardware/case/labels.svg.

python hardware/layout/labels.py             write it
python hardware/layout/labels.py --check     exit code 1 where it is not up to date
"""

from __future__ import annotations

import sys
from pathlib import Path
from xml.sax.saxutils import escape

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import parts

TARGET = parts.FOLDER / "case" / "labels.svg"
# On the case beside each opening: connector, words, whether it is a danger.
CASE = [
    ("J601", "POINTS, COIL NEGATIVE", "1 points · 2 engine · 400 V", True),
    ("J801", "SUPPLY SENSE", "1 ignition + · 2 engine block: the one ground lead", False),
    ("J701", "ISOLATED TAP", "1 12 V · 2 5 V · 3 return · shares no ground", True),
    ("J501", "TRIGGER", "1 5 V out · 2 signal · 3 ground", False),
    ("J401", "CRANK, HALL OR LOGIC", "1 5 V out · 2 signal · 3 ground", False),
    ("J301", "CRANK, VR", "1 signal · 2 sensor ground", False),
    ("J201", "CLAMP B", "coil lead", False),
    ("J101", "CLAMP A", "lead of cylinder 1", False),
    (
        "J901",
        "BENCH TRIGGER",
        "1 open collector · 2 push-pull · 3 ground: removed module only",
        True,
    ),
    ("J911", "BENCH CRANK", "1 open collector · 2 push-pull · 3 ground: removed module only", True),
    ("J951", "LAMP", "blinding: never at eyes", True),
    ("M1", "USB", "the only supply", False),
]
# Flags round the cables' ends: words, colour of the flag.
CABLES = [
    ("CLAMP A", "#ffffff"), ("CLAMP B", "#ffffff"), ("BOND TO BLOCK", "#c8e6c9"),
    ("GROUND: BLOCK", "#c8e6c9"), ("IGNITION +", "#ffcdd2"), ("CRANK", "#bbdefb"),
    ("TRIGGER", "#bbdefb"), ("POINTS 400 V", "#ffe082"), ("ISOLATED", "#ffe082"),
    ("MODULE TRIGGER", "#e1bee7"), ("MODULE CRANK", "#e1bee7"), ("LAMP", "#ffffff"),
]  # fmt: skip
LID = [
    "Engine off, key out while you connect. Supply of a module off first, before and after.",
    "Never on a plug lead, a coil tower or the output of a capacitive module.",
    "The service manual, local codes and licensed practice come first.",
]


def svg() -> str:
    """The sheet."""
    out = [
        '<svg xmlns="http://www.w3.org/2000/svg" width="210mm" height="297mm" viewBox="0 0 '
        '210 297" '
        'font-family="DejaVu Sans, Arial, sans-serif"><title>sparkwitness, labels</title>'
        '<text x="10" y="9" font-size="3">sparkwitness: labels, print at 100 %. This line '
        "is 100 mm long:"
        '</text><path d="M100 8h100" stroke="#000" stroke-width="0.3"/>'
    ]
    for i, (reference, name, pins, danger) in enumerate(CASE):
        x, y = 10 + 95 * (i % 2), 14 + 16 * (i // 2)
        fill = "#ffe082" if danger else "#ffffff"
        mark = "⚠ " if danger else ""
        out.append(
            f'<g transform="translate({x} {y})"><rect width="92" height="13" rx="1" fill="{fill}" '
            f'stroke="#000" stroke-width="0.2"/><text x="2" y="5.6" font-size="4.4" '
            f'font-weight="bold">'
            f'{mark}{escape(name)}</text><text x="90" y="5.2" font-size="2.6" '
            f'text-anchor="end">{reference}'
            f'</text><text x="2" y="10.6" font-size="2.7">{escape(pins)}</text></g>'
        )
    for i, (words, fill) in enumerate(CABLES):
        x, y = 10 + 48 * (i % 4), 116 + 26 * (i // 4)
        flag = "".join(
            f'<text x="22" y="{6 + 11 * k}" font-size="3.4" font-weight="bold" '
            f'text-anchor="middle">'
            f"{escape(words)}</text>"
            for k in (0, 1)
        )
        out.append(
            f'<g transform="translate({x} {y})"><rect width="44" height="22" fill="{fill}" '
            f'stroke="#000" '
            f'stroke-width="0.2"/><path d="M0 11h44" stroke="#888" stroke-width="0.2" '
            f'stroke-dasharray="1 1"/>{flag}</g>'
        )
    out.append('<g transform="translate(10 200)"><rect width="150" height="26" fill="#ffe082" '
               'stroke="#000" stroke-width="0.2"/>')  # fmt: skip
    for i, line in enumerate(LID):
        out.append(f'<text x="3" y="{7 + 7 * i}" font-size="3.1">⚠ {escape(line)}</text>')
    out.append("</g></svg>\n")
    return "".join(out)


def main() -> int:
    """Write or check."""
    return parts.generated(__doc__, [(TARGET, svg(), "case/labels.svg")])


if __name__ == "__main__":
    sys.exit(main())
