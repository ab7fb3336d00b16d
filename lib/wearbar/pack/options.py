"""What `wearbar pack` is asked for: on the command line, else in the section [pack] of log.toml."""

import re
from argparse import Namespace
from datetime import date

from wearbar.log import LogError, places
from wearbar.log.sources import open_source
from wearbar.report.quantities import clean, listing

PATHS = ("DIR", "PACK", "FILE")  # options that name a place have one of these in their help


def with_options(log, parser, arguments):
    """Option to value, as `parser` gives for `arguments`, over those of the section [pack]. log:
    address of the log, "" the demo. A path in log.toml is taken from its folder. Raises LogError, a
    sentence with the line, for what is no option or no value of it."""
    source = open_source(log or places.place("data", "fleet"))
    file, found = source.folder / "log.toml", source.header.get("pack", {})
    named = parser._option_string_actions.items()
    known = {name[2:]: action for name, action in named if action.dest != "help"}
    options, found = Namespace(), found if isinstance(found, dict) else {}
    for key, value in found.items():
        where = f"log.toml, line {_line(file, key)}: {clean(key, 60)}"
        action = known.get(key.replace("_", "-"))
        if action is None:
            may = listing(sorted(known), "or", most=99)
            raise LogError(f"{where} is no option of [pack]; there may stand {may}")
        is_right, may = _may_be(action, value := str(value) if isinstance(value, date) else value)
        if not is_right:
            raise LogError(f"{where} in [pack] is {clean(value, 60)}; write {may}")
        is_path = action.metavar in PATHS and value
        setattr(options, action.dest, str(file.parent / value) if is_path else value)
    asked = vars(parser.parse_args(arguments, options))
    return {name: value for name, value in asked.items() if name != "run"}


def _may_be(action, value):
    """(whether an option may have the value, what it may be in words)."""
    if action.nargs == 0:
        return isinstance(value, bool), "true or false"
    if action.choices:
        return value in action.choices, listing(action.choices, "or")
    if action.nargs == "+":
        is_list = isinstance(value, list) and value and all(isinstance(x, str) for x in value)
        return is_list, 'a list of texts, such as ["V01", "V02"]'
    if action.type:
        is_number = isinstance(value, int | action.type) and not isinstance(value, bool)
        return is_number, "a whole number" if action.type is int else "a number"
    return isinstance(value, str), "text in quotes"


def _line(file, key):
    """The line on which a key of [pack] stands; of the section where it isn't found."""
    lines, first = file.read_text(encoding="utf-8-sig").splitlines(), 0
    for n, line in enumerate(lines, start=1):
        if re.match(r"\s*(\[\s*)?pack\b", line):
            first = first or n
        elif first and re.match(rf"\s*[\"']?{re.escape(key)}[\"']?\s*=", line):
            return n
    return first
