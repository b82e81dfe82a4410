"""The picture of one engine cycle for a report: crank angle along, cylinders down."""

from typing import Any

from sparkwitness.faces import plots
from sparkwitness.faces.plots import BLUE, GREEN, INK, PALE, VERMILLION, Plot
from sparkwitness.timing.gates import btdc


def plot(cycle: dict[str, Any]) -> Plot:
    """The picture, from `timing.cycle.Cycle.to_dict`.

    Raises:
        UserError: matplotlib is not installed.
    """
    lines, span = cycle["lines"], cycle["span_deg"]
    commanded = cycle["commanded_deg_btdc"]
    # One line alone is drawn around its dead centre.
    alone = len(lines) == 1

    def make(axes: Any) -> str:
        told: set[str] = set()

        def label(text: str) -> str | None:
            known = text in told
            told.add(text)
            return None if known else text

        for y, one in enumerate(lines):
            tdc = one["after_deg"]
            axes.plot([tdc, tdc], [y - 0.42, y + 0.42], color=PALE, lw=1,
                      label=label("top dead centre"))  # fmt: skip
            if one["on_deg_btdc"] is not None:
                left, right = tdc - one["on_deg_btdc"], tdc - one["trigger_deg_btdc"]
                axes.barh(y, right - left, left=left, height=0.3, color=PALE, alpha=0.5, lw=0,
                          label=label("dwell"))  # fmt: skip
            if one["trigger_deg_btdc"] is not None:
                at = tdc - one["trigger_deg_btdc"]
                axes.plot([at, at], [y - 0.3, y + 0.3], color=GREEN, lw=1.6,
                          label=label("trigger"))  # fmt: skip
            sparks = [tdc - a for a in one["sparks_deg_btdc"]]
            axes.plot(sparks, [y + 0.22] * len(sparks), "|", ms=7, color=BLUE,
                      label=label("first sparks"))  # fmt: skip
            if one["ends_deg_btdc"] is not None and sparks:
                middle = sum(sparks) / len(sparks)
                axes.plot([middle, tdc - one["ends_deg_btdc"]], [y + 0.22] * 2, color=BLUE, lw=0.8,
                          label=label("sparks to the last"))  # fmt: skip
            if commanded is not None:
                at = tdc - commanded
                axes.plot([at, at], [y - 0.42, y + 0.42], "--", color=VERMILLION, lw=1.2,
                          label=label("commanded"))  # fmt: skip
        axes.set_yticks(range(len(lines)), [one["name"] for one in lines])
        for mark, one in zip(axes.get_yticklabels(), lines, strict=True):
            mark.set_fontweight("bold" if one["differs"] else "normal")
            mark.set_color(INK)
        axes.set_ylim(len(lines) - 0.5, -0.5)
        axes.grid(visible=False, axis="y")
        axes.set_xlabel("crank angle, ° after the first firing's top dead centre")
        axes.set_ylabel("" if alone else "cylinder")
        if not alone:
            axes.set_xlim(-max(60.0, 0.1 * span), span - 0.5 * span / len(lines))
        axes.legend(loc="center left", bbox_to_anchor=(1.0, 0.5))
        return words(cycle)

    return plots.drawn(make, "One engine cycle", wide=True)


def words(cycle: dict[str, Any]) -> str:
    """The same in words."""
    said = []
    for one in cycle["lines"]:
        sparks = one["sparks_deg_btdc"]
        if not sparks:
            continue
        name = f"Cylinder {one['name']}: sparks" if one["name"] else "Sparks"
        text = f"{name} at {btdc(sum(sparks) / len(sparks))}"
        if one["trigger_deg_btdc"] is not None:
            text += f", trigger at {btdc(one['trigger_deg_btdc'])}"
        if one["on_deg_btdc"] is not None:
            text += f", dwell from {btdc(one['on_deg_btdc'])}"
        said.append(text + (f" (differs in {', '.join(one['differs'])})" if one["differs"] else ""))
    if cycle["commanded_deg_btdc"] is not None:
        said.append(f"Commanded {btdc(cycle['commanded_deg_btdc'])}")
    return ". ".join(said) + "."
