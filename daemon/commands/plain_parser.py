"""A parser of commands that says in our own words what is wrong with a call."""

from __future__ import annotations

import argparse
import re
from typing import NoReturn

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

    def error(self, message: str) -> NoReturn:
        """One line, and where an example is. Ends with 2."""
        self.exit(2, f"{self.prog}: {plainly(message)} ({self.prog} --help has an example)\n")


def plainly(message: str) -> str:
    for pattern, words in _WORDS:
        match = pattern.fullmatch(message)
        if match is not None:
            return words.format(**match.groupdict())
    return message
