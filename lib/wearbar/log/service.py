"""A log as it was read, in its own units and in SI."""

from dataclasses import dataclass, field, replace
from types import MappingProxyType

import pandas as pd

from wearbar.log import schema
from wearbar.log.units import DEPTH_MM, DISTANCE_KM, PRESSURE_KPA, VOLUME_L, Units

__all__ = ["ServiceLog"]


@dataclass(frozen=True, eq=False)
class ServiceLog:
    """A log as it was read: values as typed, in the log's own units.

    tables: name to DataFrame with the format's column names, all of them, index `line` (as in the file, the header being line 1).
        ids, codes and text are `TEXT` (missing NaN), dates datetime64[ns] (missing NaT), numbers float64, yes_no TEXT "yes"/"no".
        Tables that the log does not have are empty frames with the right columns.
    extra: name to DataFrame of the columns that the format does not name. present: the names of the tables that the log has.
    aside: name to DataFrame of the rows set aside, as far as they could be read: for what their lack does to a sum, and nothing else.
    set_aside, warnings: frames with `PROBLEM_COLUMNS`, one row a row set aside, or one a doubt about a row that is kept.
    ledger: frame with `LEDGER_COLUMNS`, a row a table of the format; read = used + set_aside + after in every row.
    words: frame of `log.tasks.WORDS`: work written in other words than the plan's, by its `also` or
        only near to it.
    jurisdiction: whose legal limits hold, as written; "" where log.toml names none.
    origin: the `Source` that it was read from. sha256: of what the log says: the same for the same tables from any source.
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
    def record_days(self):
        """Days of record of the vehicle watched longest: from joining, or the first day, to the end."""
        v = self.tables["vehicles"]
        begin = v["acquired"].fillna(v["in_service"]).clip(lower=self.first_day)
        days = (v["disposed"].clip(upper=self.as_of).fillna(self.as_of) - begin).dt.days + 1
        return int(days.clip(lower=0).max()) if len(days) else 0

    def _repr_html_(self):
        """What a notebook shows: whose log it is, its days, its vehicles, and what became of its rows."""
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
        """Table `name` in SI: distances in km (by each vehicle's own unit), depths mm, volumes l, measurements and limits as
        `tables.MEASURED`.

        Columns take their unit as a suffix: `odometer_km`, `new_depth_mm`, `volume_l` (kWh for electric). Rows and index as in `tables`.
        """
        if name not in self._si:
            self._si[name] = _to_si(self, name)
        return self._si[name].copy()

    def only(self, vehicles=None):
        """The same log with these vehicles' rows alone; ledger and problems stay those of the whole log."""
        if vehicles is None:
            return self
        names = list(vehicles)
        kept, aside = dict(self.tables), dict(self.aside)
        for held in (kept, aside):
            named = {n: t for n, t in held.items() if n not in schema.WHOLE_FLEET}
            held.update({n: t[t["vehicle"].isin(names)] for n, t in named.items()})
        kept, aside = MappingProxyType(kept), MappingProxyType(aside)
        return replace(self, tables=kept, aside=aside, _si={})


def _to_si(log, name):
    frame = log.tables[name].copy()
    factor = _km_factor(log, frame) if "vehicle" in frame else DISTANCE_KM[log.units.distance]
    for col in schema.TABLES[name]:
        if col.quantity == "distance":
            frame[col.name] = frame[col.name] * factor
        elif col.quantity == "depth":
            frame[col.name] = frame[col.name] * DEPTH_MM[log.units.depth]
        elif col.quantity == "volume":
            frame[col.name] = frame[col.name].where(
                frame["kind"].eq("electric"), frame[col.name] * VOLUME_L[log.units.volume]
            )
    value = {"measurements": "value", "limits": "limit"}.get(name)
    if value:
        scale = {"depth": DEPTH_MM[log.units.depth], "pressure": PRESSURE_KPA[log.units.pressure]}
        frame[value] = frame[value] * frame["quantity"].map(scale).fillna(1.0).astype(float)
    if name == "measurements":
        frame["unit"] = frame["quantity"].map(schema.MEASURED).fillna(frame["unit"])
    return frame.rename(columns={c.name: schema.si_name(c) for c in schema.TABLES[name]})


def _km_factor(log, frame):
    own = log.tables["vehicles"].set_index("vehicle")["distance_unit"]
    unit = frame["vehicle"].map(own).fillna(log.units.distance)
    return unit.map(DISTANCE_KM).astype(float)
