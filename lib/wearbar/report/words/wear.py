"""What is said of wear: what must be done now, and how far fitted parts still go."""

import numpy as np

from wearbar.parts.state import AT_LIMIT
from wearbar.report.quantities import MISSING, clean, number
from wearbar.report.template import words_of

__all__ = [
    "HEADS_NOW",
    "alt_left",
    "alt_lines",
    "answer",
    "caution",
    "coded",
    "has_left",
    "has_line",
    "headline",
    "height",
    "now_note",
    "now_table",
    "on_now",
    "part_name",
    "stands",
    "what_of",
]

SAY = words_of("consumable_life")
PAST = ("below", "below-legal")
STATE = {
    "limit-not-known": "limit not known: check before use",
    "below-legal": "at or past the legal limit",
    "below": "at or past the limit",
    "may-be-below": "perhaps at the limit",
    "before-next-look": "may reach the limit before the next inspection",
    "not-known": "not known",
    "above": "not near its limit",
}
SHORT = {
    "its wear has not been read": "not measured",
    "no limit is known for it": "no limit",
    "too few readings of it and of like parts to say how it wears": "too few readings",
    "its readings show no wear yet": "no wear yet",
    "no distance is known of its readings": "no distance at its readings",
    "its last reading lies far off its line": "last reading doubted",
}
HEADS_NOW = {
    "vehicle": "Vehicle",
    "what": "Part",
    "state": "Wear limit",
    "measured": "Last measured",
    "now": "Now, by its line / limit",
    "legal": "Legal limit",
    "act_km": "Inspect or change within",
    "date_low": "Not later than",
    ("left_km", "left_low_km", "left_high_km"): "Left by its line",
}


def coded(text, most=40):
    """A code of the log as words: "left-shoulder" becomes "left shoulder", "brake-pad" "brake pad"."""
    return clean(text, most).replace("-", " ")


def part_name(row):
    position = clean(row["last_position"], 18)
    return f"{clean(row['vehicle'], 20)} {position} {coded(row['category'], 16)}"


def _one(row, show):
    """What the state of a part alone rests on: its last reading, or the forecast of its line."""
    legal = row["legal_limit"] == row["legal_limit"]
    return {
        "name": part_name(row),
        "by": row["by"],
        "last": height(row["last_height"], row["quantity"], show),
        "day": show.date(row["last_read"]),
        "read": row["last_height"] == row["last_height"],
        "doubted": row["last_is_doubted"],
        "now": height(row["now_height"], row["quantity"], show),
        "own": height(row["limit"], row["quantity"], show)
        if row["limit_from"] == "the log"
        else "",
        "legal": height(row["legal_limit"], row["quantity"], show) if legal else "",
        "whose": clean(row["jurisdiction"], 20),
    }


def _groups(on, show, names=True):
    """The parts by state and by what it rests on, in order of urgency: code, how, n and who."""
    how = on["by"].map({"reading": "measured", "line": "forecast"}).fillna("")
    how = how.where(on["state"].isin(["below-legal", "below"]), "")
    for (code, how_), rows in on.groupby([on["state"], how], sort=False):
        group = {"code": code, "how": how_, "n": len(rows)}
        if names:
            rows = rows.to_dict("records")
            tells = len(rows) == 1 and code != "before-next-look"
            group["one"] = _one(rows[0], show) if tells else None
            group["names"] = [part_name(r) for r in rows]
        yield group


def headline(on, show):
    """(sentences, urgency) that answer: what must be done now?"""
    at, soon = on["state"].isin(AT_LIMIT), on["state"].eq("before-next-look")
    pressing = on[at if at.any() else soon]
    unknown = on[on["state"].eq("not-known")]
    why = unknown["why_not"].value_counts(sort=False) if len(unknown) else {}
    text = SAY(
        "headline",
        on=len(on),
        groups=list(_groups(pressing, show)) if len(pressing) else [],
        n_judged=int(on["state"].eq("above").sum()),
        never_read=len(on) and on["last_read"].isna().all(),
        n_unknown=len(unknown),
        unknown=[f"{n:,} {SHORT.get(words, words)}" for words, n in why.items()],
    )
    return text, "now" if at.any() else "soon" if soon.any() else "note"


def answer(by_wear, early, show):
    """How long items last to their limit, by kind and category, and what early removals took."""
    rows = by_wear[by_wear["life_km"].notna() & by_wear["axle"].ne("rotated")]
    each = rows.groupby(["kind", "category"], sort=False)["life_km"].agg(["min", "max", "size"])
    each = each.sort_values("min").reset_index()
    each["life"] = [
        f"{coded(r.category)} {show.span(r.min, r.max) if r.size > 1 else show.distance(r.min)}"
        for r in each.itertuples(index=False)
    ]
    lives = [
        {"kind": kind, "parts": list(own["life"]), "by_item": bool((own["size"] > 1).any())}
        for kind, own in each.groupby("kind", sort=False)
    ]
    money = early["wasted"].sum() if len(early) else 0
    return SAY("answer", lives=lives, money=show.money(money, 0) if money > 0 else "")


def on_now(on, lives):
    """What the table of fitted parts rests on."""
    fitted = lives[lives["is_on"] & ~lives["part_key"].isin(on["part_key"])]
    return SAY(
        "on_now",
        n=len(on),
        n_read=int(on["last_read"].notna().sum()) if len(on) else 0,
        groups=list(_groups(on, None, names=False)) if len(on) else [],
        n_other=len(fitted),
        others=[coded(c) for c in sorted(fitted["category"].unique())],
    )


def now_table(on, show):
    """Fitted parts as they are printed: the most pressing first, the low limit leading."""
    table = on.assign(what=what_of(on, on["last_position"]))
    rows = on.to_dict("records")
    table["measured"] = [_measured(r, show) for r in rows]
    table["now"] = [_now(r, show) for r in rows]
    table["legal"] = [_legal(r, show) for r in rows]
    table["state"] = [_state(r) for r in rows]
    far = ~np.isfinite(on["left_high_km"].astype(float)) | (
        on["left_high_km"] > 20 * on["left_km"].clip(lower=1000)
    )
    table["left_high_km"] = on["left_high_km"].mask(far)
    done = on["state"].isin(["below-legal", "below"])
    for column in ("left_km", "left_low_km", "left_high_km"):
        table[column] = table[column].mask(done)
    return table


def _measured(row, show):
    if row["last_height"] != row["last_height"]:
        return "never"
    place = row["last_place"] if row["last_place"] == row["last_place"] else ""
    where = f" {coded(place, 20)}" if place else ""
    doubted = " (doubted)" if row["last_is_doubted"] else ""
    last = height(row["last_height"], row["quantity"], show)
    return f"{last}{where}, {show.date(row['last_read'])}{doubted}"


def _now(row, show):
    """ "2.1 / 1.6 mm": the unit once; a part whose line says nothing has its limit alone."""
    by_line = row["by"] == "line" or (row["why_not"] == "" and row["by"] != "reading")
    now = height(row["now_height"], row["quantity"], show) if by_line else "–"
    if row["limit"] != row["limit"]:
        return f"{now} / limit not known"
    limit = height(row["limit"], row["quantity"], show)
    return f"{now.removesuffix(''.join(limit.partition(' ')[1:]))} / {limit}"


def _legal(row, show):
    if row["legal_limit"] != row["legal_limit"]:
        return "not given"
    limit = height(row["legal_limit"], row["quantity"], show)
    return f"{limit}, {clean(row['jurisdiction'], 20)}"


def stands(state, by):
    """How a part stands against its limit; what its wear line says is named a forecast."""
    return f"{'forecast: ' if state in PAST and by == 'line' else ''}{STATE[state]}"


def _state(row):
    words = stands(row["state"], row["by"])
    if row["state"] == "not-known" and row["last_height"] == row["last_height"]:
        words = "distance left not known"
    short = SHORT.get(row["why_not"], row["why_not"])
    return f"{words}: {short}" if short and row["state"] in ("not-known", "may-be-below") else words


def what_of(table, place):
    """motorcycle rear tyre; tyre and where alone in a table of named vehicles."""
    kind = "" if "vehicle" in table else table["kind"] + " "
    category = table["category"].str.replace("-", " ")
    return (kind + place + " " + category).str.replace("all round ", "", regex=False)


def height(x, quantity, show):
    if x != x or quantity != quantity:
        return MISSING
    if quantity == "depth":
        return show.depth(x)
    return f"{x:.1f}%" if quantity == "elongation" else f"{x:.1f} mm"


def now_note(confidence):
    return SAY("note_now", tail=f"{number(50 + 50 * confidence)}%")


def caution(law):
    """The cautions, and whose legal limits are used."""
    known = bool(law.jurisdiction) and len(law.table) > 0
    return SAY(
        "caution",
        jurisdiction=clean(law.jurisdiction, 20) if law.jurisdiction else "",
        known=known,
        shipped=known and law.table["origin"].eq("shipped example").any(),
    )


def alt_left(on, show):
    rows = on[has_left(on)]
    left = rows[rows["left_low_km"].gt(0)].head(3).to_dict("records")
    return SAY(
        "alt_left",
        done=int(rows["state"].isin(AT_LIMIT).sum()),
        left=[f"{part_name(r)} {show.distance(r['left_low_km'])}" for r in left],
    )


def alt_lines(on, show, most=4):
    rows = on[has_line(on)].head(most).to_dict("records")
    parts = [
        f"{part_name(r)} now at {height(r['now_height'], r['quantity'], show)}"
        f" with limit {height(r['limit'], r['quantity'], show)}"
        for r in rows
    ]
    return SAY("alt_lines", n=len(rows), parts=parts)


def has_left(on):
    """Which parts have a distance left to draw: not those at a limit, which have none."""
    return on["left_km"].notna() & ~on["state"].isin(["below", "below-legal"])


def has_line(on):
    """Which parts have a line to draw."""
    return on["why_not"].eq("") & (on["n"] >= 2)
