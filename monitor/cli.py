"""The command line.

`bandkeeper check | schema | run | reload | replay | export | hygiene | demo | token | backup | restore`
"""

from __future__ import annotations

import argparse
import gc
import json
import math
import sys
from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Final
from zoneinfo import ZoneInfo

from monitor import __version__
from monitor.plant.errors import BandkeeperError, PlantFileError
from monitor.plant.file import load_plant
from monitor.plant.plain import is_plain
from monitor.plant.quantity import parse_quantity
from monitor.plant.types import Plant

OK: Final = 0
FAILED: Final = 1
FAULTY: Final = 2
LONGEST_NAME: Final = 80
MOST_DAYS: Final = 36500.0


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command; return 0: done, 1: something was in the way, 2: a faulty plant file or call."""
    parser = _parser()
    options = parser.parse_args(argv)
    from_s, to_s = getattr(options, "from_s", None), getattr(options, "to_s", None)
    if from_s is not None and to_s is not None and from_s >= to_s:
        parser.error("--from must lie before --to")
    try:
        return int(options.act(options))
    except PlantFileError as error:
        print(error, file=sys.stderr)
        return FAULTY
    except BandkeeperError as error:
        print(f"bandkeeper: {error}", file=sys.stderr)
        return FAILED
    except KeyboardInterrupt:
        return 130


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="bandkeeper", description="Keeps coolant sumps inside their band.")
    parser.add_argument("--version", action="version", version=f"bandkeeper {__version__}")
    commands = parser.add_subparsers(required=True, metavar="COMMAND")
    check = commands.add_parser("check", help="check a plant file: every fault with file, line and key")
    check.add_argument("plant", type=Path, metavar="PLANT.toml")
    check.add_argument("--who", metavar="T", help="say who would be told what at a moment, the plant's time")
    check.set_defaults(act=_check)
    schema = commands.add_parser("schema", help="print the JSON Schema of the plant file, for editors")
    schema.set_defaults(act=_schema)
    _add_run(commands)
    reload = commands.add_parser("reload", help="let the running daemon read its plant file anew")
    reload.add_argument("plant", type=Path, metavar="PLANT.toml")
    reload.set_defaults(act=_reload)
    _add_replay(commands)
    _add_export(commands)
    _add_demo(commands)
    _add_hygiene(commands)
    _add_token(commands)
    _add_backup(commands)
    _add_restore(commands)
    return parser


def _add_run(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    run = commands.add_parser("run", help="run the daemon until it is told to stop")
    run.add_argument("plant", type=Path, metavar="PLANT.toml")
    run.set_defaults(act=_run)


def _add_replay(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    replay = commands.add_parser("replay", help="run recorded readings through the pipeline")
    replay.add_argument("plant", type=Path, metavar="PLANT.toml")
    replay.add_argument("--readings", type=Path, required=True, metavar="R.csv")
    replay.add_argument("--entries", type=Path, metavar="E.csv")
    replay.add_argument("--every", type=_duration, default=6 * 3600.0, metavar="6h", help="spacing of the forecasts")
    replay.add_argument("--from", type=_moment, dest="from_s", metavar="T", help="first moment to report")
    replay.add_argument("--to", type=_moment, dest="to_s", metavar="T", help="last moment")
    replay.add_argument("--out", type=Path, required=True, metavar="FOLDER")
    replay.set_defaults(act=_replay)


def _add_export(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    export = commands.add_parser("export", help="write what is on record as replay files")
    export.add_argument("plant", type=Path, metavar="PLANT.toml")
    export.add_argument("--readings", type=Path, required=True, metavar="R.csv")
    export.add_argument("--entries", type=Path, metavar="E.csv")
    export.add_argument("--from", type=_moment, dest="from_s", metavar="T")
    export.add_argument("--to", type=_moment, dest="to_s", metavar="T")
    export.set_defaults(act=_export)


def _add_demo(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    demo = commands.add_parser("demo", help="run an invented plant faster than life; needs no network")
    demo.add_argument("--days", type=float, default=7.0, help="how many days to show (7)")
    demo.add_argument("--speed", type=float, help="plant seconds a second (about 5000: a week in two minutes)")
    demo.add_argument("--port", type=_port, default=8480, help="where the page is served; 0 takes any free port")
    demo.add_argument("--seed", type=int, default=1, help="another seed is another week")
    demo.add_argument("--keep", action="store_true", help="keep the demo's folder")
    demo.set_defaults(act=_demo)


def _add_hygiene(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    hygiene = commands.add_parser("hygiene", help="report how good the alerts of a span were")
    hygiene.add_argument("plant", type=Path, metavar="PLANT.toml")
    hygiene.add_argument("--from", type=_moment, dest="from_s", metavar="T", help="begin; 30 days before the end")
    hygiene.add_argument("--to", type=_moment, dest="to_s", metavar="T", help="end; now")
    hygiene.set_defaults(act=_hygiene)


def _add_token(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    token = commands.add_parser("token", help="make or revoke a token for the status API")
    token.add_argument("plant", type=Path, metavar="PLANT.toml")
    token.add_argument("name", type=_name, help="who or what will use it")
    token.add_argument("--scope", choices=("read", "act", "admin"), default="read")
    token.add_argument("--days", type=_days, help="days until it expires (never)")
    token.add_argument("--revoke", action="store_true", help="make the token of that name invalid")
    token.add_argument("--sign-out", action="store_true", help="end the sessions begun with it; the token stays valid")
    token.set_defaults(act=_token)


def _add_backup(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    backup = commands.add_parser("backup", help="copy the record while it is in use")
    backup.add_argument("plant", type=Path, metavar="PLANT.toml")
    backup.add_argument("to", type=Path, metavar="FILE")
    backup.set_defaults(act=_backup)


def _add_restore(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    restore = commands.add_parser("restore", help="put a backup in the place of the record")
    restore.add_argument("plant", type=Path, metavar="PLANT.toml")
    restore.add_argument("file", type=Path, nargs="?", metavar="FILE", help="the newest nightly backup if left out")
    restore.set_defaults(act=_restore)


def _duration(text: str) -> float:
    """Read `6h`, `15 min` or `1 d` as seconds."""
    try:
        number = text.rstrip("abcdefghijklmnopqrstuvwxyz ")
        seconds = parse_quantity(f"{number} {text[len(number) :].strip()}", "time")
    except BandkeeperError as error:
        raise argparse.ArgumentTypeError(str(error)) from error
    if seconds <= 0:
        raise argparse.ArgumentTypeError("a spacing is longer than nothing")
    return seconds


def _name(text: str) -> str:
    """Read the name of a token: something that people can read and type again."""
    name = text.strip()
    if not 0 < len(name) <= LONGEST_NAME or not is_plain(name):
        raise argparse.ArgumentTypeError(f"a name has 1 to {LONGEST_NAME} letters on one line, such as shop-tablet")
    return name


def _days(text: str) -> float:
    """Read for how many days a token is good."""
    try:
        days = float(text)
    except ValueError:
        days = math.nan
    if not 0 < days <= MOST_DAYS:
        raise argparse.ArgumentTypeError(f"{text!r} is no number of days above 0; leave it out for a token without end")
    return days


def _port(text: str) -> int:
    """Read a TCP port, 0 for any free one."""
    if not text.isdecimal() or int(text) > 65535:
        raise argparse.ArgumentTypeError(f"{text!r} is no port: 0 to 65535, 0 takes any free one")
    return int(text)


def _moment(text: str) -> float:
    """Read RFC 3339 with an offset as Unix seconds."""
    try:
        moment = datetime.fromisoformat(text)
    except ValueError as error:
        raise argparse.ArgumentTypeError(f"{text!r} is no time like 2031-03-03T21:30:00+00:00") from error
    if moment.tzinfo is None:
        raise argparse.ArgumentTypeError(f"{text!r} has no offset: write 2031-03-03T21:30:00+00:00")
    if not 1970 < moment.year < 9999:
        raise argparse.ArgumentTypeError(f"{text!r} lies too far off: write a time of the years 1971 to 9998")
    return moment.timestamp()


def _check(options: argparse.Namespace) -> int:
    plant = load_plant(options.plant)
    if options.who is not None:
        from alerts.who import say_who

        print("\n".join(say_who(plant, _plant_time(options.who, plant.zone))))
        return OK
    print("ok")
    for warning in _gaps(plant):
        print(f"{options.plant}: warning: {warning}", file=sys.stderr)
    return OK


def _gaps(plant: Plant) -> list[str]:
    """Say in which hours of the week a high alert is sent to nobody, where that is no fault."""
    if not plant.alerting.routes:
        return ["route: alerts are sent to nobody at any hour: they are on the page, and over MQTT with [publish]"]
    from monitor.plant.people_build import gaps_of

    areas = dict.fromkeys(sump.area for sump in plant.sumps.values())
    found = {
        area: gaps_of(plant.alerting, area, plant.zone, replace(plant.attended, closed=frozenset())) for area in areas
    }
    return [
        f"route: a high alert{f' of area {area}' if area else ''} reaches nobody at once {', '.join(gaps)}"
        for area, gaps in found.items()
        if gaps
    ]


def _plant_time(text: str, zone: str) -> float:
    """Read a moment on the plant's clock, or with an offset, as Unix seconds."""
    try:
        moment = datetime.fromisoformat(text)
    except ValueError as error:
        raise BandkeeperError(f"--who: {text!r} is no time like 2031-03-07T23:10") from error
    if not 1970 < moment.year < 9999:
        raise BandkeeperError(f"--who: {text!r} lies too far off: write a time of the years 1971 to 9998")
    return (moment if moment.tzinfo else moment.replace(tzinfo=ZoneInfo(zone))).timestamp()


def _schema(_options: argparse.Namespace) -> int:
    from monitor.plant.file import plant_schema

    print(json.dumps(plant_schema(), indent=2))
    return OK


def _run(options: argparse.Namespace) -> int:
    gc.disable()  # what is imported stays: looking it over again and again makes the start longer
    try:
        from monitor.service import run_forever

        plant = load_plant(options.plant)
    finally:
        gc.enable()
    gc.freeze()
    return run_forever(plant)


def _reload(options: argparse.Namespace) -> int:
    from monitor.lock import ask_for_reload

    told = ask_for_reload(load_plant(options.plant).database)
    print(told.text, file=sys.stdout if told.done else sys.stderr)
    return OK if told.done else FAULTY


def _replay(options: argparse.Namespace) -> int:
    from rich.console import Console

    from monitor.replay import Order, replay

    plant = load_plant(options.plant)
    order = Order(options.readings, options.entries, options.every, options.from_s, options.to_s, options.out)
    told = replay(plant, order, Console(stderr=True))
    print(
        f"{told.readings} readings, {told.entries} entries, {told.rejected} rejected; "
        f"{told.forecasts} forecasts, {told.events} events, {told.alerts} alerts in {options.out}"
    )
    return OK


def _export(options: argparse.Namespace) -> int:
    from monitor.record.export import export_entries, export_readings
    from monitor.record.reader import Reader
    from monitor.record.targets import refuse_own
    from monitor.record.times import write_time

    plant = load_plant(options.plant)
    refuse_own(plant, options.readings, *([options.entries] if options.entries else []))
    reader = Reader.open(plant.database)
    from_s = options.from_s if options.from_s is not None else float("-inf")
    to_s = options.to_s if options.to_s is not None else float("inf")
    kept_from_s = reader.readings_from_s()
    if kept_from_s is not None and from_s < kept_from_s:
        said = f"single readings are on record from {write_time(kept_from_s)} on, of what was before only figures"
        print(f"bandkeeper: {said}", file=sys.stderr)
    count = export_readings(reader, plant, options.readings, from_s, to_s)
    said = f"{count} readings in {options.readings}"
    if options.entries is not None:
        said += f", {export_entries(reader, options.entries, from_s, to_s)} entries in {options.entries}"
    print(said)
    return OK


def _hygiene(options: argparse.Namespace) -> int:
    from alerts.hygiene import say_hygiene
    from monitor.daemon import wall_clock
    from monitor.hygiene import hygiene_of
    from monitor.record.reader import Reader

    plant = load_plant(options.plant)
    to_s = wall_clock() if options.to_s is None else options.to_s
    from_s = to_s - 30 * 86400.0 if options.from_s is None else options.from_s
    print(say_hygiene(hygiene_of(plant, Reader.open(plant.database), from_s, to_s), plant.name))
    return OK


def _demo(options: argparse.Namespace) -> int:
    from config_demo.run import run_demo

    return run_demo(days=options.days, speed=options.speed, port=options.port, seed=options.seed, keep=options.keep)


def _token(options: argparse.Namespace) -> int:
    from monitor.daemon import wall_clock
    from monitor.record.store import Record

    plant: Plant = load_plant(options.plant)
    record = Record.open(plant.database, now_s=wall_clock())
    try:
        if options.revoke:
            if not record.revoke_token(options.name):
                raise BandkeeperError(f"there is no token {options.name}: nothing was revoked")
            print("revoked")
            return OK
        if options.sign_out:
            print(f"sessions ended: {record.end_sessions(options.name)}")
            return OK
        now_s = wall_clock()
        expires_s = None if options.days is None else now_s + options.days * 86400.0
        print(record.add_token(options.name, options.scope, expires_s, now_s))
    finally:
        record.close()
    return OK


def _backup(options: argparse.Namespace) -> int:
    from monitor.daemon import wall_clock
    from monitor.record.store import Record
    from monitor.record.targets import refuse_own

    plant = load_plant(options.plant)
    refuse_own(plant, options.to)
    record = Record.open(plant.database, now_s=wall_clock())
    try:
        record.backup(options.to)
    finally:
        record.close()
    print(f"copied to {options.to}")
    return OK


def _restore(options: argparse.Namespace) -> int:
    from monitor.daemon import wall_clock
    from monitor.lock import RecordLock
    from monitor.record.mend import restore

    plant = load_plant(options.plant)
    folder = None if plant.backup is None else plant.backup.folder
    lock = RecordLock.take(plant.database)
    try:
        used, aside = restore(plant.database, folder, options.file, wall_clock())
    finally:
        lock.release()
    print(f"{used} is in place" + ("" if aside is None else f"; the record before lies in {aside}"))
    return OK
