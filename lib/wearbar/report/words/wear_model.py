"""What is said of life to the limit, of how far to trust wear lines, and of the limits they are held to."""

from wearbar.report.quantities import clean, listing
from wearbar.report.template import words_of
from wearbar.report.words.wear import coded, height, what_of

__all__ = [
    "HEADS_DOUBTFUL",
    "HEADS_LIMITS",
    "doubtful",
    "doubtful_table",
    "heads_life",
    "life_table",
    "limit_note",
    "limits_said",
    "limits_table",
    "model",
    "wear_life",
]

SAY = words_of("consumable_life")
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


def doubtful(looks):
    return SAY("doubtful", n=int(looks["is_doubtful"].sum()))


def doubtful_table(looks, show):
    rows = looks[looks["is_doubtful"]].sort_values("t", key=abs, ascending=False)
    read = [height(v, q, show) for v, q in zip(rows["value"], rows["quantity"], strict=True)]
    return rows.assign(read=read)[list(HEADS_DOUBTFUL)]


def model(wear, show):
    """How well the lines fit, by category, and where wear bends in the last third, in words."""
    errors = [
        {
            "category": coded(r["category"]),
            "size": _error(r["error"], r["quantity"], show),
            "df": int(r["df"]),
        }
        for r in wear.error.to_dict("records")
    ]
    if wear.bends is None or not len(wear.bends):
        return SAY("model", errors=errors, bends=None, straight=[])
    shown = wear.bends["is_shown"]
    bends = [
        {
            "category": coded(b["category"]),
            "way": "faster" if b["bend"] > 0 else "slower",
            "size": show.percent(abs(b["bend"])),
            "low": show.percent(b["low"]),
            "high": show.percent(b["high"]),
            "n": b["n"],
        }
        for b in wear.bends[shown].to_dict("records")
    ]
    straight = [
        {"category": coded(b["category"]), "n": b["n"]}
        for b in wear.bends[~shown].to_dict("records")
    ]
    return SAY("model", errors=errors, bends=bends, straight=straight)


def _error(x, quantity, show):
    if quantity == "depth":
        return show.depth(x)
    return f"{x:.2f} {'points' if quantity == 'elongation' else 'mm'}"


def limits_said(law):
    """What the table of limits rests on."""
    own = law.table["origin"].ne("shipped example") if len(law.table) else []
    where = ["the log's own table limits"] if any(own) else []
    where += [] if all(own) else ["a set shipped as an example"]
    return SAY("limits", n=len(own), jurisdiction=clean(law.jurisdiction, 20), where=where)


def limits_table(parts, law):
    """The legal limits that bear on the categories of the log, those used here first."""
    rows = law.table[law.table["category"].isin(parts["category"].unique())]
    if rows.empty:
        return rows
    by = ["category", "quantity", "position", "limit", "what", "source"]
    named = {name: (name, _words) for name in ("legal_class", "kind")}
    shown = rows.groupby(by, sort=False).agg(**named).reset_index()
    kinds = ("kind " + shown["kind"]).where(shown["kind"].ne(""), "")
    classes = ("class " + shown["legal_class"] + "; ").where(shown["legal_class"].ne(""), "")
    where = (", " + shown["position"]).where(shown["position"].ne(""), "")
    shown["who"] = (classes + kinds).str.rstrip("; ") + where
    used = set(zip(parts["category"], parts["legal_source"], parts["legal_what"], strict=True))
    each = zip(shown["category"], shown["source"], shown["what"], strict=True)
    shown["used"] = ["yes" if key in used else "" for key in each]
    units = {"elongation": "%", "age": " years", "pressure": " kPa"}
    unit = shown["quantity"].map(units).fillna(" mm")
    shown["limit_said"] = [
        f"{x:.5f}".rstrip("0").rstrip(".") + u for x, u in zip(shown["limit"], unit, strict=True)
    ]
    shown["limit_said"] += f" ({law.jurisdiction})"
    return shown.sort_values("used", ascending=False, kind="stable", ignore_index=True)


def _words(names):
    return listing(sorted({n for n in names if n}), last="or")


def wear_life(table):
    return SAY("wear_life", n=len(table))


def life_table(table, show):
    """Life to the limit as it is printed."""
    rate = [_rate(r["rate_mm_per_1000km"], r["quantity"], show) for r in table.to_dict("records")]
    return table.assign(rate=rate, what=what_of(table.drop(columns="vehicles"), table["axle"]))


def heads_life(show):
    return {
        "what": "Part",
        "item": "Item",
        "n": "Parts",
        "vehicles": "Vehicles",
        "rate": f"Wear per 1,000 {show.units.distance}",
        ("life_km", "low_km", "high_km"): "Median life to the limit",
        "quick_km": "90% reach",
    }


def _rate(x, quantity, show):
    turned = show.scale("mm_per_1000km").turn(x) if quantity == "depth" else show.units.to_km(x)
    after = {"elongation": "%", "thickness": " mm"}.get(quantity, show.scale("mm").after)
    return f"{turned:.2f}{after}"


def limit_note(table):
    few, rotated = int(table["low_km"].isna().sum()), table["axle"].eq("rotated").any()
    return SAY("note_limit", few=few, rotated=rotated)
