"""How the commands are parsed: the parser, what makes a function a command, options of several."""

import argparse

from wearbar import __version__
from wearbar.pack.terminal import without_login

NOT_DONE = 2
EXITS = "exit codes: 0 done; 1 done, with rows set aside or, by adopt, questions left; 2 not done"


class _Parser(argparse.ArgumentParser):
    def error(self, message):
        told = f"{without_login(message)}; `{self.prog} --help` lists what there is"
        self.exit(NOT_DONE, f"wearbar: {told}\n")


DOES = "what is due, how long parts last, what each mile or km costs"
DOES = f"From a vehicle service log to reports: {DOES}."
PARSER = _Parser(prog="wearbar", description=DOES, epilog=EXITS)
PARSER.add_argument("--version", action="version", version=f"wearbar {__version__}")
COMMANDS = PARSER.add_subparsers(title="commands", required=True, metavar="COMMAND")


def command(said, *options):
    """Makes a function the command of its name, which takes the options by theirs."""

    def add(run):
        told = {"help": said, "description": run.__doc__, "epilog": EXITS}
        parser = COMMANDS.add_parser(run.__name__, **told)
        for name, settings in (*options, *OF_ALL):
            parser.add_argument(name, **settings)
        parser.set_defaults(run=run)
        return run

    return add


def option(name, metavar, said, default="", **more):
    return name, {"metavar": metavar, "help": said, "default": default, **more}


def flag(name, said):
    return name, {"help": said, "action": "store_true"}


OF_ALL = (flag("--exit-zero", "exit with 0 in place of 1"), flag("--plain", "print ASCII alone"))
DEFAULT, NAMED = "(default: %(default)s)", "(default: FILE's name with"
ADDRESS = "folder, workbook, database address, or env:NAME of an address in the environment"
LOG = option("log", "LOG", f"{ADDRESS} (default: the fleet demo)", nargs="?")
AS_OF = option("--as-of", "DATE", "last day to count, YYYY-MM-DD (default: the log's own)")
SITE = option("--site", None, "vehicles of this site alone")
VEHICLES = option("--vehicle", "V", "these vehicles alone", [], nargs="+")
UNITS = ["mi", "km"]
COMPARED = "score by this share of an interval beside the plan's"
