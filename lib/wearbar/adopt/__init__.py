"""A person's own spreadsheet becomes a log: `propose` a map (TOML) of which sheet becomes which
table, which column is which, how dates and numbers are written and what words mean, with "?" where
a person must decide; then `convert` carries every row over by it."""

from wearbar.adopt.convert import convert, keep, places_of
from wearbar.adopt.grids import read_grids
from wearbar.adopt.maps import propose, read_map
