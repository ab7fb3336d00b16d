"""What is said of lives: how long items last by their ends and in service, what they cost a distance, why parts came off early."""

import numpy as np

from wearbar.parts import MIN_ENDS
from wearbar.report.quantities import MISSING, listing, plural, safe
from wearbar.report.words.wear import STATE, what_of

__all__ = [
    "CAPTION_COST",
    "CAPTION_CURVES",
    "CAPTION_WEIBULL",
    "HEADS_COST",
    "HEADS_EARLY",
    "HEADS_LIFE",
    "HEADS_PAIRS",
    "METHODS",
    "PAIRS_NOTE",
    "STATE",
    "alt_cost",
    "alt_curves",
    "alt_weibull",
    "cost_note",
    "cost_table",
    "curves",
    "early",
    "early_table",
    "fitness",
    "has_cost",
    "life_note",
    "life_table",
    "pairs_said",
    "pairs_table",
    "worth_curves",
]

HEADS_LIFE = {
    "what": "Part",
    "item": "Item",
    "n": "Lives",
    "n_ended": "Ended",
    "n_early": "Off early",
    ("life_km", "low_km", "high_km"): "Median life",
    "floor_km": "Early as worn",
    "doubt": "Doubt",
}
HEADS_COST = {
    "what": "Part",
    "item": "Item",
    "off": "Came off, of lives",
    "spent": ("Price and fitting", "money"),
    ("service_km", "service_low_km", "service_high_km"): "Mean service",
    ("cost", "low", "high"): ("Cost", "per 1000km"),
    "doubt": "Doubt",
}
HEADS_EARLY = {
    "category": "Part",
    "cause": "Why",
    "n": "Parts",
    "of": "Of all that came off",
    "unused_share": "Usable depth left",
    "n_known": "Depth known",
    "wasted": ("Worth", "money"),
}
CAPTION_CURVES = "Steps: product limit; thin smooth line: Weibull fit. A part that was on before the record counts from where the record begins."
CAPTION_COST = (
    "Compare only within a block between two rules: one place on one kind of vehicle. "
    "Where a table of pairs follows, it shows which differ clearly."
)
CAPTION_WEIBULL = (
    "Points along the line mean that the Weibull form fits. A bend at either end, or points outside the band, mean that early or late ends "
    "follow another law, as damage does. The band takes parts as independent: it is too narrow where parts of one vehicle are alike."
)
METHODS = (
    "Wear: least squares line a part and place, the error of a reading pooled by category; like parts, leant to the vehicle's others, as "
    "an empirical Bayes prior for the rate; limits by Fieller's method. A part now on that has been moved is judged by what was read "
    "since. Lives: Weibull and lognormal fits by maximum likelihood with censoring and late entry, averaged by their Akaike weights; "
    "limits by the jackknife over vehicles. Of one vehicle: Weibull, limits by the likelihood ratio's bootstrap, below five ends by known "
    "shapes. Cost: renewal-reward, jackknife over vehicles. Pairs: Holm's "
    "test. A part whose age is not known serves for wear alone; it is never taken for new."
)
HEADS_PAIRS = {
    "what": "Part",
    "item": "Item",
    "other": "Against",
    ("ratio", "low", "high"): "Cost, of the other's",
    "verdict": "Clear difference?",
    "worth": "Other worth up to",
    "needed": "Settled at",
}
PAIRS_NOTE = (
    "No: not enough data to say. Other worth up to: its price at which it would cost the same. Settled at: lives of both together that "
    "would show a difference if the ratio is as estimated."
)


def life_table(table):
    return table.assign(what=what_of(table, table["place_on"]), doubt=_doubt(table["note"]))


def _doubt(note):
    """Notes in two words; the table's own note says what they mean."""
    short = ("beyond the data", "few ends", "no end", "few vehicles", "one vehicle", "not bounded")
    return [next((words for words in short if words in text), "") for text in note]


def life_note(table):
    if not len(table):
        return "No part has a known age and a distance watched, so nothing is told of lives by their ends."
    few = int((table["n_ended"] < MIN_ENDS).sum())
    known = (
        f" {plural(few, 'row')} with under five ends: the limits rest on Weibull shapes from 1.5 to 6, stated and not measured here."
        if few
        else ""
    )
    between = int(table["n_between"].sum())
    looked = (
        f" {plural(between, 'worn end')} {'is' if between == 1 else 'are'} taken to lie between the inspection that found it and the one "
        "before."
        if between
        else ""
    )
    return (
        "Ended: worn or failed. Parts changed together count once, and ranges come from the differences between vehicles. "
        "One vehicle: the range is that vehicle's own. The median takes early removals as unrelated to wear; the last figure takes each "
        "as worn out. The range covers both. Where the two lie far apart, only the range is shown."
        f"{looked}{known} This counts distance alone: batteries and the like age by the calendar too."
    )


def alt_curves(lives):
    n, off = lives["part_key"].nunique(), int(lives["came_off"].sum())
    return (
        f"Share of parts still in service against distance, by place and item, with fitted curves; {n:,} lives of which {off:,} came off. "
        "The numbers at risk stand below each panel."
    )


def fitness():
    return (
        "Fitness for the use and what the law asks for come first. Items are set side by side only for one place on one kind of vehicle; "
        "a harder tyre is cheaper by the distance and may grip less, so money alone chooses no tyre, pad or chain. Load index, speed "
        "rating and season are not in the log: compare like with like."
    )


def cost_note(show):
    currency = f" in {show.units.currency}" if show.units.currency else ""
    return (
        f"Cost{currency}: mean price and fitting over mean distance in service, every end counted, no discount. "
        "Parts changed together count once; ranges come from the differences between vehicles. Few vehicles: no range. One vehicle: the "
        "range is that vehicle's own. Few ends: it rests on stated shapes and is wide. No end: a lower bound."
    )


def cost_table(table):
    told = {
        new: 1000 * table[old]
        for new, old in (("cost", "cost_per_km"), ("low", "low_per_km"), ("high", "high_per_km"))
    }
    off = [f"{a:,} of {b:,}" for a, b in zip(table["n_off"], table["n"], strict=True)]
    return table.assign(
        **told,
        off=off,
        spent=table["price"] + table["fitting"],
        what=what_of(table.drop(columns="vehicles"), table["place_on"]),
        doubt=_doubt(table["note"]),
    )


def alt_cost(cost, show):
    rows = cost[cost["cost_per_km"].notna()]
    least, most = rows["cost_per_km"].min(), rows["cost_per_km"].max()
    return (
        f"Cost by the distance of items that share a place with another, {plural(len(rows), 'item')} in all, with intervals, from "
        f"{show.per_distance(least)} to {show.per_distance(most)}."
    )


def pairs_said(pairs, show):
    if not len(pairs):
        return (
            "No two items at one place have both come off five times or more, on eight vehicles or more together, so none can be compared. "
            "It takes more removals, or more vehicles."
        )
    clear = int(pairs["apart"].sum())
    many = ", by a test that allows for the number of pairs" if len(pairs) > 1 else ""
    start = f"{clear or 'None'} of {plural(len(pairs), 'pair')} {'differs' if clear <= 1 else 'differ'} clearly in cost{many}."
    if clear == len(pairs):
        return start
    return f"{start} {'For the others there' if clear else 'There'} is not enough data to say: their order means nothing."


def pairs_table(pairs, show):
    worth = [
        show.range(r["break_even_low"], r["break_even_high"], "money")
        for r in pairs.to_dict("records")
    ]
    needed = [
        MISSING
        if n == 0
        else "too near to settle"
        if n < 0 or n > 2000
        else f"about {plural(n, 'life', 'lives')}"
        for n in pairs["lives_needed"]
    ]
    verdict = np.where(pairs["apart"], "yes, cheaper", "no")
    return pairs.assign(
        what=what_of(pairs, pairs["place_on"]), worth=worth, needed=needed, verdict=verdict
    )


def early(table):
    if not len(table):
        return "No part came off before it was worn out."
    known = table[table["wasted"].notna()]
    if not len(known):
        return (
            f"{plural(int(table['n'].sum()), 'part')} came off before being worn out or failing. What that cost is not known: it takes the "
            "depth at removal and the price of one part."
        )
    return (
        f"{plural(int(table['n'].sum()), 'part')} came off before being worn out or failing. The money is the share of usable depth left, "
        "times price and fitting, where the depth at removal and the price are both known "
        f"({plural(int(known['n_known'].sum()), 'part')}). Changing a pair together, or before a long trip, can be right: this says only "
        "what it cost."
    )


def early_table(table):
    return table.assign(
        cause=table["cause"].replace({"removed-early": "taken off early", "age": "its time was up"})
    )


def worth_curves(service):
    """Whether any place has three parts that came off."""
    return bool((service.groupby(["category", "kind", "place_on"])["came_off"].sum() >= 3).any())


def has_cost(cost):
    return bool(
        len(cost)
        and (
            cost[cost["cost_per_km"].notna()].groupby(["category", "kind", "place_on"]).size() > 1
        ).any()
    )


def _ageless(parts):
    """Parts whose age is not known, by name, and what becomes of them."""
    if parts.empty:
        return ""
    names = listing(
        [safe(f"{r.vehicle} {r.last_position} {r.category}", 60) for r in parts.itertuples()]
    )
    one = len(parts) == 1
    return f" Age not known: {plural(len(parts), 'part')} ({names}). {'It counts' if one else 'They count'} in wear rates only."


def curves(service, spans):
    """What the curves rest on: lives watched, those on before the record, and those left out or cut."""
    uncounted = int(spans["seen_km"].isna().sum())
    left_out = _ageless(spans[~spans["age_known"] & spans["seen_km"].notna()])
    left_out += (
        f" Of {plural(uncounted, 'part')} the log counts no distance, so no life is told."
        if uncounted
        else ""
    )
    if not len(service):
        return f"No part has a known age and a distance watched.{left_out}"
    n, off = service["part_key"].nunique(), int(service["came_off"].sum())
    late = int((spans["age_known"] & (spans["entry_km"] > 0)).sum())
    before = (
        f" {plural(late, 'part')} {'was' if late == 1 else 'were'} on already when the record began and "
        f"{'counts' if late == 1 else 'count'} from then."
    )
    unseen = service.loc[service["cause"].eq("record-gap"), "part_key"].nunique()
    cut = (
        f" {plural(unseen, 'part')} {'was' if unseen == 1 else 'were'} on through a hole in the record, which counts for none: parts that "
        "ended there may not be in the log, and those that outlast it would alone make lives too long."
        if unseen
        else ""
    )
    ended = "none came off" if not off else "all came off" if off == n else f"{off:,} came off"
    others = {True: ("it is", "the other is"), False: ("they are", "the others are")}[n - off == 1][
        off > 0
    ]
    rest = (
        ""
        if off == n
        else f"; {others} still on, or left with {'its' if n - off == 1 else 'their'} vehicle"
    )
    return f"{plural(n, 'life', 'lives')} watched, of which {ended}{rest}.{before if late else ''}{cut}{left_out}"


def alt_weibull(service):
    lives = plural(service["part_key"].nunique(), "life", "lives")
    return f"Weibull plots of distance in service of the items most often replaced, {lives} in all."
