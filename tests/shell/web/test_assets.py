"""What a phone fetches is the page's own source without what only those who change it read."""

from __future__ import annotations

from daemon.shell.web.assets import STATIC, lean


def test_remarks_and_indentation_stay_at_home() -> None:
    source = '// why\nconst a = 1; // kept\n/** two\n * lines */\n  if (a) {\n    b("// no remark");\n  }\n'
    assert lean(source) == 'const a = 1; // kept\nif (a) {\nb("// no remark");\n}\n'


def test_no_text_of_the_page_goes_over_the_end_of_a_line() -> None:
    """It would lose the spaces at its beginning."""
    for file in (STATIC / "js").glob("*.js"):
        for line in file.read_text(encoding="utf-8").splitlines():
            assert line.count("`") % 2 == 0, (file.name, line)
