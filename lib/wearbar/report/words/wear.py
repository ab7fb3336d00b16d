"""What consumable_life says of wear: what must be done now, and how far fitted parts still go."""

import numpy as np
import pandas as pd

from wearbar.parts import AT_LIMIT
from wearbar.report.quantities import MISSING, clean, plain
from wearbar.report.template import coded, words_of

SAY = words_of("consumable_life")
PAST = ("below", "below-legal")
LEFT = ["left_km", "left_low_km", "left_high_km"]


def part_name(row):
    position = clean(row["last_position"], 18)
    return f"{clean(row['vehicle'], 20)} {position} {coded(row['category'], 16)}"


def what_of(table, place):
    """motorcycle rear tyre; tyre and where alone in a table of named vehicles."""
    kind = "" if "vehicle" in table else table["kind"] + " "
    category = table["category"].str.replace("-", " ")
    return (kind + place + " " + category).str.replace("all round ", "", regex=False)


def height(x, quantity, show):
    if pd.isna(x) or pd.isna(quantity):
        return MISSING
    if quantity == "depth":
        return show.depth(x)
    return f"{x:.1f}%" if quantity == "elongation" else f"{x:.1f} mm"


def stands(state, by):
    """How a part stands against its limit; what its wear line says is named a forecast."""
    return plain(SAY("stands", state=state, by=by))


def _short(why_not):
    return plain(SAY("why_not", why_not=why_not))


def _groups(on):
    """The parts by state and by what it rests on, in order of urgency: code, how, n and rows."""
    how = on["by"].map({"reading": "measured", "line": "forecast"}).fillna("")
    how = how.where(on["state"].isin(PAST), "")
    for (code, how_), rows in on.groupby([on["state"], how], sort=False):
        yield {"code": code, "how": how_, "n": len(rows), "rows": rows.to_dict("records")}


def _named(group, show):
    """The group with its parts' names; of a part alone, what its state rests on."""
    rows = group["rows"]
    tells = len(rows) == 1 and group["code"] != "before-next-look"
    return group | {
        "names": [part_name(row) for row in rows],
        "one": _heights(rows[0], show) if tells else None,
    }


def _heights(row, show):
    columns = {"last": "last_height", "now": "now_height", "own": "limit", "legal": "legal_limit"}
    return row | {new: height(row[old], row["quantity"], show) for new, old in columns.items()}


def headline(on, show):
    """(sentences, urgency) that answer: what must be done now?"""
    at, soon = on["state"].isin(AT_LIMIT), on["state"].eq("before-next-look")
    pressing = on[at if at.any() else soon]
    unknown = on[on["state"].eq("not-known")]
    why = unknown["why_not"].value_counts(sort=False) if len(unknown) else {}
    text = SAY(
        "headline",
        show=show,
        on=len(on),
        groups=[_named(group, show) for group in _groups(pressing)] if len(pressing) else [],
        n_judged=int(on["state"].eq("above").sum()),
        never_read=len(on) and on["last_read"].isna().all(),
        n_unknown=len(unknown),
        unknown=[f"{n:,} {_short(words)}" for words, n in why.items()],
    )
    return text, "now" if at.any() else "soon" if soon.any() else "note"


def answer(by_wear, early, show):
    """How long items last to their limit, by kind and category, and what early removals took."""
    rows = by_wear[by_wear["life_km"].notna() & by_wear["axle"].ne("rotated")]
    each = rows.groupby(["kind", "category"], sort=False)["life_km"].agg(["min", "max", "size"])
    each = each.sort_values("min").reset_index()
    lives = {kind: own.to_dict("records") for kind, own in each.groupby("kind", sort=False)}
    return SAY("answer", lives=lives, wasted=early["wasted"].sum() if len(early) else 0, show=show)


def on_now(on, lives):
    """What the table of fitted parts rests on."""
    fitted = lives[lives["is_on"] & ~lives["part_key"].isin(on["part_key"])]
    return SAY(
        "on_now",
        n=len(on),
        n_read=int(on["last_read"].notna().sum()) if len(on) else 0,
        groups=list(_groups(on)) if len(on) else [],
        n_other=len(fitted),
        others=[coded(c) for c in sorted(fitted["category"].unique())],
    )


def now_table(on, show):
    """Fitted parts as they are printed: the most pressing first, the low limit leading."""
    cells = {"measured": _measured, "now": _now, "legal": _legal, "state": _state}
    rows = on.to_dict("records")
    said = {name: [cell(row, show) for row in rows] for name, cell in cells.items()}
    table = on.assign(what=what_of(on, on["last_position"]), **said)
    left, high = on["left_km"], on["left_high_km"].astype(float)
    is_far = ~np.isfinite(high) | (high > 20 * left.clip(lower=1000))
    table["left_high_km"] = on["left_high_km"].mask(is_far)
    table.loc[on["state"].isin(PAST), LEFT] = np.nan
    return table


def _measured(row, show):
    if pd.isna(row["last_height"]):
        return "never"
    where = "" if pd.isna(row["last_place"]) else f" {coded(row['last_place'], 20)}".rstrip()
    doubted = " (doubted)" if row["last_is_doubted"] else ""
    last = height(row["last_height"], row["quantity"], show)
    return f"{last}{where}, {show.date(row['last_read'])}{doubted}"


def _now(row, show):
    """ "2.1 / 1.6 mm": the unit once; a part whose line says nothing has its limit alone."""
    by_line = row["by"] == "line" or (row["why_not"] == "" and row["by"] != "reading")
    now = height(row["now_height"], row["quantity"], show) if by_line else "–"
    if pd.isna(row["limit"]):
        return f"{now} / limit not known"
    limit = height(row["limit"], row["quantity"], show)
    return f"{now.removesuffix(''.join(limit.partition(' ')[1:]))} / {limit}"


def _legal(row, show):
    if pd.isna(row["legal_limit"]):
        return "not given"
    limit = height(row["legal_limit"], row["quantity"], show)
    return f"{limit}, {clean(row['jurisdiction'], 20)}"


def _state(row, _):
    words = stands(row["state"], row["by"])
    if row["state"] == "not-known" and not pd.isna(row["last_height"]):
        words = "distance left not known"
    is_told = row["why_not"] and row["state"] in ("not-known", "may-be-below")
    return f"{words}: {_short(row['why_not'])}" if is_told else words


def caution(law):
    """The cautions, and whose legal limits are used."""
    is_known = bool(law.jurisdiction) and len(law.table) > 0
    shipped = is_known and law.table["origin"].eq("shipped example").any()
    return SAY("caution", law=law, is_known=is_known, shipped=shipped)


def alt_left(on, show):
    rows = on[has_left(on)]
    left = rows[rows["left_low_km"].gt(0)].head(3).to_dict("records")
    left = [f"{part_name(r)} {show.distance(r['left_low_km'])}" for r in left]
    return SAY("alt_left", done=int(rows["state"].isin(AT_LIMIT).sum()), left=left)


def alt_lines(on, show, most=4):
    rows = [_heights(row, show) for row in on[has_line(on)].head(most).to_dict("records")]
    parts = [f"{part_name(r)} now at {r['now']} with limit {r['own']}" for r in rows]
    return SAY("alt_lines", n=len(rows), parts=parts)


def has_left(on):
    """Which parts have a distance left to draw: not those at a limit, which have none."""
    return on["left_km"].notna() & ~on["state"].isin(PAST)


def has_line(on):
    """Which parts have a line to draw."""
    return on["why_not"].eq("") & (on["n"] >= 2)
