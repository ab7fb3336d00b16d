"""What a report's process has imported before it is asked for: it is copied from one with this.
Importing this imports what a log takes, `complete` the rest.

Packages that only some reports use are struck from the list of those imported, so that "Made with"
still tells which a report used; importing them again takes no time."""

import gc
import os
import sys
from functools import cache
from importlib import import_module

from wearbar.pack import ONE_THREAD

LOG = "nbformat wearbar.pack.make"  # what reading a log and its action list take
ALL = """
    papermill wearbar.outlook.visit_sheet wearbar.pack.page wearbar.pack.run
    wearbar.report.charts.life wearbar.report.report wearbar.report.words.outlook
"""
SOME = """
    seaborn seaborn.regression statsmodels statsmodels.stats.meta_analysis
    statsmodels.stats.multitest statsmodels.stats.proportion
"""

# jsonschema, which nbformat uses, makes a grammar of addresses for a second where it finds this
SLOW = "rfc3987_syntax"


def _import(names):
    own, nowhere, was = os.dup(2), os.open(os.devnull, os.O_WRONLY), sys.modules.get(SLOW)
    os.environ |= ONE_THREAD
    os.dup2(nowhere, 2)  # "building the font cache" is no news of a log
    sys.modules.setdefault(SLOW, None)
    gc.disable()  # nothing that is imported becomes garbage
    for name in names.split():
        import_module(name)
    gc.freeze()
    gc.enable()
    if was is None:
        del sys.modules[SLOW]
    os.dup2(own, 2)
    os.close(own)
    os.close(nowhere)


@cache
def complete():
    """Import what the reports need besides."""
    _import(ALL + SOME)


def keep():
    """Make all that is there the ground of the processes to be copied from this one."""
    for name in SOME.split():
        sys.modules.pop(name, None)
    gc.freeze()  # statsmodels collects garbage at every multiple test: what is here needs no look


_import(LOG)
