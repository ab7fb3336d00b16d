"""What consumable_life says after some counting: shared/words/consumable_life.md.j2."""

import numpy as np

from wearbar.log.keys import is_among
from wearbar.parts import AT_LIMIT
from wearbar.parts.items import PLACE
from wearbar.report.quantities import clean, listing
from wearbar.report.template import coded, words_of

PAST = ("below", "below-legal")
LEFT = ["left_km", "left_low_km", "left_high_km"]


def words_in(show):
    """The blocks of the report in the reader's units."""
    return words_of("consumable_life", show=show)


def part_name(row):
    position = clean(row["last_position"], 18)
    return f"{clean(row['vehicle'], 20)} {position} {coded(row['category'], 16)}"


def _groups(on):
    """The parts by state and by what it rests on, in order of urgency: code, how, parts."""
    how = on["by"].map({"reading": "measured", "line": "forecast"})
    on = on.assign(how=how.where(on["state"].isin(PAST)).fillna(""))
    return [
        {"code": code, "how": how, "parts": parts.to_dict("records")}
        for (code, how), parts in on.groupby(["state", "how"], sort=False)
    ]


def headline(on, show):
    """(sentences, urgency) that answer: what must be done now?"""
    at, soon = on["state"].isin(AT_LIMIT), on["state"].eq("before-next-look")
    unknown = on[on["state"].eq("not-known")].groupby("why_not", sort=False)
    view = {"groups": _groups(on[at if at.any() else soon])}
    text = words_in(show)("headline", on=on, unknown=unknown.size().reset_index(name="n"), **view)
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


def now_table(on):
    """Fitted parts for print: no distance left of one past its limit, no end far off its line."""
    left, high = on["left_km"], on["left_high_km"].astype(float)
    is_far = ~np.isfinite(high) | (high > 20 * left.clip(lower=1000))
    table = on.assign(left_high_km=on["left_high_km"].mask(is_far))
    table.loc[on["state"].isin(PAST), LEFT] = np.nan
    return table


def has_left(on):
    """Which parts have a distance left to draw: not those at a limit, which have none."""
    return on["left_km"].notna() & ~on["state"].isin(PAST)


def has_line(on):
    """Which parts have a line to draw."""
    return on["why_not"].eq("") & (on["n"] >= 2)


def limits_table(parts, law):
    """The legal limits that bear on the categories of the log, those used here first."""
    rows = law.table[law.table["category"].isin(parts["category"])]
    if rows.empty:
        return rows
    by = ["category", "quantity", "position", "limit", "what", "source"]
    told = rows.groupby(by, sort=False)[["legal_class", "kind"]]
    told = told.agg(lambda names: listing(sorted({n for n in names if n}), last="or"))
    told = told.reset_index().assign(jurisdiction=law.jurisdiction)
    used = parts.rename(columns={"legal_source": "source", "legal_what": "what"})
    told["used"] = np.where(is_among(told, used, ["category", "source", "what"]), "yes", "")
    return told.sort_values("used", ascending=False, kind="stable", ignore_index=True)


def comparable(cost):
    """The items with a cost that have another beside them at their place, the places by cost."""
    rows = cost[cost["cost_per_km"].notna()]
    by_place = rows.groupby(PLACE)["cost_per_km"]
    rows = rows.assign(most=-by_place.transform("max"))[by_place.transform("size") > 1]
    return rows.sort_values(["most", *PLACE, "cost_per_km"])


def curves(service, spans):
    """What the curves rest on: parts followed, those on before the record, and those left out."""
    known, is_late = spans["seen_km"].notna(), spans["age_known"] & (spans["entry_km"] > 0)
    unseen = service.loc[service["cause"].eq("record-gap"), "part_key"].nunique()
    view = {"n": service["part_key"].nunique(), "off": service["came_off"].sum(), "unseen": unseen}
    view |= {"late": is_late.sum(), "ageless": spans[~spans["age_known"] & known]}
    return words_in(None)("curves", uncounted=(~known).sum(), **view)


def oil(table, kinds, show):
    """How much oil engines use by kind, or by vehicle, for whom it is not known, what to note."""
    known = table["why_not"].eq("")
    why = table[~known].groupby("why_not").size().reset_index(name="n")
    view = {"kinds": kinds, "known": table[known].head(0 if len(kinds) else 4), "refused": why}
    return words_in(show)("oil", n=len(table), **view)
