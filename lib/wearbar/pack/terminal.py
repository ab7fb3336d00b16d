"""How a command prints and ends: by which signals, what it says of an error, what it replaces."""

import re
import signal
import sys
from contextlib import suppress
from pathlib import Path

PROBLEMS_SHOWN = 12


def print_by_code(**how):
    """What the terminal, or its `encoding`, has no letter for is printed by its code from here."""
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="backslashreplace", **how)


def print_ledger(ledger):
    """Print what became of a log's rows, a line a table."""
    print(f"{'table':<14}{'read':>9}{'used':>9}{'set aside':>11}{'after':>9}")
    for row in ledger.itertuples():
        print(f"{row.table:<14}{row.read:>9,}{row.used:>9,}{row.set_aside:>11,}{row.after:>9,}")


def print_problems(log):
    """Print the first rows of a log that are set aside, or kept with a doubt, and its plan's."""
    from wearbar.log.checks.problems import RULES
    from wearbar.log.tasks import beside_plan
    from wearbar.report.quantities import clean, plural

    for title, rows in (("set aside", log.set_aside), ("kept, with a doubt", log.warnings)):
        print(f"\n{plural(len(rows), 'row')} {title}")
        for row in rows.head(PROBLEMS_SHOWN).itertuples():
            place = f"{row.table} line {clean(row.line)}, {clean(row.column)}"
            value, wrong = clean(row.value) or "(blank)", RULES[row.rule].says
            print(f"  {place}: {value} - {wrong}; {clean(row.remedy, 400)}")
        if len(rows) > PROBLEMS_SHOWN:
            print(f"  and {len(rows) - PROBLEMS_SHOWN:,} more")
    print("", *beside_plan(log), sep="\n")


def refuse_to_replace(path, sign):
    """Nothing is written over but what the command itself wrote, which `sign` tells."""
    from wearbar.report.report import NotDone

    path = Path(path)
    if path.exists() and not path.is_dir() and not (path.is_file() and sign in path.read_bytes()):
        told = "is there and was not written by this command; give --out another name"
        raise NotDone(f"{path} {told}")


def stop_by_signals():
    """What ends a program (SIGTERM, a closed terminal, Ctrl-Break) does so as Ctrl-C from here."""
    signs = [getattr(signal, name, None) for name in ("SIGTERM", "SIGHUP", "SIGBREAK")]
    signs = [sign for sign in signs if sign and signal.getsignal(sign) == signal.SIG_DFL]

    def stop(*_):
        for sign in signs:
            signal.signal(sign, signal.SIG_IGN)  # once is enough
        raise KeyboardInterrupt

    with suppress(ValueError):  # in a thread, signals are for whoever began it
        for sign in signs:
            signal.signal(sign, stop)


def said_of(error):
    """An error as one line; one of the system's names its file."""
    said = " ".join(str(error).split())
    if isinstance(error, OSError) and error.strerror:
        where = f"{error.filename}: " if error.filename else ""
        what = f"{error.strerror[:1].lower()}{error.strerror[1:]}"
        return f"{where}{what}; give another path, or mend its permissions"
    if isinstance(error, OSError) or type(error).__module__.startswith("wearbar."):
        return said
    if isinstance(error, RuntimeError) and said.startswith("Symlink loop"):  # in Python 3.12
        return f"{said}; put the file itself there, or give another path"
    fault = f"a fault of this program, not of your log: {type(error).__name__}: {said}"
    return f"{fault} (with WEARBAR_TRACE=1 set, the same command shows where)"


def without_login(text):
    """The same text without the password and options of any database address in it."""
    return re.sub(r"(://[^\s?]*\?)\S*=\S*", r"\1***", re.sub(r"://[^\s:/@]*:\S*@", "://***@", text))
