"""A log as it was read, in its own units and in SI."""

import hashlib
from dataclasses import dataclass, field, replace
from types import MappingProxyType

import numpy as np
import pandas as pd

from wearbar.log import schema
from wearbar.log.keys import look_up
from wearbar.log.schema import TEXT
from wearbar.log.units import DEPTH_MM, DISTANCE_KM, PRESSURE_KPA, VOLUME_L, Units


@dataclass(frozen=True, eq=False)
class ServiceLog:
    """A log as it was read: values as typed, in the log's own units.

    tables: name to DataFrame with all of the format's columns, index `line` (in the file, the
        header being 1). Ids, codes and text are `TEXT` (missing NaN), dates datetime64[ns], numbers
        float64, yes_no TEXT "yes"/"no". A table that the log lacks is an empty frame.
    extra: name to DataFrame of the columns that the format does not name. present: the tables it
        has. aside: name to DataFrame of the rows set aside, as far as they could be read: for what
        their lack does to a sum, and nothing else.
    set_aside, warnings: frames with `PROBLEM_COLUMNS`, a row a row set aside, or a doubt about a
    row kept. ledger: frame with `LEDGER_COLUMNS`, a row a table; read = used + set_aside + after in
    each. words: frame of `tasks.WORDS`: work written in other words than the plan's. jurisdiction:
    whose legal limits hold, as written; "" where log.toml names none. origin: the `Source`. sha256:
    of what the log says, the same from any source.
    """

    name: str
    tables: MappingProxyType
    set_aside: pd.DataFrame
    warnings: pd.DataFrame
    ledger: pd.DataFrame
    units: Units
    as_of: pd.Timestamp
    first_day: pd.Timestamp
    extra: MappingProxyType = field(default_factory=lambda: MappingProxyType({}))
    aside: MappingProxyType = field(default_factory=lambda: MappingProxyType({}))
    present: frozenset = frozenset()
    plan: object = None
    words: pd.DataFrame = field(default_factory=pd.DataFrame, repr=False)
    money: str = ""
    jurisdiction: str = ""
    source: str = ""
    sha256: str = ""
    origin: object = field(default=None, repr=False, compare=False)
    _si: dict = field(default_factory=dict, repr=False, compare=False)

    @property
    def fingerprint(self):
        """What the log is made from and cut to, as one text (SHA-256)."""
        plan = self.plan
        tables = plan and [f.to_dict("records") for f in (plan.tasks, plan.plans, plan.covers)]
        days, vehicles = (self.as_of, self.first_day), self.tables["vehicles"]["vehicle"].tolist()
        made = (self.sha256, self.name, *days, vehicles, tables)
        return hashlib.sha256(repr(made).encode()).hexdigest()

    @property
    def record_periods(self):
        """The days of record of each row of `vehicles`: frame `begin, end`.

        From joining or the first day on, until it left or the report date.
        """
        v = self.tables["vehicles"]
        begin = v["acquired"].fillna(v["in_service"]).clip(lower=self.first_day)
        end = v["disposed"].clip(upper=self.as_of).fillna(self.as_of)
        return pd.DataFrame({"begin": begin, "end": end})

    @property
    def record_days(self):
        """Days of record of the vehicle watched longest."""
        record = self.record_periods
        days = (record["end"] - record["begin"]).dt.days + 1
        return int(days.clip(lower=0).max()) if len(days) else 0

    @property
    def here(self):
        """The vehicles that have not left by the report date."""
        v = self.tables["vehicles"]
        return v.loc[~(v["disposed"] <= self.as_of), "vehicle"]

    @property
    def layups_now(self):
        """The rows of `layups` that the report date lies in."""
        stays = self.tables["layups"]
        return stays[(stays["from"] <= self.as_of) & ~(stays["to"] < self.as_of)]

    def _repr_html_(self):
        """What a notebook shows: whose log, its days and vehicles, and what became of its rows."""
        count = self.ledger[["used", "set_aside", "after"]].sum()
        facts = {
            "Log": self.name,
            "Days": f"{self.first_day:%Y-%m-%d} to {self.as_of:%Y-%m-%d}",
            "Vehicles": f"{len(self.tables['vehicles']):,}",
            "Rows used": f"{count['used']:,}",
            "Rows set aside": f"{count['set_aside']:,}",
            "Rows after the report date": f"{count['after']:,}",
        }
        return pd.Series(facts, dtype=object).to_frame().to_html(header=False)  # which escapes

    def si(self, name):
        """Table `name` in SI: distances in km (by each vehicle's own unit), depths mm, volumes l.

        Columns take their unit as a suffix (`odometer_km`, `new_depth_mm`, `volume_l`, kWh for
        electric); measurements and limits are in `schema.MEASURED`. Rows and index as in `tables`.
        """
        if name not in self._si:
            self._si[name] = _to_si(self, name)
        return self._si[name].copy()

    def plan_for(self, vehicle):
        """The name of the plan of each of `vehicle` (Series), missing where none applies."""
        if self.plan is None:
            return pd.Series(pd.NA, vehicle.index, dtype=TEXT)
        return look_up(vehicle, self.plan.assign(self.tables["vehicles"]))

    def only(self, vehicles=None):
        """The log with these vehicles' rows alone; ledger and problems stay the whole log's."""
        if vehicles is None:
            return self
        names = list(vehicles)

        def theirs(tables):
            mine = {n: t[t["vehicle"].isin(names)] for n, t in tables.items() if "vehicle" in t}
            return MappingProxyType({**tables, **mine})

        return replace(self, tables=theirs(self.tables), aside=theirs(self.aside), _si={})


def _to_si(log, name):
    frame, units = log.tables[name].copy(), log.units
    columns = schema.TABLES[name]
    km = DISTANCE_KM[units.distance]
    if "vehicle" in frame:
        own = log.tables["vehicles"].set_index("vehicle")["distance_unit"]
        unit = frame["vehicle"].map(own).fillna(units.distance)
        km = unit.map(DISTANCE_KM).astype(float)
    factors = {"distance": km, "depth": DEPTH_MM[units.depth]}
    if name == "fuel":
        electric = frame["kind"].eq("electric")
        factors["volume"] = np.where(electric, 1.0, VOLUME_L[units.volume])
    for col in columns:
        if col.quantity in factors:
            frame[col.name] = frame[col.name] * factors[col.quantity]
    value = {"measurements": "value", "limits": "limit"}.get(name)
    if value:
        scale = {"depth": DEPTH_MM[units.depth], "pressure": PRESSURE_KPA[units.pressure]}
        frame[value] = frame[value] * frame["quantity"].map(scale).fillna(1.0).astype(float)
    if name == "measurements":
        frame["unit"] = frame["quantity"].map(schema.MEASURED).fillna(frame["unit"])
    return frame.rename(columns={col.name: schema.si_name(col) for col in columns})
