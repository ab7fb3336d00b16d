"""Legal limits by jurisdiction: the log's own table `limits`, and sets shipped as examples. Depths
in mm, pressures in kPa, ages in years; thirty-seconds of an inch are exact."""

from dataclasses import dataclass, field
from functools import cache

import numpy as np
import pandas as pd

from wearbar.log.keys import is_among, stacked
from wearbar.log.once import kept_with
from wearbar.log.places import place
from wearbar.log.units import DEPTH_MM

LOWER_IS_STRICTER = ("elongation", "age")
FRONT = r"(?:front|axle1)(?:-.*)?"
_WHOSE = ["jurisdiction", "legal_class", "kind", "position"]
_COLUMNS = [*_WHOSE, "category", "quantity", "limit", "what", "source", "origin"]


@dataclass(frozen=True, eq=False)
class Law:
    """The legal limits of a log: `table` has a row a limit, `jurisdiction, legal_class, kind,
    position` ("front", or anywhere), `category, quantity, limit` (SI), `what, source, origin`."""

    jurisdiction: str = ""  # as log.toml writes it, "" where it names none
    table: pd.DataFrame = field(default_factory=lambda: shipped()[:0])
    # vehicle to its `legal_class`, missing where it has none
    class_of: pd.Series = field(default_factory=lambda: pd.Series(dtype=object))

    def limits_of(self, rows, quantities):
        """The strictest legal limit of each row (`vehicle, kind, category, last_position`), by the
        vehicle's legal class alone or, without one, its kind: frame `legal_limit, legal_source,
        jurisdiction, legal_what`, NaN and "" where the law gives none."""
        asked = rows[["kind", "category", "last_position"]].reset_index(drop=True)
        asked["named"] = rows["vehicle"].map(self.class_of).to_numpy(object)
        table = self.table[self.table["quantity"].isin(quantities)]
        found = asked.reset_index(names="row").merge(table, on="category", suffixes=("", "_law"))
        by_class = found["named"].notna() & found["legal_class"].eq(found["named"])
        by_kind = found["named"].isna() & found["kind_law"].eq(found["kind"])
        front = found["last_position"].fillna("").str.fullmatch(FRONT)
        found = found[(by_class | by_kind) & (found["position"].ne("front") | front)]
        sign = np.where(found["quantity"].isin(LOWER_IS_STRICTER), 1, -1)
        found = found.assign(order=sign * found["limit"]).sort_values("order", kind="stable")
        found = found.drop_duplicates("row").set_index("row").reindex(asked.index)
        found = found.add_prefix("legal_").rename(columns={"legal_jurisdiction": "jurisdiction"})
        blank = dict.fromkeys(["legal_source", "jurisdiction", "legal_what"], "")
        return found[["legal_limit", *blank]].fillna(blank).set_axis(rows.index)


@cache
def shipped():
    """Every shipped row, as `Law.table`; rows without a jurisdiction are practice, no law."""
    files = sorted(place("shared", "limits").glob("*.csv"))
    text = dict.fromkeys([*_WHOSE, "category", "quantity", "unit", "what", "source"], object)
    read = (pd.read_csv(f, dtype=text | {"limit": float}, keep_default_na=False) for f in files)
    rows = pd.concat(read, ignore_index=True)
    rows["limit"] *= rows["unit"].map({"in32": DEPTH_MM["in32"]}).fillna(1.0)
    for name in ("legal_class", "kind"):
        rows = rows.assign(**{name: rows[name].str.split(" ")}).explode(name, ignore_index=True)
    return rows.assign(origin="shipped example")[_COLUMNS]


@kept_with
def law_of(log):
    """The `Law` of a log: its own rows, and shipped ones for what they do not limit."""
    rows = rows_of(log.si("limits"), log.jurisdiction)
    return Law(log.jurisdiction, rows, log.vehicles["legal_class"])


def rows_of(limits, jurisdiction):
    """The rows of `Law.table` for a jurisdiction. limits: the log's own, as in its table."""
    example, name = shipped(), jurisdiction.casefold()
    example = example[example["jurisdiction"].str.casefold().eq(name) & (name != "")]
    own = limits[limits["jurisdiction"].eq(name)].fillna({"legal_class": "", "kind": ""})
    own = own.assign(position="", what="", origin="table limits of the log")[_COLUMNS]
    example = example[~is_among(example, own, ["category", "quantity"])]
    own = own.astype({c: object for c in _COLUMNS if c != "limit"})
    return stacked([own, example]).assign(jurisdiction=jurisdiction)
