"""`make mutants` changes what bears a number, and nothing else."""

import ast

from mutants.sites import mutants

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
    for mutant in found:
        changed = mutant.apply(TEXT)
        assert ast.dump(ast.parse(changed)) != ast.dump(ast.parse(TEXT)), mutant
        lines = zip(changed.splitlines(), TEXT.splitlines(), strict=True)
        assert sum(a != b for a, b in lines) == 1, mutant
