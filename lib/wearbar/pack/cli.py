"""The command line: `wearbar pack`, `sheet`, `calendar`, `check`, `start`, `adopt`, `descriptor`.

Exit codes: 0 done, 1 done with rows of the log set aside, 2 not done. What goes wrong is said in one sentence. The libraries are imported
only once there is work to do, so that `--help` answers at once.
"""

import argparse
import datetime
import os
import re
import signal
import sys
from contextlib import contextmanager, suppress
from pathlib import Path

from wearbar import __version__

__all__ = ["main"]

DONE, SET_ASIDE, NOT_DONE = 0, 1, 2
PROBLEMS_SHOWN = 12
EARLIER = {"describe": "descriptor"}  # names that commands had; they still run
LOG_HELP = "folder, workbook, database address, or env:NAME of an address in the environment (default: the fleet demo)"


def main(arguments=None):
    """Run one command; gives its exit code."""
    asked = _parser().parse_args(_by_new_name(sys.argv[1:] if arguments is None else arguments))
    _print_anything()
    try:
        with _stopped_by_signals():
            return asked.run(asked)
    except KeyboardInterrupt:
        again = (
            "finished reports are kept, and the same command goes on from there"
            if asked.run is _pack
            else "run the same command again"
        )
        return _not_done(f"stopped; {again}")
    except BrokenPipeError:
        sys.stderr.close()
        return NOT_DONE
    except MemoryError:
        return _not_done(
            "this computer's memory is too small for the log; close other programs and run the same command again"
        )
    except Exception as error:
        if os.environ.get("WEARBAR_TRACE"):
            raise
        if isinstance(error, OSError) or type(error).__module__.startswith("wearbar."):
            return _not_done(_sentence(error))
        if isinstance(error, RuntimeError) and str(error).startswith(
            "Symlink loop"
        ):  # an OSError from Python 3.13 on
            return _not_done(f"{_sentence(error)}; put the file itself there, or give another path")
        fault = f"{type(error).__name__}: {_sentence(error)}"
        return _not_done(
            f"a fault of this program, not of your log: {fault} (with WEARBAR_TRACE=1 set, the same command shows where)"
        )


def _by_new_name(arguments):
    """The arguments with the command's name as it is now; an earlier one is said on stderr."""
    new = EARLIER.get(arguments[0]) if arguments else None
    if not new:
        return arguments
    print(f"wearbar {arguments[0]} is now called wearbar {new}", file=sys.stderr)
    return [new, *arguments[1:]]


def _print_anything():
    """Names that the terminal has no letters for are printed by their codes."""
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="backslashreplace")


@contextmanager
def _stopped_by_signals():
    """Within, the signals that end a program (SIGTERM, a terminal that closes, Ctrl-Break) end it as Ctrl-C does."""

    def stop(*_):
        for sign in before:
            signal.signal(sign, signal.SIG_IGN)  # once is enough
        raise KeyboardInterrupt

    signs = [
        getattr(signal, name) for name in ("SIGTERM", "SIGHUP", "SIGBREAK") if hasattr(signal, name)
    ]
    before = {sign: signal.SIG_DFL for sign in signs if signal.getsignal(sign) == signal.SIG_DFL}
    with suppress(ValueError):  # in a thread, signals are for whoever began it
        for sign in before:
            signal.signal(sign, stop)
    try:
        yield
    finally:
        with suppress(ValueError):
            for sign in before:
                signal.signal(sign, signal.SIG_DFL)


class _Parser(argparse.ArgumentParser):
    def error(self, message):
        self.exit(
            NOT_DONE,
            f"wearbar: {_without_login(message)}; `{self.prog} --help` lists what there is\n",
        )


def _parser():
    parser = _Parser(
        prog="wearbar",
        description="From a vehicle service log to reports: what is due, how long parts last, what each mile or km costs.",
    )
    parser.add_argument("--version", action="version", version=f"wearbar {__version__}")
    commands = parser.add_subparsers(title="commands", required=True, metavar="COMMAND")
    for name, (run, said, options) in _commands().items():
        command = commands.add_parser(name, help=said, description=run.__doc__)
        for option, settings in options.items():
            command.add_argument(option, **settings)
        command.set_defaults(run=run)
    return parser


def _commands():
    """Name of each command to (what runs it, what it does, its options)."""
    log = {"log": {"nargs": "?", "default": "", "metavar": "LOG", "help": LOG_HELP}}
    some = {
        **_text("--site", None, "vehicles of this site alone"),
        **_several("--vehicle", "V", "these vehicles alone"),
    }
    day = _text("--as-of", "DATE", "last day to count, YYYY-MM-DD (default: the log's own)")
    pack = {**log, **_out("wearbar-pack", "DIR", "folder for the pack"), **day}
    pack |= _several("--only", "NOTEBOOK", "these reports alone") | some
    pack |= _share("--confidence", 0.9, "of every interval (default: %(default)s)")
    pack |= _units("the log's own")
    pack |= _share("--criterion", 0.0, "score by this share of an interval beside the plan's")
    pack |= _text("--since", "PACK", "tell what has changed since this earlier pack of the log")
    sheet = {
        **log,
        **_text("--vehicle", "V", "the vehicle (default: the one whose work presses most)"),
        **day,
        **_units("the vehicle's own"),
        **_out("visit-sheet.html", "FILE", "the page to write"),
    }
    check = {
        "log": {"metavar": "LOG", "help": "folder, workbook or database address"},
        **_text("--out", "DIR", "also write the log here, each row with what is wrong with it"),
    }
    adopt = {
        "file": {"metavar": "FILE", "help": "a CSV file or a workbook; it is not changed"},
        **_text(
            "--map", "MAP.toml", "which column is which (default: FILE's name with .map.toml, here)"
        ),
        **_text("--out", "DIR", "a new folder for the log (default: FILE's name with -log, here)"),
    }
    descriptor = {
        "log": {"metavar": "LOG", "help": "folder or workbook"},
        **_text("--out", "FILE", "where to write it (default: datapackage.json beside the tables)"),
    }
    calendar = {**log, **day, **some, **_out("wearbar.ics", "FILE", "the file to write")}
    start = {"folder": {"metavar": "DIR", "help": "a new or empty folder"}}
    return {
        "pack": (_pack, "run the reports and write them as a folder of pages", pack),
        "sheet": (_sheet, "write one vehicle's next visit as a page to print", sheet),
        "calendar": (_calendar, "write what is due as a calendar file", calendar),
        "check": (_check, "count the log's rows and name its first problems", check),
        "start": (_start, "write an empty log to fill in", start),
        "adopt": (_adopt, "turn a spreadsheet of one's own into a log", adopt),
        "descriptor": (_descriptor, "write a Data Package descriptor of a log", descriptor),
    }


def _text(option, metavar, said):
    return {option: {"default": "", "metavar": metavar, "help": said}}


def _several(option, metavar, said):
    return {option: {"nargs": "+", "default": [], "metavar": metavar, "help": said}}


def _share(option, default, said):
    return {option: {"type": float, "default": default, "metavar": "SHARE", "help": said}}


def _out(default, metavar, said):
    return {
        "--out": {"default": default, "metavar": metavar, "help": f"{said} (default: %(default)s)"}
    }


def _units(default):
    said = f"distances to read in (default: {default})"
    return {"--units": {"default": "", "choices": ["mi", "km"], "help": said}}


def _pack(asked):
    """Run the reports on a service log and write them, with tables and findings, as one folder of pages."""
    from wearbar.pack import make_pack

    made = make_pack(
        asked.out,
        log=asked.log,
        only=asked.only,
        tell=lambda line: print(line, file=sys.stderr, flush=True),
        as_of=asked.as_of,
        site=asked.site,
        vehicle=asked.vehicle,
        confidence=asked.confidence,
        units=asked.units,
        criterion=asked.criterion,
        since=asked.since,
    )
    if made.set_aside:
        rows = (
            "1 of the log's rows was"
            if made.set_aside == 1
            else f"{made.set_aside:,} of the log's rows were"
        )
        print(f"{rows} set aside: log_check names each, and what would mend it.", file=sys.stderr)
    print(made.first_page)
    return SET_ASIDE if made.set_aside else DONE


def _sheet(asked):
    """Write a visit sheet: what must be seen to first, the work due with its steps, what to read, and blanks for what is found."""
    from wearbar.pack.single import make_page

    _refuse_to_replace(asked.out, b'<span class="mark">Wearbar</span>')
    vehicle = [asked.vehicle] if asked.vehicle else []
    set_aside = make_page(
        "visit_sheet", asked.out, asked.log, asked.as_of, vehicle=vehicle, units=asked.units
    )
    print(Path(asked.out).resolve().as_uri())
    return SET_ASIDE if set_aside else DONE


def _calendar(asked):
    """Write what is due and when it is likely to fall due as an iCalendar file (RFC 5545), for any calendar program."""
    from wearbar.report import report as reports
    from wearbar.report.calendar import calendar_of
    from wearbar.report.quantities import plural

    _refuse_to_replace(asked.out, b"PRODID:-//Wearbar//")
    whole, cut = reports.check(asked.log, asked.as_of, asked.site, asked.vehicle)
    text, n, n_without = calendar_of(whole, cut.tables["vehicles"]["vehicle"])
    Path(asked.out).write_bytes(text.encode())
    missing = (
        f"; {plural(n_without, 'open task')} without a day: nothing tells when the vehicle will get there"
        if n_without
        else ""
    )
    print(f"{asked.out}: {plural(n, 'event')}{missing}")
    return SET_ASIDE if len(whole.set_aside) else DONE


def _check(asked):
    """Read a service log, count what became of each row, and name the first rows that something is wrong with."""
    from wearbar import log as logs
    from wearbar.report.quantities import plural

    log = logs.read_log(asked.log)
    print(f"{_line(log.name)}: {log.first_day:%Y-%m-%d} to {log.as_of:%Y-%m-%d}\n")
    print(*_ledger(log), sep="\n")
    for title, rows in (("set aside", log.set_aside), ("kept, with a doubt", log.warnings)):
        print(f"\n{plural(len(rows), 'row')} {title}")
        for row in rows.head(PROBLEMS_SHOWN).itertuples():
            print(
                f"  {row.table} line {_line(row.line)}, {_line(row.column)}: {_line(row.value)} - {_line(row.rule)}; {_line(row.remedy)}"
            )
        if len(rows) > PROBLEMS_SHOWN:
            print(f"  and {len(rows) - PROBLEMS_SHOWN:,} more")
    if asked.out:
        out = logs.write_marked(log, asked.out)
        print(
            f"\nMend the copy in {out / 'log'}, where each row set aside says why; {out / 'set_aside'} has those rows alone."
        )
        print(
            f"Then check the copy itself: wearbar check {out / 'log'}. What stands in its column mend may stay there: it is not read."
        )
    return SET_ASIDE if len(log.set_aside) else DONE


def _start(asked):
    """Write an empty service log: a file for each table with its header, log.toml and plan.toml with their keys explained, and a guide."""
    from wearbar.pack.start import start_log

    print(
        f"An empty log is in {start_log(asked.folder)}: read GUIDE.md there, fill in vehicles.csv and odometer.csv first."
    )
    return DONE


def _adopt(asked):
    """Turn a CSV file or workbook into a log by a map of its columns; without a map, propose one from what the file shows."""
    from wearbar import adopt
    from wearbar.report.words.adopt import adopted_lines, proposed_lines, record

    stem, grids = Path(asked.file).stem, adopt.read_grids(asked.file)
    path, folder = Path(asked.map or f"{stem}.map.toml"), asked.out or f"{stem}-log"
    if not path.exists():
        proposal = adopt.propose(grids, stem, today=datetime.date.today())
        path.write_text(proposal.toml, encoding="utf-8")
        print(*proposed_lines(proposal, path), sep="\n")
        return DONE
    adopted = adopt.convert(grids, adopt.read_map(path))
    log = adopt.keep(adopted, folder, record(adopted))
    print(*adopted_lines(adopted, log, folder), "", *_ledger(log, every=False), sep="\n")
    return SET_ASIDE if len(log.set_aside) or not adopted.is_whole else DONE


def _descriptor(asked):
    """Write a Data Package descriptor (datapackage.json, with a Table Schema a table) of a log, by which other tools can read it."""
    from wearbar.log.descriptor import write_descriptor

    print(write_descriptor(asked.log, asked.out))
    return DONE


def _refuse_to_replace(path, sign):
    """Nothing is written over but what the command itself wrote, which `sign` tells."""
    from wearbar.report.report import NotDone

    path = Path(path)
    if path.exists() and not path.is_dir() and not (path.is_file() and sign in path.read_bytes()):
        raise NotDone(
            f"{path} is there and was not written by this command; give --out another name"
        )


def _ledger(log, every=True):
    yield f"{'table':<14}{'read':>9}{'used':>9}{'set aside':>11}{'after':>9}"
    for row in (log.ledger if every else log.ledger[log.ledger["read"] > 0]).itertuples():
        yield f"{row.table:<14}{row.read:>9,}{row.used:>9,}{row.set_aside:>11,}{row.after:>9,}"


def _line(text):
    from wearbar.report.quantities import clean

    return clean(text)


def _not_done(sentence):
    print(f"wearbar: {_without_login(sentence)}", file=sys.stderr)
    return NOT_DONE


def _without_login(text):
    """The same text without the password and options of any database address in it."""
    return re.sub(r"(://[^\s?]*\?)\S*=\S*", r"\1***", re.sub(r"://[^\s:/@]*:\S*@", "://***@", text))


def _sentence(error):
    """An error as one line; one of the system's names its file."""
    if isinstance(error, OSError) and error.strerror:
        where = f"{error.filename}: " if error.filename else ""
        return f"{where}{error.strerror[:1].lower()}{error.strerror[1:]}; give another path, or mend its permissions"
    return " ".join(str(error).split())


if __name__ == "__main__":
    sys.exit(main())
