"""The page's JavaScript as far as its texts need: literals with what stands before them, and calls of `t`.

Strings, templates, comments and regular expressions as ECMA-262 writes them (clause 12, Lexical Grammar).
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from daemon.shell.web.assets import STATIC

SOURCES = sorted((STATIC / "js").glob("*.js"))
_TOKEN = re.compile(
    r"(?P<skip>\s+|//[^\n]*|/\*.*?\*/)"
    r"|(?P<string>\"(?:[^\"\\\n]|\\.)*\"|'(?:[^'\\\n]|\\.)*')"
    r"|(?P<regex>/(?![*/])(?:[^/\\\n\[]|\\.|\[(?:[^\]\\\n]|\\.)*\])+/[a-z]*)"
    r"|(?P<name>[A-Za-z_$][\w$]*)"
    r"|(?P<number>\d[\w.]*)"
    r"|(?P<other>=>|[=!]==?|\?\?=?|\?\.|[^\w\s])",
    re.DOTALL,
)
_ENDS_A_VALUE = re.compile(r"[\w$)\]}\"'`]$")
"""After such a token a slash divides; elsewhere it begins a regular expression."""


@dataclass(frozen=True)
class Literal:
    """A string, or a template with "{}" for each of its expressions. before: the tokens in front of it, the nearest last."""

    line: int
    text: str
    before: tuple[str, ...]


@dataclass(frozen=True)
class Token:
    line: int
    text: str
    literal: Literal | None = None


def tokens(source: str) -> list[Token]:
    """In the order of the file; the tokens of a template's expressions follow the template."""
    found: list[Token] = []
    _scan(source, 0, found, nested=False)
    return found


def _scan(source: str, at: int, found: list[Token], nested: bool) -> int:
    """Reads on from `at`; a nested run ends after the brace that closes it."""
    depth = 0
    while at < len(source):
        line = source.count("\n", 0, at) + 1
        if source[at] == "`":
            at = _template(source, at + 1, line, found)
            continue
        token = _TOKEN.match(source, at)
        assert token is not None, (line, source[at : at + 30])
        kind, text = token.lastgroup, token.group()
        if kind == "regex" and found and _ENDS_A_VALUE.search(found[-1].text) and found[-1].text != "return":
            kind, text = "other", "/"
        at += len(text)
        if kind == "skip":
            continue
        depth += (text == "{") - (text == "}")
        if nested and depth < 0:
            return at
        literal = None
        if kind == "string":
            literal = Literal(line, json.loads('"' + re.sub(r'(?<!\\)"', r'\\"', text[1:-1]) + '"'), _before(found))
        found.append(Token(line, text, literal))
    return at


def _template(source: str, at: int, line: int, found: list[Token]) -> int:
    text, before, place = "", _before(found), len(found)
    found.append(Token(line, "`"))
    while source[at] != "`":
        if source.startswith("${", at):
            at = _scan(source, at + 2, found, nested=True)
            text += "{}"
        else:
            step = 2 if source[at] == "\\" else 1
            text += source[at : at + step]
            at += step
    found[place] = Token(line, "`", Literal(line, text, before))
    return at + 1


def _before(found: list[Token]) -> tuple[str, ...]:
    return tuple(token.text for token in found[-4:])


def calls(read: list[Token]) -> Iterator[tuple[int, str, set[str]]]:
    """(line, key, names of the values) of every `t("key", { name: ... })`."""
    for index, token in enumerate(read[:-2]):
        if token.text != "t" or read[index + 1].text != "(":
            continue
        literal = read[index + 2].literal
        if literal is not None and read[index + 3].text in (",", ")"):
            yield token.line, literal.text, _names(read, index + 4) if read[index + 3].text == "," else set()


def _names(read: list[Token], at: int) -> set[str]:
    """The names in the object that begins at `at`."""
    if read[at].text != "{":
        return set()
    names, depth = set(), 0
    for before, token in zip(read[at:], read[at + 1 :], strict=False):
        if depth == 0 and before.text in ("{", ",") and re.fullmatch(r"\w+", token.text):
            names.add(token.text)
        if depth == 0 and token.text == "}":
            break
        depth += (token.text in "([{") - (token.text in ")]}")
    return names


def read(file: Path) -> list[Token]:
    return tokens(file.read_text(encoding="utf-8"))
