"""The command line: what may be called stands in `commands.arguments`, and each command is a function below."""

from __future__ import annotations

import argparse
import contextlib
import gc
import logging
import signal
import sys
from collections.abc import Callable, Iterator, Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path

from config.config_error import ConfigError
from config.cook import Cook
from config.doubts import weather_doubts
from config.file_problems import of_file
from config.loader import load_both, load_crew, read_both, weather_problems
from config.problems import Unfit
from config.rig import Rig
from config.units import Written
from daemon.commands import orders
from daemon.commands.arguments import Act, parser_of
from daemon.shell.clock import wall_seconds
from daemon.shell.log_lines import SaidOnce, log_to_stderr
from daemon.texts.composer import PLAIN
from daemon.texts.problems import each_asked, in_a_line, of_order, told
from daemon.wiring.composers import composer_of, composer_of_people

log = logging.getLogger("pitvigil")

EXIT_BAD_CONFIG = 2
EXIT_FAILED = 1
EXIT_IN_USE = 3


def say(text: str) -> None:
    sys.stdout.write(text + "\n")


def complain(text: str) -> None:
    with contextlib.suppress(OSError):
        sys.stderr.write(text + "\n")


def main(arguments: Sequence[str] | None = None) -> int:
    """Returns the exit code: 0 done, 1 failed, 2 the files or the call must be mended first, 3 another watch is running."""
    options = parser_of(ACTS).parse_args(arguments)
    log_to_stderr(logging.INFO if options.verbose else logging.WARNING, aside=options.act is _run)
    try:
        code: int = options.act(options)
    except ConfigError as error:
        composer = composer_of_people(error.people)
        for problem in error.problems:
            complain(in_a_line(problem, composer))
        return EXIT_BAD_CONFIG
    except BrokenPipeError:
        return EXIT_FAILED
    except OSError as error:
        if error.filename is None:
            raise
        complain(in_a_line(of_file(error)))
        return EXIT_FAILED
    return code


def _check(options: argparse.Namespace) -> int:
    from daemon.wiring.settings_from_files import warnings, watch_settings

    read = read_both(options.rig, options.cook)
    today, composer = datetime.fromtimestamp(wall_seconds(), UTC), composer_of_people(read.people)
    told = list(read.doubts(today.timestamp()))
    if read.rig is not None:
        told += warnings(read.rig, read.cook, str(options.cook), str(options.rig), today)
    for warning in told:
        say(in_a_line(warning, composer))
    if read.problems or read.rig is None:
        raise read.error()
    watch_settings(read.rig, read.cook)
    for line in _understood(read.rig, read.cook):
        say(line)
    say(PLAIN.words("command.check.usable"))
    return 0


def _understood(rig: Rig, cook: Cook | None) -> Iterator[str]:
    """What is on and when it is served, so that a wrong hour or weight is seen before the night."""
    from daemon.wiring.composers import composer_of

    if cook is None:
        return
    words, at = composer_of(rig).words, cook.serve_at_utc(rig.people.zone)
    if at is None:
        yield words("command.check.cook-unserved", name=cook.name)
    else:
        yield words("command.check.cook", name=cook.name, at=at, zone=rig.people.zone)
    channels = {channel.id: channel.name or channel.id for channel in rig.channels}
    for piece in cook.pieces:
        named = channels.get(piece.channel or "")
        probe = words("command.check.probe", channel=named) if named is not None else words("command.check.no-probe")
        own = piece.serve_at_utc(rig.people.zone)
        served = "" if own is None else words("command.check.served", at=own)
        yield words("command.check.piece", name=piece.name, weight=piece.weight, probe=probe, served=served)


def _key(options: argparse.Namespace) -> int:
    from http.client import HTTPException

    from daemon.shell.state.secrets import SecretRefused
    from daemon.wiring.keys import invitation, page_key
    from daemon.wiring.state_directory import state_directory

    rig, _ = load_both(options.rig, None)
    if rig.page is None:
        complain(PLAIN.words("command.key.no-page", rig=str(options.rig)))
        return EXIT_BAD_CONFIG
    runs = True
    try:
        lines = invitation(rig.page, page_key(rig.page, state_directory(rig, options.state)))
        orders.Watch(rig, options.state).ask("snapshot")
    except (SecretRefused, orders.OtherWatch) as error:
        complain(str(error))
        return EXIT_BAD_CONFIG
    except (orders.NotSaid, ValueError, HTTPException):
        runs = False  # it may be started with this key
    for line in lines:
        say(line)
    if not runs:
        complain(PLAIN.words("command.key.not-running", rig=str(options.rig)))
    return 0


def _run(options: argparse.Namespace) -> int:
    import asyncio

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
    import asyncio

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
    import asyncio

    from daemon.commands.demo.live import Demo

    demo = Demo(speed=options.speed, seed=options.seed, hours=options.hours, plain=options.plain)
    asyncio.run(until_signal(demo.run()))
    demo.farewell()
    return 0


def _replay(options: argparse.Namespace) -> int:
    from daemon.commands.cooks import ask_what_if, replay_kept, tell_log
    from daemon.commands.replay import replay_log

    if options.journal is None and (options.log is None or options.rig is None):
        complain(PLAIN.words("command.call.replay-of-what"))
        return EXIT_BAD_CONFIG
    if options.journal is not None and (options.log is not None or options.cook is None):
        complain(PLAIN.words("command.call.replay-of-both"))
        return EXIT_BAD_CONFIG
    if options.what_if or options.set:
        return ask_what_if(options, complain)
    if options.journal is not None:
        return replay_kept(options, complain)
    try:
        with contextlib.ExitStack() as stack:
            out = stack.enter_context(options.events.open("w", encoding="utf-8")) if options.events else sys.stdout
            cook = Path(options.cook) if options.cook else None
            readings, mistakes = replay_log(options.log, options.rig, cook, out, options.unit)
    except OSError as error:
        complain(in_a_line(of_file(error)))
        return EXIT_BAD_CONFIG
    tell_log(options.log, options.unit, mistakes, complain)
    complain(PLAIN.words("command.log.judged", readings=readings))
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
        complain(PLAIN.words("command.call.cook-needs-rig"))
        return EXIT_BAD_CONFIG
    return import_cook(options, say, complain)


def _devices(options: argparse.Namespace) -> int:
    import asyncio

    from drivers.base import DeviceError
    from drivers.finder import find_ble, find_serial

    async def look() -> None:
        found = list(await find_serial(listen=2.0))
        if not options.no_ble:
            try:
                found += await find_ble(options.seconds)
            except DeviceError as error:
                complain(PLAIN.words("command.devices.ble", why=told(error.why)))
        for thing in found:
            about = (PLAIN.words("command.devices.found", name=thing.name, detail=told(thing.detail)),)
            remarks = (PLAIN.say(told(remark)) for remark in thing.remarks)
            say("".join(f"# {line}\n" for line in (*about, *remarks)) + thing.stanza + "\n")
        if not found:
            say(PLAIN.words("command.devices.nothing"))

    asyncio.run(look())
    return 0


def _calibrate(options: argparse.Namespace) -> int:
    import asyncio

    from daemon.commands.calibrate import NoSuchChannel, calibrate

    rig, _ = load_both(options.rig, None)
    try:
        return asyncio.run(calibrate(rig, options.channel, options.pressure, say))
    except NoSuchChannel as error:
        complain(str(error))
    except Unfit as error:
        complain(PLAIN.say(told(error.remedy)))
    return EXIT_BAD_CONFIG


def _plan(options: argparse.Namespace) -> int:
    from daemon.commands.cooks import journal_of
    from daemon.shell.library.records import CookRecords
    from daemon.wiring.planning import AMBIENT, Weather, plan_lines
    from daemon.wiring.settings_from_files import watch_settings

    rig, cook = load_both(options.rig, options.cook)
    assert cook is not None, "argparse asks for it"
    settings = watch_settings(rig, cook)
    on = {piece.pit for piece in settings.cook.pieces}  # the plan follows the fire of the first pit with pieces
    pit = next((pit for pit in settings.pit_names if pit in on), "")
    taught = CookRecords(journal_of(options.state, options.rig)).taught(pit)
    weather = Weather(AMBIENT if options.ambient is None else options.ambient, options.wind)
    composer = composer_of(rig)
    if rig.people.unit == "F" and (question := _weather_unit(options.ambient, options.wind)):
        complain(question)
        return EXIT_BAD_CONFIG
    if impossible := weather_problems(options.ambient, options.wind):
        for problem in impossible:
            complain(composer.say(of_order(problem)))
        return EXIT_BAD_CONFIG
    for doubt in each_asked(weather_doubts(options.ambient, options.wind, "")):
        complain(composer.say(doubt))
    for line in plan_lines(rig, cook, str(options.cook), weather, taught, wall_seconds()):
        say(line)
    return 0


def _weather_unit(ambient: float | None, wind: float) -> str:
    """What is asked of whoever reads °F and wrote a bare number, or ""; no wind is none in any unit."""
    if ambient is not None and not isinstance(ambient, Written):
        return PLAIN.words("command.call.which-ambient", number=f"{ambient:g}")
    if wind and not isinstance(wind, Written):
        return PLAIN.words("command.call.which-wind", number=f"{wind:g}")
    return ""


def _report(options: argparse.Namespace) -> int:
    from daemon.commands.cooks import journal_of
    from daemon.commands.report import make_report

    if options.html is None and options.png is None:
        complain(PLAIN.words("command.call.report-where"))
        return EXIT_BAD_CONFIG
    state = journal_of(options.state, options.rig).parent
    reader = composer_of(load_both(options.rig, None)[0]).reader if options.rig is not None else None
    return _reported(lambda: make_report(state, options.cook, options.html, options.png, say, options.pit, reader))


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
        complain(in_a_line(of_file(error)))
        return EXIT_FAILED
    return 0


def _doctor(options: argparse.Namespace) -> int:
    import asyncio

    from daemon.commands.doctor import doctor

    return asyncio.run(doctor(options.rig, options.cook, say, options.state))


def _ship(options: argparse.Namespace) -> int:
    from daemon.commands.fleet.ship import CannotShip, not_my_turn, ship

    rig, _ = load_both(options.rig, None)
    try:
        if options.my_turn:
            why = not_my_turn(rig, options.my_turn)
            if why:
                say(PLAIN.words("command.crew.not-yet", why=why))
            else:
                say(PLAIN.words("command.crew.your-turn", release=options.my_turn))
            return EXIT_FAILED if why else 0
        ship(rig, options.state)
    except CannotShip as error:
        complain(PLAIN.words("command.crew.of-rig", rig=str(options.rig), why=str(error)))
        return EXIT_BAD_CONFIG
    return 0


def _pool(options: argparse.Namespace) -> int:
    from daemon.commands.fleet.pool import CannotPool, pool

    try:
        for name, figures in pool(options.database).items():
            if figures:
                say(PLAIN.words("command.crew.figures", kind=name, figures=figures))
            else:
                say(PLAIN.words("command.crew.too-few", kind=name))
    except CannotPool as error:
        complain(str(error))
        return EXIT_FAILED
    return 0


def _fleet(options: argparse.Namespace) -> int:
    import asyncio

    from daemon.commands.fleet.page import CannotServe, crew_reader, serve

    try:
        people = crew_reader(options.unit, options.clock, options.zone)
        crew = load_crew(options.tell) if options.tell else None
        say(PLAIN.words("command.crew.page", port=options.port))
        asyncio.run(until_signal(serve(options.database, options.port, options.name, people, crew)))
    except CannotServe as error:
        complain(str(error))
        return EXIT_FAILED
    return 0


def _notify_test(options: argparse.Namespace) -> int:
    import asyncio

    from daemon.commands.notify_test import notify_test

    rig, _ = load_both(options.rig, None)
    return asyncio.run(notify_test(rig, say))


ACTS: Mapping[str, Act] = {
    "run": _run,
    "key": _key,
    "check": _check,
    "demo": _demo,
    "replay": _replay,
    "cooks": _cooks,
    "alarms": _alarms,
    "export": _export,
    "import": _import,
    "devices": _devices,
    "calibrate": _calibrate,
    "notify-test": _notify_test,
    "plan": _plan,
    "report": _report,
    "demo-report": _demo_report,
    "ship": _ship,
    "fleet": _fleet,
    "pool": _pool,
    "doctor": _doctor,
}


if __name__ == "__main__":
    sys.exit(main())
