"""A parser of commands that says in our own words what is wrong with a call."""

from __future__ import annotations

import argparse
import re
from difflib import get_close_matches
from typing import Any, NoReturn

_WORDS: tuple[tuple[re.Pattern[str], str], ...] = tuple(
    (re.compile(pattern), words)
    for pattern, words in (
        (r"the following arguments are required: (?P<names>.*)", "{names} is missing"),
        (r"one of the arguments (?P<names>.*) is required", "one of these is missing: {names}"),
        (r"argument (?P<name>.+?): invalid float value: (?P<value>.*)", "{name} {value}: write a number"),
        (r"argument (?P<name>.+?): invalid int value: (?P<value>.*)", "{name} {value}: write a whole number"),
        (r"argument (?P<name>.+?): invalid \w+ value: (?P<value>.*)", "{name} {value}: that cannot be used"),
        (r"argument (?P<name>.+?): invalid choice: (?P<value>.*) \(choose from (?P<known>.*)\)",
         "{name} {value}: write one of {known}"),
        (r"argument (?P<name>.+?): expected (one argument|at least one argument|\d+ arguments)", "{name} needs a value"),
        (r"argument (?P<name>.+?): not allowed with argument (?P<other>.*)", "{name} and {other} do not go together"),
        (r"unrecognized arguments: (?P<names>.*)", "nothing here is called {names}"),
        (r"ambiguous option: (?P<name>.*) could match (?P<known>.*)", "{name} may mean {known}: write it out"),
        (r"argument (?P<rest>.*)", "{rest}"),
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
            self.error(f"unrecognized arguments: {' '.join(strange)}{f'; is {near[0]} meant?' if near else ''}")
        return found, strange

    def error(self, message: str) -> NoReturn:
        """One line, and where an example is. Ends with 2."""
        self.exit(2, f"{self.prog}: {plainly(message)} ({self.prog} --help has an example)\n")


def plainly(message: str) -> str:
    for pattern, words in _WORDS:
        match = pattern.fullmatch(message)
        if match is not None:
            return words.format(**match.groupdict())
    return message
