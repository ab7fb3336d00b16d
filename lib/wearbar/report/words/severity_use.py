"""What is said of how vehicles are used, where use can be compared, and the interval that the evidence supports."""

import math

import pandas as pd

from wearbar import severity
from wearbar.report.quantities import number
from wearbar.report.words.severity import SAY, part_of, percent
from wearbar.severity.use import USE

__all__ = [
    "HEADS_OVERLAP",
    "alt_use",
    "cannot",
    "heads_supported",
    "heads_use",
    "kinds",
    "left_out",
    "note_supported",
    "overlaps",
    "supported",
    "use_of_fleet",
]

HEADS_OVERLAP = {
    "what": "Part and use",
    "site": "Site",
    "n_vehicles": "Vehicles",
    "n_easier": "Easier",
    "n_harder": "Harder",
    ("share_least", "share_most"): ("Their shares", "share"),
    "weight_share": "Part of the contrast",
}
# said with a preposition first
LONG = ("loose", "mud_water", "short_trips", "dusty", "heat", "cold")
SMALL_SITE = 3  # no figure of a site with fewer vehicles: it would be a person's
COUNTS = ["n_vehicles", "n_easier", "n_harder", "weight_share"]


def supported(table):
    """A sentence or two on the intervals that the evidence supports."""
    return SAY(
        "supported", n=len(table), n_sooner=int(table["is_sooner"].sum()) if len(table) else 0
    )


def use_of_fleet(table, limits):
    """How much of the use is known, and how many vehicles the plan calls used hard."""
    known = kinds(table)
    one = len(table) == 1 and bool(known)
    return SAY(
        "use",
        known=known,
        n=len(table),
        vehicle=table["vehicle"].iloc[0] if one else "",
        shares=[f"{percent(table[k].iloc[0])} {USE[k]}" for k in known[:3]] if one else [],
        n_known=int((table["coverage_share"] >= severity.MIN_COVERAGE).sum()),
        limits=[f"{percent(v)} {USE[k]}" for k, v in limits.items() if k in known],
        n_hard=int(table["severe_now"].eq("yes").sum()),
    )


def left_out(found):
    """Which parts do not count, in a sentence, by category."""
    seen = {e.category: e for e in found if e.left_out is not None and len(e.left_out)}
    return SAY(
        "left_out",
        groups=[
            {
                "part": part_of(e),
                "why": [f"{number(r.parts)} {r.why}" for r in e.left_out.itertuples()],
            }
            for e in seen.values()
        ],
    )


def overlaps(found):
    """The overlap of every effect for print: sites with too few vehicles stand together, without their shares."""
    tables = [
        _overlap(e) for e in found if e.overlap is not None and "few-vehicles" not in e.refusals
    ]
    if tables:
        return pd.concat(tables, ignore_index=True)
    return pd.DataFrame(columns=["what", *COUNTS, "share_least", "share_most", "site"])


def _overlap(e):
    table = e.overlap.copy()
    small = table["n_vehicles"] < SMALL_SITE
    table.loc[small, ["share_least", "share_most"]] = math.nan
    table.loc[small, "site"] = "sites with too few vehicles to name"
    how = dict.fromkeys(COUNTS, "sum") | {"share_least": "min", "share_most": "max"}
    by_site = table.groupby("site", sort=False).agg(how).reset_index()
    return by_site.assign(what=f"{e.category.replace('-', ' ')}, {USE[e.exposure]}")


def heads_use(table):
    """Headings of the table of use by vehicle: the first kinds of use, and how much of it is known."""
    heads = {
        "vehicle": "Vehicle",
        "site": "Site",
        "kind": "Kind",
        "severe_now": "Severe limits now",
    }
    for name in kinds(table)[:2]:
        word = USE[name].split(" ", 1)[-1] if name in LONG else USE[name]
        heads[name] = (word[:1].upper() + word[1:], "share")
    return heads | {"coverage_share": "Use known for"}


def heads_supported(table):
    """Headings of the table of supported intervals; the severe limit only where a plan has one."""
    severe = {"severe_km": "Severe"} if table["severe_km"].notna().any() else {}
    return {
        "plan": "Plan",
        "title": "Task",
        "plan_km": "Normal",
        **severe,
        "supported_km": "Supported",
        "wear_ratio": ("Wear, hard to easy", "times"),
        "lower_ratio": ("Its lower limit", "times"),
    }


def note_supported(table):
    """What hard and easy mean in the table."""
    shares = table.drop_duplicates(["category", "exposure"])
    rows = [
        f"{r.category.replace('-', ' ')} {percent(r.share_hard)} {USE[r.exposure]}"
        f" against {percent(r.share_easy)}"
        for r in shares.itertuples()
    ]
    return SAY("note_supported", rows=rows)


def kinds(table):
    """The kinds of use that the log knows."""
    return [k for k in table.columns if k in USE]


def cannot(found):
    """What no analysis of such a log can tell."""
    return SAY("cannot", parts=sorted({part_of(e) for e in found}))


def alt_use(table, kind):
    """Alternative text of the picture of one kind of use by site. table: rows with that share."""
    least, most = percent(table[kind].min()), percent(table[kind].max())
    name = table.loc[table[kind].idxmax(), "vehicle"]
    return SAY("alt_use", use=USE[kind], n=len(table), least=least, most=most, name=name)
