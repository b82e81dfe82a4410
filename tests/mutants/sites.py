"""Where a file can be changed by a little, and what it then reads.

A change is one of: a comparison, an operator, a number, a condition or a flag turned round; a
bound, a rounding or a sign taken away; a line that stores or calls left out. Annotations, texts,
decorators and imports are left alone: they bear no number. So is `strict` of zip, an assertion.
"""

import ast
import copy
from collections.abc import Iterator
from dataclasses import dataclass

_COMPARED: dict[type[ast.cmpop], tuple[type[ast.cmpop], ...]] = {
    ast.Lt: (ast.LtE, ast.Gt),
    ast.LtE: (ast.Lt, ast.Gt),
    ast.Gt: (ast.GtE, ast.Lt),
    ast.GtE: (ast.Gt, ast.Lt),
    ast.Eq: (ast.NotEq,),
    ast.NotEq: (ast.Eq,),
    ast.Is: (ast.IsNot,),
    ast.IsNot: (ast.Is,),
    ast.In: (ast.NotIn,),
    ast.NotIn: (ast.In,),
}
_JOINED: dict[type[ast.operator], type[ast.operator]] = {
    ast.Add: ast.Sub,
    ast.Sub: ast.Add,
    ast.Mult: ast.Div,
    ast.Div: ast.Mult,
    ast.FloorDiv: ast.Mult,
    ast.Mod: ast.Add,
    ast.Pow: ast.Mult,
    ast.LShift: ast.RShift,
    ast.RShift: ast.LShift,
    ast.BitAnd: ast.BitOr,
    ast.BitOr: ast.BitAnd,
    ast.BitXor: ast.BitOr,
}
_CALLED = {
    "min": "max", "max": "min", "ceil": "floor", "floor": "ceil", "any": "all", "all": "any",
    "minimum": "maximum", "maximum": "minimum", "nanmin": "nanmax", "nanmax": "nanmin",
}  # fmt: skip
_NO_NUMBER = {"annotation", "returns", "decorator_list", "type_params", "bases"}
_PASSED_BY = (ast.JoinedStr, ast.Import, ast.ImportFrom, ast.Raise, ast.Assert)
_BARE = {"abs", "round", "sqrt", "fabs", "absolute", "negative", "sorted", "int"}


def function_at(text: str, line: int) -> str:
    """Name of the function that this line is in, with its class; empty outside of all."""
    names: list[str] = []
    inner: list[ast.AST] = [ast.parse(text)]
    while inner:
        node = inner.pop()
        for one in ast.iter_child_nodes(node):
            if isinstance(one, ast.stmt) and one.lineno <= line <= (one.end_lineno or 0):
                if isinstance(one, ast.FunctionDef | ast.ClassDef):
                    names.append(one.name)
                inner.append(one)
    return ".".join(names)


@dataclass(frozen=True)
class Mutant:
    """One change: the text between `begin` and `end` (characters) becomes `new`."""

    file: str
    line: int
    begin: int
    end: int
    old: str
    new: str

    def apply(self, text: str) -> str:
        """The whole file with the change."""
        return text[: self.begin] + self.new + text[self.end :]


def mutants(file: str, text: str) -> list[Mutant]:
    """All changes of one file that still compile and read otherwise than before."""
    starts = [0]
    for row in text.encode().splitlines(keepends=True):
        starts.append(starts[-1] + len(row))
    raw = text.encode()
    found: dict[tuple[int, int, str], Mutant] = {}
    for node, changed in _changes(ast.parse(text)):
        assert node.end_lineno is not None and node.end_col_offset is not None
        begin, end = (
            len(raw[: starts[line - 1] + column].decode())
            for line, column in (
                (node.lineno, node.col_offset), (node.end_lineno, node.end_col_offset),
            )
        )  # fmt: skip
        old, new = text[begin:end], ast.unparse(changed)
        if isinstance(node, ast.expr) and not isinstance(changed, ast.Constant):
            new = f"({new})"
        if old == new or ast.unparse(node) == ast.unparse(changed):
            continue
        found[begin, end, new] = Mutant(file, node.lineno, begin, end, old, new)
    return list(found.values())


def names_set(text: str, line: int) -> tuple[list[str], int]:
    """Names that a statement outside of all functions sets on this line; or, for a line of a
    function's head, the first line of its body (else 0)."""
    node: ast.AST = ast.parse(text)
    while True:
        for child in getattr(node, "body", []):
            if child.lineno <= line <= child.end_lineno:
                node = child
                break
        else:
            return [], 0
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            first = node.body[1 if ast.get_docstring(node) and len(node.body) > 1 else 0]
            return [], first.lineno if line < node.body[0].lineno else 0
        if isinstance(node, ast.Assign | ast.AnnAssign):
            targets = node.targets if isinstance(node, ast.Assign) else [node.target]
            named = [n.id for t in targets for n in ast.walk(t) if isinstance(n, ast.Name)]
            return named, 0
        if not isinstance(node, ast.ClassDef | ast.If | ast.Try):
            return [], 0


def _changes(tree: ast.Module) -> Iterator[tuple[ast.expr | ast.stmt, ast.AST]]:
    for node in _bearing(tree):
        if isinstance(node, ast.Compare):
            for k, op in enumerate(node.ops):
                for other in _COMPARED[type(op)]:
                    changed = copy.deepcopy(node)
                    changed.ops[k] = other()
                    yield node, changed
        elif isinstance(node, ast.BinOp) and type(node.op) in _JOINED:
            if not isinstance(node.left, ast.Constant | ast.JoinedStr) or not isinstance(
                getattr(node.left, "value", 0), str
            ):
                yield node, ast.BinOp(node.left, _JOINED[type(node.op)](), node.right)
        elif isinstance(node, ast.AugAssign) and type(node.op) in _JOINED:
            yield node, ast.AugAssign(node.target, _JOINED[type(node.op)](), node.value)
            yield node, ast.Pass()
        elif isinstance(node, ast.BoolOp):
            other_op = ast.Or() if isinstance(node.op, ast.And) else ast.And()
            yield node, ast.BoolOp(other_op, node.values)
        elif isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.Not | ast.USub | ast.Invert):
            yield node, node.operand
        elif isinstance(node, ast.Constant):
            yield from ((node, ast.Constant(value)) for value in _numbers(node.value))
        elif isinstance(node, ast.If | ast.While | ast.IfExp):
            yield node.test, ast.UnaryOp(ast.Not(), node.test)
        elif isinstance(node, ast.Call):
            yield from _calls(node)
        elif (
            isinstance(node, ast.Assign)
            and isinstance(node.targets[0], ast.Attribute | ast.Subscript)
        ) or (isinstance(node, ast.Expr) and isinstance(node.value, ast.Call)):
            yield node, ast.Pass()


def _numbers(value: object) -> list[bool | int | float]:
    if isinstance(value, bool):
        return [not value]
    if isinstance(value, int):
        return [value + 1, value - 1] if abs(value) > 1 else [value + 1]
    if isinstance(value, float):
        return [value * 2, value + 1.0] if value else [1.0]
    return []


def _calls(node: ast.Call) -> Iterator[tuple[ast.expr, ast.AST]]:
    name = node.func.id if isinstance(node.func, ast.Name) else getattr(node.func, "attr", "")
    if name in _CALLED and node.args:
        changed = copy.deepcopy(node)
        if isinstance(changed.func, ast.Name):
            changed.func.id = _CALLED[name]
        else:
            assert isinstance(changed.func, ast.Attribute)
            changed.func.attr = _CALLED[name]
        yield node, changed
    if name in _BARE and len(node.args) == 1 and not node.keywords:
        yield node, node.args[0]


def _bearing(tree: ast.AST) -> Iterator[ast.AST]:
    """All nodes that may bear a number: no annotation, decorator, text or import."""
    for name, value in ast.iter_fields(tree):
        if name in _NO_NUMBER or (name == "keywords" and isinstance(tree, ast.ClassDef)):
            continue
        for child in value if isinstance(value, list) else [value]:
            if not isinstance(child, ast.AST):
                continue
            if isinstance(child, ast.keyword) and ast.unparse(child) == "strict=True":
                continue
            if isinstance(
                child, ast.JoinedStr | ast.Import | ast.ImportFrom | ast.Raise | ast.Assert
            ):
                continue
            if isinstance(child, ast.If) and "TYPE_CHECKING" in ast.unparse(child.test):
                continue
            yield child
            yield from _bearing(child)
