"""The command line of `wearbar.pack.commands`; what goes wrong is said in one sentence.

Exit codes: 0 done, 1 done with rows of the log set aside, 2 not done.
"""

import argparse
import os
import re
import signal
import sys
from contextlib import contextmanager, suppress

from wearbar import __version__
from wearbar.pack.commands import COMMANDS

DONE, SET_ASIDE, NOT_DONE = 0, 1, 2
EARLIER = {"describe": "descriptor"}  # names that commands had; they still run


def main(arguments=None):
    """Run one command; gives its exit code."""
    arguments = sys.argv[1:] if arguments is None else arguments
    asked = vars(_parser().parse_args(_by_new_name(arguments)))
    run = asked.pop("run")
    for stream in (sys.stdout, sys.stderr):  # what the terminal has no letter for, by its code
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="backslashreplace")
    try:
        with _stopped_by_signals():
            return SET_ASIDE if run(**asked) else DONE
    except KeyboardInterrupt:
        kept = "finished reports are kept, and the same command goes on from there"
        again = kept if run.__name__ == "pack" else "run the same command again"
        return _not_done(f"stopped; {again}")
    except BrokenPipeError:
        sys.stderr.close()
        return NOT_DONE
    except MemoryError:
        again = "close other programs and run the same command again"
        return _not_done(f"this computer's memory is too small for the log; {again}")
    except Exception as error:
        if os.environ.get("WEARBAR_TRACE"):
            raise
        return _not_done(_said(error))


def _by_new_name(arguments):
    """The arguments with the command's name as it is now; an earlier one is said on stderr."""
    new = EARLIER.get(arguments[0]) if arguments else None
    if not new:
        return arguments
    print(f"wearbar {arguments[0]} is now called wearbar {new}", file=sys.stderr)
    return [new, *arguments[1:]]


@contextmanager
def _stopped_by_signals():
    """Within, what ends a program (SIGTERM, a closed terminal, Ctrl-Break) does so as Ctrl-C."""
    signs = [getattr(signal, name, None) for name in ("SIGTERM", "SIGHUP", "SIGBREAK")]
    signs = [sign for sign in signs if sign and signal.getsignal(sign) == signal.SIG_DFL]

    def hear(answer):
        with suppress(ValueError):  # in a thread, signals are for whoever began it
            for sign in signs:
                signal.signal(sign, answer)

    def stop(*_):
        hear(signal.SIG_IGN)  # once is enough
        raise KeyboardInterrupt

    hear(stop)
    try:
        yield
    finally:
        hear(signal.SIG_DFL)


def _not_done(sentence):
    print(f"wearbar: {_without_login(sentence)}", file=sys.stderr)
    return NOT_DONE


def _said(error):
    said = _sentence(error)
    if isinstance(error, OSError) or type(error).__module__.startswith("wearbar."):
        return said
    if isinstance(error, RuntimeError) and said.startswith("Symlink loop"):  # in Python 3.12
        return f"{said}; put the file itself there, or give another path"
    fault = f"a fault of this program, not of your log: {type(error).__name__}: {said}"
    return f"{fault} (with WEARBAR_TRACE=1 set, the same command shows where)"


def _sentence(error):
    """An error as one line; one of the system's names its file."""
    if isinstance(error, OSError) and error.strerror:
        where = f"{error.filename}: " if error.filename else ""
        what = f"{error.strerror[:1].lower()}{error.strerror[1:]}"
        return f"{where}{what}; give another path, or mend its permissions"
    return " ".join(str(error).split())


def _without_login(text):
    """The same text without the password and options of any database address in it."""
    return re.sub(r"(://[^\s?]*\?)\S*=\S*", r"\1***", re.sub(r"://[^\s:/@]*:\S*@", "://***@", text))


class _Parser(argparse.ArgumentParser):
    def error(self, message):
        told = f"{_without_login(message)}; `{self.prog} --help` lists what there is"
        self.exit(NOT_DONE, f"wearbar: {told}\n")


def _parser():
    does = "what is due, how long parts last, what each mile or km costs"
    said = f"From a vehicle service log to reports: {does}."
    parser = _Parser(prog="wearbar", description=said)
    parser.add_argument("--version", action="version", version=f"wearbar {__version__}")
    commands = parser.add_subparsers(title="commands", required=True, metavar="COMMAND")
    for name, (run, said, options) in COMMANDS.items():
        command = commands.add_parser(name, help=said, description=run.__doc__)
        for option, settings in options:
            command.add_argument(option, **settings)
        command.set_defaults(run=run)
    return parser


if __name__ == "__main__":
    sys.exit(main())
