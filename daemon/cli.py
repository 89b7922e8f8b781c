"""The command line: what may be called stands in `_parser`, and each command is a function below."""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import gc
import logging
import signal
import sys
from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from pathlib import Path

from config.loader import load_both, load_crew, read_both
from config.problems import ConfigError
from daemon.commands import orders
from daemon.commands.plain_parser import PlainParser
from daemon.shell.clock import wall_seconds
from daemon.shell.log_lines import SaidOnce, log_to_stderr

log = logging.getLogger("pitvigil")

EXIT_BAD_CONFIG = 2
EXIT_FAILED = 1
EXIT_IN_USE = 3


FILES = "--rig rig.toml --cook cook.toml"
EXAMPLES = {
    "run": FILES,
    "key": "--rig rig.toml",
    "check": FILES,
    "demo": "--speed 600 --plain",
    "replay": f"night.csv {FILES} --events events.jsonl",
    "cooks": "--search chuck --rig rig.toml",
    "alarms": "2026-11-28-village-hall --rig rig.toml",
    "export": "2026-11-28-village-hall --csv night.csv --rig rig.toml",
    "import": 'night.csv --name "Village-hall lunch" --pit "The long pit" --rig rig.toml',
    "devices": "--no-ble",
    "calibrate": "--rig rig.toml --channel chuck",
    "notify-test": "--rig rig.toml",
    "plan": f"{FILES} --ambient -5 --wind 4",
    "report": "--rig rig.toml --html report.html",
    "demo-report": "night/",
    "doctor": FILES,
    **orders.EXAMPLES,
    "ship": "--rig rig.toml",
    "fleet": "--database dbname=pitvigil --port 8090",
    "pool": "--database dbname=pitvigil",
}
"""What each command may be called with."""

USUAL_STATE = (
    "usually the rig file's state_directory, else ~/.local/state/pitvigil; of the installed service: /var/lib/pitvigil"
)


def say(text: str) -> None:
    sys.stdout.write(text + "\n")


def complain(text: str) -> None:
    with contextlib.suppress(OSError):
        sys.stderr.write(text + "\n")


def main(arguments: Sequence[str] | None = None) -> int:
    """Returns the exit code: 0 done, 1 failed, 2 the files or the call must be mended first, 3 another watch is running."""
    options = _parser().parse_args(arguments)
    log_to_stderr(logging.INFO if options.verbose else logging.WARNING, aside=options.act is _run)
    try:
        code: int = options.act(options)
    except ConfigError as error:
        for problem in error.problems:
            complain(str(problem))
        return EXIT_BAD_CONFIG
    except BrokenPipeError:
        return EXIT_FAILED
    return code


def _parser() -> argparse.ArgumentParser:
    parser = PlainParser(prog="pitvigil", description="Keeps watch over a wood-fired pit through the night.")
    parser.add_argument("-v", "--verbose", action="store_true", help="say more about what happens")
    commands = parser.add_subparsers(required=True, metavar="COMMAND")

    def command(name: str, act: object, text: str) -> argparse.ArgumentParser:
        example = f"example:\n  pitvigil {name} {EXAMPLES[name]}".rstrip()
        sub = commands.add_parser(
            name, help=text, description=text, epilog=example, formatter_class=argparse.RawDescriptionHelpFormatter
        )
        sub.set_defaults(act=act)
        return sub

    def files(sub: argparse.ArgumentParser, cook_needed: bool = False) -> None:
        sub.add_argument("--rig", type=Path, required=True, help="rig file (TOML)")
        sub.add_argument("--cook", type=Path, required=cook_needed, help="cook file (TOML)")

    run = command("run", _run, "run the watch (the service)")
    files(run)
    run.add_argument("--state", type=Path, help=f"directory of the journal; {USUAL_STATE}")
    key = command("key", _key, "the page's address with its key, and a code for a phone to scan")
    key.add_argument("--rig", type=Path, required=True, help="rig file (TOML)")
    key.add_argument("--state", type=Path, help=f"directory of the journal; {USUAL_STATE}")
    check = command("check", _check, "check the files and say every problem at once")
    files(check)
    demo = command("demo", _demo, "a simulated night on a real serial line, sped up")
    demo.add_argument("--speed", type=float, default=240.0, help="times faster than life (default 240: 20 h in 5 min)")
    demo.add_argument("--seed", type=int, default=1, help="which night")
    demo.add_argument("--hours", type=float, help="stop after this many simulated hours")
    demo.add_argument("--plain", action="store_true", help="lines instead of a live view")
    replay = command("replay", _replay, "judge a recorded or kept cook again and write its events")
    replay.add_argument(
        "log", type=Path, metavar="LOG.csv", nargs="?", help="a recorded cook; or name a kept one with --journal"
    )
    replay.add_argument("--rig", type=Path, help="rig file (TOML); a kept cook brings its own")
    replay.add_argument("--cook", help="cook file (TOML), or with --journal the id of a kept cook")
    replay.add_argument("--journal", type=Path, metavar="DIR", help="state directory of the watch that kept the cook")
    replay.add_argument("--events", type=Path, help="write the events here instead of to standard output")
    replay.add_argument(
        "--what-if", action="store_true", help="what would have woken you, then and now, had you done the same"
    )
    replay.add_argument(
        "--set", action="append", default=[], metavar="KEY=VALUE", help="what to change; a wrong key names the known"
    )

    def library(sub: argparse.ArgumentParser) -> None:
        sub.add_argument("--state", type=Path, help=f"directory of the journal; {USUAL_STATE}")
        sub.add_argument("--rig", type=Path, help="rig file that names it, instead")

    cooks = command("cooks", _cooks, "list, search and compare the kept cooks")
    library(cooks)
    cooks.add_argument("--search", nargs="+", metavar="WORD", help="in name, pit, pieces, verdict, weather, day")
    cooks.add_argument("--compare", nargs="+", metavar="ID", help="two or more side by side and on one time axis")
    alarms = command("alarms", _alarms, "how the alarms did: count, rate, time to an answer, judged needed")
    alarms.add_argument("cook_ids", nargs="*", metavar="COOK_ID", help="default: all kept cooks, as one season")
    library(alarms)
    export = command("export", _export, "write a kept cook as CSV or Parquet")
    export.add_argument("cook_id", metavar="ID")
    library(export)
    target = export.add_mutually_exclusive_group(required=True)
    target.add_argument("--csv", type=Path, metavar="FILE")
    target.add_argument("--parquet", type=Path, metavar="FILE")
    export.add_argument("--marks", type=Path, metavar="FILE", help="with --csv: who made each mark, and its note")
    bring = command("import", _import, "bring a recorded cook into the library")
    bring.add_argument("log", type=Path, metavar="FILE.csv")
    library(bring)
    bring.add_argument("--name", required=True, help="of the cook")
    bring.add_argument("--pit", required=True, help="name of the pit")
    bring.add_argument("--cook", type=Path, help="cook file (TOML): what was on; needs --rig")
    bring.add_argument("--marks", type=Path, help="a second file with columns time, mark, by, note")
    bring.add_argument("--band", type=float, nargs=2, default=(107.0, 135.0), metavar=("LOW", "HIGH"), help="°C")
    devices = command("devices", _devices, "list what hangs on serial and BLE, with a stanza to paste for each")
    devices.add_argument("--seconds", type=float, default=8.0, help="how long to listen for BLE")
    devices.add_argument("--no-ble", action="store_true", help="serial only")
    calibrate = command("calibrate", _calibrate, "check one probe in ice and boiling water")
    files(calibrate)
    calibrate.add_argument("--channel", required=True)
    calibrate.add_argument("--pressure", type=float, help="station pressure in hPa, better than the altitude")
    notify = command("notify-test", _notify_test, "send a test message by every delivery channel, step by step")
    files(notify)
    plan = command("plan", _plan, "when to light and when to put the meat on, backwards from the serving time")
    files(plan, cook_needed=True)
    plan.add_argument(
        "--state", type=Path, help=f"directory of the journal, for what this pit has taught; {USUAL_STATE}"
    )
    plan.add_argument("--ambient", type=float, default=None, help="°C outside (default 10): a cold day takes more wood")
    plan.add_argument("--wind", type=float, default=0.0, help="m/s at the pit (default 0)")
    report = command("report", _report, "the report of a kept cook, as one HTML file and as a picture")
    report.add_argument("cook", nargs="?", metavar="COOK_ID", help="default: the newest")
    library(report)
    report.add_argument("--html", type=Path, help="write the report here")
    report.add_argument("--png", type=Path, help="write the curves here (needs pitvigil[report])")
    demo_report = command("demo-report", _demo_report, "simulate the demo's night at full speed and report on it")
    demo_report.add_argument("directory", type=Path, help="where report, picture and journal go")
    demo_report.add_argument("--hours", type=float, help="stop after this many simulated hours")
    orders.add_commands(command)
    ship = command("ship", _ship, "tell the crew's centre what the watch keeps (a service beside it)")
    ship.add_argument("--rig", type=Path, required=True, help="rig file (TOML) with a [fleet] section")
    ship.add_argument("--state", type=Path, help=f"directory of the journal; {USUAL_STATE}")
    ship.add_argument(
        "--my-turn", metavar="RELEASE", help="only ask the centre whether this pit may take that release yet"
    )
    fleet = command("fleet", _fleet, "serve the crew's page of all pits, at the centre")
    fleet.add_argument(
        "--database", default="dbname=pitvigil", help="libpq connection string (default dbname=pitvigil)"
    )
    fleet.add_argument("--port", type=int, default=8090, help="on 127.0.0.1 only (default 8090)")
    fleet.add_argument("--name", action="append", default=[], help="a host name under which a proxy serves it")
    fleet.add_argument(
        "--unit", choices=("C", "F"), default="C", help="what the crew reads, until one chooses on the page"
    )
    fleet.add_argument("--clock", type=int, choices=(12, 24), default=24, help="hours of its clock (default 24)")
    fleet.add_argument("--zone", default="UTC", help='its time zone, such as "Europe/London" (default UTC)')
    fleet.add_argument(
        "--tell", type=Path, metavar="CREW", help="file (TOML) with [[delivery]]: who is told of silent pits"
    )
    pool = command("pool", _pool, "work out what pits that are built alike have in common, at the centre")
    pool.add_argument("--database", default="dbname=pitvigil", help="libpq connection string (default dbname=pitvigil)")
    doctor = command("doctor", _doctor, "look for what would keep the watch from working, and say the remedy")
    files(doctor)
    doctor.add_argument("--state", type=Path, help=f"directory of the journal; {USUAL_STATE}")
    return parser


# --- the commands --------------------------------------------------------------------------------------------


def _check(options: argparse.Namespace) -> int:
    from daemon.wiring.settings_from_files import warnings, watch_settings

    read = read_both(options.rig, options.cook)
    today = datetime.fromtimestamp(wall_seconds(), UTC)
    if read.rig is not None:
        for warning in warnings(read.rig, read.cook, str(options.cook), str(options.rig), today):
            say(str(warning))
    for doubt in read.doubts:
        say(str(doubt))
    if read.problems or read.rig is None:
        raise ConfigError(list(read.problems))
    watch_settings(read.rig, read.cook)
    say("the files can be used")
    return 0


def _key(options: argparse.Namespace) -> int:
    from daemon.shell.state.secrets import SecretRefused
    from daemon.wiring.keys import invitation, page_key
    from daemon.wiring.watch import state_directory

    rig, _ = load_both(options.rig, None)
    if rig.page is None:
        complain(f"{options.rig}: there is no [page] section, so there is no page")
        return EXIT_BAD_CONFIG
    try:
        lines = invitation(rig.page, page_key(rig.page, state_directory(rig, options.state)))
    except SecretRefused as error:
        complain(f"{error}; or name with --state the directory of the watch that made it")
        return EXIT_BAD_CONFIG
    for line in lines:
        say(line)
    return 0


def _run(options: argparse.Namespace) -> int:
    from daemon.shell.state.secrets import SecretRefused
    from daemon.shell.state.state_lock import StateInUse
    from daemon.wiring.watch import Files, Watch

    try:
        watch = Watch(Files(options.rig, options.cook, options.state))
    except SecretRefused as error:
        complain(str(error))
        return EXIT_BAD_CONFIG
    except StateInUse as error:
        complain(str(error))
        return EXIT_IN_USE
    with contextlib.suppress(OSError):  # a terminal that is gone, a log on a full disk: nobody need be greeted
        for line in watch.greeting():
            say(line)
        sys.stdout.flush()
    gc.freeze()  # what starting made stays: without this, looking through it for garbage stops the watch for 20 ms or more
    asyncio.run(until_signal(watch.run()))
    return 0


IGNORED = (signal.SIGHUP, signal.SIGUSR1, signal.SIGUSR2, signal.SIGALRM)
"""They end a process that does not know them: a terminal that is closed must not end a night's watch."""


async def until_signal(work: object) -> None:
    """Run until SIGTERM or SIGINT, then let it end by itself."""
    task = asyncio.ensure_future(work)  # type: ignore[call-overload]
    loop = asyncio.get_running_loop()
    loop.set_exception_handler(SaidOnce(loop.time))
    for number in IGNORED:
        loop.add_signal_handler(number, lambda: None)
    for number in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(number, task.cancel)
    with contextlib.suppress(asyncio.CancelledError):
        await task


def _demo(options: argparse.Namespace) -> int:
    from daemon.commands.demo import Demo

    demo = Demo(speed=options.speed, seed=options.seed, hours=options.hours, plain=options.plain)
    asyncio.run(until_signal(demo.run()))
    demo.farewell()
    return 0


def _replay(options: argparse.Namespace) -> int:
    from daemon.commands.cooks import ask_what_if, replay_kept, tell_mistakes
    from daemon.commands.replay import replay_log

    if options.journal is None and (options.log is None or options.rig is None):
        complain("name a recorded cook and its --rig, or a kept one with --journal and --cook")
        return EXIT_BAD_CONFIG
    if options.journal is not None and (options.log is not None or options.cook is None):
        complain("--journal takes the id of a kept cook with --cook, and no LOG.csv")
        return EXIT_BAD_CONFIG
    if options.what_if or options.set:
        return ask_what_if(options, complain)
    if options.journal is not None:
        return replay_kept(options, complain)
    try:
        with contextlib.ExitStack() as stack:
            out = stack.enter_context(options.events.open("w", encoding="utf-8")) if options.events else sys.stdout
            cook = Path(options.cook) if options.cook else None
            readings, mistakes = replay_log(options.log, options.rig, cook, out)
    except OSError as error:
        complain(f"{error.filename}: {error.strerror}")
        return EXIT_BAD_CONFIG
    tell_mistakes(options.log, mistakes, complain)
    complain(f"{readings} readings judged")
    return 0


def _cooks(options: argparse.Namespace) -> int:
    from daemon.commands.cooks import list_cooks

    return list_cooks(options, complain)


def _alarms(options: argparse.Namespace) -> int:
    from daemon.commands.cooks import show_alarm_figures

    return show_alarm_figures(options, complain)


def _export(options: argparse.Namespace) -> int:
    from daemon.commands.cooks import export_cook

    return export_cook(options, complain)


def _import(options: argparse.Namespace) -> int:
    from daemon.commands.cooks import import_cook

    if options.cook is not None and options.rig is None:
        complain("--cook needs --rig: it speaks of the rig's channels")
        return EXIT_BAD_CONFIG
    return import_cook(options, say, complain)


def _devices(options: argparse.Namespace) -> int:
    from drivers.base import DeviceMisconfigured, DeviceUnavailable
    from drivers.finder import find_ble, find_serial

    async def look() -> None:
        found = list(await find_serial(listen=2.0))
        if not options.no_ble:
            try:
                found += await find_ble(options.seconds)
            except (DeviceUnavailable, DeviceMisconfigured) as error:
                complain(f"BLE: {error}")
        for thing in found:
            say(f"# {thing.name}: {thing.detail}\n{thing.stanza}\n")
        if not found:
            say("nothing found; is it plugged in, and are you in the groups dialout and bluetooth?")

    asyncio.run(look())
    return 0


def _calibrate(options: argparse.Namespace) -> int:
    from daemon.commands.calibrate import NoSuchChannel, calibrate

    rig, _ = load_both(options.rig, None)
    try:
        return asyncio.run(calibrate(rig, options.channel, options.pressure, say))
    except NoSuchChannel as error:
        complain(str(error))
        return EXIT_BAD_CONFIG


def _plan(options: argparse.Namespace) -> int:
    from daemon.commands.cooks import journal_of
    from daemon.shell.library.records import CookRecords
    from daemon.wiring.planning import AMBIENT, Weather, plan_lines

    rig, cook = load_both(options.rig, options.cook)
    assert cook is not None, "argparse asks for it"
    taught = CookRecords(journal_of(options.state, options.rig)).taught()
    weather = Weather(AMBIENT if options.ambient is None else options.ambient, options.wind)
    for line in plan_lines(rig, cook, str(options.cook), weather, taught, wall_seconds()):
        say(line)
    return 0


def _report(options: argparse.Namespace) -> int:
    from daemon.commands.cooks import journal_of
    from daemon.commands.report import make_report

    if options.html is None and options.png is None:
        complain("say where the report goes: --html FILE, --png FILE, or both")
        return EXIT_BAD_CONFIG
    state = journal_of(options.state, options.rig).parent
    return _reported(lambda: make_report(state, options.cook, options.html, options.png, say))


def _demo_report(options: argparse.Namespace) -> int:
    from daemon.commands.report import demo_report

    return _reported(lambda: demo_report(options.directory, options.hours, say))


def _reported(work: Callable[[], None]) -> int:
    from daemon.commands.report import ReportRefused

    try:
        work()
    except ReportRefused as error:
        complain(str(error))
        return EXIT_FAILED
    except OSError as error:
        complain(f"{error.filename}: {error.strerror}")
        return EXIT_FAILED
    return 0


def _doctor(options: argparse.Namespace) -> int:
    from daemon.commands.doctor import doctor

    return asyncio.run(doctor(options.rig, options.cook, say, options.state))


def _ship(options: argparse.Namespace) -> int:
    from daemon.commands.ship import CannotShip, not_my_turn, ship

    rig, _ = load_both(options.rig, None)
    try:
        if options.my_turn:
            why = not_my_turn(rig, options.my_turn)
            say(f"not yet: {why}" if why else f"it is this pit's turn to take {options.my_turn}")
            return EXIT_FAILED if why else 0
        ship(rig, options.state)
    except CannotShip as error:
        complain(f"{options.rig}: {error}")
        return EXIT_BAD_CONFIG
    return 0


def _pool(options: argparse.Namespace) -> int:
    from daemon.commands.pool import CannotPool, pool

    try:
        for name, figures in pool(options.database).items():
            say(f"{name}: {figures} figures" if figures else f"{name}: too few pits have told of their fires")
    except CannotPool as error:
        complain(str(error))
        return EXIT_FAILED
    return 0


def _fleet(options: argparse.Namespace) -> int:
    from daemon.commands.fleet import CannotServe, crew_reader, serve

    say(f"the crew's page: http://127.0.0.1:{options.port}/ (Ctrl-C ends it)")
    try:
        people = crew_reader(options.unit, options.clock, options.zone)
        crew = load_crew(options.tell) if options.tell else None
        asyncio.run(until_signal(serve(options.database, options.port, options.name, people, crew)))
    except CannotServe as error:
        complain(str(error))
        return EXIT_FAILED
    return 0


def _notify_test(options: argparse.Namespace) -> int:
    from daemon.commands.notify_test import notify_test

    rig, _ = load_both(options.rig, None)
    return asyncio.run(notify_test(rig, say))


if __name__ == "__main__":
    sys.exit(main())
