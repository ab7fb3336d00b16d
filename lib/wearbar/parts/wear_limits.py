"""The limits that a part is held to: the log's own, the law's, and shipped examples.

The reader's own law and the maker's handbook come first. Heights in mm; stretch in percent.
"""

import numpy as np
import pandas as pd

from wearbar.log.keys import look_up
from wearbar.log.law import LOWER_IS_STRICTER, shipped
from wearbar.parts.fitted import PERCENT, RISING

HEIGHTS = ("depth", "thickness")
ANY_KIND = "car"  # whose examples stand in for a kind that has none


def limits_for(spans, law):
    """The limit of each span, beside what `Law.limits_of` gives: frame.

    `limit` is the log's own `limit_depth`, but never past the legal one: the deeper of the two, or
    for stretch the lesser; NaN where neither is known; `limit_from`: "the log", "the law", "".
    `example_limit` is the strictest shipped example for such a part, of any jurisdiction: no limit,
    but what to be wary of where there is none.
    """
    stretched = spans["category"].isin(PERCENT)
    legal = law.limits_of(spans, HEIGHTS)
    legal.loc[stretched] = law.limits_of(spans[stretched], (RISING,))
    both = pd.concat([spans["limit_depth_mm"], legal["legal_limit"]], axis=1)
    limit = both.min(axis=1).where(stretched, both.max(axis=1))
    own = limit.eq(spans["limit_depth_mm"])
    origin = np.select([limit.isna(), own], ["", "the log"], "the law")
    return legal.assign(limit=limit, limit_from=origin, example_limit=_examples(spans))


def _examples(spans):
    """The strictest shipped example by kind and category, else a car's, else anyone's."""
    rows = shipped()[shipped()["quantity"].isin([*HEIGHTS, RISING])]
    sign = np.where(rows["quantity"].isin(LOWER_IS_STRICTER), 1, -1)
    rows = rows.iloc[np.argsort(sign * rows["limit"], kind="stable")]
    key = ["kind", "category"]
    by_kind = rows.drop_duplicates(key).set_index(key)["limit"]
    own, car = (
        by_kind.reindex(pd.MultiIndex.from_frame(asked[key])).set_axis(spans.index)
        for asked in (spans, spans.assign(kind=ANY_KIND))
    )
    anyone = rows.drop_duplicates("category").set_index("category")["limit"]
    return own.fillna(car).fillna(look_up(spans["category"], anyone)).astype(float)


def usable_of(parts):
    """What may be worn of a new part: mm from new depth to limit; of stretch the limit itself."""
    usable = parts["new_depth_mm"] - parts["limit"]
    return usable.mask(parts["quantity"].eq(RISING), parts["limit"])
