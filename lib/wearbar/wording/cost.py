"""What is said of cost: the figure and what it holds, where the money goes, fuel, repairs, and when to replace."""

import math

from wearbar.cost import MIN_KNOWN, SMALL_SITE
from wearbar.wording.common import interval, listing, number, plural, safe

__all__ = [
    "alt_categories", "alt_fuel", "alt_keeping", "alt_repairs", "alt_vehicles", "basis", "categories", "depreciation", "doubles",
    "fuel", "headline", "heads", "heads_of_vehicles", "keeping", "kinds", "largest", "lost", "repairs", "replace", "sites", "trend",
    "vehicles", "years",
]  # fmt: skip

SOURCES = {"work": ("workshop row", "workshop rows"), "fitted": ("part fitted", "parts fitted"), "fuel": ("fill of fuel", "fills of fuel")}
TABLES = {"work": "workshop rows", "fitted": "parts fitted", "fuel": "fuel", "fixed_costs": "fixed costs (insurance, tax, storage)"}
CLEAR = 0.05  # a chance below this is called clear
MANY = 5  # vehicles, from which the dearest is dear in part by chance
FEW_VISITS = 10  # below this their evenness says nothing
YOUNG_YEARS = 2.0
NOTE = "Cost is over the days whose distance is known; a day is each vehicle's; money known is the share of rows that have theirs."
COST = {("cost_per_km", "low", "high"): ("Cost", "money_per_km"), "cost_per_day": ("A day", "money")}
SUMS = {"amount": "Money", "share": ("Share", "share"), "known_share": ("Money known", "share")}


def headline(total, account, show):
    """(sentence, urgency) that answers the notebook's question, or says why it can't be answered."""
    days, amount = account.vehicles["days"].sum(), account.lines["amount"].sum()
    unit = show.units.distance
    if not account.lines["amount"].notna().any():
        return f"This log holds no money, so it cannot tell what a {_mile(unit)} costs; record what visits, parts and fuel cost.", "note"
    per_day = f"{show.money(amount / days, 2)} for each vehicle and day"
    if _missing(total.value):
        return f"What a {_mile(unit)} costs is not told: {total.note}. What is known comes to {per_day}.", "note"
    figure = _bare(total, show)
    between = "" if _missing(total.low) else f" ({_percent(total.confidence)} interval {_limits(total, show)})"
    driven = show.distance(account.vehicles["distance_km"].sum())
    cars = plural(len(account.vehicles), "vehicle")
    tax = {"net": ", net of recoverable tax", "gross": ", recoverable tax included"}.get(account.money, "")
    return f"A {_mile(unit)} cost {figure}{between}{tax}. That is {show.money(amount, 0)} on {cars} over {driven}, or {per_day}.", "note"


def basis(total, account, shares, show):
    """What the figure holds, what it does not, and how to read its interval."""
    tax = {
        "net": "Money is net: recoverable tax is not in it.",
        "gross": "Money is gross: recoverable tax is in it, and some of it may come back.",
    }.get(account.money, "**The log does not say whether its money is net or gross of recoverable tax**; set `money` in log.toml.")
    rows = shares[shares["source"].ne("fixed_costs")]
    told = zip(rows["source"], rows["known_share"], rows["rows"], strict=True)
    known = listing([f"{show.percent(share)} of {plural(n, *SOURCES[source])}" for source, share, n in told])
    money = f"The money is known for {known}." if known else ""
    if rows["known"].lt(rows["rows"]).any():
        money += " A blank is not known, and counts for nothing: the true figure is higher."
    missing = [name for table, name in TABLES.items() if table not in account.present]
    without = f"The log has no table of {listing(missing)}: the figure is without them." if missing else ""
    free = account.lines["is_free"].sum()
    paid = f"{plural(free, 'workshop row')} that others paid for {'is' if free == 1 else 'are'} in at no cost." if free else ""
    apart = "The fall in the vehicles' value is not in it: see below."
    held = " ".join(s for s in (tax, money, without, paid, apart) if s)
    return "\n\n".join(s for s in (held, _interval_means(total)) if s)


def _interval_means(total):
    if _missing(total.value) or _missing(total.low):
        return f"It has no interval: {total.note}." if total.note and not _missing(total.value) else ""
    spread = "vehicles" if total.method.endswith("vehicles") else "quarters of a year"
    return (
        "What was spent is a full count of what the log tells. The interval speaks of the cost that lies behind it, from the differences "
        f"between {number(total.n)} {spread}; a large bill that has not come yet is in no interval."
    )


def largest(bill, total, show):
    """How much of the figure hangs on one bill."""
    if bill is None or not 0 < bill["share"] < 1:
        return ""
    start = f"The dearest day in the workshop, {safe(bill['vehicle'])} on {show.date(bill['date'])}, cost {show.money(bill['amount'])}"
    return f"{start}: {show.percent(bill['share'], 0 if bill['share'] >= 0.1 else 1)} of all the money."


def categories(table, show):
    """Where most of the money goes, and how much is fixed."""
    spent = table[table["amount"] > 0]
    if spent.empty:
        return ""
    top = listing([f"{safe(c)} ({show.percent(s)})" for c, s in spent[["category", "share"]].head(3).to_numpy()])
    refused = table.loc[table["cost_per_km"].isna() & table["known_share"].lt(MIN_KNOWN), "category"]
    few = f" No cost per distance is told of {listing([safe(c) for c in refused])}: too few rows have their money." if len(refused) else ""
    return f"Most of the money went on {top}.{few}"


def kinds(table, show):
    """Cost by kind is no ranking."""
    if len(table) < 2:
        return ""
    return "Kinds of vehicle do different work; their costs stand side by side for planning, not as a ranking."


def sites(table, show):
    """Cost by site: told apart or not, and that it is a mix of vehicles."""
    told = table.dropna(subset=["cost_per_km", "low", "high"])
    held = table["vehicles"].lt(SMALL_SITE).sum()
    small = f" {plural(held, 'site')} with fewer than {SMALL_SITE} vehicles {'is' if held == 1 else 'are'} not told." if held else ""
    if len(told) < 2:
        return small.strip()
    overlap = told["low"].max() <= told["high"].min()
    apart = "cannot be told apart: their intervals overlap" if overlap else "differ by more than chance"
    mix = "A site's cost follows the kinds of vehicle that it keeps and the use that they get; a vehicle counts where it was last."
    return f"The sites {apart}. {mix}{small}"


def years(table, show):
    """The first whole year against the last."""
    told = table[table["is_whole"]].dropna(subset=["low", "high"])
    if len(told) < 2:
        return "Too few whole years to say how the cost moved." if len(table) > 1 else ""
    first, last = told.iloc[0], told.iloc[-1]
    moved = last["low"] > first["high"] or last["high"] < first["low"]
    how = "moved by more than chance" if moved else "did not clearly move: the intervals overlap"
    return f"From {first['year']:.0f} to {last['year']:.0f} the cost {how}. Prices are as paid, not corrected for inflation."


def vehicles(table, show):
    """How to read cost by vehicle."""
    if len(table) < 2:
        return ""
    little = table[table["km_per_year"] < 0.6 * table.groupby("kind")["km_per_year"].transform("median")]
    text = "A mile of a vehicle that is little used is dear, because fixed costs go on while it stands: read its cost a day beside it."
    if len(little):
        text += f" Little used for its kind: {listing([safe(v) for v in little['vehicle']])}."
    if len(table) >= MANY:
        text += " The dearest of many is dear in part by chance; the last column draws each to the mean of its kind as far as its record is"
        text += " unsure."
    return f"{text} This is no list of what to replace: money already spent is no reason to."


def depreciation(estimate, total, account, show):
    """The fall in value per distance, apart from what was spent."""
    if not len(account.worth):
        return "The fall in value cannot be told: it needs a price and a later valuation, or what a vehicle fetched."
    worth = account.worth
    days = worth["days"].sum() / account.vehicles["days"].sum()
    if _missing(estimate.value):
        return f"Values are known, but not over days with a known distance: {estimate.note}."
    figure = show.per_distance(estimate.value, _places(estimate, show))
    limits = "" if _missing(estimate.low) else f"{_percent(estimate.confidence)} interval {_limits(estimate, show)}; "
    between = f" ({limits}n = {number(estimate.n)})"
    both = "" if _missing(total.value) else f" With what was spent, {show.per_distance(total.value + estimate.value, 2)}."
    return (
        f"The vehicles lost {show.money(worth['amount'].sum(), 0)} in value, or {figure}{between}, on days between two known values "
        f"({show.percent(min(days, 1))} of vehicle-days).{both}"
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
    reasons = {"no_figure": "with a fill not in the log or without distance", "far": "too far from their vehicle's usual to be whole"}
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


def repairs(curves, show):
    """How far repairs mount up, by kind, and how to read the curve."""
    if not any(c["mcf"].max() > 0 for c in curves.values()):
        return "The log holds no unplanned visits, so nothing can be said of how repairs mount up."
    told = "\n".join(f"- **{safe(kind)}**: {_mounting(c, show)}" for kind, c in curves.items() if len(c))
    how = (
        "Each step is a visit for a defect or on advice; planned work and accidents are apart. A vehicle counts from the age at which it "
        "joined the record to its last day in it, so this is the mean of a vehicle still kept."
    )
    return f"{how}\n\n{told}"


def _mounting(curve, show):
    last = curve.iloc[-1]
    since = "" if curve["time"].iloc[0] < 1 else f" since an age of {number(curve['time'].iloc[0], 1)} years"
    between = "" if _missing(last["low"]) else f" (interval {show.range(last['low'], last['high'], 'money')})"
    return f"repairs come to {show.money(last['mcf'], 0)}{between} by an age of {number(last['time'], 1)} years{since}"


def trend(found, show):
    """Whether unplanned visits come more often with age; dispersion and warranty first."""
    if not found.n:
        return "No unplanned visits, so no trend to look for."
    rate = f"{plural(found.n, 'unplanned visit')}, {number(found.per_year, 1)} a vehicle and year"
    bunch = ""
    if found.n >= FEW_VISITS and not _missing(found.dispersion):
        even = "about as evenly as chance would have it" if found.dispersion < 1.5 else "in bunches, or to some vehicles more than others"
        bunch = f". They come {even} (variance over mean {number(found.dispersion, 1)})"
    free = ""
    if found.free:
        free = f" Others paid for {number(found.free)} of them, as under a warranty: they count as visits, at no cost, so the first year"
        free += " after a warranty looks dearer than it is worse."
    return f"{rate}{bunch}. {_test(found.test)}{free}"


def _test(test):
    if _missing(test.p):
        return f"Whether they come more often with age cannot be told: that {test.note}."
    chance = f"p {'' if test.p < 0.001 else '= '}{_chance(test.p)}, by a test that allows for bunches"
    if test.p >= CLEAR:
        return f"Whether they come more often with age cannot be told ({chance})."
    return f"They come {'more' if test.z > 0 else 'less'} often as a vehicle ages ({chance})."


def replace(kept, show):
    """(sentence, urgency): the answer to whether it is time to replace, by kind, before the details."""
    told = [k for k in kept if "cost_per_year" in k.curve]
    if not told:
        return "The record is too thin to tell at what age replacing is cheapest; see below what it needs.", "note"
    least = [f"{safe(k.kind)} at about {number(k.best.value, 1)} years" for k in told if _stands_out(k)]
    late = [f"{safe(k.kind)} to {number(k.curve['age_years'].iloc[-1], 1)} years" for k in told if _missing(k.best.value)]
    flat = [safe(k.kind) for k in told if not _missing(k.best.value) and not _stands_out(k)]
    parts = [
        f"it is cheapest to replace {listing(least)}" if least else "",
        f"a year costs less the longer a vehicle is kept, as far as the record goes ({listing(late)})" if late else "",
        f"no age stands out for {listing(flat)}" if flat else "",
    ]
    return f"By money alone, {'; '.join(p for p in parts if p)}.", "note"


def _stands_out(k):
    """A best age that is neither within the first years, which warranty and first parts carry, nor hardly better than the oldest."""
    if _missing(k.best.value) or k.best.value < YOUNG_YEARS:
        return False
    return k.curve["low"].iloc[-1] > k.curve["cost_per_year"].min()


def keeping(kept, show):
    """The cheapest age to replace each kind, as Markdown items with their cautions."""
    items = "\n".join(f"- **{safe(k.kind)}**: {_kept(k, show)}" for k in kept)
    if all("cost_per_year" not in k.curve for k in kept):
        return items
    return f"{items}\n\n" + (
        "This is the fall in value and the work on the vehicle (servicing, repairs, tyres, parts) over the years kept, without interest, "
        "fuel or fixed costs. What a change costs in days, kit and papers is not in it; work under warranty is, at no cost. It is money "
        "alone: no reason to put off work, or to keep a vehicle that is not fit for its use."
    )


def _kept(k, show):
    best, curve = k.best, k.curve
    if "cost_per_year" not in curve:
        return f"not told: {best.note} (n = {number(best.n)})."
    oldest, last = number(curve["age_years"].iloc[-1], 1), show.money(curve["cost_per_year"].iloc[-1], 0)
    fall = f"Its value falls by {show.percent(k.fall)} a year (n = {number(best.n)})."
    if _missing(best.value):
        bound = "" if _missing(best.low) else f": the cheapest age is {number(best.low, 1)} years or more"
        return f"keeping it still gets cheaper near the oldest age on record, {oldest} years ({last} a year){bound}. {fall}"
    least = show.money(curve["cost_per_year"].min(), 0)
    change = f"a change must cost less than {show.money(k.change, 0)} in all for that to beat keeping it to {oldest} years ({last} a year)"
    if best.value < YOUNG_YEARS:
        young = "warranty and the parts that it came with carry its first years"
        return f"cheapest when young, {least} a year at {number(best.value, 1)} years, since {young}; but {change}. {fall}"
    limits = f"at least {number(best.low, 1)}" if _missing(best.high) else interval(best.low, best.high, 1)
    near = f"within 5% of that from {number(k.near[0], 1)} to {number(k.near[1], 1)} years"
    about = f"cheapest when replaced at about {number(best.value, 1)} years ({_percent(best.confidence)} interval {limits})"
    return f"{about}, at {least} a year, and {near}; {change}. {fall}"


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
    shown = table[table["cost_per_km"].notna() & table["amount"].ne(0)].sort_values("cost_per_km", ascending=False)
    parts = listing([f"{c} {show.per_distance(v, 3)}" for c, v in shown[["category", "cost_per_km"]].to_numpy()], most=12)
    return f"Cost per distance by category, dearest first, with intervals: {parts or 'nothing to show'}."


def alt_vehicles(table, show):
    told = table.dropna(subset=["cost_per_km"])
    if told.empty:
        return "Cost per distance against distance a year: no vehicle can be shown."
    ends = dict.fromkeys(show.per_distance(x) for x in (told["cost_per_km"].min(), told["cost_per_km"].max()))
    return f"Cost per distance against distance driven a year, a mark for each of {plural(len(told), 'vehicle')}: {' to '.join(ends)}."


def alt_fuel(table, show):
    if table.empty:
        return "Fuel economy by calendar quarter: nothing to show."
    by = [f"{kind} {show.range(some.min(), some.max(), 'l_per_100km', 1)}" for kind, some in table.groupby("vehicle_kind")["l_per_100km"]]
    return f"Fuel economy by calendar quarter and kind of vehicle: {listing(by)}."


def alt_repairs(curves, show):
    ends = {kind: c.iloc[-1] for kind, c in curves.items() if len(c)}
    told = [f"{kind} {show.money(end['mcf'], 0)} by {number(end['time'], 1)} years" for kind, end in ends.items()]
    return f"Step lines of one vehicle's mean repair cost so far, by age, with intervals: {listing(told) or 'no repairs'}."


def alt_keeping(kept, show):
    told = [k for k in kept if "cost_per_year" in k.curve]
    at = [f"{k.kind} least at {number(k.curve.loc[k.curve['cost_per_year'].idxmin(), 'age_years'], 1)} years" for k in told]
    return f"Fall in value and work a year against the age to which a vehicle is kept: {listing(at) or 'no kind can be shown'}."


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
    if _missing(estimate.low):
        return 2
    low, high = show.scale("money_per_km").ends(estimate.low, estimate.high)
    return max(1 - math.floor(math.log10((high - low) / 2)), 0) if high > low else 2


def _limits(estimate, show):
    low, high = show.scale("money_per_km").ends(estimate.low, estimate.high)
    return interval(low, high, _places(estimate, show))


def _chance(p):
    return "below 0.001" if p < 0.001 else number(p, 3)
