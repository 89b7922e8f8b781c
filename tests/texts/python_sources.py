"""What a module of the program says in its own words: every string that a person might read, with its line."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator

WORDS = re.compile(r"[A-Za-z]{2,}[,.:;)\"']*\s+\S*[A-Za-z]{2,}")
"""Two words one after the other; one alone may be a key, a code or the name of a thing."""


def sentences(source: str) -> Iterator[tuple[int, str]]:
    """(line, text) of every string of two words or more; `{}` stands for what is put in. Left out are docstrings, lines of the
    log (a note for whoever looks after the machine, in English), and what an assert says."""
    tree = ast.parse(source)
    quiet = {id(node) for node in _not_for_people(tree)}
    for node in ast.walk(tree):
        if id(node) in quiet:
            continue
        if isinstance(node, ast.JoinedStr):
            quiet |= {id(part) for part in node.values}
        text = _text(node)
        if text is not None and WORDS.search(text):
            yield node.lineno, text  # type: ignore[attr-defined]


def _text(node: ast.AST) -> str | None:
    if isinstance(node, ast.Constant) and isinstance(node.value, str):
        return node.value
    if isinstance(node, ast.JoinedStr):
        return "".join(part.value if isinstance(part, ast.Constant) else "{}" for part in node.values)  # type: ignore[misc]
    return None


def _not_for_people(tree: ast.Module) -> Iterator[ast.AST]:
    for node in ast.walk(tree):
        if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant):
            yield node.value  # a docstring, of a module, class, function or constant
        elif isinstance(node, ast.Assert) and node.msg is not None:
            yield from ast.walk(node.msg)
        elif isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute) and _name(node.func.value) == "log":
            yield from ast.walk(node)
        elif isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute) and node.func.attr == "create_task":
            yield from (part for keyword in node.keywords for part in ast.walk(keyword))  # the task's name


def _name(node: ast.expr) -> str:
    return node.id if isinstance(node, ast.Name) else ""
