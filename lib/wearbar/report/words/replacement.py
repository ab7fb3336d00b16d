"""What is said of repairs as a vehicle ages, and of when to replace it, as numbers for shared/words/running_cost.md.j2."""

import math

from wearbar.cost.replacement import MIN_YEARS, STEP_YEARS
from wearbar.report.quantities import has_width, number, safe
from wearbar.report.words.cost import SAY

__all__ = ["alt_keeping", "alt_repairs", "keeping", "repairs", "repairs_how", "replace", "trend"]

CLEAR = 0.05  # a chance below this is called clear
FEW_VISITS = 10  # below this their evenness says nothing


def repairs(curves, show):
    """What repairs of one vehicle come to by an age, a sentence a kind."""
    counts = [c.attrs[name] for c in curves.values() for name in ("inside", "apart", "outside")]
    return SAY("repairs", empty=not any(counts), kinds=_mounting(curves, show))


def repairs_how(curves, show):
    """How to read the curve of repairs, and how many visits are in it."""
    return SAY("repairs_how", kinds=_mounting(curves, show))


def _mounting(curves, show):
    kinds = []
    for kind, curve in ((k, c) for k, c in curves.items() if len(c)):
        last, start = curve.iloc[-1], curve["time"].iloc[0]
        ends = (last["low"], last["high"])
        kinds.append({
            "kind": kind,
            "money": show.money(last["mcf"], 0),
            "range": show.range(*ends, "money").removeprefix(show.scale("money").before) if has_width(*ends) else "",
            "start": number(start, 1) if start >= 1 else "",
            "age": number(last["time"], 1),
            **{name: curve.attrs[name] for name in ("inside", "apart", "outside")},
            "apart_money": show.money(curve.attrs["apart_amount"], 0),
        })  # fmt: skip
    return kinds


def trend(found, show):
    """Whether unplanned visits come more often with age, how they are spread, and which others paid for."""
    spread, test = "", found.test
    if found.n >= FEW_VISITS and not _missing(found.dispersion):
        spread = "even" if found.dispersion < 1.5 else number(found.dispersion, 1)
    clear = not _missing(test.p) and test.p < CLEAR
    return SAY(
        "trend",
        n=found.n,
        rate=number(found.per_year, 1),
        spread=spread,
        why=test.note if _missing(test.p) else "",
        side=("more" if test.z > 0 else "less") if clear else "",
        chance="" if _missing(test.p) else f"p {_chance(test.p)}",
        apart=found.apart,
        free=found.free,
    )


def replace(kept, show):
    """(sentence, urgency): the answer to whether it is time to replace, by kind, before the details."""
    shown = [k for k in kept if "cost_per_year" in k.curve]
    later = [k for k in shown if _missing(k.best.value)]
    least = [k for k in shown if _stands_out(k)]
    flat = [k.kind for k in shown if not _missing(k.best.value) and not _stands_out(k)]
    said = SAY(
        "replace",
        least=[f"{k.kind} at about {number(k.best.value, 1)} years" for k in least],
        later=[f"{k.kind} (to {number(k.curve['age_years'].iloc[-1], 1)} years)" for k in later],
        flat=flat,
    )
    return said, "note"


def _stands_out(k):
    """A best age that is neither within the first years, which warranty and first parts carry, nor hardly better than the oldest."""
    return not _missing(k.best.value) and k.best.value >= MIN_YEARS and k.is_clear


def keeping(kept, show):
    """The cheapest age to replace each kind, as Markdown items, and what the money holds."""
    items = "\n".join(f"- **{safe(k.kind)}**: {_kept(k, show)}" for k in kept)
    if all("cost_per_year" not in k.curve for k in kept):
        return items
    return f"{items}\n\n{SAY('kept_how')}"


def _kept(k, show):
    best, curve = k.best, k.curve
    if "cost_per_year" not in curve:
        return SAY("kept", why="refused", note=best.note, n=number(best.n))
    last = curve["age_years"].iloc[-1]
    no_best, young = _missing(best.value), best.value < MIN_YEARS
    return SAY(
        "kept",
        why="later" if no_best else "young" if young else "",
        age=number(best.value, 1),
        least=show.money(curve["cost_per_year"].min(), 0),
        near=[number(x, 1) for x in k.near],
        last_age=number(last, 1),
        last_cost=show.money(curve["cost_per_year"].iloc[-1], 0),
        change="" if no_best else show.money(k.change, 0),
        unsure=not no_best and not young and not k.is_clear,
        oldest=number(k.oldest, 1) if k.oldest > last + STEP_YEARS else "",
        fall=show.percent(k.fall),
        n=number(best.n),
    )


def alt_repairs(curves, show):
    ends = {kind: c.iloc[-1] for kind, c in curves.items() if len(c)}
    return SAY(
        "alt_repairs",
        parts=[
            f"{kind} {show.money(end['mcf'], 0)} by {number(end['time'], 1)} years"
            for kind, end in ends.items()
        ],
        ranges=any(has_width(end["low"], end["high"]) for end in ends.values()),
    )


def alt_keeping(kept, show):
    least = [
        (k.kind, k.curve.loc[k.curve["cost_per_year"].idxmin(), "age_years"])
        for k in kept
        if "cost_per_year" in k.curve
    ]
    return SAY("alt_kept", parts=[f"{kind} least at {number(x, 1)} years" for kind, x in least])


def _chance(p):
    return "below 0.001" if p < 0.001 else f"= {number(p, 3)}"


def _missing(x):
    return x is None or math.isnan(x)
