"""The tables in the guide to alarms and in DEVELOPERS.md are those of the code.

`python -m tests.core.test_readme` writes them anew.
"""

from __future__ import annotations

from pathlib import Path

from daemon.core.pieces import stage as piece_stage
from daemon.core.pit import stage as pit_stage
from daemon.texts.alarm_list import rules_markdown
from daemon.texts.catalogue import catalogue

ROOT = Path(__file__).parents[2]


def stages_diagram() -> str:
    """The two stage tables as Mermaid state diagrams."""
    lines, texts = [], catalogue().texts
    for title, table in (("pit", pit_stage.NEXT), ("piece", piece_stage.NEXT)):
        lines += [f"A {title}:", "", "```mermaid", "stateDiagram-v2"]
        for before, rows in table.items():
            for sign, after in rows.items():
                lines.append(f"    {_node(before)} --> {_node(after)}: {texts.get(sign.value, sign.value)}")
        lines += ["```", ""]
    return "\n".join(lines)


def _node(stage: str) -> str:
    return str(stage).replace("-", "_")


BLOCKS = {
    "deploy/guide/alarms.md": ("<!-- alarms: ", "<!-- end of alarms -->", rules_markdown),
    "DEVELOPERS.md": ("<!-- stages: ", "<!-- end of stages -->", stages_diagram),
}


def with_block(text: str, start: str, end: str, block: str) -> str:
    begin = text.index("-->\n", text.index(start)) + len("-->\n")
    return text[:begin] + block + text[text.index(end) :]


def test_the_tables_are_those_of_the_code() -> None:
    for name, (start, end, make) in BLOCKS.items():
        text = (ROOT / name).read_text(encoding="utf-8")
        assert text == with_block(text, start, end, make()), f"{name}: run python -m tests.core.test_readme"


def main() -> None:
    for name, (start, end, make) in BLOCKS.items():
        path = ROOT / name
        path.write_text(with_block(path.read_text(encoding="utf-8"), start, end, make()), encoding="utf-8")


if __name__ == "__main__":
    main()
