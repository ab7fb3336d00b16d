"""What is said of wear: what must be done now, how far fitted parts still go, how long items last to their limit."""

import numpy as np

from wearbar.parts.state import AT_LIMIT
from wearbar.report.quantities import MISSING, clean, listing, number, plural, safe

__all__ = [
    "CAPTION_LEFT",
    "CAPTION_LINES",
    "HEADS_NOW",
    "NO_LEGAL",
    "STATE",
    "alt_left",
    "alt_lines",
    "caution",
    "evidence",
    "has_left",
    "has_line",
    "headline",
    "height",
    "legal_said",
    "now_note",
    "now_table",
    "on_now",
    "part_name",
    "what_of",
]

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
NO_LEGAL = "legal limit not given"
CAUTION = (
    "A wear line sees wear alone. It does not see cuts, bulges, cracks, age, heat, a seized caliper or a damaged chain: inspect the "
    "part itself, at its lowest place. At the legal limit grip in the wet is already poor. Support the vehicle before work below it. "
    "Brake and wheel work belongs to people trained for it; afterwards tighten to the handbook and check again."
)
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
CAPTION_LEFT = (
    "Mark: distance left by the wear line. Upright stroke: the low limit, which is what to plan by. Line: the range, cut at the edge of "
    "the picture. A cross at nil: at or past a limit, or perhaps so."
)
CAPTION_LINES = (
    "Dots are the readings at the place that reaches the limit first, small squares other places; the band is the range of the line. "
    "It is drawn past today to show the doubt. It is not permission to use the part that far."
)


def part_name(row):
    return f"{clean(row['vehicle'], 20)} {clean(row['last_position'], 18)} {clean(row['category'], 16)}"


def legal_said(row, show):
    """ "legal limit 1.6 mm, GB", with the jurisdiction that it is of, or that none is given."""
    if row["legal_limit"] != row["legal_limit"]:
        return NO_LEGAL
    return f"legal limit {height(row['legal_limit'], row['quantity'], show)}, {clean(row['jurisdiction'], 20)}"


def evidence(row, show):
    """What a part's state rests on: its last reading, or the forecast of its line with its last reading beside it."""
    last = height(row["last_height"], row["quantity"], show)
    on_day = f"{last} on {show.date(row['last_read'])}"
    if row["state"] == "limit-not-known" and row["by"] == "reading":
        return f"limit not known: measured {on_day}, check before use"
    if row["by"] == "reading":
        return on_day + (", doubted: far off its wear line" if row["last_is_doubted"] else "")
    line = f"{height(row['now_height'], row['quantity'], show)} by its wear line"
    return (
        f"{line} (last measured {on_day})"
        if row["last_height"] == row["last_height"]
        else f"{line} (never measured)"
    )


def _parts(rows, show, most=4):
    """The parts' names; of one alone also what is known of it."""
    rows = rows.to_dict("records")
    if len(rows) == 1 and rows[0]["state"] == "limit-not-known":
        said = (
            evidence(rows[0], show)
            .removeprefix("limit not known: ")
            .removesuffix(", check before use")
        )
        return f"{safe(part_name(rows[0]))}, {said}"
    if len(rows) == 1:
        own = (
            f"limit {height(rows[0]['limit'], rows[0]['quantity'], show)}; "
            if rows[0]["limit_from"] == "the log"
            else ""
        )
        return f"{safe(part_name(rows[0]))}, {evidence(rows[0], show)}; {own}{safe(legal_said(rows[0], show))}"
    return listing([safe(part_name(r)) for r in rows], most=most)


def _unjudged(on):
    """How many parts cannot be judged, and why."""
    if not len(on):
        return ""
    why = [
        f"{n:,} {SHORT.get(words, words)}"
        for words, n in on["why_not"].value_counts(sort=False).items()
    ]
    return f" What is left of {plural(len(on), 'fitted part')} is not known ({listing(why)})."


def _at_limits(on, show):
    """Sentences on the parts at or perhaps at a limit: by measurement first, then by forecast; in each what to do."""
    read, line = on["by"].eq("reading"), on["by"].eq("line")
    legal, own = on["state"].eq("below-legal"), on["state"].eq("below")
    told = [
        (
            on["state"].eq("limit-not-known"),
            "with little left and no known limit",
            "Check before use.",
        ),
        (legal & read, "measured at or past the legal limit", "Do not drive until checked."),
        (own & read, "measured at or past the limit", "Change now."),
        (legal & line, "forecast at or past the legal limit", "Measure before the next use."),
        (own & line, "forecast at or past the limit", "Measure today, and change."),
        (on["state"].eq("may-be-below"), "perhaps at the limit", "Measure before the next use."),
    ]
    alone = {True: ", by their wear lines alone", False: ""}
    told = [
        (on[m], what + alone[what.startswith("forecast") and m.sum() > 1], act)
        for m, what, act in told
        if m.any()
    ]
    return " ".join(
        f"{plural(len(rows), 'part')} {what}: {_parts(rows, show)}. {act}"
        for rows, what, act in told
    )


def headline(on, show):
    """(sentences, urgency) that answer: what must be done now?"""
    if not len(on):
        text = "No part now fitted has a wear reading, so what is left is not known. Measure tread, pads and chain at each visit."
        return text, "note"
    unread = _unjudged(on[on["state"].eq("not-known")])
    if on["state"].isin(AT_LIMIT).any():
        return _at_limits(on, show) + unread, "now"
    soon = on[on["state"].eq("before-next-look")]
    if len(soon):
        names = listing([safe(part_name(r)) for r in soon.to_dict("records")], most=4)
        what = f"{plural(len(soon), 'part')} may reach the limit before the next inspection: {names}. Inspect sooner."
        return what + unread, "soon"
    n = int(on["state"].eq("above").sum())
    if not n:
        start = (
            "No fitted part has been measured for wear."
            if on["last_read"].isna().all()
            else "No part measured is at its limit."
        )
        return start + unread, "note"
    start = (
        "The one part that can be judged is"
        if n == 1
        else f"None of the {plural(n, 'part')} that can be judged is"
    )
    return (
        f"{start} {'not ' if n == 1 else ''}likely to reach its limit before the next inspection.{unread}",
        "note",
    )


def on_now(on, lives):
    """What the table of fitted parts rests on."""
    if not len(on):
        return "No fitted part has a wear reading."
    at = on["state"].isin(["below", "below-legal"])
    words = (
        on["state"].map(STATE).mask(at & on["by"].eq("line"), "forecast " + on["state"].map(STATE))
    )
    words = words.mask(
        at & on["by"].eq("reading"), "measured " + on["state"].map(STATE)
    ).str.partition(":")[0]
    counts = [f"{n:,} {said}" for said, n in words.value_counts(sort=False).items()]
    unread = lives[lives["is_on"] & ~lives["part_key"].isin(on["part_key"])]
    others = (
        f" Wear is not measured on {plural(len(unread), 'other part')} ({listing([safe(c) for c in sorted(unread['category'].unique())])})."
        if len(unread)
        else ""
    )
    n_read, one = int(on["last_read"].notna().sum()), len(on) == 1
    read = (
        f"{'has' if one else 'have'} been measured"
        if n_read == len(on)
        else f"{'is' if one else 'are'} of kinds measured for wear"
    )
    blind = len(on) - n_read
    own = (
        f" {number(blind)} of them {'has' if blind == 1 else 'have'} no reading: judged by like parts, or not known."
        if blind
        else ""
    )
    return f"{plural(len(on), 'fitted part')} {read}: {listing(counts, most=9)}.{own}{others}"


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
    place = (
        f" {clean(row['last_place'], 20)}"
        if row["last_place"] and row["last_place"] == row["last_place"]
        else ""
    )
    doubted = " (doubted)" if row["last_is_doubted"] else ""
    return f"{height(row['last_height'], row['quantity'], show)}{place}, {show.date(row['last_read'])}{doubted}"


def _now(row, show):
    """ "2.1 / 1.6 mm": the unit once; a part whose line says nothing has its limit alone."""
    limit = (
        height(row["limit"], row["quantity"], show)
        if row["limit"] == row["limit"]
        else "limit not known"
    )
    by_line = row["by"] == "line" or (row["why_not"] == "" and row["by"] != "reading")
    now = height(row["now_height"], row["quantity"], show) if by_line else "–"
    unit = "".join(limit.partition(" ")[1:]) if row["limit"] == row["limit"] else ""
    return f"{now.removesuffix(unit)} / {limit}"


def _legal(row, show):
    said = legal_said(row, show)
    return "not given" if said == NO_LEGAL else said.removeprefix("legal limit ")


def _state(row):
    told = STATE[row["state"]]
    if row["state"] in ("below", "below-legal") and row["by"] == "line":
        return f"forecast: {told}"
    if row["state"] == "not-known" and row["last_height"] == row["last_height"]:
        told = "distance left not known"
    short = SHORT.get(row["why_not"], row["why_not"])
    return f"{told}: {short}" if short and row["state"] in ("not-known", "may-be-below") else told


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
        "Forecast: by the wear line, not by a reading. Inspect or change within: the shorter of the low limit and the usual distance "
        f"between inspections; nil at a limit. With a chance of {tail}% a part goes further than its low limit. Not later than: the day "
        "on which that distance is run at the most the vehicle does. Left by its line is an estimate with its range. It is not "
        "permission to use it that far."
    )


def caution(law):
    """The cautions, and whose legal limits are used."""
    if not law.jurisdiction:
        whose = (
            "Legal limit not given: log.toml names no jurisdiction, so no legal limit is used here."
        )
    elif not len(law.table):
        whose = f"Legal limit not given: no limits are known for jurisdiction {safe(law.jurisdiction, 20)}."
    else:
        whose = (
            f"Legal limits are those of {safe(law.jurisdiction, 20)}; their sources are at the end."
        )
        whose += (
            " Sets shipped as examples may be out of date."
            if law.table["origin"].eq("shipped example").any()
            else ""
        )
    return f"{CAUTION} {whose} Your own law and the maker's handbook come first."


def alt_left(on, show):
    rows = on[has_left(on)]
    done = int(rows["state"].isin(AT_LIMIT).sum())
    left = rows[rows["left_low_km"].gt(0)].head(3).to_dict("records")
    said = [f"{plural(done, 'part')} at or perhaps at a limit"] if done else []
    said += [f"{part_name(r)} {show.distance(r['left_low_km'])} at the low limit" for r in left]
    return (
        f"Distance left of the most pressing parts: {listing(said)}."
        if said
        else "No part can be judged."
    )


def alt_lines(on, show):
    rows = on[has_line(on)].head(6).to_dict("records")
    said = [
        f"{part_name(r)} now at {height(r['now_height'], r['quantity'], show)}, limit {height(r['limit'], r['quantity'], show)}"
        for r in rows
    ]
    return f"Wear readings and lines of {plural(len(rows), 'part')}: {listing(said)}."


def has_left(on):
    """Which parts have a distance left to draw, none included."""
    return on["left_km"].notna() | on["state"].isin(AT_LIMIT)


def has_line(on):
    """Which parts have a line to draw."""
    return on["why_not"].eq("") & (on["n"] >= 2)
