"""What is said of repairs as a vehicle ages, and of when to replace it."""

import math

from wearbar.cost.replacement import MIN_YEARS, STEP_YEARS
from wearbar.report.quantities import has_width, listing, number, plural, safe

__all__ = ["alt_keeping", "alt_repairs", "keeping", "repairs", "replace", "trend"]

CLEAR = 0.05  # a chance below this is called clear
FEW_VISITS = 10  # below this their evenness says nothing


def repairs(curves, show):
    """How far repairs mount up, by kind, and how to read the curve."""
    if not any(
        sum(c.attrs[name] for name in ("inside", "apart", "outside")) for c in curves.values()
    ):
        return "The log holds no unplanned visits, so nothing can be said of how repairs mount up."
    told = "\n".join(
        f"- **{safe(kind)}**: {_mounting(c, show)}" for kind, c in curves.items() if len(c)
    )
    how = (
        "Each step is a visit for a defect or on advice; planned work and accidents are apart. A vehicle counts from the age at which it "
        "joined the record to its last day in it, so this is the mean of a vehicle still kept."
    )
    return f"{how}\n\n{told}"


def _mounting(curve, show):
    last, counts = curve.iloc[-1], curve.attrs
    since = (
        ""
        if curve["time"].iloc[0] < 1
        else f" since an age of {number(curve['time'].iloc[0], 1)} years"
    )
    between = (
        f" (interval {show.range(last['low'], last['high'], 'money')})"
        if has_width(last["low"], last["high"])
        else ""
    )
    visits = plural(counts["inside"], "visit")
    told = f"repairs come to {show.money(last['mcf'], 0)}{between} by an age of {number(last['time'], 1)} years{since}, {visits} in all"
    if counts["apart"]:
        money = show.money(counts["apart_amount"])
        told += f"; {plural(counts['apart'], 'visit')} ({money}) came at ages of too few vehicles"
    if counts["outside"]:
        told += f"; {plural(counts['outside'], 'visit')} fell in a hole of the record"
    return told


def trend(found, show):
    """Whether unplanned visits come more often with age; dispersion and warranty first."""
    apart = f" {plural(found.apart, 'visit')} to vehicles with a hole in their record {'is' if found.apart == 1 else 'are'} left out."
    apart = apart if found.apart else ""
    if not found.n:
        return f"No unplanned visits{' to vehicles with a whole record' if apart else ''}, so no trend to look for.{apart}"
    rate = f"{plural(found.n, 'unplanned visit')}, {number(found.per_year, 1)} a vehicle and year"
    bunch = ""
    if found.n >= FEW_VISITS and not _missing(found.dispersion):
        even = (
            "about as evenly as chance would have it"
            if found.dispersion < 1.5
            else "in bunches, or to some vehicles more than others"
        )
        bunch = f". They come {even} (variance over mean {number(found.dispersion, 1)})"
    free = ""
    if found.free:
        free = f" Others paid for {number(found.free)} of them, as under a warranty: they count as visits, at no cost, so the first year"
        free += " after a warranty looks dearer than it is worse."
    return f"{rate}{bunch}. {_test(found.test)}{apart}{free}"


def _test(test):
    if _missing(test.p):
        return f"Whether they come more often with age cannot be told: that {test.note}."
    chance = (
        f"p {'' if test.p < 0.001 else '= '}{_chance(test.p)}, by a test that allows for bunches"
    )
    if test.p >= CLEAR:
        return f"Whether they come more often with age cannot be told ({chance})."
    return f"They come {'more' if test.z > 0 else 'less'} often as a vehicle ages ({chance})."


def replace(kept, show):
    """(sentence, urgency): the answer to whether it is time to replace, by kind, before the details."""
    told = [k for k in kept if "cost_per_year" in k.curve]
    if not told:
        return (
            "The record is too thin to tell at what age replacing is cheapest; see below what it needs.",
            "note",
        )
    least = [
        f"{safe(k.kind)} at about {number(k.best.value, 1)} years" for k in told if _stands_out(k)
    ]
    late = [
        f"{safe(k.kind)} to {number(k.curve['age_years'].iloc[-1], 1)} years"
        for k in told
        if _missing(k.best.value)
    ]
    flat = [safe(k.kind) for k in told if not _missing(k.best.value) and not _stands_out(k)]
    parts = [
        f"it is cheapest to replace {listing(least)}" if least else "",
        f"a year costs less the longer a vehicle is kept, up to the age at which three are on record ({listing(late)})"
        if late
        else "",
        f"no age stands out for {listing(flat)}" if flat else "",
    ]
    return f"By money alone, {'; '.join(p for p in parts if p)}.", "note"


def _stands_out(k):
    """A best age that is neither within the first years, which warranty and first parts carry, nor hardly better than the oldest."""
    if _missing(k.best.value) or k.best.value < MIN_YEARS:
        return False
    return k.is_clear


def keeping(kept, show):
    """The cheapest age to replace each kind, as Markdown items with their cautions."""
    items = "\n".join(f"- **{safe(k.kind)}**: {_kept(k, show)}" for k in kept)
    if all("cost_per_year" not in k.curve for k in kept):
        return items
    return f"{items}\n\n" + (
        "This is the fall in value and the work on the vehicle (servicing, repairs, tyres, parts) over the years kept, without interest, "
        "fuel or fixed costs. What a change costs in days, kit and papers is not in it; work under warranty is, at no cost. It is money "
        "alone: no reason to put off work, or to keep a vehicle that is not fit for its use."
    )


def _kept(k, show):
    best, curve = k.best, k.curve
    if "cost_per_year" not in curve:
        return f"not told: {best.note} (n = {number(best.n)})."
    reach, last = (
        number(curve["age_years"].iloc[-1], 1),
        show.money(curve["cost_per_year"].iloc[-1], 0),
    )
    fall = f"Its value falls by {show.percent(k.fall)} a year (n = {number(best.n)})."
    if _missing(best.value):
        return (
            f"keeping it still gets cheaper up to {reach} years ({last} a year). {_reach(k)}{fall}"
        )
    least = show.money(curve["cost_per_year"].min(), 0)
    change = f"a change must cost less than {show.money(k.change, 0)} in all for that to beat keeping it to {reach} years ({last} a year)"
    if best.value < MIN_YEARS:
        young = "warranty and the parts that it came with carry its first years"
        return f"cheapest when young, {least} a year at {number(best.value, 1)} years, since {young}; but {change}. {_reach(k)}{fall}"
    near = f"within 5% of that from {number(k.near[0], 1)} to {number(k.near[1], 1)} years"
    about = f"cheapest when replaced at about {number(best.value, 1)} years, at {least} a year, and {near}"
    sure = (
        ""
        if k.is_clear
        else "Other ages may be as cheap: the record does not clearly separate them. "
    )
    return f"{about}; {change}. {sure}{_reach(k)}{fall}"


def _reach(k):
    """How far the figures go, where the record goes further."""
    last = k.curve["age_years"].iloc[-1]
    if not k.oldest > last + STEP_YEARS:
        return ""
    further = f"the oldest on record is {number(k.oldest, 1)} years, with too few beside it or a gap before it"
    return f"The figures end at {number(last, 1)} years: {further}. "


def alt_repairs(curves, show):
    ends = {kind: c.iloc[-1] for kind, c in curves.items() if len(c)}
    told = [
        f"{kind} {show.money(end['mcf'], 0)} by {number(end['time'], 1)} years"
        for kind, end in ends.items()
    ]
    ranges = (
        ", with intervals"
        if any(has_width(end["low"], end["high"]) for end in ends.values())
        else ""
    )
    return f"Step lines of one vehicle's mean repair cost so far, by age{ranges}: {listing(told) or 'no repairs'}."


def alt_keeping(kept, show):
    told = [k for k in kept if "cost_per_year" in k.curve]
    at = [
        f"{k.kind} least at {number(k.curve.loc[k.curve['cost_per_year'].idxmin(), 'age_years'], 1)} years"
        for k in told
    ]
    return f"Fall in value and work a year against the age to which a vehicle is kept: {listing(at) or 'no kind can be shown'}."


def _chance(p):
    return "below 0.001" if p < 0.001 else number(p, 3)


def _missing(x):
    return x is None or math.isnan(x)
