"""Wear: depth, thickness or stretch against distance, how far each part now on still goes, and the limits it is held to."""

from wearbar.wear.limits import LIMITS, limits_for
from wearbar.wear.line import WearLine, crossing, fit_wear
from wearbar.wear.parts import Wear, wear_of
from wearbar.wear.remaining import STATES, life_to_limit, remaining

__all__ = ["LIMITS", "STATES", "Wear", "WearLine", "crossing", "fit_wear", "life_to_limit", "limits_for", "remaining", "wear_of"]
