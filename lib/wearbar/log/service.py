"""A log as it was read, in its own units and in SI."""

import hashlib
from dataclasses import dataclass, field, replace
from types import MappingProxyType

import numpy as np
import pandas as pd

from wearbar.log.keys import look_up
from wearbar.log.once import kept_with
from wearbar.log.plan import plan_of
from wearbar.log.schema import MEASURED, TABLES
from wearbar.log.units import DEPTH_MM, DISTANCE_KM, PRESSURE_KPA, VOLUME_L, Units


@dataclass(frozen=True, eq=False)
class ServiceLog:
    """A log as it was read: values as typed, in the log's own units. Each table has all columns of
    the format (one not in the log is empty) and the index `line` (the header's is 1): ids, codes,
    text, yes_no `TEXT` (missing NaN), dates datetime64[ns], numbers float64."""

    name: str
    tables: MappingProxyType  # name to frame
    set_aside: pd.DataFrame  # `PROBLEM_COLUMNS`: a row a row set aside
    warnings: pd.DataFrame  # and a row a doubt about a row kept
    ledger: pd.DataFrame  # `LEDGER_COLUMNS`, a row a table: read = used + set_aside + after
    units: Units
    as_of: pd.Timestamp
    first_day: pd.Timestamp
    ends: pd.Timestamp = pd.NaT  # the last day by its own header or rows, as_of at most
    extra: dict = field(default_factory=dict)  # columns that the format does not name, by table
    # rows set aside, as far as they could be read: for what their lack does to a sum, nothing else
    aside: dict = field(default_factory=dict)
    present: frozenset = frozenset()  # the tables that it has
    none: frozenset = frozenset()  # tables that are empty since there is nothing to write
    plan: object = None
    words: pd.DataFrame = field(default_factory=pd.DataFrame, repr=False)  # `tasks.WORDS`
    money: str = ""  # net, gross or not said
    capacity: dict = field(default_factory=dict)  # labour hours a month by site, "" all of them
    # of log.toml, by kind of vehicle: bands of money by distance; years and distance of a policy
    mileage_rates: dict = field(default_factory=dict)
    least_keep: dict = field(default_factory=dict)
    jurisdiction: str = ""  # whose legal limits hold, as log.toml writes it
    sha256: str = ""  # of what the log says, the same from any source
    origin: object = field(default=None, repr=False, compare=False)  # the `Source`
    # what was once computed of it (`once.kept_with`); `replace` begins with none
    _kept: dict = field(init=False, default_factory=dict, repr=False, compare=False)

    @property
    def fingerprint(self):
        """What the log is made from and cut to, as one text (SHA-256)."""
        plan = self.plan
        tables = plan and [f.to_dict("records") for f in (plan.tasks, plan.plans, plan.covers)]
        days, vehicles = (self.as_of, self.first_day), self.tables["vehicles"]["vehicle"].tolist()
        made = (self.sha256, self.name, *days, vehicles, tables)
        return hashlib.sha256(repr(made).encode()).hexdigest()

    @property
    @kept_with
    def vehicles(self):
        """Table `vehicles`, by vehicle."""
        return self.tables["vehicles"].set_index("vehicle")

    @property
    def joined(self):
        """The day that each vehicle joined, by vehicle: acquired, else put in service."""
        return self.vehicles["acquired"].fillna(self.vehicles["in_service"])

    @property
    def record_periods(self):
        """The days of record, by vehicle: frame `begin, end`. From joining or the first day on,
        until it left or the report date."""
        end = self.vehicles["disposed"].clip(upper=self.as_of).fillna(self.as_of)
        return pd.DataFrame({"begin": self.joined.clip(lower=self.first_day), "end": end})

    @property
    def record_days(self):
        """Days of record of the vehicle watched longest."""
        days = self.record_periods.diff(axis=1)["end"].dt.days + 1
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

    def km_of(self, vehicle):
        """Km in a unit of the odometer of each of `vehicle` (Series)."""
        own = self.vehicles["distance_unit"].map(DISTANCE_KM).astype(float)
        return look_up(vehicle, own).fillna(self.units.to_km(1.0))

    @kept_with
    def si(self, name):
        """Table `name` in SI, rows and index as in `tables`: distances in km (by each vehicle's own
        unit), depths mm, volumes l (kWh for electric), the unit a suffix (`odometer_km`,
        `volume_l`); measurements and limits are in `MEASURED`."""
        frame, units = self.tables[name].copy(), self.units
        km, mm, litres = units.to_km(1.0), DEPTH_MM[units.depth], VOLUME_L[units.volume]
        if "vehicle" in frame:
            km = self.km_of(frame["vehicle"])
        if name == "fuel":
            litres = np.where(frame["kind"].eq("electric"), 1.0, litres)
        in_si = {"distance": ("km", km), "depth": ("mm", mm), "volume": ("l", litres)}
        names = {}
        for col in TABLES[name]:
            if col.quantity in in_si:
                unit, factor = in_si[col.quantity]
                names[col.name] = f"{col.name}_{unit}"
                frame[col.name] = frame[col.name] * factor
        value = {"measurements": "value", "limits": "limit"}.get(name)
        if value:
            scale = {"depth": mm, "pressure": PRESSURE_KPA[units.pressure]}
            frame[value] = frame[value] * frame["quantity"].map(scale).fillna(1.0).astype(float)
        if name == "measurements":
            frame["unit"] = frame["quantity"].map(MEASURED).fillna(frame["unit"])
        return frame.rename(columns=names)

    @property
    def plan_or_empty(self):
        """The plan, or one without a task where the log has none."""
        return self.plan or plan_of({})

    def plan_for(self, vehicle):
        """The name of the plan of each of `vehicle` (Series), missing where none applies."""
        return look_up(vehicle, self._plans())

    @kept_with
    def _plans(self):
        return self.plan_or_empty.assign(self.tables["vehicles"])

    def only(self, vehicles):
        """The log with these vehicles' rows alone; ledger and problems stay the whole log's."""
        names = list(vehicles)

        def theirs(tables):
            held = {n: t for n, t in tables.items() if len(t) and "vehicle" in t}
            mine = {n: t[t["vehicle"].isin(names)] for n, t in held.items()}
            return MappingProxyType({**tables, **mine})

        return replace(self, tables=theirs(self.tables), aside=theirs(self.aside))
