"""What may be called: each command with its arguments. The words of `--help` stand in the catalogue."""

from __future__ import annotations

import argparse
import contextlib
from collections.abc import Callable, Mapping
from functools import partial
from pathlib import Path

from config.units import Written, parse_amount, parse_temperature
from daemon.commands import orders
from daemon.commands.plain_parser import PlainParser, port, positive
from daemon.texts.catalogue import catalogue
from daemon.texts.composer import PLAIN
from daemon.texts.problems import why

Act = Callable[[argparse.Namespace], int]
"""Does what was called for, and returns the exit code."""
HELP = "command.help."
"""Keys of what `--help` says: by command and argument; under `any` what is the same for all of them."""


def parser_of(acts: Mapping[str, Act]) -> argparse.ArgumentParser:
    """acts: command -> what it does. Those that speak to a running watch add themselves."""
    parser = PlainParser(prog="pitvigil", description=PLAIN.words("command.help.any.does"))
    parser.add_argument("-v", "--verbose", action="store_true")
    commands = parser.add_subparsers(required=True, metavar="COMMAND")

    def command(name: str, act: object = None) -> argparse.ArgumentParser:
        does, example = (catalogue()[f"{HELP}{name}.{part}"] for part in ("does", "example"))
        sub = commands.add_parser(
            name,
            help=does,
            description=does,
            epilog=PLAIN.words("command.help.any.example", call=f"pitvigil {name} {example}"),
            formatter_class=argparse.RawDescriptionHelpFormatter,
        )
        sub.set_defaults(act=act or acts[name])
        return sub

    def files(sub: argparse.ArgumentParser, cook_needed: bool = False) -> None:
        sub.add_argument("--rig", type=Path, required=True)
        sub.add_argument("--cook", type=Path, required=cook_needed)

    run = command("run")
    files(run)
    run.add_argument("--state", type=Path)
    key = command("key")
    key.add_argument("--rig", type=Path, required=True)
    key.add_argument("--state", type=Path)
    check = command("check")
    files(check)
    demo = command("demo")
    demo.add_argument("--speed", type=positive, default=240.0)
    demo.add_argument("--seed", type=int, default=1)
    demo.add_argument("--hours", type=positive)
    demo.add_argument("--plain", action="store_true")
    replay = command("replay")
    replay.add_argument("log", type=Path, metavar="LOG.csv", nargs="?")
    replay.add_argument("--rig", type=Path)
    replay.add_argument("--cook")
    replay.add_argument("--journal", type=Path, metavar="DIR")
    replay.add_argument("--events", type=Path)
    replay.add_argument("--unit", choices=("C", "F"), default="")
    replay.add_argument("--what-if", action="store_true")
    replay.add_argument("--set", action="append", default=[], metavar="KEY=VALUE")

    def library(sub: argparse.ArgumentParser) -> None:
        sub.add_argument("--state", type=Path)
        sub.add_argument("--rig", type=Path)

    cooks = command("cooks")
    library(cooks)
    cooks.add_argument("--search", nargs="+", metavar="WORD")
    cooks.add_argument("--compare", nargs="+", metavar="ID")
    alarms = command("alarms")
    alarms.add_argument("cook_ids", nargs="*", metavar="COOK_ID")
    library(alarms)
    export = command("export")
    export.add_argument("cook_id", metavar="ID")
    library(export)
    target = export.add_mutually_exclusive_group(required=True)
    target.add_argument("--csv", type=Path, metavar="FILE")
    target.add_argument("--parquet", type=Path, metavar="FILE")
    export.add_argument("--marks", type=Path, metavar="FILE")
    bring = command("import")
    bring.add_argument("log", type=Path, metavar="FILE.csv")
    library(bring)
    bring.add_argument("--name", required=True)
    bring.add_argument("--pit", required=True)
    bring.add_argument("--cook", type=Path)
    bring.add_argument("--marks", type=Path)
    bring.add_argument("--band", type=_celsius, nargs=2, default=(107.0, 135.0), metavar=("LOW", "HIGH"))
    bring.add_argument("--unit", choices=("C", "F"), default="")
    devices = command("devices")
    devices.add_argument("--seconds", type=positive, default=8.0)
    devices.add_argument("--no-ble", action="store_true")
    calibrate = command("calibrate")
    files(calibrate)
    calibrate.add_argument("--channel", required=True)
    calibrate.add_argument("--pressure", type=_amount("file.pressure"))
    notify = command("notify-test")
    files(notify)
    plan = command("plan")
    files(plan, cook_needed=True)
    plan.add_argument("--state", type=Path)
    plan.add_argument("--ambient", type=_celsius, default=None)
    plan.add_argument("--wind", type=_amount("file.wind"), default=0.0)
    report = command("report")
    report.add_argument("cook", nargs="?", metavar="COOK_ID")
    library(report)
    report.add_argument("--html", type=Path)
    report.add_argument("--png", type=Path)
    report.add_argument("--pit", default="")
    demo_report = command("demo-report")
    demo_report.add_argument("directory", type=Path)
    demo_report.add_argument("--hours", type=positive)
    orders.add_commands(command)
    ship = command("ship")
    ship.add_argument("--rig", type=Path, required=True)
    ship.add_argument("--state", type=Path)
    ship.add_argument("--my-turn", metavar="RELEASE")
    fleet = command("fleet")
    fleet.add_argument("--database", default="dbname=pitvigil")
    fleet.add_argument("--port", type=port, default=8090)
    fleet.add_argument("--name", action="append", default=[])
    fleet.add_argument("--unit", choices=("C", "F"), default="C")
    fleet.add_argument("--clock", type=int, choices=(12, 24), default=24)
    fleet.add_argument("--zone", default="UTC")
    fleet.add_argument("--tell", type=Path, metavar="CREW")
    pool = command("pool")
    pool.add_argument("--database", default="dbname=pitvigil")
    doctor = command("doctor")
    files(doctor)
    doctor.add_argument("--state", type=Path)
    explain(parser, commands.choices)
    return parser


def _with_unit(parse: Callable[[object], float]) -> Callable[[str], float]:
    """A number as a file has it, bare or with its unit."""

    def read(text: str) -> float:
        number: float | str = text
        with contextlib.suppress(ValueError):
            number = float(text)
        try:
            return parse(number) if number is not text else Written(parse(number), text)
        except ValueError as error:
            raise argparse.ArgumentTypeError(PLAIN.say(why(error))) from None

    return read


_celsius = _with_unit(parse_temperature)


def _amount(what: str) -> Callable[[str], float]:
    return _with_unit(partial(parse_amount, what))


def explain(parser: argparse.ArgumentParser, commands: Mapping[str, argparse.ArgumentParser]) -> None:
    """Give every argument its words: those of its command, or else those it has in all of them."""
    usual = catalogue().under(f"{HELP}any.")
    for name, sub in (("any", parser), *commands.items()):
        own = catalogue().under(f"{HELP}{name}.")
        for action in sub._actions:
            if action.dest in own or action.dest in usual:
                action.help = own.get(action.dest) or usual[action.dest]
