"""The mutants of a module: small changes that a test ought to notice, made by mutmut's operators
and three of our own.

Not changed, as no test should hold them: docstrings and other bare strings, annotations, type
aliases, `__all__`, imports, decorators, what is raised (the condition before it is), `description=` of a
setting, `strict=` of a zip. A string is changed once, not once in each case.
"""

from __future__ import annotations

import ast
import hashlib
import re
from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import libcst as cst
from libcst.metadata import MetadataWrapper, PositionProvider
from mutmut.mutation.file_mutation import deep_replace
from mutmut.mutation.mutators import mutation_operators, operator_string

NEVER = (cst.Annotation, cst.Import, cst.ImportFrom, cst.Decorator, cst.Raise)
HELD = ("description", "strict")
SAME_CALLS = ("len", "isinstance", "TypeVar", "cast", "Literal")
Span = tuple[int, int]


@dataclass(frozen=True)
class Mutant:
    """One change. `span`.

    The lines of the function it lies in, None where it acts at import (then any test may notice).
    """

    key: str
    path: Path
    line: int
    function: str
    span: Span | None
    kind: str
    before: str
    after: str
    tree: cst.Module
    old: cst.CSTNode
    new: cst.CSTNode

    def source(self) -> str:
        """The module's text with the change."""
        changed = deep_replace(self.tree, self.old, self.new)
        assert isinstance(changed, cst.Module)
        return changed.code


def operator_words(node: cst.FormattedStringText) -> Iterable[cst.CSTNode]:
    """Words between the values of an f-string."""
    if re.search(r"\w", node.value):
        yield node.with_changes(value="XX" + node.value)


def operator_figure(node: cst.SimpleString | cst.FormattedStringText) -> Iterable[cst.CSTNode]:
    """The first digit within a text: a figure on a sheet, a number of decimals."""
    if re.search(r"\d", node.value) and "\\" not in node.value and not node.value.startswith('"""'):
        yield node.with_changes(
            value=re.sub(r"\d", lambda d: str((int(d[0]) + 1) % 10), node.value, count=1)
        )


def operator_once(node: cst.BaseString) -> Iterable[cst.CSTNode]:
    """The first change mutmut makes of a string; its others differ in case only."""
    yield from list(operator_string(node))[:1]


SQL = re.compile(
    r"\b(SELECT|WHERE|FROM|JOIN|INTERVAL|GROUP BY|ORDER BY|QUALIFY|USING|IS NULL|IS NOT NULL|AND|OR)\b"
)
SQL_TURNS = {
    "<=": "<", ">=": ">", "<>": "=", "<": "<=", ">": ">=", "=": "<>", "+": "-", "-": "+", "AND": "OR", "OR": "AND", "ASC": "DESC",
    "DESC": "ASC", "IS NOT NULL": "IS NULL", "IS NULL": "IS NOT NULL", "LEFT JOIN": "JOIN", "SEMI JOIN": "ANTI JOIN",
    "ANTI JOIN": "SEMI JOIN", "UNION ALL": "EXCEPT ALL", "DAY": "HOUR", "HOUR": "DAY", "SECOND": "HOUR", "min(": "max(",
    "max(": "min(", "least(": "greatest(", "greatest(": "least(", "bool_or(": "bool_and(", "arg_min(": "arg_max(",
    "lead(": "lag(", "true": "false", "false": "true",
}  # fmt: skip


def _token(token: str) -> str:
    if token[0].isalpha():
        return rf"(?<!CREATE )\b{re.escape(token)}" + (r"\b" if token[-1].isalpha() else "")
    return rf"(?<![<>=$]){re.escape(token)}(?![<>=])"


SQL_TOKEN = re.compile(
    "|".join(_token(t) for t in sorted(SQL_TURNS, key=len, reverse=True))
    + r"|\bcoalesce\((\w+(?:\.\w+)?|\w+\(\w+\)), |(?<![\w$.])\d+\b"
)
"""Where a text of SQL can be turned: a comparison, a join, the least of some, a unit of time, coalesce's order, a number."""


def operator_sql(node: cst.SimpleString | cst.FormattedStringText) -> Iterable[cst.CSTNode]:
    """Each token of a text that holds SQL, turned into its opposite or its neighbour.

    Coalesce without its first.
    """
    text = node.value
    if not SQL.search(text):
        return
    for found in SQL_TOKEN.finditer(text):
        token = found[0]
        new = str(int(token) + 1) if token.isdigit() else SQL_TURNS.get(token, "coalesce(")
        yield node.with_changes(value=text[: found.start()] + new + text[found.end() :])


NAME_TURNS = {
    "min": "max", "first": "last", "forward_fill": "backward_fill", "is_null": "is_not_null", "any": "all",
    "max_horizontal": "min_horizontal", "cum_max": "cum_min", "argmax": "argmin",
    "maximum": "minimum",
}  # fmt: skip
NAME_TURNS |= {b: a for a, b in NAME_TURNS.items()}


def operator_name(node: cst.Attribute) -> Iterable[cst.CSTNode]:
    """A method whose opposite has a name: `.first()` for `.last()`, of a column or of an array."""
    if new := NAME_TURNS.get(node.attr.value):
        yield node.with_changes(attr=cst.Name(new))


HOW_TURNS = {
    "how": {"left": "inner", "inner": "left", "full": "left", "anti": "semi", "semi": "anti"},
    "closed": {"left": "right", "right": "left", "both": "left"},
    "keep": {"first": "last", "last": "first"},
    "strategy": {"nearest": "backward", "forward": "backward"},
    "side": {"left": "right", "right": "left"},
}


def operator_how(node: cst.Arg) -> Iterable[cst.CSTNode]:
    """How a join keeps rows, which side of an interval is closed, which of the like stays."""
    if node.keyword and isinstance(node.value, cst.SimpleString):
        word = str(node.value.evaluated_value)
        if turned := HOW_TURNS.get(node.keyword.value, {}).get(word):
            yield node.with_changes(value=cst.SimpleString(f'"{turned}"'))


OPERATORS: list[tuple[type, Any]] = [
    *(
        (kind, operator_once if operator is operator_string else operator)
        for kind, operator in mutation_operators
    ),
    (cst.FormattedStringText, operator_words),
    (cst.FormattedStringText, operator_figure),
    (cst.SimpleString, operator_figure),
    (cst.SimpleString, operator_sql),
    (cst.FormattedStringText, operator_sql),
    (cst.Attribute, operator_name),
    (cst.Arg, operator_how),
]


class _Finder(cst.CSTVisitor):
    """Walks a module; `found` holds (node, its change, kind, line, function, span)."""

    METADATA_DEPENDENCIES = (PositionProvider,)

    def __init__(self) -> None:
        super().__init__()
        self.found: list[tuple[cst.CSTNode, cst.CSTNode, str, int, str, Span | None]] = []
        self.places: list[tuple[str, Span | None]] = [("", None)]
        self.names: list[str] = []
        self.in_spec: set[int] = set()

    def on_visit(self, node: cst.CSTNode) -> bool:
        if isinstance(node, NEVER) or _says_nothing(node) or (not self.names and _is_alias(node)):
            return False
        if isinstance(node, cst.FormattedStringExpression):
            self.in_spec |= {id(part) for part in node.format_spec or ()}
        if isinstance(node, cst.FunctionDef | cst.ClassDef):
            self.names.append(node.name.value)
        if isinstance(node, cst.FunctionDef):
            where = self.get_metadata(PositionProvider, node)
            body = self.get_metadata(PositionProvider, node.body).start.line
            outer = self.places[-1][1]
            # a decorated function may be kept or called elsewhere than it seems
            span = outer or (None if node.decorators else (body, where.end.line))
            self.places.append((".".join(self.names), span))
        elif isinstance(node, cst.Parameters):
            self.places.append((self.places[-1][0], None))
        self._change(node)
        return True

    def on_leave(self, original_node: cst.CSTNode) -> None:
        if isinstance(original_node, cst.FunctionDef | cst.ClassDef):
            self.names.pop()
        if isinstance(original_node, cst.FunctionDef | cst.Parameters):
            self.places.pop()

    def _change(self, node: cst.CSTNode) -> None:
        if (
            isinstance(node, cst.Call)
            and isinstance(node.func, cst.Name)
            and node.func.value in SAME_CALLS
        ):
            return
        for kind, operator in OPERATORS:
            if not isinstance(node, kind) or (
                id(node) in self.in_spec and operator is operator_words
            ):
                continue
            line = self.get_metadata(PositionProvider, node).start.line
            for new in operator(node):
                if not _drops_held(node, new):
                    self.found.append(
                        (
                            node,
                            new,
                            operator.__name__.removeprefix("operator_"),
                            line,
                            *self.places[-1],
                        )
                    )


def _says_nothing(node: cst.CSTNode) -> bool:
    if isinstance(node, cst.Expr):
        return isinstance(node.value, cst.BaseString)
    return isinstance(node, cst.Arg) and node.keyword is not None and node.keyword.value in HELD


def _is_alias(node: cst.CSTNode) -> bool:
    """A type's other name, or the list of names a package gives."""
    return isinstance(node, cst.Assign) and (
        isinstance(node.value, cst.Subscript)
        or any(isinstance(t.target, cst.Name) and t.target.value == "__all__" for t in node.targets)
        or (
            isinstance(node.value, cst.Call)
            and isinstance(node.value.func, cst.Name)
            and node.value.func.value == "TypeVar"
        )
    )


def _drops_held(old: cst.CSTNode, new: cst.CSTNode) -> bool:
    if not isinstance(old, cst.Call) or not isinstance(new, cst.Call):
        return False
    return any(a not in new.args for a in old.args if a.keyword and a.keyword.value in HELD)


def mutants(path: Path, name: str) -> Iterator[Mutant]:
    """All mutants of a module's file, in order of line.

    Those whose meaning is the same are left out.
    """
    wrapper = MetadataWrapper(
        cst.parse_module(path.read_text(encoding="utf-8")), unsafe_skip_copy=True
    )
    finder = _Finder()
    wrapper.visit(finder)
    tree, seen = wrapper.module, Counter[str]()
    for old, new, kind, line, function, span in finder.found:
        before, after = tree.code_for_node(old), tree.code_for_node(new)
        name_of_it = f"{name}:{function}:{kind}:{before}:{after}"
        seen[name_of_it] += 1
        key = hashlib.sha256(f"{name_of_it}:{seen[name_of_it]}".encode()).hexdigest()[:10]
        yield Mutant(key, path, line, function, span, kind, before, after, tree, old, new)


def is_other(mutant: Mutant) -> bool:
    """Whether the mutant is a program at all, and another one than the original."""
    try:
        return ast.dump(ast.parse(mutant.source())) != ast.dump(ast.parse(mutant.tree.code))
    except SyntaxError:
        return False
