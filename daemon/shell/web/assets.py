"""The page's own files, read once and kept packed: there is no path from a request to the disk."""

from __future__ import annotations

import gzip
import re
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path

STATIC = Path(__file__).parent / "static"
CHART_LIBRARY = "/vendor/uplot.js"
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
_INDENT = re.compile(r"^[ \t]+", re.MULTILINE)


@dataclass(frozen=True, slots=True)
class Asset:
    """packed: gzip of body. etag: quoted."""

    body: bytes
    packed: bytes
    content_type: str
    etag: str


def load_assets(directory: Path = STATIC) -> dict[str, Asset]:
    """URL path -> asset, for every file of a known type under `directory`; index.html is "/"."""
    assets = {}
    for path in sorted(directory.rglob("*")):
        content_type = TYPES.get(path.suffix)
        if content_type is None or not path.is_file():
            continue
        body = path.read_bytes()
        if path.suffix in LEAN and path.parent.name != "vendor":
            body = lean(body.decode()).encode()
        name = "/" + path.relative_to(directory).as_posix()
        etag = f'"{sha256(body).hexdigest()[:20]}"'
        assets["/" if name == "/index.html" else name] = Asset(
            body, gzip.compress(body, 9, mtime=0), content_type, etag
        )
    return assets


def lean(source: str) -> str:
    """Without what only those who change it read, remarks and indentation: a tenth of what a phone fetches. No text of ours
    goes over the end of a line, so none is changed."""
    return _INDENT.sub("", _REMARK.sub("", source))
