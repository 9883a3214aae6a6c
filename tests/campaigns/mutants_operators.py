"""What one small change of a source text may be: the operators, on the syntax tree.

Never changed are annotations, decorators, docstrings, imports, aliases of types, and `__all__` and `__slots__`. The order in
which the mutants of a text are found is part of the face: the sample that a seed draws hangs on it.
"""

import ast
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

_OTHERS: dict[type, type] = {
    ast.Add: ast.Sub,
    ast.Sub: ast.Add,
    ast.Mult: ast.Div,
    ast.Div: ast.Mult,
    ast.FloorDiv: ast.Mult,
    ast.Mod: ast.Div,
    ast.Pow: ast.Mult,
    ast.BitAnd: ast.BitOr,
    ast.BitOr: ast.BitAnd,
    ast.BitXor: ast.BitAnd,
    ast.LShift: ast.RShift,
    ast.RShift: ast.LShift,
    ast.MatMult: ast.Mult,
    ast.And: ast.Or,
    ast.Or: ast.And,
}
_EDGES: dict[type, type] = {
    ast.Lt: ast.LtE,
    ast.LtE: ast.Lt,
    ast.Gt: ast.GtE,
    ast.GtE: ast.Gt,
}
_NEGATED: dict[type, type] = {
    ast.Lt: ast.GtE,
    ast.LtE: ast.Gt,
    ast.Gt: ast.LtE,
    ast.GtE: ast.Lt,
    ast.Eq: ast.NotEq,
    ast.NotEq: ast.Eq,
    ast.Is: ast.IsNot,
    ast.IsNot: ast.Is,
    ast.In: ast.NotIn,
    ast.NotIn: ast.In,
}
_PAIRS = (
    ("min", "max"),
    ("any", "all"),
    ("minimum", "maximum"),
    ("nanmin", "nanmax"),
    ("argmin", "argmax"),
    ("fmin", "fmax"),
    ("zeros", "ones"),
    ("floor", "ceil"),
)
_TWINS = dict(_PAIRS) | {second: first for first, second in _PAIRS}
_PREFIXES = {ast.Not: "dropped not", ast.USub: "dropped minus", ast.Invert: "dropped ~"}
_GENERICS = frozenset(
    {"NDArray", "Mapping", "Sequence", "tuple", "list", "dict", "Callable"}
)
_TYPED = frozenset({"cast", "TypeVar", "NewType"})
_LISTS = frozenset({"__all__", "__slots__"})
_TENTH = 1.1


@dataclass(frozen=True, slots=True)
class Mutant:
    """One change of one file: the node in the order of `ast.walk`, and which of its changes."""

    path: str
    node: int
    choice: int
    kind: str
    line: int
    statement: tuple[int, int]
    """First and last line of the statement, or of a compound statement's head."""
    is_inside: bool
    """It lies in a function's body, so that it can be put in place after the import."""


@dataclass(frozen=True, slots=True)
class _Change:
    """A change of a node: what it returns takes the node's place."""

    kind: str
    make: Callable[[Any], ast.AST]
    part: Callable[[Any], ast.AST] = lambda node: node
    """What of the node is shown."""


def mutants_of(path: str, source: str) -> list[Mutant]:
    """Every mutant of a source text."""
    tree = ast.parse(source)
    alone = _left_alone(tree)
    places: dict[int, tuple[tuple[int, int], bool]] = {}
    _place(tree, (0, 0), places, is_inside=False)
    found: list[Mutant] = []
    for number, node in enumerate(ast.walk(tree)):
        if id(node) in alone:
            continue
        for choice, change in enumerate(_changes(node)):
            line = getattr(node, "lineno", 0) or node.iter.lineno  # type: ignore[attr-defined]  # a comprehension
            place = places[id(node)]
            found.append(Mutant(path, number, choice, change.kind, line, *place))
    return found


def mutated(source: str, mutant: Mutant) -> ast.Module:
    """The syntax tree with the change in it; what is not changed keeps its place in the text."""
    tree = ast.parse(source)
    node, change = _found(tree, mutant)
    tree = _Put(node, change.make(node)).visit(tree)
    return ast.fix_missing_locations(tree)


def changed_words(source: str, mutant: Mutant) -> str:
    """The change in words: its kind, what was there, and what stands there now."""
    node, change = _found(ast.parse(source), mutant)
    was = ast.unparse(change.part(node))
    new = change.make(node)
    now = "" if mutant.kind.endswith(" dropped") else ast.unparse(change.part(new))
    return f"{mutant.kind}: {was} -> {now}".rstrip()


def is_no_change(source: str, mutant: Mutant) -> bool:
    """The program says the same as before: one more than a number so large is that number."""
    return ast.dump(mutated(source, mutant)) == ast.dump(ast.parse(source))


class _Put(ast.NodeTransformer):
    """Puts one node in the place of another."""

    def __init__(self, old: ast.AST, new: ast.AST) -> None:
        self._old = old
        self._new = new

    def visit(self, node: ast.AST) -> Any:
        return self._new if node is self._old else self.generic_visit(node)


def _found(tree: ast.Module, mutant: Mutant) -> tuple[ast.AST, _Change]:
    node = list(ast.walk(tree))[mutant.node]
    return node, list(_changes(node))[mutant.choice]


def _left_alone(tree: ast.Module) -> set[int]:
    roots = [root for node in ast.walk(tree) for root in _roots_left_alone(node)]
    roots += [
        node
        for node in tree.body
        if isinstance(node, ast.Assign)
        and isinstance(node.value, ast.BinOp)
        and isinstance(node.value.op, ast.BitOr)
    ]
    return {id(node) for root in roots for node in ast.walk(root)}


def _roots_left_alone(node: ast.AST) -> Iterator[ast.AST]:
    match node:
        case ast.AnnAssign(annotation=annotation):
            yield annotation
        case ast.arg(annotation=ast.AST() as annotation):
            yield annotation
        case ast.FunctionDef() | ast.AsyncFunctionDef() | ast.ClassDef():
            yield from node.decorator_list
            yield from filter(None, [getattr(node, "returns", None)])
        case ast.Expr(value=ast.Constant()) | ast.Import() | ast.ImportFrom():
            yield node
        case ast.Assign(targets=[ast.Name(id=name)]) if name in _LISTS:
            yield node
        case (
            ast.Subscript(value=ast.Name(id=name)) | ast.Call(func=ast.Name(id=name))
        ) if name in (_TYPED if isinstance(node, ast.Call) else _GENERICS):
            yield node


def _place(
    node: ast.AST,
    lines: tuple[int, int],
    places: dict[int, tuple[tuple[int, int], bool]],
    *,
    is_inside: bool,
) -> None:
    """Note for each node the lines of its statement, and whether it lies in a function's body."""
    body = getattr(node, "body", None)
    if isinstance(body, list) and body and not isinstance(node, ast.Module):
        lines = _head(node, body)
    elif isinstance(node, ast.stmt):
        lines = (node.lineno, node.end_lineno or node.lineno)
    places[id(node)] = (lines, is_inside)
    is_function = isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef)
    for name, value in ast.iter_fields(node):
        within = is_inside or (is_function and name == "body")
        for child in value if isinstance(value, list) else [value]:
            if isinstance(child, ast.AST):
                _place(child, lines, places, is_inside=within)


def _head(node: Any, body: list[ast.stmt]) -> tuple[int, int]:
    first = node.pattern if isinstance(node, ast.match_case) else node
    begins = [first, *getattr(node, "decorator_list", [])]
    return min(each.lineno for each in begins), max(first.lineno, body[0].lineno - 1)


def _changes(node: ast.AST) -> Iterator[_Change]:
    for operator in _OPERATORS:
        yield from operator(node)


def _operators(node: ast.AST) -> Iterator[_Change]:
    if isinstance(node, ast.BinOp | ast.AugAssign):
        yield _Change("operator", _with_other_operator)


def _with_other_operator(node: Any) -> ast.AST:
    node.op = _OTHERS[type(node.op)]()
    return node


def _prefixes(node: ast.AST) -> Iterator[_Change]:
    if isinstance(node, ast.UnaryOp) and type(node.op) in _PREFIXES:
        yield _Change(_PREFIXES[type(node.op)], lambda n: n.operand)


def _comparisons(node: ast.AST) -> Iterator[_Change]:
    if not isinstance(node, ast.Compare):
        return
    for place, operator in enumerate(node.ops):
        if type(operator) in _EDGES:
            yield _Change("comparison's edge", _with_comparison(_EDGES, place))
        yield _Change("comparison negated", _with_comparison(_NEGATED, place))


def _with_comparison(table: dict[type, type], place: int) -> Callable[[Any], ast.AST]:
    def make(node: Any) -> ast.AST:
        node.ops[place] = table[type(node.ops[place])]()
        return node

    return make


def _conjunctions(node: ast.AST) -> Iterator[_Change]:
    if isinstance(node, ast.BoolOp):
        yield _Change("and/or", _with_other_operator)


def _constants(node: ast.AST) -> Iterator[_Change]:
    if not isinstance(node, ast.Constant):
        return
    value = node.value
    if isinstance(value, bool):
        yield _Change("bool", lambda _: ast.Constant(not value))
    elif isinstance(value, int | float):
        yield _Change("number", lambda _: ast.Constant(value + 1))
        if isinstance(value, float) and value not in {0.0, 1.0}:
            yield _Change("number by a tenth", lambda _: ast.Constant(value * _TENTH))
    elif isinstance(value, str) and value.strip():
        yield _Change("text", lambda _: ast.Constant(f"XX{value}XX"))


def _conditions(node: ast.AST) -> Iterator[_Change]:
    """Conditions that are no comparison and have no `not`: those are changed themselves."""
    if isinstance(node, ast.If | ast.While | ast.IfExp) and not isinstance(
        node.test, ast.Compare | ast.UnaryOp
    ):
        yield _Change("condition negated", _with_test_negated, lambda n: n.test)


def _with_test_negated(node: Any) -> ast.AST:
    node.test = ast.UnaryOp(ast.Not(), node.test)
    return node


def _filters(node: ast.AST) -> Iterator[_Change]:
    if not isinstance(node, ast.comprehension):
        return
    for place in range(len(node.ifs)):
        part = _nth("ifs", place)
        yield _Change("condition negated", _with_filter_negated(place), part)
        yield _Change("condition dropped", _without("ifs", place), part)


def _with_filter_negated(place: int) -> Callable[[Any], ast.AST]:
    def make(node: Any) -> ast.AST:
        node.ifs[place] = ast.UnaryOp(ast.Not(), node.ifs[place])
        return node

    return make


def _returns(node: ast.AST) -> Iterator[_Change]:
    is_none = isinstance(node, ast.Return) and (
        node.value is None
        or (isinstance(node.value, ast.Constant) and node.value.value is None)
    )
    if isinstance(node, ast.Return) and not is_none:
        yield _Change("return None", lambda _: ast.Return(ast.Constant(None)))


def _calls(node: ast.AST) -> Iterator[_Change]:
    if not isinstance(node, ast.Call):
        return
    name = getattr(node.func, "id", getattr(node.func, "attr", ""))
    if name in _TWINS:
        yield _Change("min/max", _with_twin)
    if name == "abs" and len(node.args) == 1:
        yield _Change("dropped abs", lambda n: n.args[0])
    if len(node.args) + len(node.keywords) > 1:
        yield from _arguments(node)


def _with_twin(node: Any) -> ast.AST:
    field = "id" if isinstance(node.func, ast.Name) else "attr"
    setattr(node.func, field, _TWINS[getattr(node.func, field)])
    return node


def _arguments(node: ast.Call) -> Iterator[_Change]:
    for place, argument in enumerate(node.args):
        if not isinstance(argument, ast.Starred):
            make = _without("args", place)
            yield _Change("argument dropped", make, _nth("args", place))
    for place, keyword in enumerate(node.keywords):
        if keyword.arg is not None:
            make = _without("keywords", place)
            yield _Change("argument dropped", make, _nth("keywords", place))


def _nth(field: str, place: int) -> Callable[[Any], ast.AST]:
    return lambda node: getattr(node, field)[place]


def _without(field: str, place: int) -> Callable[[Any], ast.AST]:
    def make(node: Any) -> ast.AST:
        del getattr(node, field)[place]
        return node

    return make


def _statements(node: ast.AST) -> Iterator[_Change]:
    if isinstance(node, ast.Break):
        yield _Change("break/continue", lambda _: ast.Continue())
    if isinstance(node, ast.Continue):
        yield _Change("break/continue", lambda _: ast.Break())
    is_call = isinstance(node, ast.Expr) and isinstance(node.value, ast.Call)
    if is_call or isinstance(node, ast.AugAssign):
        yield _Change("statement dropped", lambda _: ast.Pass())


_OPERATORS = (
    _operators,
    _prefixes,
    _comparisons,
    _conjunctions,
    _constants,
    _conditions,
    _filters,
    _returns,
    _calls,
    _statements,
)
