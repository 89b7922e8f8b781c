"""The page's own files, read once and kept packed: there is no path from a request to the disk."""

from __future__ import annotations

import gzip
import json
import re
from dataclasses import dataclass
from hashlib import sha256
from html import escape
from pathlib import Path

from daemon.texts.catalogue import Catalogue, catalogue

STATIC = Path(__file__).parent / "static"
CHART_LIBRARY = "/vendor/uplot.js"
TEXTS = "js/texts.js"
"""The module that says things; it is served with the sentences in it, so that they are there before pairing and when the watch
is dead. Its name then has a version: a page that stayed open over an upgrade never mixes two catalogues."""
TYPES = {
    ".html": "text/html",
    ".css": "text/css",
    ".js": "text/javascript",
    ".svg": "image/svg+xml",
    ".webmanifest": "application/manifest+json",
}

LEAN = (".css", ".js")
_REMARK = re.compile(r"^\s*(?://[^\n]*|/\*.*?\*/)\n", re.MULTILINE | re.DOTALL)
"""A remark that has its lines to itself."""
_TITLE = re.compile(r"alarm\.[\w-]+\.title$")
_FRAME = re.compile(r"\{\{([a-z.-]+)\}\}")
_KEY = re.compile(r'"([a-z]+\.[a-z0-9-]+)"')
_INDENT = re.compile(r"^[ \t]+", re.MULTILINE)


@dataclass(frozen=True, slots=True)
class Asset:
    """packed: gzip of body. etag: quoted."""

    body: bytes
    packed: bytes
    content_type: str
    etag: str


def load_assets(directory: Path = STATIC, texts: Catalogue | None = None) -> dict[str, Asset]:
    """URL path -> asset, for every file of a known type under `directory`; index.html is "/". texts: of the page's language."""
    texts = texts or catalogue()
    files = {
        path.relative_to(directory).as_posix(): path.read_bytes()
        for path in sorted(directory.rglob("*"))
        if path.suffix in TYPES and path.is_file()
    }
    said = Said(texts, files.pop(TEXTS, b"").decode())
    bodies = {said.address: said.module.encode()}
    for name, body in files.items():
        address = "/" if name == "index.html" else f"/{name}"
        if name.startswith("vendor/") or not name.endswith((*LEAN, ".html")):
            bodies[address] = body
        else:
            bodies[address] = said.into(name, body.decode()).encode()
    return {address: _packed(address, body) for address, body in bodies.items()}


def _packed(address: str, body: bytes) -> Asset:
    content_type = TYPES[Path(address).suffix or ".html"]
    return Asset(body, gzip.compress(body, 9, mtime=0), content_type, f'"{sha256(body).hexdigest()[:20]}"')


class Said:
    """The texts of the page on their way into its files. A sentence is served by its number, not its key: an eighth of what a
    phone fetches."""

    def __init__(self, texts: Catalogue, source: str) -> None:
        """source: of the module TEXTS."""
        page = texts.under("page.")
        self._language = page["language"]
        self._frame = {key: text for key, text in page.items() if key.startswith("frame.")}
        rooms = {key: text for key, text in page.items() if "." in key and not key.startswith(("frame.", "code."))}
        self._numbers = {key: number for number, key in enumerate(rooms)}
        codes = {code: text for code, text in texts.under("page.code.").items() if text != code.replace("-", " ")}
        codes |= {key.removesuffix(".title"): text for key, text in texts.texts.items() if _TITLE.match(key)}
        module = lean(source)
        for name, value in (("language", self._language), ("texts", list(rooms.values())), ("codes", codes)):
            module = module.replace(f'"{{{{{name}}}}}"', json.dumps(value, ensure_ascii=False))
        self.module = module
        self.address = f"/js/texts-{sha256(module.encode()).hexdigest()[:12]}.js"

    def into(self, name: str, source: str) -> str:
        """The file as it is served. Raises KeyError for a `{{frame.key}}` of the HTML that is not there."""
        if name.endswith(".html"):
            own = {"language": self._language, "texts": self.address}
            return _FRAME.sub(lambda place: escape(own.get(place[1]) or self._frame[place[1]], quote=True), source)
        if not name.endswith(".js"):
            return lean(source)
        source = lean(source).replace('"./texts.js"', json.dumps(f".{self.address.removeprefix('/js')}"))
        return _KEY.sub(lambda key: str(self._numbers.get(key[1], key[0])), source)


def lean(source: str) -> str:
    """Without what only those who change it read, remarks and indentation: a tenth of what a phone fetches. No text of ours
    goes over the end of a line, so none is changed."""
    return _INDENT.sub("", _REMARK.sub("", source))
