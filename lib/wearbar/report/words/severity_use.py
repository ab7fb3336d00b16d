"""What severe_use says of how vehicles are used, and of the interval that the evidence supports."""

import math

import pandas as pd

from wearbar.report.quantities import Show, number
from wearbar.report.words.severity import SAY, part_of
from wearbar.severity.evidence import MIN_COVERAGE
from wearbar.severity.use import USE
from wearbar.stats.estimate import SMALL_SITE

# said with a preposition first
LONG = ("loose", "mud_water", "short_trips", "dusty", "heat", "cold")
SMALL = "sites with too few vehicles to name"
COUNTS = ["n_vehicles", "n_easier", "n_harder", "weight_share"]
SHARES = {"share_least": "min", "share_most": "max"}


def kinds(table):
    """The kinds of use that the log knows."""
    return [k for k in table.columns if k in USE]


def _said(share, kind):
    return f"{Show().percent(share, 0)} {USE[kind]}"


def use_of_fleet(table, limits):
    """How much of the use is known, and how many vehicles the plan calls used hard."""
    known, first = kinds(table), table.iloc[:1].to_dict("records")
    return SAY(
        "use",
        known=known,
        n=len(table),
        vehicle=[row["vehicle"] for row in first],
        shares=[_said(row[kind], kind) for row in first for kind in known[:3]],
        n_known=int((table["coverage_share"] >= MIN_COVERAGE).sum()),
        limits=[_said(share, kind) for kind, share in limits.items() if kind in known],
        n_hard=int(table["severe_now"].eq("yes").sum()),
    )


def heads_use(table):
    """The table of use by vehicle: the first kinds of use, and how much of it is known."""
    columns = ["vehicle", "site", "kind"]
    heads = {name: name.capitalize() for name in columns} | {"severe_now": "Severe limits now"}
    for name in kinds(table)[:2]:
        word = USE[name].split(" ", 1)[-1] if name in LONG else USE[name]
        heads[name] = (word[:1].upper() + word[1:], "share")
    return heads | {"coverage_share": "Use known for"}


def alt_use(table, kind):
    """Alternative text of the picture of one kind of use by site. table: rows with that share."""
    share = table[kind]
    name, use = table.loc[share.idxmax(), "vehicle"], USE[kind]
    return SAY("alt_use", use=use, n=len(table), least=share.min(), most=share.max(), name=name)


def left_out(found):
    """Which parts do not count, in a sentence, by category."""
    seen = {part_of(e): e.left_out for e in found if e.left_out is not None and len(e.left_out)}
    why = {
        part: [f"{number(r.parts)} {r.why}" for r in rows.itertuples()]
        for part, rows in seen.items()
    }
    return SAY("left_out", why=why)


def overlaps(found):
    """The overlap of every effect for print: sites too small to name as one, without shares."""
    seen = [e for e in found if e.overlap is not None and "few-vehicles" not in e.refusals]
    if seen:
        return pd.concat([_overlap(e) for e in seen], ignore_index=True)
    return pd.DataFrame(columns=["what", *COUNTS, *SHARES, "site"])


def _overlap(e):
    table, small = e.overlap.copy(), e.overlap["n_vehicles"] < SMALL_SITE
    table.loc[small, list(SHARES)] = math.nan
    table.loc[small, "site"] = SMALL
    by_site = table.groupby("site", sort=False).agg(dict.fromkeys(COUNTS, "sum") | SHARES)
    return by_site.reset_index().assign(what=f"{part_of(e)}, {USE[e.exposure]}")


def supported(table):
    """A sentence or two on the intervals that the evidence supports."""
    n_sooner = int(table["is_sooner"].sum()) if len(table) else 0
    return SAY("supported", n=len(table), n_sooner=n_sooner)


def note_supported(table):
    """What hard and easy mean in the table."""
    return SAY("note_supported", rows=table.drop_duplicates(["category", "exposure"]))


def cannot(found):
    """What no analysis of such a log can tell."""
    return SAY("cannot", parts=sorted({part_of(e) for e in found}))
