"""`make mutants` changes what bears a number, and nothing else."""

import ast
import subprocess
import tomllib
from pathlib import Path

from firmware_board import FIRMWARE, micropython
from meter_rig import FAKES
from mutants.seen import ROOT, noting
from mutants.sites import function_at, mutants, names_set

EQUIVALENT = ROOT / "tests" / "mutants" / "equivalent.toml"
TEXT = '''
def f(x: int = 3, *, name: str | None = None) -> float | None:
    """Not 1 + 1."""
    if x < 10 and not name:
        raise ValueError(f"{x + 1} is too small")
    self.count += 1
    return min(x - 1, 2.5) or None
'''


def test_each_change_compiles_and_is_one_that_bears_a_number() -> None:
    found = mutants("f.py", TEXT)
    told = {(m.old, m.new) for m in found}
    assert told >= {
        ("3", "4"), ("3", "2"), ("x < 10", "(x <= 10)"), ("x < 10", "(x > 10)"), ("10", "11"),
        ("x < 10 and not name", "(x < 10 or not name)"), ("not name", "(name)"),
        ("self.count += 1", "self.count -= 1"), ("self.count += 1", "pass"), ("1", "2"),
        ("min(x - 1, 2.5)", "(max(x - 1, 2.5))"), ("x - 1", "(x + 1)"), ("2.5", "5.0"),
    }  # fmt: skip
    assert not [m for m in found if m.line in (3, 5) or "str" in m.old]
    assert not mutants("f.py", "z = zip(a, b, strict=True)\n")  # an assertion
    assert mutants("f.py", "z = zip(a, b, strict=False)\n")
    for mutant in found:
        changed = mutant.apply(TEXT)
        assert ast.dump(ast.parse(changed)) != ast.dump(ast.parse(TEXT)), mutant
        lines = zip(changed.splitlines(), TEXT.splitlines(), strict=True)
        assert sum(a != b for a, b in lines) == 1, mutant


def test_the_traced_copy_of_the_firmware_runs_and_notes_what_is_called(tmp_path: Path) -> None:
    """A meter with its panel, functions of bytecode and of native code: the notes name them all."""
    places = noting(tmp_path / "firmware")
    notes = tmp_path / "notes"
    script = FAKES + "meter = make(Board(), teeth=36, missing=1)\nclock.now += 300\nmeter.turn(0)"
    told = subprocess.run(
        [micropython(), "-c", script],
        env={"MICROPYPATH": f"{tmp_path / 'firmware'}:.frozen", "SPARKWITNESS_NOTES": str(notes)},
        capture_output=True, check=False,
    )  # fmt: skip
    assert told.returncode == 0, told.stdout
    called = {(places[int(n)][0], line) for n in notes.read_text().split()
              for line in places[int(n)][1]}  # fmt: skip
    for file, row in (
        ("meter", "def _judge("), ("panel", "def connect("), ("crank", "def _follow("),
        ("bound", "def set("), ("wire", "PROTOCOL ="),
    ):  # fmt: skip
        lines = (FIRMWARE / f"{file}.py").read_text(encoding="utf-8").splitlines()
        line = next(n for n, text in enumerate(lines, 1) if text.strip().startswith(row))
        assert (f"firmware/{file}.py", line + 1) in called, row
    lines = (FIRMWARE / "limits.py").read_text(encoding="utf-8").splitlines()
    assert ("firmware/limits.py", lines.index("def drive_fault(order):") + 1) not in called


def test_each_equivalent_is_a_change_that_can_be_drawn_and_stands_once() -> None:
    """A line that stands in several places of its file: the entry says in how many, or in which
    function; else what is true of one would be believed of all. At most a tenth of a file's."""
    listed = tomllib.loads(EQUIVALENT.read_text(encoding="utf-8"))["mutant"]
    names = ("file", "line", "old", "new", "within")
    assert len({tuple(one.get(name) for name in names) for one in listed}) == len(listed)
    for file in {one["file"] for one in listed}:
        text = (ROOT / file).read_text(encoding="utf-8")
        rows = [row.strip() for row in text.splitlines()]
        at: dict[tuple[str, str, str], set[int]] = {}
        drawn = mutants(file, text)
        for m in drawn:
            at.setdefault((rows[m.line - 1], m.old, m.new), set()).add(m.line)
        equivalent = 0
        for one in (one for one in listed if one["file"] == file):
            lines = at.get((one["line"], one["old"], one["new"]), set())
            if "within" in one:
                lines = {line for line in lines if function_at(text, line) == one["within"]}
            assert len(lines) == one.get("places", 1), one
            equivalent += len(lines)
        assert equivalent <= 0.1 * len(drawn), file


def test_the_function_of_a_line() -> None:
    text = "x = 1\nclass A:\n    y = 2\n    def f(self):\n        if x:\n            return 3\n"
    assert [function_at(text, n) for n in (1, 3, 4, 5, 6)] == ["", "A", "A.f", "A.f", "A.f"]


def test_a_constant_is_tried_where_its_name_stands() -> None:
    text = "A = 3\nclass B:\n    c: int = (\n 4\n )\n    def f(self, g=5):\n        return A\n"
    assert [names_set(text, n) for n in range(1, 8)] == [
        (["A"], 0), ([], 0), (["c"], 0), (["c"], 0), (["c"], 0), ([], 7), ([], 0),
    ]  # fmt: skip
