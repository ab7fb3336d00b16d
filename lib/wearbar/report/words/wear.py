"""What consumable_life says of wear: what must be done now, how far fitted parts still go, limits.

Its blocks are in shared/words/consumable_life.md.j2.
"""

import numpy as np
import pandas as pd

from wearbar.log.keys import is_among
from wearbar.parts import AT_LIMIT
from wearbar.report.quantities import MISSING, clean, listing, plain
from wearbar.report.template import coded, words_of
from wearbar.report.words import column

PAST = ("below", "below-legal")
LEFT = ["left_km", "left_low_km", "left_high_km"]
UNITS = {"elongation": "%", "age": " years", "pressure": " kPa"}


def part_name(row):
    position = clean(row["last_position"], 18)
    return f"{clean(row['vehicle'], 20)} {position} {coded(row['category'], 16)}"


def what_of(table, place):
    """motorcycle rear tyre; tyre and where alone in a table of named vehicles."""
    kind = "" if "vehicle" in table else table["kind"] + " "
    category = table["category"].str.replace("-", " ")
    return (kind + place + " " + category).str.replace("all round ", "", regex=False)


def height(x, quantity, show, *decimals):
    if pd.isna(x) or pd.isna(quantity):
        return MISSING
    if quantity == "depth":
        return show.depth(x, *decimals)
    return f"{x:.1f}%" if quantity == "elongation" else f"{x:.1f} mm"


def words_in(show):
    """The blocks of the report in the reader's units."""
    return words_of("consumable_life", show=show, height=height, past=PAST)


def stands(state, by):
    """How a part stands against its limit; what its wear line says is named a forecast."""
    return plain(words_in(None)("stands", state=state, by=by))


def _groups(on):
    """The parts by state and by what it rests on, in order of urgency: code, how, n and names.

    one: of a part alone, its row, which tells what its state rests on.
    """
    how = on["by"].map({"reading": "measured", "line": "forecast"})
    on = on.assign(how=how.where(on["state"].isin(PAST)).fillna(""))
    groups = []
    for (code, how), frame in on.groupby(["state", "how"], sort=False):
        rows = frame.to_dict("records")
        one = rows[0] if len(rows) == 1 and code != "before-next-look" else None
        group = {"code": code, "how": how, "n": len(rows), "one": one}
        groups.append(group | {"names": [part_name(row) for row in rows]})
    return groups


def headline(on, show):
    """(sentences, urgency) that answer: what must be done now?"""
    at, soon = on["state"].isin(AT_LIMIT), on["state"].eq("before-next-look")
    unknown = on[on["state"].eq("not-known")]
    why = unknown["why_not"].value_counts(sort=False).rename_axis("why_not").reset_index(name="n")
    groups = _groups(on[at if at.any() else soon])
    text = words_in(show)("headline", on=on, groups=groups, unknown=unknown, why=why)
    return text, "now" if at.any() else "soon" if soon.any() else "note"


def answer(by_wear, early, show):
    """How long items last to their limit, by kind and category, and what early removals took."""
    rows = by_wear[by_wear["life_km"].notna() & by_wear["axle"].ne("rotated")]
    each = rows.groupby(["kind", "category"], sort=False)["life_km"].agg(["min", "max", "size"])
    lives = each.sort_values("min").reset_index().groupby("kind", sort=False)
    return words_in(show)("answer", lives=lives, wasted=early["wasted"].sum())


def on_now(on, lives):
    """What the table of fitted parts rests on."""
    fitted = lives[lives["is_on"] & ~lives["part_key"].isin(on["part_key"])]
    return words_in(None)("on_now", on=on, groups=_groups(on), fitted=fitted)


def now_table(on, show):
    """Fitted parts as they are printed: the most pressing first, the low limit leading."""
    words, names = words_in(show), ("measured", "now", "legal", "state")
    said = {name: column(words, f"now_{name}", on) for name in names}
    left, high = on["left_km"], on["left_high_km"].astype(float)
    is_far = ~np.isfinite(high) | (high > 20 * left.clip(lower=1000))
    table = on.assign(what=what_of(on, on["last_position"]), **said)
    table["left_high_km"] = on["left_high_km"].mask(is_far)
    table.loc[on["state"].isin(PAST), LEFT] = np.nan
    return table


def has_left(on):
    """Which parts have a distance left to draw: not those at a limit, which have none."""
    return on["left_km"].notna() & ~on["state"].isin(PAST)


def has_line(on):
    """Which parts have a line to draw."""
    return on["why_not"].eq("") & (on["n"] >= 2)


def doubtful_table(looks, show):
    """The doubtful readings, the farthest off their lines first."""
    rows = looks[looks["is_doubtful"]].sort_values("t", key=abs, ascending=False)
    read = [height(v, q, show) for v, q in zip(rows["value"], rows["quantity"], strict=True)]
    return rows.assign(read=read)


def limits_table(parts, law):
    """The legal limits that bear on the categories of the log, those used here first."""
    rows = law.table[law.table["category"].isin(parts["category"])]
    if rows.empty:
        return rows
    by = ["category", "quantity", "position", "limit", "what", "source"]
    told = rows.groupby(by, sort=False)[["legal_class", "kind"]].agg(
        lambda names: listing(sorted({n for n in names if n}), last="or")
    )
    told = told.reset_index()
    used = parts.rename(columns={"legal_source": "source", "legal_what": "what"})
    told["used"] = np.where(is_among(told, used, ["category", "source", "what"]), "yes", "")
    unit = told["quantity"].map(UNITS).fillna(" mm")
    told["who"] = column(words_in(None), "who", told)
    told["limit_said"] = told["limit"].map("{:.7g}".format) + unit + f" ({law.jurisdiction})"
    return told.sort_values("used", ascending=False, kind="stable", ignore_index=True)


def life_table(table, show):
    """Life to the limit as it is printed."""
    rate = [_rate(*pair, show) for pair in table[["rate_mm_per_1000km", "quantity"]].to_numpy()]
    return table.assign(rate=rate, what=what_of(table.drop(columns="vehicles"), table["axle"]))


def _rate(x, quantity, show):
    turned = show.scale("mm_per_1000km").turn(x) if quantity == "depth" else show.units.to_km(x)
    after = {"elongation": "%", "thickness": " mm"}.get(quantity, show.scale("mm").after)
    return f"{turned:.2f}{after}"
