"""Which item: how long each lasts at its place, what it costs a distance, and whether two can be told apart.

Fitness for the use comes first: items are compared only for the same place on the same kind of vehicle, and money alone never chooses a
tyre or a pad.
"""

from wearbar.choice.cost import MIN_ENDS, cost_per_distance, pairs
from wearbar.choice.ends import early_ends, lives_by_item
from wearbar.choice.place import service_lives, with_place

__all__ = [
    "MIN_ENDS",
    "cost_per_distance",
    "early_ends",
    "lives_by_item",
    "pairs",
    "service_lives",
    "with_place",
]
