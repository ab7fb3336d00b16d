"""Limits by category and class of vehicle: examples of a few jurisdictions. The reader's own law and the maker's handbook come first.

Depths in mm; thirty-seconds of an inch are exact (2/32 in is 1.5875 mm, not 1.6).
"""

import pandas as pd

from wearbar.units import DEPTH_MM
from wearbar.wear.lines import RISING

__all__ = ["CLASS_OF_KIND", "LIMITS", "chain_limit", "limits_for", "usable_of"]

_IN32 = DEPTH_MM["in32"]
_CU = "UK Construction and Use Regulations 1986, reg. 27, as told by the police (askthe.police.uk)"
_MOT = "UK MOT inspection manual"
_MEMORY = ", from memory"
STRETCH, MOST_TEETH = 3.0, 200 / 3  # percent; teeth of the large sprocket from which less is allowed


def chain_limit(teeth=None):
    """Stretch in percent at which an industrial roller chain is changed: 3, or 200 / N where the large sprocket has N > 66 teeth.

    ANSI B29.1, as told by chain makers (Regal Rexnord, Diamond Chain). Not a motorcycle's: its maker says that one.
    """
    return STRETCH if teeth is None or teeth <= MOST_TEETH else 200.0 / teeth


# legal_class, category, quantity, limit, what it is, source
_ROWS = [
    ("light", "tyre", "depth", 1.6, "law, cars and goods vehicles to 3,500 kg: central three quarters, all round", _CU),
    ("motorcycle", "tyre", "depth", 1.0, "law, motorcycles over 50 cc: three quarters of the breadth", _CU),
    ("heavy", "tyre", "depth", 1.0, "law, heavy vehicles: three quarters of the breadth", _CU),
    ("us-steer", "tyre", "depth", 4 * _IN32, "law, front wheels of trucks, buses and tractors: 4/32 in", "49 CFR 393.75(b)"),
    ("us-other", "tyre", "depth", 2 * _IN32, "law, other wheels of commercial vehicles: 2/32 in", "49 CFR 393.75(c)"),
    ("us-motorcycle", "tyre", "depth", 1 * _IN32, "wear indicators of motorcycle tyres: 1/32 in", "49 CFR 571.119 S6.4"),
    ("light", "brake-pad", "thickness", 1.5, "test: dangerous below it, cars and light vans; friction material alone", _MOT + ", 1.1.13"),
    ("motorcycle", "brake-pad", "thickness", 1.0, "test, motorcycles; friction material alone", _MOT + _MEMORY),
    ("us-other", "brake-pad", "thickness", 2 * _IN32, "law, hydraulic discs: 1/16 in", "49 CFR 393.47(d)"),
    ("us-steer", "brake-pad", "thickness", 2 * _IN32, "law, hydraulic discs: 1/16 in", "49 CFR 393.47(d)"),
    (
        "industrial",
        "chain",
        "elongation",
        chain_limit(),
        "practice, roller chain of plant: 3%, or 200/N with a large sprocket of N teeth, N over 66; not for motorcycles",
        "ANSI B29.1, as told by chain makers",
    ),
]
LIMITS = pd.DataFrame(_ROWS, columns=["legal_class", "category", "quantity", "limit", "what", "source"])
CLASS_OF_KIND = {"motorcycle": "motorcycle", "car": "light", "van": "light", "pickup": "light", "trailer": "light"}
CLASS_OF_KIND |= {"truck": "heavy", "bus": "heavy", "plant": "industrial"}


def limits_for(spans, vehicles, table=LIMITS):
    """The limit of each span: frame `limit`, `legal_limit`, `limit_from`, `legal_source`, `legal_class`, rows as `spans`.

    The legal limit is that of the vehicle's `legal_class` where the table has it, or else of its kind by `CLASS_OF_KIND`; light,
    motorcycle and heavy are the United Kingdom's, as examples. `limit` is the log's own `limit_depth`, but never past the legal one: the
    deeper of the two, or for stretch the lesser; NaN where neither is known, as of a motorcycle's chain whose maker's limit is not given.
    """
    own = vehicles.drop_duplicates("vehicle").set_index("vehicle")
    named = spans["vehicle"].map(own["legal_class"])
    legal_class = named.where(named.isin(table["legal_class"])).fillna(spans["kind"].map(CLASS_OF_KIND)).fillna("")
    asked = pd.DataFrame({"legal_class": legal_class.to_numpy(), "category": spans["category"].to_numpy()})
    keys = ["legal_class", "category"]
    found = asked.merge(table.drop_duplicates(keys), on=keys, how="left")
    legal, kept = found["limit"], spans["limit_depth_mm"].reset_index(drop=True)
    both = pd.concat([kept, legal], axis=1)
    limit = both.min(axis=1).where(found["quantity"].eq("elongation"), both.max(axis=1))
    origin = pd.Series("the log", legal.index).where(limit.eq(kept), "the table of limits").where(limit.notna(), "")
    frame = {"limit": limit, "legal_limit": legal, "limit_from": origin, "legal_source": found["source"]}
    return pd.DataFrame({**frame, "legal_class": asked["legal_class"]}).set_axis(spans.index)


def usable_of(parts):
    """What may be worn of each part when new: mm from its new depth to its limit; of stretch the limit itself."""
    return parts["limit"].where(parts["quantity"].eq(RISING), parts["new_depth_mm"] - parts["limit"])
