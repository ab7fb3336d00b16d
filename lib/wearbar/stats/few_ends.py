"""Few ends: which method, by the number of ends seen.

No end: a lower bound at a known shape. One to four: the known shape over a stated range of shapes. From five: the fit's own limits. With
three or four a fit's limits hold for lives all seen to their end, but not for the few of censored samples that have so many.
"""

from math import nan

from wearbar.stats.estimate import Estimate
from wearbar.stats.product_limit import clean, kaplan_meier
from wearbar.stats.weibull import BOOTSTRAP_ENDS, fit_weibull

__all__ = ["life_of"]

SHAPES = (1.5, 3.0, 6.0)  # of parts that wear out: common practice, no source


def life_of(
    duration, observed, entry=None, p=0.5, shapes=SHAPES, confidence=0.9, rng=None, last_seen=None
):
    """The life by which a share `p` has ended (p None: the mean life), by the method that the number of ends allows: an `Estimate`.

    shapes: low, middle and high of the known shapes, for fewer than five ends. With no end the value is NaN and `low` a one-sided bound.
    A quantile beyond where the product-limit curve reaches carries a note. last_seen: as in `fit_weibull`, of ends between two looks.
    """
    duration, observed, entry, _, last_seen = clean(duration, observed, entry, last_seen=last_seen)
    ends, n = int(observed.sum()), len(duration)
    if ends >= BOOTSTRAP_ENDS:
        fit = fit_weibull(duration, observed, entry, confidence=confidence, last_seen=last_seen)
        found = fit.mean(rng=rng) if p is None else fit.quantile(p, rng=rng)
        reached = 1 - kaplan_meier(duration, observed, entry)["survival"].min()
        if p is not None and reached < p and not found.note:
            found = Estimate(
                **{
                    **vars(found),
                    "note": f"beyond the data: the lives seen end at a share of {reached:.2f}",
                }
            )
        return found
    if n == 0:
        return Estimate(nan, nan, nan, confidence, 0, note="no lives to judge by")
    known = [
        _at_known_shape((duration, observed, entry), last_seen, p, shape, confidence)
        for shape in shapes
    ]
    low, high = min(k[1] for k in known), max(k[2] for k in known)
    words = f"known shape, {shapes[0]:g} to {shapes[-1]:g}, chi-square"
    if ends == 0:
        note = "no end seen: a lower bound alone"
        return Estimate(nan, low, nan, confidence, n, n, method=words + ", one-sided", note=note)
    note = "few ends: rests on the shapes stated"
    return Estimate(
        known[len(known) // 2][0], low, high, confidence, n, n - ends, method=words, note=note
    )


def _at_known_shape(rows, last_seen, p, shape, confidence):
    fit = fit_weibull(*rows, shape=shape, confidence=confidence, last_seen=last_seen)
    found = fit.mean() if p is None else fit.quantile(p)
    return found.value, found.low, found.high
