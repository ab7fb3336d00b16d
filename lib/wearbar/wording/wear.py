"""What is said of wear: what must be done now, how far parts still go, how long items last to their limit, how far to trust it."""

import numpy as np

from wearbar.wear.remaining import STATES
from wearbar.wording.common import MISSING, clean, listing, number, plural, safe

__all__ = [
    "CAPTION_LEFT",
    "CAPTION_LINES",
    "CAUTION",
    "HEADS_LIMIT",
    "HEADS_NOW",
    "STATE",
    "alt_left",
    "alt_lines",
    "has_left",
    "has_line",
    "headline",
    "height",
    "limit_note",
    "now_note",
    "now_table",
    "on_now",
    "part_name",
    "rate_head",
    "wear_life",
    "what_of",
]

STATE = {
    "below-legal": "at the legal limit",
    "below": "at the limit",
    "may-be-below": "perhaps at the limit",
    "before-next-look": "perhaps before the next look",
    "not-known": "not known",
    "above": "not near",
}
SHORT = {
    "its wear has not been read": "not read",
    "no limit is known for it": "no limit",
    "too few readings of it and of like parts to say how it wears": "few readings",
    "its readings show no wear yet": "no wear yet",
    "no distance is known of its readings": "no distance at its readings",
    "its last reading lies far off its line": "far off its line",
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
    "now": "Now / limit",
    "act_km": "Look or change within",
    "date_low": "Not later than",
    "chance": "Within its limit at the next look",
    ("left_km", "left_low_km", "left_high_km"): "Left by its line",
}
HEADS_LIMIT = {
    "what": "Part",
    "item": "Item",
    "n": "Parts",
    "vehicles": "Vehicles",
    "rate": "Wear",
    ("life_km", "low_km", "high_km"): "Middle life to the limit",
    "quick_km": "Nine in ten last",
}
CAPTION_LEFT = (
    "Mark: by the line; upright stroke: the low limit, which is what to plan by; line: the interval, cut at the edge of the picture."
)
CAPTION_LINES = (
    "Dots are the readings at the place that reaches the limit first, small squares other places; the band is the interval of the line. "
    "It is drawn past now to show the doubt, not as leave."
)


def part_name(row):
    return f"{clean(row['vehicle'], 20)} {clean(row['last_position'], 18)} {clean(row['category'], 16)}"


def _parts(rows, most=5):
    return listing([safe(part_name(r)) for r in rows.to_dict("records")], most=most)


def _are(rows):
    return f"{plural(len(rows), 'part')} {'is, by its readings,' if len(rows) == 1 else 'are, by their readings,'}"


def _unjudged(on):
    """How many parts cannot be judged, and why."""
    if not len(on):
        return ""
    why = [f"{n:,} {SHORT.get(words, words)}" for words, n in on["why_not"].value_counts(sort=False).items()]
    return f" {plural(len(on), 'part')} now on cannot be judged ({listing(why)})."


def headline(on, show):
    """(sentence, urgency) that answers: what must be done now?"""
    at = {name: on[on["state"].eq(name)] for name in STATES}
    unread = _unjudged(at["not-known"])
    if not len(on):
        return (
            "The log has no wear readings of parts now on, so nothing can be said of what is left. Read tread, pads and chain at each "
            "visit.",
            "note",
        )
    if len(at["below-legal"]):
        rest = f" {plural(len(at['below']), 'more part')} at or past the limit for changing." if len(at["below"]) else ""
        what = f"{_are(at['below-legal'])} at or past the legal limit, off the road until checked: {_parts(at['below-legal'])}."
        return what + rest + unread, "now"
    if len(at["below"]):
        what = f"{_are(at['below'])} at or past the limit for changing: {_parts(at['below'])}. Check and change."
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
        start = "No part now on has been read for wear." if on["last_read"].isna().all() else "None of the parts read is at its limit."
        return start + unread, "note"
    n = len(at["above"])
    start = "The one part that can be judged may not" if n == 1 else f"None of the {plural(n, 'part')} that can be judged may"
    return f"{start} reach its limit before the next look.{unread}", "note"


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
    n_read, one = int(on["last_read"].notna().sum()), len(on) == 1
    kinds = "is of a kind" if one else "are of kinds"
    read = f"{'has' if one else 'have'} been read for wear" if n_read == len(on) else f"{kinds} read for wear"
    blind = len(on) - n_read
    own = f" {plural(blind, 'of them', 'of them')} {'has' if blind == 1 else 'have'} no reading: told by like parts, or not known."
    return f"{plural(len(on), 'part')} now on {read}: {listing(counts, most=9)}.{own if blind else ''}{others}"


def now_table(on, show):
    """Parts now on as they are printed: the most pressing first, the low limit leading."""
    table = on.assign(what=what_of(on, on["last_position"]))
    heights = zip(on["now_height"], on["limit"], on["quantity"], strict=True)
    table["now"] = [_now(height(h, q, show), height(limit, q, show)) if q == q else MISSING for h, limit, q in heights]
    table["chance"] = [chance(p) for p in on["chance_to_next"]]
    is_read = on["state"].eq("not-known") & on["last_height"].notna()
    told = on["state"].map(STATE).mask(is_read, "how far not known")
    table["state"] = told + (": " + on["why_not"].replace(SHORT)).where(on["why_not"].ne("") & ~on["state"].isin(STATES[:2]), "")
    far = ~np.isfinite(on["left_high_km"].astype(float)) | (on["left_high_km"] > 20 * on["left_km"].clip(lower=1000))
    table["left_high_km"] = on["left_high_km"].mask(far)
    done = on["state"].isin(["below-legal", "below"])
    for column in ("left_km", "left_low_km", "left_high_km"):
        table[column] = table[column].mask(done)
    table["chance"] = table["chance"].mask(done, "")
    return table


def _now(now, limit):
    """ "2.1 / 1.6 mm": the unit once."""
    unit = limit.partition(" ")[1:]
    return f"{now.removesuffix(''.join(unit))} / {limit}"


def chance(p):
    """ "94%"; never 0 or 100."""
    if p != p:
        return ""
    return "under 1%" if p < 0.01 else "over 99%" if p > 0.99 else f"{p:.0%}"


def what_of(table, place):
    """motorcycle rear tyre; tyre and where alone in a table of named vehicles."""
    kind = "" if "vehicle" in table else table["kind"] + " "
    return (kind + place + " " + table["category"]).str.replace("all round ", "", regex=False)


def height(x, quantity, show):
    if x != x or quantity != quantity:
        return MISSING
    if quantity == "depth":
        return show.depth(x)
    return f"{x:.1f}%" if quantity == "elongation" else f"{x:.1f} mm"


def now_note(confidence):
    tail = number(50 + 50 * confidence)
    return (
        f"Look or change within: the lesser of the low limit (with a chance of {tail}% the part goes further) and the usual distance "
        "between looks, none where it is or may be at its limit; not later than: the day on which that distance is run at the most the "
        "vehicle does. Within its limit at the next look: the chance of it at that usual distance, by wear alone. Left by its line is an "
        "estimate with its interval, not leave to use it up. A part at its limit has no distance left."
    )


def alt_left(on, show):
    rows = on[has_left(on)].head(3).to_dict("records")
    said = [f"{part_name(r)} {show.distance(r['left_low_km'])} at the low limit" for r in rows]
    return f"Ranges of the distance left of the parts nearest their limits; first {listing(said)}." if said else "No part can be judged."


def alt_lines(on, show):
    rows = on[has_line(on)].head(6).to_dict("records")
    said = [
        f"{part_name(r)} now at {height(r['now_height'], r['quantity'], show)}, limit {height(r['limit'], r['quantity'], show)}"
        for r in rows
    ]
    return f"Wear readings and lines of {plural(len(rows), 'part')}: {listing(said)}."


def has_left(on):
    """Which parts have a distance left to draw."""
    return on["left_km"].notna() & ~on["state"].isin(["below-legal", "below"])


def has_line(on):
    """Which parts have a line to draw."""
    return on["why_not"].eq("") & (on["n"] >= 2)


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
    return text, table.assign(rate=rate, what=what_of(table.drop(columns="vehicles"), table["axle"]))


def rate_head(show):
    return {**HEADS_LIMIT, "rate": f"Wear per 1,000 {show.units.distance}"}


def _rate(x, quantity, show):
    turned = show.scale("mm_per_1000km").turn(x) if quantity == "depth" else show.units.to_km(x)
    return f"{turned:.2f}{'%' if quantity == 'elongation' else ' mm' if quantity == 'thickness' else show.scale('mm').after}"


def limit_note(table):
    few = int(table["low_km"].isna().sum())
    more = f" {plural(few, 'row')} without limits: under three vehicles were read." if few else ""
    rotated = " Rotated: parts that were moved between axles and have come off." if table["axle"].eq("rotated").any() else ""
    return f"Nine in ten last: that distance at least, by the spread between parts.{rotated}{more}"
