"""What is said of wear and lives: what must be done now, how long items last, what they cost a distance, and how far to trust it."""

import numpy as np
import pandas as pd

from wearbar.choice import MIN_ENDS
from wearbar.wear.remaining import STATES
from wearbar.wording.common import MISSING, clean, listing, number, plural, safe

__all__ = [
    "CAPTION_COST",
    "CAPTION_CURVES",
    "CAPTION_LEFT",
    "CAPTION_LINES",
    "CAPTION_RESIDUALS",
    "CAPTION_WEIBULL",
    "CAUTION",
    "HEADS_COST",
    "HEADS_DOUBTFUL",
    "HEADS_EARLY",
    "HEADS_LIFE",
    "HEADS_LIMIT",
    "HEADS_LIMITS",
    "HEADS_NOW",
    "HEADS_PAIRS",
    "METHODS",
    "PAIRS_NOTE",
    "STATE",
    "alt_cost",
    "alt_curves",
    "alt_left",
    "alt_lines",
    "alt_residuals",
    "alt_weibull",
    "cost_note",
    "cost_table",
    "curves",
    "doubtful",
    "doubtful_table",
    "early",
    "early_table",
    "fitness",
    "has_cost",
    "headline",
    "item_name",
    "life_note",
    "life_table",
    "limit_note",
    "limits_table",
    "model",
    "now_note",
    "now_table",
    "on_now",
    "pairs_said",
    "pairs_table",
    "part_name",
    "rate_head",
    "wear_life",
    "worth_curves",
    "worth_drawing",
]

STATE = {
    "below-legal": "at the legal limit",
    "below": "at the limit",
    "may-be-below": "perhaps at the limit",
    "before-next-look": "perhaps before the next look",
    "not-known": "not known",
    "above": "not near",
}
CAUTION = (
    "A wear line sees wear alone. It does not see cuts, bulges, cracks, age, heat, a seized caliper or a damaged chain: look at the part "
    "itself, and at its lowest place. Legal limits below are examples; your own law and the maker's handbook come first, and at the "
    "legal limit grip in the wet is already poor. Support the vehicle before work below it. Brake and wheel work belongs to people "
    "trained for it; afterwards tighten to the handbook and check again."
)
HEADS_NOW = {
    "vehicle": "Vehicle",
    "what": "Part",
    "state": "Wear limit",
    "now": "Now, limit",
    "act_km": "Look or change within",
    "date_low": "Not later than",
    ("left_km", "left_low_km", "left_high_km"): "Left by its line",
}
HEADS_LIMIT = {
    "what": "Part",
    "item": "Item",
    "n": "Parts",
    "vehicles": "Vehicles",
    "rate": "Wear",
    ("life_km", "low_km", "high_km"): "Life to the limit, middle part",
    "quick_km": "Nine in ten last",
}
HEADS_LIFE = {
    "what": "Part",
    "item": "Item",
    "n": "Lives",
    "n_ended": "Ended",
    "n_early": "Off early",
    ("life_km", "low_km", "high_km"): "Middle life",
    "floor_km": "If early ends were worn",
    "doubt": "Doubt",
}
HEADS_COST = {
    "what": "Part",
    "item": "Item",
    "off": "Came off, of lives",
    "spent": ("Price and fitting", "money"),
    ("service_km", "service_low_km", "service_high_km"): "Mean distance in service",
    ("cost", "low", "high"): ("Cost", "per 1000km"),
    "doubt": "Doubt",
}
HEADS_DOUBTFUL = {
    "vehicle": "Vehicle",
    "position": "Position",
    "category": "Part",
    "part_key": "Part id",
    "date": "Day",
    "place": "Place",
    "read": "Read",
}
HEADS_EARLY = {
    "category": "Part",
    "cause": "Why",
    "n": "Parts",
    "of": "Of all that came off",
    "unused_share": "Usable depth left",
    "n_known": "Depth known",
    "wasted": ("Worth", "money"),
}
HEADS_LIMITS = {
    "legal_class": "Class",
    "category": "Part",
    "limit_said": "Limit",
    "what": "What it is",
    "source": "Source",
    "used": "Used here",
}
CAPTION_LEFT = (
    "Mark: by the line; upright stroke: the low limit, which is what to plan by; line: the interval, cut at the edge of the picture."
)
CAPTION_LINES = (
    "Dots are the readings at the place that reaches the limit first, small squares other places; the band is the interval of the line. "
    "It is drawn past now to show the doubt, not as leave."
)
CAPTION_CURVES = (
    "Steps: product limit; thin smooth line: Weibull fit. A part that was on before the record counts from where the record begins."
)
CAPTION_COST = (
    "Compare only within a block between two rules: one place on one kind of vehicle. Which can be told apart stands in the table of pairs."
)
CAPTION_RESIDUALS = "A point a reading; the dark line is the mean over fifths of the distance."
CAPTION_WEIBULL = (
    "Points along the line mean that the Weibull form serves; a bend at either end means that early or late ends follow another law."
)
METHODS = (
    "Wear: least squares line a part and place, the error of a reading pooled by category; like parts as an empirical Bayes prior for "
    "the rate; limits by Fieller's method. A part now on that has been moved is judged by what was read since. Lives: Weibull by maximum "
    "likelihood with censoring and late entry; limits by the likelihood ratio from twenty ends, by its bootstrap from five, by known "
    "shapes below. Cost: renewal-reward, jackknife over vehicles. A part whose age is not known serves for wear alone; it is never taken "
    "for new."
)
HEADS_PAIRS = {
    "what": "Part",
    "item": "Item",
    "other": "Against",
    ("ratio", "low", "high"): "Its cost over the other's",
    "verdict": "Told apart?",
    "worth": "Other worth buying up to",
    "needed": "Settled at",
}


def item_name(text, most=40):
    """Text out of a log for a figure."""
    return clean(text, most)


def part_name(row):
    return f"{clean(row['vehicle'], 20)} {clean(row['last_position'], 18)} {clean(row['category'], 16)}"


def _parts(rows, most=5):
    return listing([safe(part_name(r)) for r in rows.to_dict("records")], most=most)


def headline(on, show):
    """(sentence, urgency) that answers: what must be done now?"""
    at = {name: on[on["state"].eq(name)] for name in STATES}
    unread = f" {plural(len(at['not-known']), 'part')} now on cannot be judged." if len(at["not-known"]) else ""
    if not len(on):
        return (
            "The log has no wear readings of parts now on, so nothing can be said of what is left. Read tread, pads and chain at each "
            "visit.",
            "note",
        )
    if len(at["below-legal"]):
        rest = f" {plural(len(at['below']), 'more part')} at or below the depth for changing." if len(at["below"]) else ""
        what = (
            f"{plural(len(at['below-legal']), 'part')} by their wear lines at or below the legal limit, off the road until checked: "
            f"{_parts(at['below-legal'])}."
        )
        return what + rest + unread, "now"
    if len(at["below"]):
        what = (
            f"{plural(len(at['below']), 'part')} by their wear lines at or below the depth for changing: {_parts(at['below'])}. Check and "
            "change."
        )
        return what + unread, "now"
    if len(at["may-be-below"]):
        return (
            f"{plural(len(at['may-be-below']), 'part')} may be at the limit now: {_parts(at['may-be-below'])}. Measure before next "
            f"use.{unread}",
            "now",
        )
    if len(at["before-next-look"]):
        soon = at["before-next-look"]
        what = f"{plural(len(soon), 'part')} may reach the limit before the next look at the usual distance: {_parts(soon)}; look sooner."
        return what + unread, "soon"
    if not len(at["above"]):
        return f"No part now on has been read for wear.{unread}", "note"
    return f"None of the {plural(len(at['above']), 'part')} whose wear is read may reach its limit before the next look.{unread}", "note"


def on_now(on, lives):
    """What the table of parts now on rests on."""
    if not len(on):
        return "No part now on has a wear reading."
    counts = [f"{int(on['state'].eq(name).sum()):,} {STATE[name]}" for name in STATES if on["state"].eq(name).any()]
    unread = lives[lives["is_on"] & ~lives["part_key"].isin(on["part_key"])]
    others = (
        f" No wear is read of {plural(len(unread), 'other part')} ({listing([safe(c) for c in sorted(unread['category'].unique())])})."
        if len(unread)
        else ""
    )
    return f"{plural(len(on), 'part')} now on {'is' if len(on) == 1 else 'are'} read for wear: {listing(counts, most=9)}.{others}"


def now_table(on, as_of, show):
    """Parts now on as they are printed: the most pressing first, the low limit leading."""
    table = on.assign(what=_what(on, on["last_position"]))
    table["act_km"] = np.fmin(on["left_low_km"], on["next_look_km"]).where(on["state"].ne("not-known"))
    heights = zip(on["now_height"], on["limit"], on["quantity"], strict=True)
    table["now"] = [f"{_height(h, q, show)}, {_height(limit, q, show)}" if q == q else MISSING for h, limit, q in heights]
    table["state"] = on["state"].map(STATE) + (": " + on["why_not"]).where(on["why_not"].ne(""), "")
    far = ~np.isfinite(on["left_high_km"].astype(float)) | (on["left_high_km"] > 20 * on["left_km"].clip(lower=1000))
    table["left_high_km"] = on["left_high_km"].mask(far)
    done = on["state"].isin(["below-legal", "below"])
    for column in ("left_km", "left_low_km", "left_high_km"):
        table[column] = table[column].mask(done)
    return table.assign(act_km=table["act_km"].mask(done, 0.0), date_low=on["date_low"].mask(done, as_of))


def _what(table, place):
    """motorcycle rear tyre; tyre and where alone in a table of named vehicles."""
    kind = "" if "vehicle" in table else table["kind"] + " "
    return (kind + place + " " + table["category"]).str.replace("all round ", "", regex=False)


def _height(x, quantity, show):
    if x != x or quantity != quantity:
        return MISSING
    if quantity == "depth":
        return show.depth(x)
    return f"{x:.1f}%" if quantity == "elongation" else f"{x:.1f} mm"


def now_note(confidence):
    tail = number(50 + 50 * confidence)
    return (
        f"Look or change within: the lesser of the low limit (with a chance of {tail}% the part goes further) and the usual distance "
        "between looks. Left by its line is an estimate with its interval, not leave to use it up. A part at its limit has no distance "
        "left."
    )


def alt_left(on, show):
    rows = on[on["state"].ne("not-known")].head(3).to_dict("records")
    said = [f"{part_name(r)} {show.distance(r['left_low_km'])} at the low limit" for r in rows]
    return f"Ranges of the distance left of the parts nearest their limits; first {listing(said)}." if said else "No part can be judged."


def alt_lines(on, show):
    rows = on[on["state"].ne("not-known") & (on["n"] >= 2)].head(6).to_dict("records")
    said = [
        f"{part_name(r)} now at {_height(r['now_height'], r['quantity'], show)}, limit {_height(r['limit'], r['quantity'], show)}"
        for r in rows
    ]
    return f"Wear readings and lines of {plural(len(rows), 'part')}: {listing(said)}."


def worth_drawing(on):
    """Whether any part now on has a line."""
    return bool((on["state"].ne("not-known") & (on["n"] >= 2)).any())


def wear_life(table, show):
    """(sentence, table as printed) of life to the limit."""
    if not len(table):
        return "No part was read often enough for a life to its limit. Three readings at different distances make a line.", table
    rate = [_rate(r["rate_mm_per_1000km"], r["quantity"], show) for r in table.to_dict("records")]
    text = (
        "Life to the limit is the distance from new until the lowest place reaches the limit: usable depth over the wear rate that "
        "readings show, whether or not the part was run that far. It takes no account of damage, and it is what wear advice uses; money "
        "uses the distance in service below."
    )
    return text, table.assign(rate=rate, what=_what(table.drop(columns="vehicles"), table["axle"]))


def rate_head(show):
    return {**HEADS_LIMIT, "rate": f"Wear per 1,000 {show.units.distance}"}


def _rate(x, quantity, show):
    turned = show.scale("mm_per_1000km").turn(x) if quantity == "depth" else show.units.to_km(x)
    return f"{turned:.2f}{'%' if quantity == 'elongation' else ' mm' if quantity == 'thickness' else show.scale('mm').after}"


def limit_note(table):
    few = int(table["low_km"].isna().sum())
    more = f" {plural(few, 'row')} without limits: under three vehicles were read." if few else ""
    return (
        "Nine in ten last: that distance at least, by the spread between parts. Rotated: parts that were moved between axles and have "
        f"come off.{more}"
    )


def life_table(table):
    return table.assign(what=_what(table, table["place_on"]), doubt=_doubt(table["note"]))


def _doubt(note):
    """Notes in two words; the table's own note says what they mean."""
    short = {
        "beyond the data": "beyond the data",
        "few ends": "few ends",
        "no end seen": "no end",
        "few vehicles": "few vehicles",
        "not bounded": "not bounded",
    }
    return [next((words for told, words in short.items() if told in text), "") for text in note]


def life_note(table):
    few = int((table["n_ended"] < MIN_ENDS).sum())
    known = (
        f" {plural(few, 'row')} with under five ends: the limits rest on Weibull shapes from 1.5 to 6, stated and not measured here."
        if few
        else ""
    )
    return (
        "Ended: worn or failed. The middle life takes parts that came off early for reasons of no bearing on wear; the last figure takes "
        f"every one of them for worn out. A part taken off because it was nearly worn belongs between the two.{known} Batteries and the "
        "like age by the calendar too: this counts distance alone."
    )


def alt_curves(lives):
    n, off = len(lives), int(lives["came_off"].sum())
    return (
        f"Share of parts still in service against distance, by place and item, with fitted curves; {n:,} lives of which {off:,} came off. "
        "The numbers at risk stand below each panel."
    )


def fitness():
    return (
        "Fitness for the use and what the law asks for come first. Items are set side by side only for one place on one kind of vehicle; "
        "a harder tyre is cheaper by the distance and may grip less, so money alone chooses no tyre, pad or chain. Load index, speed "
        "rating and season are not in the log: compare like with like."
    )


def cost_note(show):
    currency = f" in {show.units.currency}" if show.units.currency else ""
    return (
        f"Cost{currency}: mean price and fitting over mean distance in service, every end counted, past the last end by the Weibull form, "
        "no discount. Few vehicles: the interval takes parts as independent, too narrow if vehicles differ. Few ends: it rests on shapes "
        "stated, not measured. No end: a bound alone."
    )


def cost_table(table):
    told = {new: 1000 * table[old] for new, old in (("cost", "cost_per_km"), ("low", "low_per_km"), ("high", "high_per_km"))}
    off = [f"{a:,} of {b:,}" for a, b in zip(table["n_off"], table["n"], strict=True)]
    return table.assign(
        **told,
        off=off,
        spent=table["price"] + table["fitting"],
        what=_what(table.drop(columns="vehicles"), table["place_on"]),
        doubt=_doubt(table["note"]),
    )


def alt_cost(cost, show):
    rows = cost[cost["cost_per_km"].notna()]
    least, most = rows["cost_per_km"].min(), rows["cost_per_km"].max()
    return (
        f"Cost by the distance of items that share a place with another, {plural(len(rows), 'item')} in all, with intervals, from "
        f"{show.per_distance(least)} to {show.per_distance(most)}."
    )


def pairs_said(pairs, show):
    if not len(pairs):
        return (
            "No two items at one place have both come off five times or more, on four vehicles or more together, so none can be compared. Price and "
            "distance of every part fitted will tell in time."
        )
    apart = pairs[pairs["apart"]]
    start = f"Of {plural(len(pairs), 'pair')}, {len(apart) or 'none'} can be told apart"
    by_chance = "; among so many, one may seem to differ by chance alone" if len(apart) and len(pairs) > 4 else ""
    return (
        f"{start}{by_chance}. Where the interval of the ratio holds 1 the two cannot be told apart, and the order of the two means nothing."
    )


PAIRS_NOTE = "No: cannot be told apart. Settled at: lives of both together that would tell them apart were the ratio as estimated."


def pairs_table(pairs, show):
    worth = [show.range(r["break_even_low"], r["break_even_high"], "money") for r in pairs.to_dict("records")]
    needed = [
        MISSING if n == 0 else "too near to settle" if n < 0 or n > 2000 else f"about {plural(n, 'life', 'lives')}"
        for n in pairs["lives_needed"]
    ]
    verdict = np.where(pairs["apart"], "yes, cheaper", "no")
    return pairs.assign(what=_what(pairs, pairs["place_on"]), worth=worth, needed=needed, verdict=verdict)


def early(table):
    if not len(table):
        return "No part came off before it was worn out."
    known = table[table["wasted"].notna()]
    return (
        f"{plural(int(table['n'].sum()), 'part')} came off before being worn out or failing. The money is the share of usable depth left, "
        "times price and fitting, where the depth at removal and the price are both known "
        f"({plural(int(known['n_known'].sum()), 'part')}). Changing a pair together, or before a long trip, can be right: this says only "
        "what it cost."
    )


def early_table(table):
    return table.assign(cause=table["cause"].replace({"removed-early": "taken off early", "age": "its time was up"}))


def doubtful(looks):
    n = int(looks["is_doubtful"].sum())
    if not n:
        return "No reading lies far off its part's line."
    verb = "lies" if n == 1 else "lie"
    return (
        f"{plural(n, 'reading')} {verb} so far off the part's line that it may be mistyped, of another part, or show a change that the "
        "log does not: left out of the lines, listed here."
    )


def doubtful_table(looks, show):
    rows = looks[looks["is_doubtful"]].sort_values("t", key=abs, ascending=False)
    read = [_height(v, q, show) for v, q in zip(rows["value"], rows["quantity"], strict=True)]
    return rows.assign(read=read)[["vehicle", "position", "category", "part_key", "date", "place", "read"]]


def model(wear, show):
    """How well the lines fit, by category, in words."""
    if not len(wear.error):
        return "Too few readings to say how well lines fit."
    said = [
        f"{safe(r['category'])} {_height(r['error'], r['quantity'], show).replace('%', ' points')} ({plural(int(r['df']), 'degree')} of "
        "freedom)"
        for r in wear.error.to_dict("records")
    ]
    return (
        f"Standard deviation of one reading about its line: {listing(said)}. A middle line that bends away from nil says that wear is not "
        "straight: then a life to the limit errs."
    )


def alt_residuals(wear):
    return (
        f"Readings less their lines by category, {plural(len(wear.looks), 'reading')}, with the mean over fifths of each part's distance."
    )


def limits_table(parts, table):
    """Rows of the table of limits that bear on the categories of the log, the classes used here first."""
    used = table[table["category"].isin(parts["category"].unique())]
    here = set(zip(parts["category"], parts["legal_class"], strict=True))
    shown = used.assign(used=["yes" if key in here else "" for key in zip(used["category"], used["legal_class"], strict=True)])
    unit = np.where(shown["quantity"].eq("elongation"), "%", " mm")
    shown["limit_said"] = [f"{x:.5f}".rstrip("0").rstrip(".") + u for x, u in zip(shown["limit"], unit, strict=True)]
    return pd.DataFrame(shown.sort_values("used", ascending=False, kind="stable"))


def worth_curves(service):
    """Whether any place has three parts that came off."""
    return bool((service.groupby(["category", "kind", "place_on"])["came_off"].sum() >= 3).any())


def has_cost(cost):
    return bool(len(cost) and (cost[cost["cost_per_km"].notna()].groupby(["category", "kind", "place_on"]).size() > 1).any())


def curves(service):
    if not len(service):
        return "No part has a known age and a distance watched."
    off = service["came_off"]
    text = (
        f"{plural(len(service), 'life', 'lives')} watched, of which {plural(int(off.sum()), 'part')} came off; the others are still on, "
        "or left with their vehicle."
    )
    late = int((service["entry_km"] > 0).sum())
    return text + (
        f" {plural(late, 'part')} {'was' if late == 1 else 'were'} on already when the record began and "
        f"{'counts' if late == 1 else 'count'} from then."
        if late
        else ""
    )


def alt_weibull(service):
    return f"Weibull plots of distance in service of the items most often replaced, {plural(len(service), 'life', 'lives')} in all."
