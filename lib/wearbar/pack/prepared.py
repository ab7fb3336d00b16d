"""What a report's process has imported before it is asked for: it is copied from one with this.

Nothing but `run` names it. Packages that only some reports use are struck from the list of those
imported, so that "Made with" still tells which a report used; importing them again takes no time.
"""

import gc
import os
import sys
from importlib import import_module

os.dup2(os.open(os.devnull, os.O_WRONLY), 2)  # "building the font cache" is no news of a log
ALL = """
    nbconvert papermill wearbar.outlook.visit_sheet wearbar.pack.run wearbar.report.charts.life
    wearbar.report.report wearbar.report.words.outlook
"""
SOME = """
    seaborn seaborn.regression statsmodels statsmodels.stats.meta_analysis
    statsmodels.stats.multitest statsmodels.stats.proportion
"""

for name in (ALL + SOME).split():
    import_module(name)


def keep():
    """Make all that is there the ground of the processes to be copied from this one."""
    for name in SOME.split():
        sys.modules.pop(name, None)
    gc.freeze()  # statsmodels collects garbage at every multiple test: what is here needs no look


keep()
