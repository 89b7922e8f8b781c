"""A parser of commands that says in our own words what is wrong with a call."""

from __future__ import annotations

import argparse
import re
from difflib import get_close_matches
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


class PlainParser(argparse.ArgumentParser):
    """Its sub-commands are of the same kind."""

    def parse_known_args(self, args: Any = None, namespace: Any = None) -> Any:
        """What a sub-command does not know is said by the sub-command, beside what it may have meant."""
        found, strange = super().parse_known_args(args, namespace)
        if strange and self._subparsers is None:
            near = get_close_matches(strange[0], self._option_string_actions, 1)
            names = " ".join(strange)
            if near:
                self._refuse(PLAIN.words("command.call.unknown-but", names=names, near=near[0]))
            self._refuse(PLAIN.words("command.call.unknown", names=names))
        return found, strange

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
