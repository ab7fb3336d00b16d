"""How the commands are parsed: the parser, and what makes a function a command. What each takes
stands in commands.toml beside its module."""

import argparse
import tomllib
from functools import cache
from importlib.metadata import entry_points
from pathlib import Path

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
OF_ALL = ("--exit-zero", "--plain")


@cache
def _told(folder):
    return tomllib.loads((folder / "commands.toml").read_text(encoding="utf-8"))


def command(run):
    """Makes a function the command of its name, which takes the options by theirs."""
    told = _told(Path(run.__code__.co_filename).parent)
    said, *options = told[run.__name__].items()
    parser = COMMANDS.add_parser(run.__name__, help=said[1], description=run.__doc__, epilog=EXITS)
    for name, own in (*options, *((name, "") for name in OF_ALL)):
        how = {"default": ""} | (own or _told(Path(__file__).parent)["options"][name])
        kind = how.get("type") or type(how["default"]).__name__
        if kind in ("int", "float"):
            how["default"] = how["default"] if how["default"] != "" else None
            how["type"] = {"int": int, "float": float}[kind]
        parser.add_argument(name, **how)
    parser.set_defaults(run=run)
    return run


def command_of(arguments):
    """(function, its options) that the arguments ask for. Packages that stand on wearbar may have
    commands of their own: modules that their entry points `wearbar.commands` name."""
    if not set(arguments[:1]) & COMMANDS.choices.keys():
        for room in entry_points(group="wearbar.commands"):
            room.load()
    asked = vars(PARSER.parse_args(arguments))
    return asked.pop("run"), asked
