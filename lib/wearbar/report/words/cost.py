"""What is said of cost: the figure and what it holds, where the money goes, each vehicle, loss in value, fuel."""

import math

from wearbar.cost.per_distance import CLEAR_P, MIN_DAYS, MIN_KNOWN
from wearbar.report.quantities import has_width, interval, listing, number, plural, safe

__all__ = [
    "HEADS_ENERGY", "NOTE", "alt_categories", "alt_fuel", "alt_vehicles", "basis", "categories", "depreciation", "doubles", "fixed_gaps",
    "fuel",
    "headline", "heads", "heads_of_vehicles", "kinds", "largest", "lost", "sites", "vehicles", "years",
]  # fmt: skip

SOURCES = {
    "work": ("workshop row", "workshop rows"),
    "fitted": ("part fitted", "parts fitted"),
    "fuel": ("fill of fuel", "fills of fuel"),
}
TABLES = {
    "work": "workshop rows",
    "fitted": "parts fitted",
    "fuel": "fuel",
    "fixed_costs": "fixed costs (insurance, tax, storage)",
}
MANY = 5  # vehicles, from which the dearest is dear in part by chance
SMALL = 0.01  # share of the money on days without distance, below which it is not told apart
NOTE = "Cost is over the days whose distance is known; a day is each vehicle's; money known is the share of rows that have theirs."
COST = {
    ("cost_per_km", "low", "high"): ("Cost", "money_per_km"),
    "cost_per_day": ("A day", "money"),
}
HEADS_ENERGY = {
    "vehicle": "Vehicle", "kind": "What", ("per_100km", "low", "high"): ("Use, kWh or (urea) L", "per_100km"), "n": "Fills"
}  # fmt: skip
SUMS = {"amount": "Money", "share": ("Share", "share"), "known_share": ("Money known", "share")}


def headline(total, account, show):
    """(sentence, urgency) that answers the notebook's question, or says why it can't be answered."""
    days, amount = account.vehicles["days"].sum(), account.lines["amount"].sum()
    unit = show.units.distance
    if not account.lines["amount"].notna().any():
        return (
            f"This log holds no money, so it cannot tell what a {_mile(unit)} costs; record what visits, parts and fuel cost.",
            "note",
        )
    if account.vehicles["days"].max() < MIN_DAYS:
        so_far = f"So far {show.money(amount, 2)} is on record, over {plural(account.vehicles['days'].max(), 'day')}."
        return f"{so_far} A cost per {_mile(unit)} or per day needs three months of record.", "note"
    per_day = f"{show.money(amount / days, 2)} {'a day' if len(account.vehicles) == 1 else 'for each vehicle and day'}"
    if _missing(total.value):
        return (
            f"What a {_mile(unit)} costs is not told: {total.note}. What is known comes to {per_day}.",
            "note",
        )
    figure = _bare(total, show)
    between = (
        f" ({_percent(total.confidence)} interval {_limits(total, show)})"
        if has_width(total.low, total.high)
        else ""
    )
    driven = show.distance(account.vehicles["distance_km"].sum())
    cars = plural(len(account.vehicles), "vehicle")
    on_distance = account.lines.loc[account.lines["with_distance"], "amount"].sum()
    tax = {"net": ", net of recoverable tax", "gross": ", recoverable tax included"}.get(
        account.money, ""
    )
    start = f"A {_mile(unit)} cost {figure}{between}{tax}."
    if abs(amount - on_distance) < SMALL * abs(amount):
        return (
            f"{start} That is {show.money(amount, 0)} on {cars} over {driven}, or {per_day}.",
            "note",
        )
    every = f"with what was spent where no distance is known it is {show.money(amount, 0)} on {cars}, or {per_day}"
    return f"{start} That is {show.money(on_distance, 0)} over {driven}; {every}.", "note"


def basis(total, account, shares, show):
    """What the figure holds, what it does not, and how to read its interval."""
    tax = {
        "net": "Money is net: recoverable tax is not in it.",
        "gross": "Money is gross: recoverable tax is in it, and some of it may come back.",
    }.get(
        account.money,
        "**The log does not say whether its money is net or gross of recoverable tax**; set `money` in log.toml.",
    )
    rows = shares[shares["source"].ne("fixed_costs")]
    told = zip(rows["source"], rows["known_share"], rows["rows"], strict=True)
    known = listing(
        [f"{show.percent(share)} of {plural(n, *SOURCES[source])}" for source, share, n in told]
    )
    money = f"The money is known for {known}." if known else ""
    if rows["known"].lt(rows["rows"]).any():
        money += " A blank is not known, and counts for nothing: the true figure is higher."
    missing = [name for table, name in TABLES.items() if table not in account.present]
    without = (
        f"The log has no record of {listing(missing)}: the figure is without them."
        if missing
        else ""
    )
    free = account.lines["is_free"].sum()
    paid = (
        f"{plural(free, 'workshop row')} that others paid for {'is' if free == 1 else 'are'} in at no cost."
        if free
        else ""
    )
    whose = "vehicle's" if len(account.vehicles) == 1 else "vehicles'"
    apart = f"The fall in the {whose} value is not in it: see below."
    held = " ".join(
        s for s in (tax, money, without, _no_distance(account.vehicles), paid, apart) if s
    )
    return "\n\n".join(s for s in (held, _interval_means(total)) if s)


def _no_distance(cars):
    """Vehicles that count no distance, which figures by distance leave out."""
    by = {
        "hours": ("counts hours alone", "count hours alone"),
        "none": ("has no meter", "have no meter"),
    }
    found = [(cars.loc[cars["meter"].eq(meter), "vehicle"], words) for meter, words in by.items()]
    told = [
        f"{listing([safe(v) for v in names])} {words[len(names) > 1]}"
        for names, words in found
        if len(names)
    ]
    if not told:
        return ""
    return f"{' and '.join(told)}: what was spent there is in the sums and by the day, and in no figure by distance."


def _interval_means(total):
    if _missing(total.value) or not has_width(total.low, total.high):
        return (
            f"No range is shown: {total.note}." if total.note and not _missing(total.value) else ""
        )
    return (
        "The money spent is a full count of the log. The range shows how far the underlying cost may differ, from the differences between "
        f"{number(total.n)} vehicles. It cannot include a large bill that has not come yet."
    )


def largest(bill, total, show):
    """How much of the figure hangs on one bill."""
    if bill is None or not 0 < bill["share"] < 1:
        return ""
    start = f"The dearest day of work and parts, {safe(bill['vehicle'])} on {show.date(bill['date'])}, cost {show.money(bill['amount'])}"
    return f"{start}: {show.percent(bill['share'], 0 if bill['share'] >= 0.1 else 1)} of all the money."


def categories(table, show):
    """Where most of the money goes, and how much is fixed."""
    spent = table[table["amount"] > 0]
    if spent.empty:
        return ""
    top = listing(
        [
            f"{safe(c)} ({show.percent(s)})"
            for c, s in spent[["category", "share"]].head(3).to_numpy()
        ]
    )
    refused = table.loc[
        table["cost_per_km"].isna() & table["known_share"].lt(MIN_KNOWN), "category"
    ]
    few = (
        f" No cost per distance is told of {listing([safe(c) for c in refused])}: too few rows have their money."
        if len(refused)
        else ""
    )
    return f"{'The' if len(spent) <= 3 else 'Most of the'} money went on {top}.{few}"


def kinds(table, apart, show):
    """Which kinds cost more or less than the others, and that this is no ranking; apart: `cost.differences`."""
    if len(table) < 2:
        return (
            "One kind of vehicle is on record: its cost is the whole, above." if len(table) else ""
        )
    return f"{_apart(apart, 'kind', show)}Kinds do different work: use their costs to plan, not to rank them."


def sites(table, apart, show):
    """Cost by site: which differ by the test of that difference, and that it is a mix of vehicles; apart: `cost.differences`."""
    held = int(table["amount"].isna().sum())
    small = (
        f" {plural(held, 'site')} {'is' if held == 1 else 'are'} not shown, so that no figure points at one person."
        if held
        else ""
    )
    if table["cost_per_km"].notna().sum() < 2:
        return small.strip()
    mix = "A site's cost follows the vehicles that it keeps and their use. Each vehicle counts at its last site."
    return f"{_apart(apart, 'site', show)}{mix}{small}"


def _apart(apart, what, show):
    """Groups clearly dearer or cheaper than the others; a sentence for each, or that none is."""
    if not len(apart):
        return f"Not enough data to say whether {what}s differ in cost. "
    clear = apart[apart["is_clear"]]
    mile, place = _mile(show.units.distance), "at" if what == "site" else "in"
    if clear.empty:
        return f"No {what} costs clearly more or less by the {mile} than the others. "
    told = [
        f"{safe(r[what])} {_change(r['ratio'], r['low'], r['high'])}"
        for r in clear.to_dict("records")
    ]
    return f"A {mile} costs clearly more or less than {place} the other {what}s: {listing(told)}. "


def _change(ratio, low, high):
    """ "16% more (9 to 23)", of a ratio and its limits, on the side of the ratio."""
    side = 1 if ratio >= 1 else -1
    ends = (
        ""
        if _missing(low)
        else f" ({interval(*sorted(100 * side * (x - 1) for x in (low, high)), 0)})"
    )
    return f"{number(abs(100 * (ratio - 1)), 0)}% {'more' if side > 0 else 'less'}{ends}"


def years(table, change, show):
    """How the cost moved from the first whole year to the last; change: `cost.change_of_years`."""
    found, p, ends = change
    if len(table) < 2:
        return (
            "One calendar year is on record, so it does not show how the cost moved."
            if len(table)
            else ""
        )
    if ends is None:
        return "The record has fewer than two whole calendar years with their money, so it does not show how the cost moved."
    start, mile = f"From {ends[0]} to {ends[1]}", _mile(show.units.distance)
    if _missing(found.low):
        return f"{start} the cost of a {mile} cannot be compared: that {found.note}."
    prices = "Prices are as paid, without a correction for inflation."
    who = f"the {number(found.n)} vehicles driven in both years"
    if p < CLEAR_P:
        side = "rose" if found.value > 1 else "fell"
        much = _change(found.value, found.low, found.high).replace("more ", "").replace("less ", "")
        return f"{start} the cost of a {mile} {side} by {much} for {who}. {prices}"
    low, high = (
        f"{number(abs(100 * (x - 1)), 0)}% {'more' if x > 1 else 'less'}"
        for x in (found.low, found.high)
    )
    return f"{start} {who} show no clear change in the cost of a {mile}: {low} to {high}. {prices}"


def fixed_gaps(table):
    """Which standing costs some years lack: `fixed.fixed_gaps`; nothing where none does."""
    if table.empty:
        return ""
    said = [
        f"No {safe(r.category)} is on record for {plural(r.vehicles, 'vehicle')} in {r.year} ({plural(int(r.days), 'day')})."
        for r in table.head(4).itertuples()
    ]
    rest = (
        f" {plural(len(table) - 4, 'other such gap')} {'is' if len(table) == 5 else 'are'} shorter."
        if len(table) > 4
        else ""
    )
    return f"{' '.join(said)}{rest} Costs of such a year look lower than they were."


def vehicles(table, show):
    """How to read cost by vehicle."""
    if len(table) < 2:
        return ""
    little = table[
        table["km_per_year"] < 0.6 * table.groupby("kind")["km_per_year"].transform("median")
    ]
    text = f"A {_mile(show.units.distance)} of a vehicle that is little used is dear, because fixed costs go on while it stands: "
    text += "read its cost a day beside it."
    if len(little):
        text += f" Little used for its kind: {listing([safe(v) for v in little['vehicle']])}."
    if len(table) >= MANY:
        text += " The dearest of many is dear in part by chance; the last column draws each to the mean of its kind as far as its record is"
        text += " unsure."
    return f"{text} This is no list of what to replace: money already spent is no reason to."


def depreciation(estimate, owning, account, show):
    """The fall in value per distance, and with what was spent on the same vehicles; owning: `cost.owning_per_km`."""
    if not len(account.worth):
        return "The fall in value cannot be told: it needs a price and a later valuation, or what a vehicle fetched."
    worth = account.worth
    days = worth["days"].sum() / account.vehicles["days"].sum()
    if _missing(estimate.value):
        return f"Values are known, but not over days with a known distance: {estimate.note}."
    figure = show.per_distance(estimate.value, _places(estimate, show))
    limits = (
        f"{_percent(estimate.confidence)} interval {_limits(estimate, show)}; "
        if has_width(estimate.low, estimate.high)
        else ""
    )
    between = f" ({limits}n = {number(estimate.n)})"
    both = (
        ""
        if _missing(owning.value)
        else f" With what was spent on the same, {show.per_distance(owning.value, 2)}."
    )
    valued, every = worth["vehicle"].unique(), account.vehicles["vehicle"]
    rest = every[~every.isin(valued)]
    all_ = "The vehicle" if len(every) == 1 else "The vehicles"
    who = (
        all_
        if rest.empty
        else f"{listing([safe(v) for v in valued])}, of {plural(len(every), 'vehicle')},"
    )
    unknown = f" The fall of {listing([safe(v) for v in rest])} is not known: record what {'it' if len(rest) == 1 else 'each'} would fetch."
    return (
        f"{who} lost {show.money(worth['amount'].sum(), 0)} in value on days between two known values ({show.percent(min(days, 1))} of "
        f"vehicle-days): {figure}{between}.{both}{unknown if len(rest) else ''}"
    )


def lost(account, values):
    """Vehicles written off or stolen, and what that does to the figures."""
    gone = account.vehicles["disposal"].isin(["written-off", "stolen"]).sum()
    if not gone:
        return ""
    paid = ""
    if values["basis"].eq("settlement").any():
        paid = " What an insurer paid is a settlement, not a market value: it is in the loss above and left out of the cheapest age below."
    was = f"{plural(gone, 'vehicle')} {'was' if gone == 1 else 'were'} written off or stolen"
    return f"{was}; what is left is a kinder sample than what was bought.{paid}"


def fuel(table, tanks, show):
    """Fuel economy in a sentence, and how it was reckoned."""
    reasons = {
        "no_figure": "with a fill not in the log or without distance",
        "far": "too far from their vehicle's usual to be whole",
    }
    counts = {why: tanks.attrs.get(name, 0) for name, why in reasons.items()}
    parts = [f"{plural(n, 'tank')} {why}" for why, n in counts.items() if n]
    left = f" Left out: {listing(parts)}." if parts else ""
    if table.empty and len(tanks):
        return f"No fuel that is burnt, from fill to fill.{left}"
    if table.empty:
        return f"Too few fills to the top with a reading to tell the fuel economy.{left}"
    how = "Reckoned from tank to tank: what went in from one fill to the top to the next over the distance between; the first never counts."
    drift = "It drifts with the weather, the tyres and the load, and a can filled at the pump counts as burnt."
    return f"{how} {drift}{left}"


def doubles(table, show):
    """Money that may stand twice in the log."""
    if table.empty:
        return "No part was found with its price both in `fitted` and in `work`."
    many = f"{plural(len(table), 'part')}, {show.money(table['price'].sum(), 0)} in all, may be counted twice"
    return f"{many}: a part's price belongs in one table only. Mend the log where it is so."


def heads(first):
    """Columns of a table of costs, led by those of `first`."""
    return {**first, **COST, **SUMS}


def heads_of_vehicles(table):
    """Columns of the table of vehicles; the drawn cost only where there are many."""
    drawn = {"drawn_per_km": ("Drawn to its kind", "money_per_km")} if len(table) >= MANY else {}
    return {"vehicle": "Vehicle", "kind": "Kind", "km_per_year": "Driven", **COST, **drawn}


def alt_categories(table, show):
    shown = table[table["cost_per_km"].notna() & table["amount"].ne(0)].sort_values(
        "cost_per_km", ascending=False
    )
    parts = listing(
        [
            f"{c} {show.per_distance(v, 3)}"
            for c, v in shown[["category", "cost_per_km"]].to_numpy()
        ],
        most=12,
    )
    ranges = ", with intervals" if any(has_width(r.low, r.high) for r in shown.itertuples()) else ""
    return f"Cost per distance by category, dearest first{ranges}: {parts or 'nothing to show'}."


def alt_vehicles(table, show):
    told = table.dropna(subset=["cost_per_km"])
    if told.empty:
        return "Cost per distance against distance a year: no vehicle can be shown."
    ends = dict.fromkeys(
        show.per_distance(x) for x in (told["cost_per_km"].min(), told["cost_per_km"].max())
    )
    return f"Cost per distance against distance driven a year, a mark for each of {plural(len(told), 'vehicle')}: {' to '.join(ends)}."


def alt_fuel(table, show):
    if table.empty:
        return "Fuel economy by calendar quarter: nothing to show."
    by = [
        f"{kind} {show.range(some.min(), some.max(), 'l_per_100km', 1)}"
        for kind, some in table.groupby("vehicle_kind")["l_per_100km"]
    ]
    return f"Fuel economy by calendar quarter and kind of vehicle: {listing(by)}."


def _missing(x):
    return x is None or math.isnan(x)


def _mile(unit):
    return {"mi": "mile", "km": "kilometre"}[unit]


def _percent(share):
    return f"{number(100 * share)}%"


def _bare(estimate, show):
    """The estimate's money without "per mile"."""
    return show.money(show.scale("money_per_km").turn(estimate.value), _places(estimate, show))


def _places(estimate, show):
    """Decimals that the interval's half width deserves, in the reader's units: two significant digits."""
    if not has_width(estimate.low, estimate.high):
        return 2
    low, high = show.scale("money_per_km").ends(estimate.low, estimate.high)
    return max(1 - math.floor(math.log10((high - low) / 2)), 0)


def _limits(estimate, show):
    low, high = show.scale("money_per_km").ends(estimate.low, estimate.high)
    return interval(low, high, _places(estimate, show))
