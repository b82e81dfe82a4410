"""The same view in a terminal, for a laptop without a browser."""

from typing import Any

from rich.console import Group, RenderableType
from rich.padding import Padding
from rich.rule import Rule
from rich.table import Table
from rich.text import Text

_STATES = {
    "streaming": "streaming",
    "silent": "NO BYTES",
    "lost": "BOARD AWAY",
    "connecting": "connecting",
}
_HELD = ("standing", "no_spark")


def held(shown: dict[str, Any]) -> bool:
    """Whether the numbers are of a moment that is over."""
    return shown["link"]["state"] != "streaming" or shown["engine"] in _HELD


def render(shown: dict[str, Any]) -> RenderableType:
    """One view as text."""
    old = held(shown)
    big = "dim" if old else "bold"
    rows = Table.grid(padding=(0, 3))
    rows.add_column(style="dim", no_wrap=True)
    rows.add_column(no_wrap=False)
    rows.add_row("link", _link(shown["link"]))
    timing, error, rpm, sparks = (shown[name] for name in ("timing", "error", "rpm", "sparks"))
    where = shown.get("where")
    if where:
        asks, answers = where["controller"], where["module"]
        if asks:
            text = f"{asks['text']}  {asks['within']}"
            rows.add_row("controller", Text(text, style=big) + Text(f"  {asks['word']}"))
        text = f"{answers['text']}  {answers['within']}"
        rows.add_row("module", Text(text, style=big) + Text(f"  {answers['word']}"))
    rows.add_row("speed", Text(f"{rpm['text']} rpm  {rpm['within']}" if rpm else "—", style=big))
    if timing:
        text = f"{timing['text']} {timing['side']}  {timing['within']}"
        rows.add_row("true timing", Text(text, style=big))
        rows.add_row("", timing["scatter"])
    else:
        rows.add_row("true timing", "—")
    if error:
        text = f"{error['text']}  {error['within']}"
        against = f"  {error['word']}; commanded {shown['commanded']['text']}"
        rows.add_row("error", Text(text, style=big) + Text(against))
    elif shown["commanded"] is None:
        rows.add_row("error", "needs --commanded, the angle the controller is locked at")
    rows.add_row("sparks per event", f"{sparks['text']}  {sparks['detail']}" if sparks else "—")
    if shown.get("burst"):
        rows.add_row("burst", shown["burst"])
    if shown["next"]:
        rows.add_row("next setting", Text(shown["next"]["text"], style=big)
                     + Text(f"  {shown['next']['detail']}"))  # fmt: skip
    if where:
        rows.add_row("by cause", where["causes"])
        if where["dwell"]:
            rows.add_row("dwell", where["dwell"])
    for name, said in (*(shown.get("start") or ()), *(shown.get("rotor") or ())):
        rows.add_row(name, said)
    if shown["supply"]:
        rows.add_row("supply", shown["supply"])
    rows.add_row("not counted", shown["left_out"])
    rows.add_row("lost", Text(shown["lost"], style="bold" if shown["anything_lost"] else ""))
    if shown["recording"]:
        rows.add_row("recording", shown["recording"])
    notes: list[RenderableType] = [Text(f"! {note}") for note in shown["notes"]]
    each = shown.get("cylinders")
    if each:
        table = Table(box=None, padding=(0, 1))
        for head in each["heads"]:
            table.add_column(head, justify="right", no_wrap=True)
        for row in each["rows"]:
            table.add_row(*row)
        notes = [Padding(table, (0, 1)), *(Text(f"→ {line}") for line in each["words"]), *notes]
    state = "held: not of this moment" if old else f"live, {shown['seconds']:.0f} s"
    return Group(Rule(f"{state}; Ctrl-C ends", style="dim"), Padding(rows, (0, 1)), *notes)


def _link(link: dict[str, Any]) -> Text:
    text = f"{_STATES[link['state']]} {link['board']}".rstrip()
    if link["state"] == "streaming":
        return Text(text)
    return Text(f"{text} for {link['for_s']:.0f} s: {link['text']}", style="bold")
