"""Writes the events of every scenario and the messages anew: `python -m tests.golden.rewrite`. Then read the diff: each
line of it is a change of what the watch says, and needs a reason."""

from __future__ import annotations

from tests.golden import messages, night
from tests.golden.play import FOLDER, played, scenarios, whole


def main() -> None:
    changed = 0
    for file in sorted(FOLDER.glob("*.txt")):
        before = file.read_text(encoding="utf-8")
        after = whole([(scenario.title, played(scenario)) for scenario in scenarios(file)])
        if after != before:
            file.write_text(after, encoding="utf-8")
            changed += 1
            print(f"{file.name}: written anew")
    for file, page in ((messages.FILE, messages.whole_page()), (night.FILE, night.whole_page())):
        if page != file.read_text(encoding="utf-8"):
            file.write_text(page, encoding="utf-8")
            changed += 1
            print(f"{file.name}: written anew")
    print(f"{changed} files changed; see git diff tests/golden")


if __name__ == "__main__":
    main()
