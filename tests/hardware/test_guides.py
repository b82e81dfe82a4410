"""Every `sparkwitness` command in hardware/'s guides is run, on a simulated board or a fresh one.

The words of the guide are kept; only where the board is (`--port`, `--simulate`) and that the
cautions are read (`--yes`) is added. So an option that is renamed fails here.
"""

import json
import re
import shlex
from pathlib import Path

import pytest
from click.testing import CliRunner

from board_at_prompt import PromptBoard
from sparkwitness.cli import main
from sparkwitness.device import loopback

HARDWARE = Path(__file__).resolve().parents[2] / "hardware"
GUIDES = ("build.md", "board.md", "wiring.md", "bring-up.md", "first-spark.md")
NEEDS_BOARD = "sparkwitness board install"
# What stands in for the board and the engine, by the command's first words.
STAND_IN = {
    "sparkwitness board identify": ["--simulate", "idle-four"],
    "sparkwitness board selftest": ["--simulate", "bench-jumpers", "--seconds", "2", "--yes"],
    "sparkwitness tdc lamp": ["--simulate", "idle-four", "--seconds", "1", "--yes"],
    "sparkwitness measure": ["--simulate", "pulse-far", "--yes", "--json"],
    "sparkwitness demo": [],
}


def commands() -> list[str]:
    """All of them, once each."""
    found = []
    for name in GUIDES:
        text = (HARDWARE / name).read_text(encoding="utf-8")
        found += re.findall(r"(?m)`(sparkwitness [^`\n]+)`|^ +(sparkwitness .+)$", text)
    return list(dict.fromkeys(inline or line for inline, line in found))


def test_guides_give_the_commands_that_are_run_here() -> None:
    given = commands()
    assert {c for c in STAND_IN for g in given if g.startswith(c)} == set(STAND_IN)
    assert NEEDS_BOARD in given
    assert all(g == NEEDS_BOARD or g.startswith(tuple(STAND_IN)) for g in given), given


@pytest.mark.parametrize("command", [c for c in commands() if c != NEEDS_BOARD])
def test_command_of_a_guide_runs(
    command: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("SPARKWITNESS_LOGBOOK", str(tmp_path / "book.db"))
    more = next(v for k, v in STAND_IN.items() if command.startswith(k))
    result = CliRunner().invoke(main, shlex.split(command)[1:] + more)
    assert result.exit_code == 0, result.output
    if "--json" in more:
        found = json.loads(result.stdout)
        said = float(re.search(r"--commanded (\S+)", command)[1])
        error = found["timing_deg_btdc"] - said
        assert found["error_deg"] == pytest.approx(error) and found["error_expanded_deg"] > 0
        recorded = re.search(r"--record (\S+)", command)
        assert recorded and (tmp_path / recorded[1]).stat().st_size > 0


def test_board_install_of_the_guides_runs(tmp_path: Path) -> None:
    with PromptBoard(tmp_path) as board:
        result = CliRunner().invoke(main, [*shlex.split(NEEDS_BOARD)[1:], "--port", board.port])
        assert result.exit_code == 0, result.output
        found = CliRunner().invoke(main, ["board", "identify", "--port", board.port])
        assert found.exit_code == 0 and "protocol" in found.output, found.output


def test_bring_up_and_the_self_test_agree() -> None:
    """Jumpers, pins and limits of the guide are those that the self-test asks for and judges by."""
    text = (HARDWARE / "bring-up.md").read_text(encoding="utf-8")
    section = text.partition("## 4. Self-test")[2].partition("\n## ")[0]
    rows = re.findall(r"\| J\d+ \| `(\w+)` GP(\d+) \| `(\w+)` GP(\d+) \|", section)
    gpio = {name: str(one["gpio"]) for name, one in loopback.PINS["pins"].items()}
    assert sorted((a, b) for a, _, b, _ in rows) == sorted(loopback.LOOPBACK)
    assert all((gpio[a], gpio[b]) == (x, y) for a, x, b, y in rows)
    assert f"within {loopback.TICK_PPM:g} ppm" in section
    result = CliRunner().invoke(
        main,
        ["board", "selftest", "--simulate", "bench-jumpers", "--seconds", "2", "--json", "--yes"],
    )
    names = {check["name"] for check in json.loads(result.stdout)["checks"]}
    words = " ".join(section.split())
    said = {"count": "counts", "skew": "skew", "period": "period", "tick": "tick's length",
            "delay": "a known delay", "supply": "supply reading", "full": "full load",
            "losses": "losses"}  # fmt: skip
    assert {name.split()[0].strip(",") for name in names} == set(said)
    assert all(word in words for word in said.values())
