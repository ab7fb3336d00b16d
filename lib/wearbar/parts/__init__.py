"""Parts of a `ServiceLog`: how long they last and what they cost, how they wear, and how far each
still goes. `spans_of` has a row a part's life, `looks_of` a row a reading of its wear."""

from wearbar.log.law import Law, law_of
from wearbar.parts.checks import oil_by_kind, oil_use, old_tyres, soft_tyres
from wearbar.parts.items import (
    cost_per_distance,
    early_ends,
    lives_by_item,
    pairs,
    service_lives,
    with_place,
)
from wearbar.parts.lives import looks_of, segments_of, spans_of, watched
from wearbar.parts.remaining import AT_LIMIT, STATES, remaining
from wearbar.parts.wear import STRATUM, Wear, life_to_limit, wear_of
from wearbar.parts.wear_line import limits_for, unbent, usable_of
