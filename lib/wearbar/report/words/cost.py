"""What running_cost says of cost: a mile's, where the money goes, loss in value, fuel."""

import math

import pandas as pd

from wearbar.cost.compare import CLEAR_P
from wearbar.cost.per_distance import MIN_DAYS, MIN_KNOWN
from wearbar.report.quantities import Show, has_width, interval, number
from wearbar.report.template import words_of

SAY = words_of("running_cost")
MILE = {"mi": "mile", "km": "kilometre"}
TABLES = ("work", "fitted", "fuel", "fixed_costs")
MANY = 5  # vehicles, from which the highest cost is high in part by chance
SMALL = 0.01  # share of the money on days without distance, below which it is not said apart
LITTLE = 0.6  # of the median distance a year of its kind: little used


def headline(total, account, show):
    """(sentence, urgency): what a mile costs, or why that is not known."""
    vehicles, lines = account.vehicles, account.lines
    days, amount = vehicles["days"], lines["amount"].sum()
    on_distance = lines.loc[lines["with_distance"], "amount"].sum()
    why = total.note if pd.isna(total.value) else ""
    if not lines["amount"].notna().any():
        why = "no money"
    elif days.max() < MIN_DAYS:
        why = "short"
    elsewhere = amount - on_distance
    if abs(elsewhere) < SMALL * abs(amount) or why:
        on_distance, elsewhere = amount, 0
    said = _say(
        "headline",
        show,
        why=why,
        **_figure(total, show),
        account=account,
        amount=on_distance,
        elsewhere=elsewhere,
        days=days.max(),
        distance_km=vehicles["distance_km"].sum(),
        per_day=amount / days.sum(),
    )
    return said, "note"


def basis(account, shares):
    """What the figure holds and what it does not."""
    rows = shares[shares["source"].ne("fixed_costs")]
    return SAY(
        "basis",
        show=Show(),
        tax=account.money,
        known=rows,
        blanks=rows["known"].lt(rows["rows"]).any(),
        missing=[{"table": table} for table in TABLES if table not in account.present],
        vehicles=account.vehicles.groupby("meter")["vehicle"].agg(list),
        free=account.lines["is_free"].sum(),
    )


def categories(table, show):
    """Where most of the money goes, and what has no cost per distance."""
    spent = table[table["amount"] > 0]
    few = table["cost_per_km"].isna() & table["known_share"].lt(MIN_KNOWN)
    top = spent[["category", "share"]].head(3).to_numpy()
    return _say(
        "categories",
        show,
        all_of=len(spent) <= 3,
        top=[f"{name} ({_percent(share)})" for name, share in top],
        refused=list(table.loc[few, "category"]) if len(spent) else [],
        ranges=bool(spent["low"].notna().any()),
    )


def kinds(table, apart, show):
    """Which kinds cost more or less than the others; apart: `compare.differences`."""
    if len(table) < 2:
        return SAY("one_kind") if len(table) else ""
    return _apart(apart, "kind", show)


def sites(table, apart, show):
    """Which sites clearly cost more or less, and how many are held back."""
    held = int(table["amount"].isna().sum())
    apart = _apart(apart, "site", show) if table["cost_per_km"].notna().sum() >= 2 else ""
    return " ".join(filter(None, [apart, SAY("sites_held", n=held) if held else ""]))


def _apart(apart, what, show):
    clear = apart[apart["is_clear"]].to_dict("records") if len(apart) else []
    why = "" if clear else "alike" if len(apart) else "few"
    clear = [{"name": r[what], **_change(r["ratio"], r["low"], r["high"])} for r in clear]
    return _say("apart", show, what=what, why=why, clear=clear)


def _change(ratio, low, high):
    """How much a ratio is from 1, in per cent with its limits, and on which side."""
    way = 100 if ratio >= 1 else -100
    ends = sorted(way * (x - 1) for x in (low, high))
    limits = "" if pd.isna(low) else interval(*ends, 0)
    change = f"{number(way * (ratio - 1), 0)}%"
    return {"change": change, "side": "more" if way > 0 else "less", "range": limits}


def years(table, change, show):
    """How the cost moved from the first whole year to the last; `compare.change_of_years`."""
    found, p, ends = change
    if table.empty:
        return ""
    if len(table) < 2 or ends is None:
        return SAY("years", why="one" if len(table) < 2 else "few")
    if pd.isna(found.low):
        return _say("years", show, why=found.note, ends=ends)
    side = ("rose" if found.value > 1 else "fell") if p < CLEAR_P else ""
    moved = _change(found.value, found.low, found.high) | {"side": side}
    return _say("years", show, why="", found=found, ends=ends, **moved)


def vehicles(table, show):
    """How to read cost by vehicle."""
    if len(table) < 2:
        return SAY("one_vehicle") if len(table) else ""
    usual = table.groupby("kind")["km_per_year"].transform("median")
    little = table.loc[table["km_per_year"] < LITTLE * usual, "vehicle"]
    return _say("vehicles", show, little=list(little), many=len(table) >= MANY)


def vehicles_table(table):
    """Cost by vehicle, and whether they are many, as the adjusted cost asks."""
    return table.assign(are_many="yes" if len(table) >= MANY else "")


def depreciation(estimate, owning, account, show):
    """The loss in value per distance, and with what was spent on the same vehicles."""
    worth, every = account.worth, account.vehicles["vehicle"]
    if not len(worth) or pd.isna(estimate.value):
        return SAY("value", why=estimate.note if len(worth) else "none")
    unknown = list(every[~every.isin(worth["vehicle"])])
    return _say(
        "value",
        show,
        why="",
        **_figure(estimate, show),
        valued=list(worth["vehicle"].unique()) if unknown else [],
        vehicles=len(every),
        amount=worth["amount"].sum(),
        days=min(worth["days"].sum() / account.vehicles["days"].sum(), 1),
        both=_figure(owning, show)["figure"],
        unknown=unknown,
    )


def fuel(table, tanks):
    """What fuel use leaves out, and why there is none."""
    why = ("not liquid" if len(tanks) else "few") if table.empty else ""
    left = [{"why": name, "n": tanks.attrs.get(name, 0)} for name in ("no_figure", "far")]
    return SAY("fuel", why=why, left=[row for row in left if row["n"]])


def alt_categories(table, show):
    shown = table[table["cost_per_km"].notna() & table["amount"].ne(0)]
    rows = list(shown.sort_values("cost_per_km", ascending=False).itertuples())
    parts = [f"{r.category} {show.per_distance(r.cost_per_km, 3)}" for r in rows]
    return SAY("alt_categories", parts=parts, ranges=any(has_width(r.low, r.high) for r in rows))


def alt_vehicles(table, show):
    known = table["cost_per_km"].dropna()
    ends = [show.per_distance(x) for x in (known.min(), known.max())] if len(known) else []
    return SAY("alt_vehicles", n=len(known), ends=list(dict.fromkeys(ends)))


def alt_fuel(table, show):
    by = table.groupby("vehicle_kind")["l_per_100km"]
    parts = [f"{k} {show.range(x.min(), x.max(), 'l_per_100km', 1)}" for k, x in by]
    return SAY("alt_fuel", parts=parts)


def _say(block, show, **values):
    return SAY(block, show=show, mile=MILE[show.units.distance], **values)


def _figure(estimate, show):
    """Money by distance without "per mile", as figure and range: two digits of the upper end.

    One more where the ends would read alike; no range where there are no limits.
    """
    scale, places = show.scale("money_per_km"), 2
    if pd.isna(estimate.value):
        return {"figure": "", "range": ""}
    if not has_width(estimate.low, estimate.high):
        return {"figure": show.money(scale.turn(estimate.value), places), "range": ""}
    low, high = scale.ends(estimate.low, estimate.high)
    places = min(max(1 - math.floor(math.log10(max(abs(low), abs(high)))), 0), 6)
    places += round(low, places) == round(high, places)
    figure = show.money(scale.turn(estimate.value), places)
    return {"figure": figure, "range": interval(low, high, places)}


_percent = Show().percent
