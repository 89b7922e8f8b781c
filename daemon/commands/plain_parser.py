"""A parser of commands that says in our own words what is wrong with a call."""

from __future__ import annotations

import argparse
import re
from collections.abc import Sequence
from difflib import get_close_matches
from math import inf
from typing import Any, NoReturn

from daemon.core.said import Said
from daemon.texts.composer import PLAIN

_WORDS: tuple[tuple[re.Pattern[str], str], ...] = tuple(
    (re.compile(pattern), key)
    for pattern, key in (
        (r"the following arguments are required: (?P<names>.*)", "command.call.missing"),
        (r"one of the arguments (?P<names>.*) is required", "command.call.one-missing"),
        (r"argument (?P<name>.+?): invalid float value: (?P<value>.*)", "command.call.number"),
        (r"argument (?P<name>.+?): invalid int value: (?P<value>.*)", "command.call.whole-number"),
        (r"argument (?P<name>.+?): invalid positive value: (?P<value>.*)", "command.call.positive"),
        (r"argument (?P<name>.+?): invalid port value: (?P<value>.*)", "command.call.port"),
        (r"argument (?P<name>.+?): invalid \w+ value: (?P<value>.*)", "command.call.unusable"),
        (r"argument (?P<name>.+?): invalid choice: (?P<value>.*) \(choose from (?P<known>.*)\)",
         "command.call.choice"),
        (r"argument (?P<name>.+?): expected (one argument|at least one argument|\d+ arguments)", "command.call.value"),
        (r"argument (?P<name>.+?): not allowed with argument (?P<other>.*)", "command.call.together"),
        (r"unrecognized arguments: (?P<names>.*)", "command.call.unknown"),
        (r"ambiguous option: (?P<name>.*) could match (?P<known>.*)", "command.call.ambiguous"),
        (r"argument (?P<rest>.*)", "command.call.other"),
    )
)  # fmt: skip
"""What argparse says, and what is said instead."""


ALIKE = 0.75
"""How like a wrong name an option must be to be offered for it: "weight" is so like "wieght", "pit" is not like "piece"."""


LAST_PORT = 65535
"""Of TCP (RFC 9293, 3.1: 16 bits)."""


def positive(written: str) -> float:
    """An ordinary number above zero; ValueError for another. argparse tells the name of the function, which _WORDS knows."""
    number = float(written)
    if not 0 < number < inf:
        raise ValueError(written)
    return number


def port(written: str) -> int:
    """A port that can be served; ValueError for another."""
    number = int(written)
    if not 0 < number <= LAST_PORT:
        raise ValueError(written)
    return number


class PlainParser(argparse.ArgumentParser):
    """Its sub-commands are of the same kind."""

    def parse_known_args(self, args: Any = None, namespace: Any = None) -> Any:
        """What a sub-command does not know is said by the sub-command, beside what it may have meant."""
        if self._subparsers is None:
            self._named_though_bare(args or ())
        found, strange = super().parse_known_args(args, namespace)
        if strange and self._subparsers is None:
            near = self._near(strange[0].partition("=")[0])
            names = " ".join(strange)
            if near is not None:
                self._refuse(PLAIN.words("command.call.unknown-but", names=names, near=near))
            self._refuse(PLAIN.words("command.call.unknown", names=names))
        return found, strange

    def _named_though_bare(self, args: Sequence[str]) -> None:
        """An option by the name of what stands without one: `mark meat-on --piece chuck`."""
        bare = {f"--{action.dest.replace('_', '-')}" for action in self._get_positional_actions()}
        for number, arg in enumerate(args):
            name, _, value = arg.partition("=")
            if name in bare and name not in self._option_string_actions:
                value = value or next(iter(args[number + 1 : number + 2]), "")
                said = "command.call.bare" if value and not value.startswith("-") else "command.call.bare-empty"
                self._refuse(PLAIN.words(said, name=name, value=value))

    def _near(self, wrong: str) -> str | None:
        """The option that is spelt nearly so; the dashes that all begin with count for nothing."""
        options = {option.lstrip("-"): option for option in self._option_string_actions}
        near = get_close_matches(wrong.lstrip("-"), options, 1, ALIKE)
        return options[near[0]] if near else None

    def error(self, message: str) -> NoReturn:
        """One line, and where an example is. Ends with 2."""
        self._refuse(plainly(message))

    def _refuse(self, said: str) -> NoReturn:
        self.exit(2, PLAIN.words("command.call.line", program=self.prog, said=said) + "\n")


def plainly(message: str) -> str:
    for pattern, key in _WORDS:
        match = pattern.fullmatch(message)
        if match is not None:
            return PLAIN.say(Said(key, tuple(match.groupdict().items())))
    return message
