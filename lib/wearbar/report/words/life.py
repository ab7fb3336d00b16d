"""What is said of lives: how long items last, what they cost a distance, why parts were removed early."""

import numpy as np

from wearbar.parts import MIN_ENDS
from wearbar.report.quantities import MISSING, clean, plural
from wearbar.report.template import words_of
from wearbar.report.words.wear import coded, what_of

__all__ = [
    "HEADS_COST",
    "HEADS_EARLY",
    "HEADS_LIFE",
    "HEADS_PAIRS",
    "alt_cost",
    "alt_curves",
    "alt_early",
    "alt_weibull",
    "cost_note",
    "cost_table",
    "curves",
    "early",
    "early_table",
    "has_cost",
    "life_note",
    "life_table",
    "pairs_said",
    "pairs_table",
    "worth_curves",
]

SAY = words_of("consumable_life")
PLACE = ["category", "kind", "place_on"]
HEADS_LIFE = {
    "what": "Part",
    "item": "Item",
    "n": "Parts",
    "n_ended": "Worn or failed",
    "n_early": "Removed early",
    ("life_km", "low_km", "high_km"): "Median life",
    "floor_km": "If early removals were worn out",
    "doubt": "Note",
}
HEADS_COST = {
    "what": "Part",
    "item": "Item",
    "off": "Removed, of parts",
    "spent": ("Price and fitting", "money"),
    ("service_km", "service_low_km", "service_high_km"): "Mean service life",
    ("cost", "low", "high"): ("Cost", "per 1000km"),
    "doubt": "Note",
}
HEADS_EARLY = {
    "category": "Part",
    "cause": "Reason",
    "n": "Parts",
    "of": "Of all removed",
    "unused_share": "Usable depth left",
    "n_known": "Depth known",
    "wasted": ("Unused life", "money"),
}
HEADS_PAIRS = {
    "what": "Part",
    "item": "Item",
    "other": "Against",
    ("ratio", "low", "high"): "Cost ratio",
    "verdict": "Clear difference?",
    "worth": "Break-even price of the other",
    "needed": "Settled at",
}
# notes in two words; the table's own note says what they mean
DOUBTS = ("beyond the data", "few ends", "no end", "few vehicles", "one vehicle", "not bounded")


def _doubt(note):
    return [next((words for words in DOUBTS if words in text), "") for text in note]


def life_table(table):
    return table.assign(what=what_of(table, table["place_on"]), doubt=_doubt(table["note"]))


def life_note(table):
    few = int((table["n_ended"] < MIN_ENDS).sum()) if len(table) else 0
    between = int(table["n_between"].sum()) if len(table) else 0
    return SAY("life_note", n=len(table), few=few, between=between)


def alt_curves(lives):
    return SAY("alt_curves", n=lives["part_key"].nunique(), off=int(lives["came_off"].sum()))


def cost_note(show):
    return SAY("cost_note", currency=show.units.currency)


def cost_table(table):
    scaled = {
        new: 1000 * table[old]
        for new, old in (("cost", "cost_per_km"), ("low", "low_per_km"), ("high", "high_per_km"))
    }
    return table.assign(
        **scaled,
        off=[f"{a:,} of {b:,}" for a, b in zip(table["n_off"], table["n"], strict=True)],
        spent=table["price"] + table["fitting"],
        what=what_of(table.drop(columns="vehicles"), table["place_on"]),
        doubt=_doubt(table["note"]),
    )


def alt_cost(cost, show):
    rate = cost["cost_per_km"].dropna()
    least, most = (show.per_distance(x) for x in (rate.min(), rate.max()))
    return SAY("alt_cost", n=len(rate), least=least, most=most)


def pairs_said(pairs):
    return SAY("pairs", n=len(pairs), clear=int(pairs["apart"].sum()) if len(pairs) else 0)


def pairs_table(pairs, show):
    worth = [
        show.range(r["break_even_low"], r["break_even_high"], "money")
        for r in pairs.to_dict("records")
    ]
    verdict = np.where(pairs["apart"], "yes, costs less", "no")
    return pairs.assign(
        what=what_of(pairs, pairs["place_on"]),
        worth=worth,
        needed=[_needed(n) for n in pairs["lives_needed"]],
        verdict=verdict,
    )


def _needed(n):
    if n == 0:
        return MISSING
    return "too near to settle" if n < 0 or n > 2000 else f"about {plural(n, 'part')}"


def early(table):
    known = table[table["wasted"].notna()] if len(table) else table
    n_known = int(known["n_known"].sum()) if len(known) else 0
    return SAY("early", n=int(table["n"].sum()) if len(table) else 0, n_known=n_known)


def early_table(table):
    words = {"removed-early": "removed early", "age": "its time was up"}
    return table.assign(cause=table["cause"].replace(words), category=table["category"].map(coded))


def alt_early(table, show):
    rows = [f"{r.category} {r.cause} {show.money(r.wasted)}" for r in table.itertuples()]
    return SAY("alt_early", rows=rows)


def worth_curves(service):
    """Whether any place has three parts that were removed."""
    return bool((service.groupby(PLACE)["came_off"].sum() >= 3).any())


def has_cost(cost):
    """Whether two items of one place have a cost each."""
    return bool(len(cost)) and bool(
        (cost[cost["cost_per_km"].notna()].groupby(PLACE).size() > 1).any()
    )


def curves(service, spans):
    """What the curves rest on: parts followed, those on before the record, and those left out or cut."""
    ageless = spans[~spans["age_known"] & spans["seen_km"].notna()]
    return SAY(
        "curves",
        n=service["part_key"].nunique(),
        off=int(service["came_off"].sum()),
        late=int((spans["age_known"] & (spans["entry_km"] > 0)).sum()) if len(service) else 0,
        unseen=service.loc[service["cause"].eq("record-gap"), "part_key"].nunique(),
        n_ageless=len(ageless),
        ageless=[
            clean(f"{r.vehicle} {r.last_position} {coded(r.category)}", 60)
            for r in ageless.itertuples()
        ],
        uncounted=int(spans["seen_km"].isna().sum()),
    )


def alt_weibull(service):
    return SAY("alt_weibull", n=service["part_key"].nunique())
