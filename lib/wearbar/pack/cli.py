"""The commands of `wearbar`, one a function; what each takes stands in commands.toml. Exit codes:
`parser.EXITS`; a command gives how much it left aside. What goes wrong is said in one sentence.
Libraries are imported only once there is work to do, so that `--help` answers at once."""

import os
import sys
from importlib import import_module
from pathlib import Path

from wearbar.pack import terminal
from wearbar.pack.parser import COMMANDS, NOT_DONE, command, command_of

DONE, SET_ASIDE = 0, 1


def main(arguments=None):
    """Run one command; gives its exit code. arguments: None are those of this process, which then
    runs nothing else."""
    is_alone, arguments = arguments is None, sys.argv[1:] if arguments is None else arguments
    if arguments[:1] == ["describe"]:  # what the command was called
        print("wearbar describe is now called wearbar descriptor", file=sys.stderr)
        arguments = ["descriptor", *arguments[1:]]
    run, asked = command_of(arguments)
    terminal.print_by_code()
    try:
        terminal.stop_by_signals()
        if is_alone and run is pack and sys.platform == "linux":
            import_module("wearbar.pack.prepared")  # the reports' processes are copies of this one
        if run is pack:
            from wearbar.pack.options import with_options

            asked = with_options(asked["log"], COMMANDS.choices["pack"], arguments[1:])
        if asked.pop("plain"):
            terminal.print_by_code(encoding="ascii")
        is_well = asked.pop("exit_zero")
        return SET_ASIDE if run(**asked) and not is_well else DONE
    except KeyboardInterrupt:
        kept = "finished reports are kept, and the same command goes on from there"
        said = f"stopped; {kept if run is pack else 'run the same command again'}"
    except BrokenPipeError:
        sys.stderr.close()
        return NOT_DONE
    except MemoryError:
        again = "close other programs and run the same command again"
        said = f"this computer's memory is too small for the log; {again}"
    except Exception as error:
        if os.environ.get("WEARBAR_TRACE"):
            raise
        said = terminal.said_of(error)
    print(f"wearbar: {terminal.without_login(said)}", file=sys.stderr)
    return NOT_DONE


@command
def pack(each, quiet, **asked):
    """Run the reports on a service log and write them, with tables and findings, as one folder
    of pages; with --each as a folder for each vehicle or site. Options may stand in a section
    [pack] of the log's log.toml, by the names below; the command line wins."""
    from wearbar.pack import each as many
    from wearbar.pack import make

    def tell(line):
        if not quiet:
            print(line, file=sys.stderr, flush=True)

    asked |= {"tell": tell}
    made = many.make_packs(each=each, **asked) if each else make.make_pack(**asked)
    if n := made.set_aside:
        rows = "1 of the log's rows was" if n == 1 else f"{n:,} of the log's rows were"
        tell(f"{rows} set aside: log_check names each, and what would mend it.")
    print(made.first_page)
    return made.set_aside


@command
def calendar(log, as_of, site, vehicle, out):
    """Write what is due, and when, as an iCalendar file (RFC 5545) for any calendar program."""
    from wearbar.report import report as reports
    from wearbar.report.calendar import calendar_of
    from wearbar.report.quantities import plural

    terminal.refuse_to_replace(out, b"PRODID:-//Wearbar//")
    whole, cut, _ = reports.check(log, as_of, site, vehicle)
    text, n, n_without = calendar_of(whole, cut.tables["vehicles"]["vehicle"])
    Path(out).write_bytes(text.encode())
    told = f"{out}: {plural(n, 'event')}"
    if n_without:
        why = "nothing tells when the vehicle will get there"
        told += f"; {plural(n_without, 'open task')} without a day: {why}"
    print(told)
    return len(whole.set_aside)


@command
def check(log, out):
    """Read a service log, count what became of each row, and name the first rows with a fault."""
    from wearbar import log as logs
    from wearbar.report.quantities import clean

    log = logs.read_log(log)
    print(f"{clean(log.name)}: {log.first_day:%Y-%m-%d} to {log.as_of:%Y-%m-%d}\n")
    terminal.print_ledger(log.ledger)
    terminal.print_problems(log)
    if out:
        out = logs.write_marked(log, out)
        copy, aside = out / "log", out / "set_aside"
        where = f"where each row set aside says why; {aside} has those rows alone."
        print(f"\nMend the copy in {copy}, {where}")
        mend = "What stands in its column mend may stay there: it is not read."
        print(f"Then check the copy itself: wearbar check {copy}. {mend}")
    return len(log.set_aside)


if __name__ == "__main__":
    sys.exit(main())
