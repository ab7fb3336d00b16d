"""One row a physical part's life, and the readings taken of it: what every question about lives and wear starts from.

Rows of `fitted` that share a `part` (and category) are one life across positions, seasons and vehicles, with the time in store left out;
any other row is a life of its own. Distances are cumulative through changed instruments.
"""

from wearbar.spans.lives import spans_of, watched
from wearbar.spans.looks import looks_of
from wearbar.spans.segments import GOES_ON, segments_of, use_of

__all__ = ["GOES_ON", "looks_of", "segments_of", "spans_of", "use_of", "watched"]
