"""What consumable_life says of life to the limit, of how well wear lines fit, and of limits."""

from wearbar.report.quantities import listing
from wearbar.report.words.wear import SAY, height, what_of

UNITS = {"elongation": "%", "age": " years", "pressure": " kPa"}


def doubtful_table(looks, show):
    rows = looks[looks["is_doubtful"]].sort_values("t", key=abs, ascending=False)
    read = [height(v, q, show) for v, q in zip(rows["value"], rows["quantity"], strict=True)]
    return rows.assign(read=read)


def model(wear, show):
    """How well the lines fit, by category, and where wear bends in the last third, in words."""
    errors = wear.error.to_dict("records")
    errors = [r | {"size": _error(r["error"], r["quantity"], show)} for r in errors]
    bends = [] if wear.bends is None else wear.bends.to_dict("records")
    return SAY("model", errors=errors, bends=bends, show=show)


def _error(x, quantity, show):
    if quantity == "depth":
        return show.depth(x)
    return f"{x:.2f} {'points' if quantity == 'elongation' else 'mm'}"


def limits_said(law):
    """What the table of limits rests on."""
    own = law.table["origin"].ne("shipped example") if len(law.table) else []
    where = ["the log's own table limits"] if any(own) else []
    where += [] if all(own) else ["a set shipped as an example"]
    return SAY("limits", n=len(own), jurisdiction=law.jurisdiction, where=where)


def limits_table(parts, law):
    """The legal limits that bear on the categories of the log, those used here first."""
    rows = law.table[law.table["category"].isin(parts["category"].unique())]
    if rows.empty:
        return rows
    by = ["category", "quantity", "position", "limit", "what", "source"]
    told = rows.groupby(by, sort=False)[["legal_class", "kind"]].agg(_either).reset_index()
    used = set(zip(parts["category"], parts["legal_source"], parts["legal_what"], strict=True))
    each = zip(told["category"], told["source"], told["what"], strict=True)
    told["used"] = ["yes" if key in used else "" for key in each]
    told["who"] = [_who(row) for row in told.itertuples()]
    limit = told["limit"].map(lambda x: f"{x:.5f}".rstrip("0").rstrip("."))
    unit = told["quantity"].map(UNITS).fillna(" mm")
    told["limit_said"] = limit + unit + f" ({law.jurisdiction})"
    return told.sort_values("used", ascending=False, kind="stable", ignore_index=True)


def _either(names):
    return listing(sorted({n for n in names if n}), last="or")


def _who(row):
    kind = [f"class {row.legal_class}"] if row.legal_class else []
    kind += [f"kind {row.kind}"] if row.kind else []
    return "; ".join(kind) + (f", {row.position}" if row.position else "")


def life_table(table, show):
    """Life to the limit as it is printed."""
    rate = [_rate(*pair, show) for pair in table[["rate_mm_per_1000km", "quantity"]].to_numpy()]
    return table.assign(rate=rate, what=what_of(table.drop(columns="vehicles"), table["axle"]))


def _rate(x, quantity, show):
    turned = show.scale("mm_per_1000km").turn(x) if quantity == "depth" else show.units.to_km(x)
    after = {"elongation": "%", "thickness": " mm"}.get(quantity, show.scale("mm").after)
    return f"{turned:.2f}{after}"


def limit_note(table):
    few, rotated = int(table["low_km"].isna().sum()), table["axle"].eq("rotated").any()
    return SAY("note_limit", few=few, rotated=rotated)
