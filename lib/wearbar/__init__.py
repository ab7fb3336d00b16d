"""Wearbar: from a service log to maintenance reports.

`import wearbar as wb` is light and gives the verbs of the reports: each takes a log, or arrays, and
gives a tidy frame or an `Estimate` in the log's own units, which stand in the columns' names.

    import wearbar as wb

    log = wb.read_log("my-log")
    wb.compliance(log, by="site")

`help(wb.compliance)` says what a verb gives. DEVELOPERS.md has the rooms behind them.
"""

from importlib import import_module

__version__ = "0.1.0"

_VERBS = {
    "wearbar.report.verbs": """
        read_log due compliance actions cost_per_distance fuel_economy replacement
    """,
    "wearbar.report.verbs_ahead": "month next_year what_if",
    "wearbar.report.verbs_parts": "part_lives wear remaining_life severe_use",
    "wearbar.stats": "kaplan_meier fit_weibull",
    "wearbar.stats.regression": "fit_life_regression",
    "wearbar.stats.recurrence": "mean_cumulative mean_cumulative_difference",
}
_HOME = {verb: module for module, verbs in _VERBS.items() for verb in verbs.split()}

__all__ = sorted(_HOME)


def __getattr__(name):
    """A verb, imported from its room when it is first asked for."""
    if name not in _HOME:
        raise AttributeError(f"module 'wearbar' has no attribute {name!r}")
    return getattr(import_module(_HOME[name]), name)


def __dir__():
    return sorted([*globals(), *__all__])
