"""What running_cost says of repairs as a vehicle ages, and of when to replace it."""

import pandas as pd

from wearbar.cost.replacement import MIN_YEARS, STEP_YEARS
from wearbar.report.quantities import has_width, number, safe
from wearbar.report.words.cost import SAY

CLEAR = 0.05  # a chance below this is called clear
FEW_VISITS = 10  # below this their evenness says nothing


def repairs(curves, show):
    """What repairs of one vehicle come to by an age, a sentence a kind."""
    counts = [c.attrs[name] for c in curves.values() for name in ("inside", "apart", "outside")]
    return SAY("repairs", empty=not any(counts), kinds=_mounting(curves, show), show=show)


def repairs_how(curves, show):
    """How to read the curve of repairs, and how many visits are in it."""
    return SAY("repairs_how", kinds=_mounting(curves, show), show=show)


def _mounting(curves, show):
    before, kinds = show.scale("money").before, []
    for kind, curve in ((k, c) for k, c in curves.items() if len(c)):
        start, last = curve["time"].iloc[0], curve.iloc[-1]
        ends = (last["low"], last["high"])
        limits = show.range(*ends, "money").removeprefix(before) if has_width(*ends) else ""
        kinds.append({"kind": kind, "start": start, "last": last, "range": limits, **curve.attrs})
    return kinds


def trend(found, show):
    """Whether unplanned visits come more often with age, how they are spread, who paid."""
    test = found.test
    is_spread_known = found.n >= FEW_VISITS and not pd.isna(found.dispersion)
    side = ("more" if test.z > 0 else "less") if test.p < CLEAR else ""
    return SAY("trend", found=found, test=test, is_spread_known=is_spread_known, side=side)


def replace(kept, show):
    """(sentence, urgency): whether it is time to replace, by kind, before the details."""
    shown = [k for k in kept if "cost_per_year" in k.curve]
    aged = [k for k in shown if not pd.isna(k.best.value)]
    later = [(k.kind, k.curve["age_years"].iloc[-1]) for k in shown if pd.isna(k.best.value)]
    said = SAY(
        "replace",
        least=[f"{k.kind} at about {number(k.best.value, 1)} years" for k in aged if _is_best(k)],
        later=[f"{kind} (to {number(age, 1)} years)" for kind, age in later],
        flat=[k.kind for k in aged if not _is_best(k)],
    )
    return said, "note"


def _is_best(k):
    """Neither within the years that warranty and first parts carry, nor hardly the cheapest."""
    return k.best.value >= MIN_YEARS and k.is_clear


def keeping(kept, show):
    """The cheapest age to replace each kind, as Markdown items, and what the money holds."""
    items = "\n".join(f"- **{safe(k.kind)}**: {_kept(k, show)}" for k in kept)
    if all("cost_per_year" not in k.curve for k in kept):
        return items
    return f"{items}\n\n{SAY('kept_how')}"


def _kept(k, show):
    if "cost_per_year" not in k.curve:
        return SAY("kept", why="refused", k=k)
    why = "later" if pd.isna(k.best.value) else "young" if k.best.value < MIN_YEARS else ""
    least, last = k.curve["cost_per_year"].min(), k.curve.iloc[-1]
    is_older = k.oldest > last["age_years"] + STEP_YEARS
    return SAY("kept", why=why, k=k, least=least, last=last, is_older=is_older, show=show)


def alt_repairs(curves, show):
    return SAY("alt_repairs", kinds=_mounting(curves, show), show=show)


def alt_keeping(kept, show):
    curves = {k.kind: k.curve for k in kept if "cost_per_year" in k.curve}
    least = {kind: c.loc[c["cost_per_year"].idxmin(), "age_years"] for kind, c in curves.items()}
    parts = [f"{kind} least at {number(age, 1)} years" for kind, age in least.items()]
    return SAY("alt_kept", parts=parts)
