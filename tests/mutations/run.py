"""Makes each mutation in a copy of the tree and runs the tests of its part: `python -m tests.mutations.run [PART]`.

Prints one line a mutation and, at the end, the survivors: wrong turns that no test noticed. Exit code 1 if there are any.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterable
from pathlib import Path

from tests.mutations.mutations import MUTATIONS, Mutation

ROOT = Path(__file__).parents[2]
COPIED = ("config", "drivers", "daemon", "tests", "pyproject.toml", "DEVELOPERS.md", "README.md", "deploy")
LONGEST = 900.0
"""s; a mutation that makes a loop endless is found by this."""


def main() -> int:
    wanted = sys.argv[1:]
    survivors: list[Mutation] = []
    with tempfile.TemporaryDirectory(prefix="mutations-") as made:
        copy = Path(made)
        for name in COPIED:
            source = ROOT / name
            if source.is_dir():
                shutil.copytree(source, copy / name, ignore=shutil.ignore_patterns("__pycache__", "node_modules"))
            else:
                shutil.copy(source, copy / name)
        chosen = [mutation for mutation in MUTATIONS if not wanted or mutation.part.name in wanted]
        if failing := _failing(dict.fromkeys(tests for mutation in chosen for tests in mutation.part.tests), copy):
            print(f"{failing} fails as the code stands: nothing can be learned from it", file=sys.stderr)
            return 2
        for mutation in chosen:
            begin = time.monotonic()
            found = _found_by(mutation, copy)
            seconds = time.monotonic() - begin
            print(f"{found or 'SURVIVED':40} {seconds:5.0f} s  {_words(mutation)}", flush=True)
            if not found:
                survivors.append(mutation)
    print(f"\n{len(survivors)} survivors" + "".join(f"\n  {_words(mutation)}" for mutation in survivors))
    return 1 if survivors else 0


def _found_by(mutation: Mutation, copy: Path) -> str:
    """Which tests failed, "" if none did."""
    file = copy / "daemon" / "core" / mutation.file
    right = file.read_text(encoding="utf-8")
    file.write_text(right.replace(mutation.before, mutation.after), encoding="utf-8")
    try:
        return _failing(mutation.part.tests, copy)
    finally:
        file.write_text(right, encoding="utf-8")


def _failing(wanted: Iterable[str], copy: Path) -> str:
    """Which of these tests fail in the copy, "" if none does."""
    environment = {**os.environ, "PYTHONPATH": str(copy), "PYTHONDONTWRITEBYTECODE": "1"}
    for tests in wanted:
        command = [sys.executable, "-m", "pytest", "-q", "-x", "-p", "no:cacheprovider", tests]
        try:
            run = subprocess.run(command, cwd=copy, env=environment, capture_output=True, timeout=LONGEST)
        except subprocess.TimeoutExpired:
            return f"{tests} (no end)"
        if run.returncode != 0:
            return tests
    return ""


def _words(mutation: Mutation) -> str:
    before, after = (" ".join(text.split()) for text in (mutation.before, mutation.after))
    return f"{mutation.file}: {before} -> {after or '(nothing)'}"


if __name__ == "__main__":
    sys.exit(main())
