"""What is said of past forecasts: how last year's did, and how good the forecasts of use are."""

import math

from wearbar.report.quantities import Harmless, decimals_of, number, plain, plural, safe
from wearbar.report.template import words_of
from wearbar.report.words.outlook_tables import CLASSES, METHODS

SAY = words_of("outlook")
NAIVE = {"trailing": "trailing-year", "repeated": "last-year"}


def about(value, low, high, say):
    """ "about 850 jobs (790 to 950)", the range rounded outwards. say: number to words with their unit."""
    step = 10 ** max(-(decimals_of(low, high) or 0), 0)
    low, high = step * math.floor(low / step), step * math.ceil(high / step)
    if low == high:
        return Harmless(safe(say(high), starts=False))
    if not round(value / step):
        return Harmless(f"at most {safe(say(high), starts=False)}")
    ends = f"{number(low)} to {number(high)}"
    return Harmless(f"about {safe(say(step * round(value / step)), starts=False)} ({ends})")


def _compared(past, show):
    """Jobs and money of last year's forecast beside the actual, where both are known."""
    known = [n for n in ("jobs", "money") if past is not None and past.is_known(n)]
    for name in known:
        row = past.totals.set_index("what").loc[name]
        is_money, actual = name == "money", row["actual"]
        below = "below the range" if actual < row["low"] else "above the range"
        say = show.money if is_money else (lambda n: plural(n, "job"))
        yield {
            "forecast": about(row["forecast"], row["low"], row["high"], say),
            "is_money": is_money,
            "actual": show.money(actual, 0) if is_money else number(actual),
            "where": "inside the range" if row["is_inside"] else below,
        }


def a_year_ago(past, show):
    """In a sentence, how the forecast of a year ago did."""
    return SAY("a_year_ago", totals=list(_compared(past, show)))


def last_year_said(past, show):
    """What last year's forecast, made from the log as it stood then, was worth."""
    totals = list(_compared(past, show))
    view = {"totals": totals, "is_short": past is None}
    if totals:
        t = past.totals.set_index("what")
        outside = [
            CLASSES[n] for n in CLASSES if t.loc[n, "is_known"] and not t.loc[n, "is_inside"]
        ]
        inside, of = past.inside("jobs") if past.is_known("jobs") else (0, 0)
        error, naive = past.off("jobs")
        view |= {"date": show.date(past.as_of), "outside": outside, "inside": inside, "of": of}
        view |= {"error": number(error, 1), "naive": number(naive, 1)}
        view |= {
            "n_joined": past.n_joined,
            "joined": show.money(past.joined),
            "n_left": past.n_left,
        }
    return SAY("last_year", **view)


def learned_said(past, told=None):
    """How past years corrected and widened the money ahead; told: the simulated year, whose thin classes are left out."""
    if past is None:
        return SAY("learned", is_tested=False)
    thin = told.thin if told else ()
    known = past.learning[(past.learning["n"] > 0) & ~past.learning.index.isin(thin)]
    by = {name: round(100 * math.expm1(mean)) for name, mean in known["mean"].items()}
    moved = [
        SAY("moved", name=CLASSES[name], percent=f"{abs(p)}%", is_up=p > 0)
        for name, p in by.items()
        if p
    ]
    n = int(known["n"].max()) if len(known) else 0
    return SAY("learned", is_tested=True, n_years=n, moved=moved)


def _untested(test):
    """Why there is no back-test; "" where there is one."""
    return "" if test.is_told else SAY("untested", is_short=not test.n_cuts)


def _scores(test):
    """Mean scores of the forecast and of the two simple methods, in days, with the days asked of."""
    names = {"ours": "crps_days"} | {k: f"crps_days_{name}" for k, name in NAIVE.items()}
    scores = {k: number(test.cases[column].mean(), 1) for k, column in names.items()}
    n_days = test.cases["cut"].nunique()
    return scores | {"n_days": n_days, "method": METHODS[test.used]}


def forecast_said(test, table, show):
    """How good the forecasts of use are, by the score, and for which use they do not hold."""
    if not test.is_told:
        return SAY("forecast", why=_untested(test))
    inside, se = table.attrs["inside"], table.attrs["se"]
    off = (inside - test.confidence) / max(se, 1e-9)
    view = {
        "n": len(test.cases),
        "confidence": show.percent(test.confidence),
        "inside": show.percent(inside, 1),
        "se": number(100 * se, 1),
        "off": "" if abs(off) <= 2 else "few" if off < 0 else "many",
        "says_when": test.tells_when_recorded,
    }
    return SAY("forecast", why="", **_scores(test), **view)


def dates_by(test):
    """How dates ahead are forecast, for the reports that only use them."""
    return SAY("dates_by", why=_untested(test), **(_scores(test) if test.is_told else {}))


def alt_last_year(past, column):
    """The figure of last year in words."""
    inside, of = past.inside(column)
    return plain(SAY("alt_last_year", inside=inside, of=of))


def alt_reliability(table):
    """The figure of coverage in words."""
    parts = [f"{row.horizon} {number(100 * row.inside)}%" for row in table.itertuples()]
    return plain(SAY("alt_reliability", parts=parts))
