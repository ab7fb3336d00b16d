"""A person's own spreadsheet becomes a log: look at it, propose a map, and carry every row over by that map.

The map (TOML) says which sheet becomes which table, which column is which, how its dates and numbers are written and what its words mean.
`propose` writes one from what it sees; what it can't tell for certain it leaves as "?", and `convert` refuses until a person has decided.
"""

from wearbar.adopt.convert import Adopted, convert
from wearbar.adopt.grids import Grid, read_grids
from wearbar.adopt.keep import keep, places_of
from wearbar.adopt.maps import AdoptError, read_map
from wearbar.adopt.propose import Proposal, propose

__all__ = [
    "AdoptError",
    "Adopted",
    "Grid",
    "Proposal",
    "convert",
    "keep",
    "places_of",
    "propose",
    "read_grids",
    "read_map",
]
