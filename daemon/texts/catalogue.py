"""The catalogue of texts: key -> template. A template is a sentence with placeholders `{name:kind}`, see `composer.KINDS`.

`english.toml` has what the watch says; `english.page.toml`, `.report.toml`, `.plan.toml` and `.commands.toml` what page, report,
plan and command line say by themselves, `.refused.toml` why hub and page do not take what was asked, `.files.toml` what is wrong
with a file or a value, `.crew.toml` what a crew's centre says, `.hub.toml` what the hub calls the parts of the watch,
`.api.toml` what the document of the page's API says, `.devices.toml` what is wrong with a device or found of one,
`.machine.toml` what is wrong with the machine. Another
language has the same files under its own name. The tables of a file are the first parts of the key. A message may have shorter
forms of itself, divided by `FORMS`, for where there is little room.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterator, Mapping
from functools import cache
from importlib.resources import files
from string import Formatter
from typing import Any

ENGLISH = "english"
FILES = (
    "",
    ".page",
    ".plan",
    ".report",
    ".commands",
    ".refused",
    ".files",
    ".crew",
    ".hub",
    ".api",
    ".devices",
    ".machine",
)
"""What stands between the language and `.toml`."""
FORMS = " | "
Parts = tuple[tuple[str, str, str], ...]
"""(words before, placeholder, kind); placeholder and kind are "" at the end."""


class Catalogue:
    """The texts of one language."""

    def __init__(self, texts: Mapping[str, str]) -> None:
        self.texts = dict(texts)
        self._forms: dict[str, tuple[Parts, ...]] = {}

    def __getitem__(self, key: str) -> str:
        """The template. Raises KeyError."""
        return self.texts[key]

    def __contains__(self, key: object) -> bool:
        return key in self.texts

    def forms(self, key: str) -> tuple[Parts, ...]:
        """The template taken apart, its shorter forms after it; what is no template reads as its own key. Kept, for it is asked
        for at every beat."""
        found = self._forms.get(key)
        if found is None:
            template = self.texts.get(key, key.replace("{", "{{").replace("}", "}}"))
            found = self._forms[key] = tuple(split(form) for form in template.split(FORMS))
        return found

    def under(self, prefix: str) -> dict[str, str]:
        """The texts whose keys begin with it, by the rest of their keys."""
        return {key.removeprefix(prefix): text for key, text in self.texts.items() if key.startswith(prefix)}


@cache
def catalogue(language: str = ENGLISH) -> Catalogue:
    """The texts of a language. Raises FileNotFoundError where there are none."""
    folder = files("daemon.texts")
    texts: dict[str, str] = {}
    for part in FILES:
        texts |= _flat("", tomllib.loads(folder.joinpath(f"{language}{part}.toml").read_text(encoding="utf-8")))
    return Catalogue(texts)


def split(template: str) -> Parts:
    return tuple((words, name or "", kind or "") for words, name, kind, _ in Formatter().parse(template))


def _flat(prefix: str, table: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
    for name, value in table.items():
        if isinstance(value, str):
            yield prefix + name, value
        else:
            yield from _flat(f"{prefix}{name}.", value)
