"""What is said of life to the limit, of how far to trust wear lines, and of the limits they are held to."""

from wearbar.report.quantities import listing, plural, safe
from wearbar.report.words.wear import height, what_of

__all__ = [
    "CAPTION_RESIDUALS",
    "HEADS_DOUBTFUL",
    "HEADS_LIMIT",
    "HEADS_LIMITS",
    "alt_residuals",
    "doubtful",
    "doubtful_table",
    "limit_note",
    "limits_said",
    "limits_table",
    "model",
    "rate_head",
    "wear_life",
]

HEADS_DOUBTFUL = {
    "vehicle": "Vehicle",
    "position": "Position",
    "category": "Part",
    "part_key": "Part id",
    "date": "Day",
    "place": "Place",
    "read": "Read",
}
HEADS_LIMITS = {
    "who": "Vehicles",
    "category": "Part",
    "limit_said": "Legal limit",
    "what": "What it is",
    "source": "Source",
    "used": "Used here",
}
HEADS_LIMIT = {
    "what": "Part",
    "item": "Item",
    "n": "Parts",
    "vehicles": "Vehicles",
    "rate": "Wear",
    ("life_km", "low_km", "high_km"): "Median life to the limit",
    "quick_km": "90% reach",
}
CAPTION_RESIDUALS = "A point a reading; the dark line is the mean over fifths of the distance."


def doubtful(looks):
    n = int(looks["is_doubtful"].sum())
    if not n:
        return "No reading lies far off its part's line."
    verb, it = ("lies", "it") if n == 1 else ("lie", "each")
    return (
        f"{plural(n, 'reading')} {verb} so far off the part's wear line that {it} may be mistyped, of another part, or show a change "
        "that the log does not have. They are left out of the lines and listed here. A last reading that another place agrees with "
        "counts all the same."
    )


def doubtful_table(looks, show):
    rows = looks[looks["is_doubtful"]].sort_values("t", key=abs, ascending=False)
    read = [height(v, q, show) for v, q in zip(rows["value"], rows["quantity"], strict=True)]
    return rows.assign(read=read)[
        ["vehicle", "position", "category", "part_key", "date", "place", "read"]
    ]


def model(wear, show):
    """How well the lines fit, by category, and where wear bends in the last third, in words."""
    if not len(wear.error):
        return "Too few readings to say how well lines fit."
    said = [
        f"{safe(r['category'])} {_error(r['error'], r['quantity'], show)} ({plural(int(r['df']), 'degree')} of freedom)"
        for r in wear.error.to_dict("records")
    ]
    return f"Standard deviation of one reading about its line: {listing(said)}. {_bends(wear.bends, show)}"


def _error(x, quantity, show):
    return (
        show.depth(x)
        if quantity == "depth"
        else f"{x:.2f} {'points' if quantity == 'elongation' else 'mm'}"
    )


def _bends(bends, show):
    if bends is None or not len(bends):
        return "Too few parts are measured in the last third of their wear to say whether it stays straight there."
    bent = [
        f"{safe(b['category'])} {'faster' if b['bend'] > 0 else 'slower'} by {show.percent(abs(b['bend']))} "
        f"({show.percent(b['low'])} to {show.percent(b['high'])}, {plural(b['n'], 'part')})"
        for b in bends[bends["is_shown"]].to_dict("records")
    ]
    straight = [
        f"{safe(b['category'])} ({plural(b['n'], 'part')})"
        for b in bends[~bends["is_shown"]].to_dict("records")
    ]
    words = (
        f"In the last third of the usable depth no clear bend is shown: {listing(straight)}. "
        if straight
        else ""
    )
    if bent:
        words += (
            f"In the last third parts wear at another rate: {listing(bent)}. Their lines are bent there, and each low limit is the lower "
            "of the bent line's and the straight one's. "
        )
    return words.strip()


def alt_residuals(wear):
    return f"Readings less their lines by category, {plural(len(wear.looks), 'reading')}, with the mean over fifths of each part's distance."


def limits_said(law):
    """What the table of limits rests on."""
    if not len(law.table):
        return "Legal limit not given. Name your `jurisdiction` in log.toml, or give its limits in table `limits`."
    own = law.table["origin"].ne("shipped example")
    where = "a set shipped as an example"
    if own.any():
        where = "the log's own table `limits`" + ("" if own.all() else f" and {where}")
    return f"Legal limits of {safe(law.jurisdiction, 20)}, from {where}. Where none is listed for a vehicle, none is used."


def limits_table(parts, law):
    """The legal limits that bear on the categories of the log, those used here first."""
    rows = law.table[law.table["category"].isin(parts["category"].unique())]
    if rows.empty:
        return rows
    by = ["category", "quantity", "position", "limit", "what", "source"]
    shown = (
        rows.groupby(by, sort=False)
        .agg(legal_class=("legal_class", _words), kind=("kind", _words))
        .reset_index()
    )
    kinds = ("kind " + shown["kind"]).where(shown["kind"].ne(""), "")
    shown["who"] = ("class " + shown["legal_class"] + "; ").where(
        shown["legal_class"].ne(""), ""
    ) + kinds
    shown["who"] = shown["who"].str.rstrip("; ") + (", " + shown["position"]).where(
        shown["position"].ne(""), ""
    )
    used = set(zip(parts["category"], parts["legal_source"], parts["legal_what"], strict=True))
    told = zip(shown["category"], shown["source"], shown["what"], strict=True)
    shown["used"] = ["yes" if key in used else "" for key in told]
    unit = (
        shown["quantity"]
        .map({"elongation": "%", "age": " years", "pressure": " kPa"})
        .fillna(" mm")
    )
    shown["limit_said"] = [
        f"{x:.5f}".rstrip("0").rstrip(".") + u for x, u in zip(shown["limit"], unit, strict=True)
    ]
    shown["limit_said"] += f" ({law.jurisdiction})"
    return shown.sort_values("used", ascending=False, kind="stable", ignore_index=True)


def _words(names):
    return listing(sorted({n for n in names if n}), last="or")


def wear_life(table, show):
    """(sentence, table as printed) of life to the limit."""
    if not len(table):
        return (
            "No part was measured often enough for a life to its limit. Three readings at different distances make a line.",
            table,
        )
    rate = [_rate(r["rate_mm_per_1000km"], r["quantity"], show) for r in table.to_dict("records")]
    text = (
        "Life to the limit is the distance from new until the lowest place reaches the limit: usable depth over the wear rate that "
        "readings show. It holds whether or not a part was run that far, and takes no account of damage. Wear advice uses it; money uses "
        "the distance in service below."
    )
    return text, table.assign(
        rate=rate, what=what_of(table.drop(columns="vehicles"), table["axle"])
    )


def rate_head(show):
    return {**HEADS_LIMIT, "rate": f"Wear per 1,000 {show.units.distance}"}


def _rate(x, quantity, show):
    turned = show.scale("mm_per_1000km").turn(x) if quantity == "depth" else show.units.to_km(x)
    return f"{turned:.2f}{'%' if quantity == 'elongation' else ' mm' if quantity == 'thickness' else show.scale('mm').after}"


def limit_note(table):
    few = int(table["low_km"].isna().sum())
    more = (
        f" {plural(few, 'row')} without a range: fewer than three vehicles were measured."
        if few
        else ""
    )
    rotated = (
        " Rotated: parts that were moved between axles and have been removed."
        if table["axle"].eq("rotated").any()
        else ""
    )
    return f"90% reach: nine parts in ten last that distance at least, by the spread between parts.{rotated}{more}"
