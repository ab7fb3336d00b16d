"""What is said of how far to trust wear lines, and of the limits they are held to."""

import numpy as np
import pandas as pd

from wearbar.wording.common import listing, plural, safe
from wearbar.wording.wear import height

__all__ = [
    "CAPTION_RESIDUALS",
    "HEADS_DOUBTFUL",
    "HEADS_LIMITS",
    "alt_residuals",
    "doubtful",
    "doubtful_table",
    "limits_table",
    "model",
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
    "legal_class": "Class",
    "category": "Part",
    "limit_said": "Limit",
    "what": "What it is",
    "source": "Source",
    "used": "Used here",
}
CAPTION_RESIDUALS = "A point a reading; the dark line is the mean over fifths of the distance."


def doubtful(looks):
    n = int(looks["is_doubtful"].sum())
    if not n:
        return "No reading lies far off its part's line."
    verb, it = ("lies", "it") if n == 1 else ("lie", "each")
    return (
        f"{plural(n, 'reading')} {verb} so far off the part's line that {it} may be mistyped, of another part, or show a change that the "
        "log does not: left out of the lines, listed here."
    )


def doubtful_table(looks, show):
    rows = looks[looks["is_doubtful"]].sort_values("t", key=abs, ascending=False)
    read = [height(v, q, show) for v, q in zip(rows["value"], rows["quantity"], strict=True)]
    return rows.assign(read=read)[["vehicle", "position", "category", "part_key", "date", "place", "read"]]


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
    return show.depth(x) if quantity == "depth" else f"{x:.2f} {'points' if quantity == 'elongation' else 'mm'}"


def _bends(bends, show):
    if bends is None or not len(bends):
        return "Too few parts are read in the last third of their wear to say whether it stays straight there."
    bent = [
        f"{safe(b['category'])} {'faster' if b['bend'] > 0 else 'slower'} by {show.percent(abs(b['bend']))} "
        f"({show.percent(b['low'])} to {show.percent(b['high'])}, {plural(b['n'], 'part')})"
        for b in bends[bends["is_shown"]].to_dict("records")
    ]
    straight = [f"{safe(b['category'])} ({plural(b['n'], 'part')})" for b in bends[~bends["is_shown"]].to_dict("records")]
    words = f"In the last third of the usable depth wear is straight as far as can be told: {listing(straight)}. " if straight else ""
    if bent:
        words += (
            f"In the last third parts wear at another rate: {listing(bent)}. Their lines are bent there, and each low limit is the lower "
            "of the bent line's and the straight one's. "
        )
    return words.strip()


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
