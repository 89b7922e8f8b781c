"""A wrong call is answered in plain words. No outside source: the words are ours."""

from __future__ import annotations

import pytest

from daemon.cli import main

OF_THE_LIBRARY = ("invalid", "argument", "expected", "unrecognized", "required", "choose from", "usage:")


@pytest.mark.parametrize(
    ("call", "said"),
    [
        (("demo", "--speed", "fast"), "pitvigil demo: --speed 'fast': write a number ("),
        (("fleet", "--port", "8090.5"), "pitvigil fleet: --port '8090.5': write a whole number ("),
        (("fleet", "--unit", "K"), "--unit 'K': write one of"),
        (("check",), "pitvigil check: --rig is missing (pitvigil check --help has an example)"),
        (("check", "--rig"), "--rig needs a value"),
        (("check", "--rig", "a", "--colour", "red"), "nothing here is called --colour red"),
        (("grill",), "'grill': write one of"),
        ((), "COMMAND is missing"),
    ],
)
def test_a_wrong_call_is_answered_in_plain_words(
    call: tuple[str, ...], said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(SystemExit) as ended:
        main(call)
    told = capsys.readouterr().err
    assert ended.value.code == 2 and said in told and told.count("\n") == 1
    assert not any(word in told for word in OF_THE_LIBRARY), told


def test_a_misspelt_option_is_told_by_its_own_command(capsys: pytest.CaptureFixture[str]) -> None:
    from daemon.commands.plain_parser import PlainParser

    parser = PlainParser(prog="pitvigil")
    add = parser.add_subparsers(required=True).add_parser("add-piece")
    add.add_argument("name")
    add.add_argument("--weight")
    with pytest.raises(SystemExit) as ended:
        parser.parse_args(["add-piece", "Leg", "--wieght", "3"])
    assert ended.value.code == 2
    said = capsys.readouterr().err
    assert said.startswith("pitvigil add-piece: ") and "--wieght" in said and "--weight" in said
    assert parser.parse_args(["add-piece", "Leg", "--weight", "3"]).weight == "3"
