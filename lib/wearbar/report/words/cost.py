"""What is said of cost, as numbers for shared/words/running_cost.md.j2: the figure, where the money goes, loss in value, fuel."""

import math

from wearbar.cost.compare import CLEAR_P
from wearbar.cost.per_distance import MIN_DAYS, MIN_KNOWN
from wearbar.report.quantities import Show, has_width, interval, number, plural
from wearbar.report.template import words_of

__all__ = [
    "HEADS_ENERGY", "NOTE", "SAY", "alt_categories", "alt_fuel", "alt_vehicles", "basis", "categories", "depreciation", "doubles",
    "fixed", "fixed_gaps", "fuel", "headline", "heads", "heads_of_vehicles", "interval_means", "kinds", "largest", "lost", "range_of",
    "sites", "vehicles", "years",
]  # fmt: skip

SAY = words_of("running_cost")
SOURCES = {
    "work": ("workshop row", "workshop rows"),
    "fitted": ("fitted part", "fitted parts"),
    "fuel": ("fill of fuel", "fills of fuel"),
}
TABLES = {
    "work": "workshop rows",
    "fitted": "fitted parts",
    "fuel": "fuel",
    "fixed_costs": "fixed costs (insurance, tax, storage)",
}
LEFT_OUT = {
    "no_figure": "with a missing fill or no distance",
    "far": "too far from the usual use of the vehicle",
}
MANY = 5  # vehicles, from which the highest cost is high in part by chance
SMALL = 0.01  # share of the money on days without distance, below which it is not said apart
LITTLE = 0.6  # of the median distance a year of its kind: little used
NOTE = (
    "Cost is over days with a known distance, and a day is one vehicle's. "
    "Rows with money: share of the rows whose money is known."
)
COST = {
    ("cost_per_km", "low", "high"): ("Cost", "money_per_km"),
    "cost_per_day": ("Cost a day", "money"),
}
HEADS_ENERGY = {
    "vehicle": "Vehicle", "kind": "What", ("per_100km", "low", "high"): ("Use, kWh or (urea) L", "per_100km"), "n": "Fills"
}  # fmt: skip
SUMS = {"amount": "Money", "share": ("Share", "share"), "known_share": ("Rows with money", "share")}


def headline(total, account, show):
    """(sentence, urgency): what a mile costs, or why that is not known."""
    days, amount = account.vehicles["days"].sum(), account.lines["amount"].sum()
    on_distance = account.lines.loc[account.lines["with_distance"], "amount"].sum()
    why = total.note if _missing(total.value) else ""
    if not account.lines["amount"].notna().any():
        why = "no money"
    elif account.vehicles["days"].max() < MIN_DAYS:
        why = "short"
    elsewhere = amount - on_distance
    if abs(elsewhere) < SMALL * abs(amount) or why:
        on_distance, elsewhere = amount, 0
    said = SAY(
        "headline",
        why=why,
        mile=_mile(show),
        figure="" if why else _bare(total.value, total, show),
        range=range_of(total, show),
        tax=account.money,
        money=show.money(on_distance, 2 if why else 0),
        elsewhere=show.money(elsewhere, 0) if elsewhere else "",
        days=account.vehicles["days"].max(),
        vehicles=len(account.vehicles),
        distance=show.distance(account.vehicles["distance_km"].sum()),
        per_day=show.money(amount / days, 2),
    )
    return said, "note"


def basis(account, shares):
    """What the figure holds and what it does not."""
    rows = shares[shares["source"].ne("fixed_costs")]
    known = zip(rows["source"], rows["known_share"], rows["rows"], strict=True)
    by_meter = account.vehicles.groupby("meter")["vehicle"]
    return SAY(
        "basis",
        tax=account.money,
        known=[f"{_percent(share)} of {plural(n, *SOURCES[source])}" for source, share, n in known],
        blanks=rows["known"].lt(rows["rows"]).any(),
        missing=[name for table, name in TABLES.items() if table not in account.present],
        no_distance=[(list(some), m) for m, some in by_meter if m in ("hours", "none")],
        free=account.lines["is_free"].sum(),
    )


def interval_means(total):
    """What the range of the cost shows, or why there is none."""
    wide, known = has_width(total.low, total.high), not _missing(total.value)
    note = total.note if known else ""
    return SAY("range", n=number(total.n) if known and wide else 0, note=note)


def largest(bill, show):
    """How much of the money one day of work took; bill: `cost.largest_bill`."""
    if bill is None or not 0 < bill["share"] < 1:
        return ""
    return SAY(
        "largest",
        vehicle=bill["vehicle"],
        day=show.date(bill["date"]),
        money=show.money(bill["amount"]),
        share=_percent(bill["share"], 0 if bill["share"] >= 0.1 else 1),
    )


def categories(table, show):
    """Where most of the money goes, and what has no cost per distance."""
    spent = table[table["amount"] > 0]
    few = table["cost_per_km"].isna() & table["known_share"].lt(MIN_KNOWN)
    top = spent[["category", "share"]].head(3).to_numpy()
    return SAY(
        "categories",
        mile=_mile(show),
        all_of=len(spent) <= 3,
        top=[f"{name} ({_percent(share)})" for name, share in top],
        refused=list(table.loc[few, "category"]) if len(spent) else [],
        ranges=bool(spent["low"].notna().any()),
    )


def fixed(table):
    """How much of the money is fixed; nothing where there is none."""
    share = table.loc[table["is_fixed"], "share"].sum()
    return SAY("fixed", share=_percent(share)) if 0 < share < 1 else ""


def kinds(table, apart, show):
    """Which kinds cost more or less than the others; apart: `compare.differences`."""
    if len(table) < 2:
        return SAY("one_kind") if len(table) else ""
    return _apart(apart, "kind", show)


def sites(table, apart, show):
    """Which sites cost more or less, by the test of that difference, and how many are held back; apart: `compare.differences`."""
    held = int(table["amount"].isna().sum())
    apart = _apart(apart, "site", show) if table["cost_per_km"].notna().sum() >= 2 else ""
    return " ".join(filter(None, [apart, SAY("sites_held", n=held) if held else ""]))


def _apart(apart, what, show):
    clear = apart[apart["is_clear"]].to_dict("records") if len(apart) else []
    return SAY(
        "apart",
        what=what,
        mile=_mile(show),
        why="" if clear else "alike" if len(apart) else "few",
        clear=[
            {"name": r[what], **_change(r["ratio"], r["low"], r["high"], ("more", "less"))}
            for r in clear
        ],
    )


def _change(ratio, low, high, sides=("", "")):
    """How much a ratio is from 1, in per cent with its limits, on the side of the ratio."""
    side = 1 if ratio >= 1 else -1
    ends = sorted(100 * side * (x - 1) for x in (low, high))
    return {
        "change": f"{number(abs(100 * (ratio - 1)), 0)}% {sides[0 if side > 0 else 1]}".rstrip(),
        "range": "" if _missing(low) else interval(*ends, 0),
    }


def years(table, change, show):
    """How the cost moved from the first whole year to the last; change: `compare.change_of_years`."""
    found, p, ends = change
    if table.empty:
        return ""
    if len(table) < 2 or ends is None:
        return SAY("years", why="one" if len(table) < 2 else "few")
    values = {"mile": _mile(show), "first": ends[0], "last": ends[1]}
    if _missing(found.low):
        return SAY("years", why=found.note, **values)
    side = ("rose" if found.value > 1 else "fell") if p < CLEAR_P else ""
    low, high = (
        f"{number(abs(100 * (x - 1)), 0)}% {'more' if x > 1 else 'less'}"
        for x in (found.low, found.high)
    )
    moved = _change(found.value, found.low, found.high)
    return SAY("years", why="", side=side, low=low, high=high, n=number(found.n), **moved, **values)


def fixed_gaps(table):
    """Which fixed costs some years lack: `fixed.fixed_gaps`; nothing where none does."""
    if table.empty:
        return ""
    return SAY("fixed_gaps", gaps=table.head(4).to_dict("records"), more=max(len(table) - 4, 0))


def vehicles(table, show):
    """How to read cost by vehicle."""
    if len(table) < 2:
        return SAY("one_vehicle") if len(table) else ""
    usual = table.groupby("kind")["km_per_year"].transform("median")
    little = table.loc[table["km_per_year"] < LITTLE * usual, "vehicle"]
    return SAY("vehicles", mile=_mile(show), little=list(little), many=len(table) >= MANY)


def depreciation(estimate, owning, account, show):
    """The loss in value per distance, and with what was spent on the same vehicles; owning: `value.owning_per_km`."""
    worth, every = account.worth, account.vehicles["vehicle"]
    if not len(worth) or _missing(estimate.value):
        return SAY("value", why=estimate.note if len(worth) else "none")
    valued = worth["vehicle"].unique()
    rest = every[~every.isin(valued)]
    days = worth["days"].sum() / account.vehicles["days"].sum()
    return SAY(
        "value",
        why="",
        figure=f"{_bare(estimate.value, estimate, show)} a {_mile(show)}",
        range=range_of(estimate, show),
        valued=list(valued) if len(rest) else [],
        vehicles=len(every),
        money=show.money(worth["amount"].sum(), 0),
        days=_percent(min(days, 1)),
        both=""
        if _missing(owning.value)
        else f"{_bare(owning.value, owning, show)} a {_mile(show)}",
        unknown=list(rest),
    )


def lost(account, values):
    """Vehicles written off or stolen, and what that does to the figures; values: `value.value_points`."""
    gone = account.vehicles["disposal"].isin(["written-off", "stolen"]).sum()
    settled = values["basis"].eq("settlement").any()
    return SAY("gone", n=gone, settled=settled) if gone else ""


def fuel(table, tanks):
    """What fuel use leaves out, and why there is none."""
    left = {why: tanks.attrs.get(name, 0) for name, why in LEFT_OUT.items()}
    why = ("not liquid" if len(tanks) else "few") if table.empty else ""
    return SAY("fuel", why=why, left=[f"{plural(n, 'tank')} {why}" for why, n in left.items() if n])


def doubles(table, show):
    """Money that may stand twice in the log; table: `bills.double_entries`."""
    return SAY("doubles", n=len(table), money=show.money(table["price"].sum(), 0))


def heads(first):
    """Columns of a table of costs, led by those of `first`."""
    return {**first, **COST, **SUMS}


def heads_of_vehicles(table):
    """Columns of the table of vehicles; the adjusted cost only where there are many."""
    drawn = {"drawn_per_km": ("Adjusted", "money_per_km")} if len(table) >= MANY else {}
    return {"vehicle": "Vehicle", "kind": "Kind", "km_per_year": "Driven", **COST, **drawn}


def alt_categories(table, show):
    shown = table[table["cost_per_km"].notna() & table["amount"].ne(0)]
    shown = shown.sort_values("cost_per_km", ascending=False)
    return SAY(
        "alt_categories",
        parts=[f"{r.category} {show.per_distance(r.cost_per_km, 3)}" for r in shown.itertuples()],
        ranges=any(has_width(r.low, r.high) for r in shown.itertuples()),
    )


def alt_vehicles(table, show):
    known = table["cost_per_km"].dropna()
    ends = [show.per_distance(x) for x in (known.min(), known.max())] if len(known) else []
    return SAY("alt_vehicles", n=len(known), ends=list(dict.fromkeys(ends)))


def alt_fuel(table, show):
    by = table.groupby("vehicle_kind")["l_per_100km"]
    return SAY(
        "alt_fuel", parts=[f"{k} {show.range(x.min(), x.max(), 'l_per_100km', 1)}" for k, x in by]
    )


def range_of(estimate, show):
    """ "0.39 to 0.45", of money by distance; "" without limits."""
    if _missing(estimate.value) or not has_width(estimate.low, estimate.high):
        return ""
    ends = show.scale("money_per_km").ends(estimate.low, estimate.high)
    return interval(*ends, _places(estimate, show))


def _bare(value, estimate, show):
    """Money by distance without "per mile"."""
    return show.money(show.scale("money_per_km").turn(value), _places(estimate, show))


def _places(estimate, show):
    """Decimals for two significant digits of a range's upper end; one more where its ends would read alike."""
    if not has_width(estimate.low, estimate.high):
        return 2
    low, high = show.scale("money_per_km").ends(estimate.low, estimate.high)
    places = min(max(1 - math.floor(math.log10(max(abs(low), abs(high)))), 0), 6)
    return places + (round(low, places) == round(high, places))


def _missing(x):
    return x is None or math.isnan(x)


def _mile(show):
    return {"mi": "mile", "km": "kilometre"}[show.units.distance]


_percent = Show().percent
