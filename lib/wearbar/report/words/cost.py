"""What running_cost says after some choosing: shared/words/running_cost.md.j2."""

import math
from functools import partial

from pandas import isna

from wearbar.cost.keeping import MIN_YEARS, STEP_YEARS
from wearbar.cost.per_distance import CLEAR_P, MIN_DAYS, MIN_KNOWN
from wearbar.report.quantities import has_width, interval, safe
from wearbar.report.template import words_of

MANY = 5  # vehicles, from which the highest cost is high in part by chance
SMALL = 0.01  # share of the money on days without distance, below which it is not said apart


def words_in(show):
    """The blocks of the report in the reader's units."""
    mile = {"mi": "mile", "km": "kilometre"}[show.units.distance]
    figure = partial(_figure, show)
    return words_of("running_cost", show=show, mile=mile, figure=figure, clear_p=CLEAR_P)


def headline(total, account, show):
    """(sentence, urgency): what a mile costs, or why that is not known."""
    lines, days = account.lines, account.vehicles["days"]
    amount, why = lines["amount"].sum(), total.note if isna(total.value) else ""
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


def replace(kept, show, now=None):
    """(sentence, urgency): whether it is time to replace, by vehicle (`keep_now`) and by kind."""
    shown = [k for k in kept if "cost_per_year" in k.curve]
    # neither within the years that warranty and first parts carry, nor hardly the cheapest
    least = [k for k in shown if k.best.value >= MIN_YEARS and k.is_clear]
    later = [k for k in shown if isna(k.best.value)]
    flat = [k.kind for k in shown if k not in least + later]
    return words_in(show)("replace", least=least, later=later, flat=flat, now=now), "note"


def keeping(kept, show):
    """The cheapest age to replace each kind, as Markdown items, and what the money holds."""
    words, ages = words_in(show), {"young": MIN_YEARS, "step": STEP_YEARS}
    items = "\n".join(f"- **{safe(k.kind)}**: {words('kept', k=k, **ages)}" for k in kept)
    is_shown = any("cost_per_year" in k.curve for k in kept)
    return f"{items}\n\n{words('kept_how')}" if is_shown else items


def _figure(show, estimate):
    """Money by distance without "per mile"; its range, if any, to two digits of the upper end, or
    one more where the ends would read alike."""
    scale, places = show.scale("money_per_km"), 2
    if isna(estimate.value):
        return "", ""
    if not has_width(estimate.low, estimate.high):
        return show.money(scale.turn(estimate.value), places), ""
    low, high = scale.ends(estimate.low, estimate.high)
    places = min(max(1 - math.floor(math.log10(max(abs(low), abs(high)))), 0), 6)
    places += round(low, places) == round(high, places)
    return show.money(scale.turn(estimate.value), places), interval(low, high, places)
