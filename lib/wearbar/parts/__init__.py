"""Parts: how long they last and what they cost, how they wear, and how far each still goes.

In: a `ServiceLog` and its readings. Out: `spans_of` (a row a part's life) and `looks_of` (a row a
reading of its wear), and what follows from them.
"""

from wearbar.log.law import Law, law_of
from wearbar.parts.by_vehicle import service_lives, with_place
from wearbar.parts.fitted import segments_of, use_of
from wearbar.parts.inspections import looks_of
from wearbar.parts.item_cost import MIN_ENDS, cost_per_distance, pairs
from wearbar.parts.item_lives import early_ends, lives_by_item
from wearbar.parts.life_by_wear import life_to_limit
from wearbar.parts.lives import spans_of, watched
from wearbar.parts.oil import oil_by_kind, oil_use
from wearbar.parts.remaining import remaining
from wearbar.parts.state import AT_LIMIT, STATES
from wearbar.parts.tyres import old_tyres, soft_tyres
from wearbar.parts.wear import STRATUM, Wear, wear_of
from wearbar.parts.wear_bend import unbent
from wearbar.parts.wear_limits import limits_for, usable_of

__all__ = [
    "AT_LIMIT", "MIN_ENDS", "STATES", "STRATUM", "Law", "Wear", "cost_per_distance", "early_ends",
    "law_of", "life_to_limit", "limits_for", "lives_by_item", "looks_of", "oil_by_kind", "oil_use",
    "old_tyres", "pairs", "remaining", "segments_of", "service_lives", "soft_tyres", "spans_of",
    "unbent", "usable_of", "use_of", "watched", "wear_of", "with_place",
]  # fmt: skip
