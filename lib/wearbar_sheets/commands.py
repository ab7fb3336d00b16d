"""The commands `wearbar sheet` and `wearbar record`; an entry point tells `wearbar` of them."""

import datetime
from pathlib import Path

from wearbar.pack import terminal
from wearbar.pack.parser import command


@command
def sheet(out, **asked):
    """Write visit sheets, and beside the page a CSV file which wearbar record takes back."""
    from wearbar_sheets.sheets import make_sheets

    terminal.refuse_to_replace(out, b'<span class="mark">Wearbar</span>')
    set_aside = make_sheets(out, **asked)
    print(Path(out).resolve().as_uri(), Path(out).with_suffix(".csv"), sep="\n")
    return set_aside


@command
def record(log, sheet, out):
    """Write a new log: the rows of LOG as they are, and below them those of a filled sheet."""
    from wearbar_sheets.record import record as put_back

    set_aside, told = put_back(log, sheet, out, datetime.date.today())
    print(told)
    return set_aside
