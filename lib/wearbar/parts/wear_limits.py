"""The limits that a part is held to: the log's own, the legal one, and the shipped examples that it may be near.

The reader's own law and the maker's handbook come first. Heights in mm; stretch in percent.
"""

import numpy as np
import pandas as pd

from wearbar.log.keys import look_up
from wearbar.log.law import LOWER_IS_STRICTER, shipped
from wearbar.parts.fitted import PERCENT
from wearbar.parts.wear_line import RISING

__all__ = ["chain_limit", "limits_for", "usable_of"]

HEIGHTS = ("depth", "thickness")
STRETCH, MOST_TEETH = (
    3.0,
    200 / 3,
)  # percent; teeth of the large sprocket from which less is allowed
ANY_KIND = "car"  # whose examples stand in for a kind that has none


def chain_limit(teeth=None):
    """Stretch in percent at which an industrial roller chain is changed: 3, or 200 / N where the large sprocket has N > 66 teeth.

    ANSI B29.1, as told by chain makers (Regal Rexnord, Diamond Chain). Not a motorcycle's: its maker says that one.
    """
    return STRETCH if teeth is None or teeth <= MOST_TEETH else 200.0 / teeth


def limits_for(spans, law):
    """The limit of each span: frame `limit`, `limit_from` ("the log", "the law", ""), `legal_limit`, `legal_source`,
    `jurisdiction` (of the legal limit, "" where there is none), `example_limit`; rows as `spans`.

    `limit` is the log's own `limit_depth`, but never past the legal one: the deeper of the two, or for stretch the lesser;
    NaN where neither is known. law: `law.law_of(log)`; where it has no limit for the part none is used. `example_limit` is
    the strictest shipped example for such a part, of any jurisdiction: no limit, but what to be wary of where there is none.
    """
    stretched = spans["category"].isin(PERCENT)
    legal = law.limits_of(spans, HEIGHTS)
    legal.loc[stretched] = law.limits_of(spans[stretched], (RISING,))
    both = pd.concat([spans["limit_depth_mm"], legal["legal_limit"]], axis=1)
    limit = both.min(axis=1).where(stretched, both.max(axis=1))
    own = limit.eq(spans["limit_depth_mm"])
    origin = np.select([limit.isna(), own], ["", "the log"], "the law")
    frame = legal.assign(limit=limit, limit_from=origin, example_limit=_examples(spans))
    return frame.set_axis(spans.index)


def _examples(spans):
    """The strictest shipped example by kind and category; where a kind has none, a car's, or anyone's."""
    rows = shipped()[shipped()["quantity"].isin([*HEIGHTS, RISING])]
    sign = np.where(rows["quantity"].isin(LOWER_IS_STRICTER), 1, -1)
    rows = rows.assign(order=sign * rows["limit"]).sort_values("order", kind="stable")
    by_kind = rows.drop_duplicates(["kind", "category"]).set_index(["kind", "category"])["limit"]
    anyone = rows.drop_duplicates("category").set_index("category")["limit"]
    own, cars = (
        pd.MultiIndex.from_arrays([kind, spans["category"]])
        for kind in (spans["kind"], [ANY_KIND] * len(spans))
    )
    found = pd.Series(by_kind.reindex(own).to_numpy(), spans.index).fillna(
        pd.Series(by_kind.reindex(cars).to_numpy(), spans.index)
    )
    return found.fillna(look_up(spans["category"], anyone)).astype(float)


def usable_of(parts):
    """What may be worn of each part when new: mm from its new depth to its limit; of stretch the limit itself."""
    return parts["limit"].where(
        parts["quantity"].eq(RISING), parts["new_depth_mm"] - parts["limit"]
    )
