"""What running_cost says after some choosing: shared/words/running_cost.md.j2."""

import math
from functools import partial

import pandas as pd

from wearbar.cost.ageing import MIN_YEARS, STEP_YEARS
from wearbar.cost.per_distance import CLEAR_P, MIN_DAYS, MIN_KNOWN
from wearbar.report.quantities import has_width, interval, number, safe
from wearbar.report.template import words_of

MANY = 5  # vehicles, from which the highest cost is high in part by chance
SMALL = 0.01  # share of the money on days without distance, below which it is not said apart
LITTLE = 0.6  # of the median distance a year of its kind: little used


def words_in(show):
    """The blocks of the report in the reader's units."""
    mile = {"mi": "mile", "km": "kilometre"}[show.units.distance]
    figure = partial(_figure, show)
    return words_of("running_cost", show=show, mile=mile, figure=figure, change=_change)


def headline(total, account, show):
    """(sentence, urgency): what a mile costs, or why that is not known."""
    lines, days = account.lines, account.vehicles["days"]
    amount, why = lines["amount"].sum(), total.note if pd.isna(total.value) else ""
    if not lines["amount"].notna().any():
        why = "no money"
    elif days.max() < MIN_DAYS:
        why = "short"
    elsewhere = 0 if why else lines.loc[~lines["with_distance"].astype(bool), "amount"].sum()
    elsewhere = elsewhere if abs(elsewhere) >= SMALL * abs(amount) else 0
    view = {"amount": amount - elsewhere, "elsewhere": elsewhere, "per_day": amount / days.sum()}
    return words_in(show)("headline", why=why, total=total, account=account, **view), "note"


def categories(table, show):
    """Where most of the money goes, and what has no cost per distance."""
    spent = table[table["amount"] > 0]
    few = table["cost_per_km"].isna() & table["known_share"].lt(MIN_KNOWN)
    return words_in(show)("categories", spent=spent, refused=list(table.loc[few, "category"]))


def years(table, change, show):
    """How the cost moved from the first whole year to the last; `change_of_years`."""
    found, p, ends = change
    view = {"n_years": len(table), "found": found, "ends": ends, "is_clear": p < CLEAR_P}
    return words_in(show)("years", **view)


def vehicles(table, show):
    """How to read cost by vehicle."""
    usual = table.groupby("kind")["km_per_year"].transform("median")
    little = list(table.loc[table["km_per_year"] < LITTLE * usual, "vehicle"])
    return words_in(show)("vehicles", n=len(table), little=little, many=MANY)


def mounting(curves):
    """What is said of `ageing.cost_by_kind`: each kind's counts, and the ends of its curve."""
    return [
        {"kind": kind, "first": curve.iloc[0], "last": curve.iloc[-1], **curve.attrs}
        for kind, curve in curves.items()
    ]


def replace(kept, show):
    """(sentence, urgency): whether it is time to replace, by kind, before the details."""
    shown = [k for k in kept if "cost_per_year" in k.curve]
    # neither within the years that warranty and first parts carry, nor hardly the cheapest
    is_best = {k.kind: k.best.value >= MIN_YEARS and k.is_clear for k in shown}
    said = words_in(show)(
        "replace",
        least=[k for k in shown if is_best[k.kind]],
        later=[k for k in shown if pd.isna(k.best.value)],
        flat=[k.kind for k in shown if not (is_best[k.kind] or pd.isna(k.best.value))],
    )
    return said, "note"


def keeping(kept, show):
    """The cheapest age to replace each kind, as Markdown items, and what the money holds."""
    words, ages = words_in(show), {"young": MIN_YEARS, "step": STEP_YEARS}
    items = "\n".join(f"- **{safe(k.kind)}**: {words('kept', k=k, **ages)}" for k in kept)
    is_shown = any("cost_per_year" in k.curve for k in kept)
    return f"{items}\n\n{words('kept_how')}" if is_shown else items


def _figure(show, estimate):
    """Money by distance without "per mile", and its range: two digits of the upper end.

    One more where the ends would read alike; no range where there are no limits.
    """
    scale, places = show.scale("money_per_km"), 2
    if pd.isna(estimate.value):
        return "", ""
    if not has_width(estimate.low, estimate.high):
        return show.money(scale.turn(estimate.value), places), ""
    low, high = scale.ends(estimate.low, estimate.high)
    places = min(max(1 - math.floor(math.log10(max(abs(low), abs(high)))), 0), 6)
    places += round(low, places) == round(high, places)
    return show.money(scale.turn(estimate.value), places), interval(low, high, places)


def _change(ratio, low, high):
    """How much a ratio is from 1 in per cent, on which side, and its limits."""
    way, side = (100, "more") if ratio >= 1 else (-100, "less")
    limits = "" if pd.isna(low) else interval(*sorted(way * (x - 1) for x in (low, high)), 0)
    return f"{number(way * (ratio - 1), 0)}%", side, limits
