"""A wrong call is answered in plain words. No outside source: the words are ours."""

from __future__ import annotations

import argparse

import pytest

from daemon.cli import ACTS, main
from daemon.commands.arguments import parser_of

OF_THE_LIBRARY = ("invalid", "argument", "expected", "unrecognized", "required", "choose from", "usage:")


@pytest.mark.parametrize(
    ("call", "said"),
    [
        (("demo", "--speed", "0"), "pitvigil demo: --speed '0': write a number above 0"),
        (("devices", "--seconds", "-1"), "pitvigil devices: --seconds '-1': write a number above 0"),
        (("demo", "--hours", "nan"), "pitvigil demo: --hours 'nan': write a number above 0"),
        (("demo", "--speed", "fast"), "pitvigil demo: --speed 'fast': write a number above 0 ("),
        (("fleet", "--port", "8090.5"), "pitvigil fleet: --port '8090.5': write a whole number from 1 to 65535 ("),
        (("fleet", "--unit", "K"), "--unit 'K': write one of"),
        (("check",), "pitvigil check: --rig is missing (pitvigil check --help has an example)"),
        (("check", "--rig"), "--rig needs a value"),
        (("check", "--rig", "a", "--colour", "red"), "nothing here is called --colour red"),
        (
            ("mark", "meat-on", "--piece", "chuck", "--rig", "a"),
            "mark: chuck stands by itself here: write it without --piece (",
        ),
        (
            ("spot", "--piece=chuck", "71", "--rig", "a"),
            "spot: chuck stands by itself here: write it without --piece (",
        ),
        (("move-probe", "chuck", "lamb", "--channel", "--rig", "a"), "what follows --channel stands by itself here"),
        (("mark", "fed", "--rig", "a", "--pits", "x"), "nothing here is called --pits x; is --pit meant? ("),
        (("mark", "fed", "--rig", "a", "--where", "x"), "nothing here is called --where x ("),
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


def test_every_command_answers_the_name_of_what_stands_by_itself(capsys: pytest.CaptureFixture[str]) -> None:
    """Whatever stands by itself and has no option of its name is told so, in each command."""
    (commands,) = (a.choices for a in parser_of(ACTS)._actions if isinstance(a, argparse._SubParsersAction))
    asked = 0
    for name, sub in commands.items():
        for action in sub._get_positional_actions():
            option = f"--{action.dest.replace('_', '-')}"
            if option not in sub._option_string_actions:
                with pytest.raises(SystemExit):
                    main([name, option, "this"])
                assert (
                    f"pitvigil {name}: this stands by itself here: write it without {option}" in capsys.readouterr().err
                )
                asked += 1
    assert asked > 10


def test_an_option_that_is_there_under_the_same_name_is_taken() -> None:
    assert parser_of(ACTS).parse_args(["remind", "Turn", "--piece", "chuck", "--rig", "a"]).piece == "chuck"
