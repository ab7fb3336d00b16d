"""The lessons' populations and checker, as `from wearbar_synthetic import lessons` gives them."""

from wearbar_lessons import *  # noqa: F403
from wearbar_lessons import __all__  # noqa: F401
