"""Wear: depth, thickness or stretch against distance, how far each part now on still goes, and the limits it is held to."""

from wearbar.law import Law, law_of
from wearbar.wear.bend import unbent
from wearbar.wear.limits import chain_limit, limits_for, usable_of
from wearbar.wear.line import WearLine, crossing, fit_wear
from wearbar.wear.lives import life_to_limit
from wearbar.wear.oil import oil_by_kind, oil_use
from wearbar.wear.parts import STRATUM, Wear, wear_of
from wearbar.wear.remaining import remaining
from wearbar.wear.state import AT_LIMIT, STATES
from wearbar.wear.tyres import old_tyres, soft_tyres

__all__ = [
    "AT_LIMIT", "STATES", "STRATUM", "Law", "Wear", "WearLine", "chain_limit", "crossing", "fit_wear",
    "law_of", "life_to_limit", "limits_for", "oil_by_kind", "oil_use", "old_tyres", "remaining", "soft_tyres", "unbent", "usable_of",
    "wear_of",
]  # fmt: skip
