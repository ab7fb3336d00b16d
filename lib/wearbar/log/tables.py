"""The tables of a service log and their columns: names, kinds, units, codes and ranges."""

import re
from dataclasses import dataclass
from math import inf

import numpy as np
import pandas as pd

TEXT = pd.StringDtype("pyarrow", na_value=np.nan)
SI_SUFFIX = {"distance": "_km", "depth": "_mm", "volume": "_l"}
VEHICLE_KINDS = (
    "motorcycle", "car", "van", "pickup", "truck", "bus", "quad", "trailer", "plant", "other",
)  # fmt: skip

# quantity of a measurement -> the unit inside the library; any other needs a unit of its own
MEASURED = dict.fromkeys(("depth", "thickness", "slack"), "mm")
MEASURED |= {"elongation": "%", "pressure": "kPa", "top-up": "mL"}

# what a number measures -> its range, where the column gives none
RANGES = {
    "distance": (0.0, 1e7),
    "money": (-inf, inf),
    "share": (0.0, 1.0),
    **dict.fromkeys(("number", "volume", "depth", "hours", "days"), (0.0, inf)),
}


@dataclass(frozen=True)
class Column:
    """One column of a table.

    kind: "id" and "text" are kept to the letter; "code" and "yes_no" are trimmed and case-folded;
    "date"; "number". quantity: what a number measures, one of `RANGES` or "": it decides the unit.
    codes: the only values a code may have; empty means free. default: what a blank stands for,
    where the format says so. blank: what a blank tells, where it is more than "not known". low,
    high: the range of a number, both ends allowed. kept: a row that lacks it is kept, with a doubt.
    """

    name: str
    kind: str
    meaning: str
    required: bool = False
    quantity: str = ""
    codes: tuple = ()
    default: str = ""
    low: float = -inf
    high: float = inf
    blank: str = ""
    kept: bool = False

    @property
    def must_read(self):
        """A cell here that can't be read sets its row aside: a blank would say something else."""
        return not self.kept and (self.required or bool(self.default or self.blank))


# a table and, below it, its columns: name (! where every row must fill it) | kind or quantity |
# what it is | more of `Column`; a line far in goes on with the one above
_FORMAT = """
vehicles
  vehicle! | id | the owner's name for the vehicle; unique
  kind! | code | what it is | codes: KINDS
  site | text | where it is based
  in_service! | date | first day on the road from new
  in_service_odometer | distance | reading that day | default: 0 where acquired new
  acquired | date | the day it joined this log; costs and compliance begin here | default:
      in_service
  acquired_odometer | distance | reading that day | default: in_service_odometer where acquired new
  price | money | what was paid for it | low: 0
  plan | code | the plan that it follows | default: the plan whose applies_to names its kind
  meter | code | what it counts | codes: distance hours both none | default: distance
  distance_unit | code | unit of its own odometer | codes: mi km | default: the log's
  legal_class | code | key into the reader's table of legal limits
  warranty_until | date | last day of the warranty
  warranty_odometer | distance | reading at which the warranty ends
  disposed | date | the day it left | blank: still kept
  disposed_odometer | distance | reading that day
  disposal | code | how it left | codes: sold written-off stolen scrapped returned transferred
  disposed_value | money | money received | low: 0
  note | text | anything worth keeping
odometer
  vehicle! | id | the vehicle, as in table vehicles
  date! | date | the day of the reading
  odometer | distance | reading of the instrument then fitted | blank: the hours alone were read
  hours | hours | reading of the hour meter | high: 1e6
  restarts_at | distance | the instrument was changed or rolled over: the new one's first reading;
      odometer is the old one's last | blank: the same instrument goes on
  source | code | where the reading came from | codes: dash tracker certificate fuel-card estimate
  note | text | anything worth keeping
work
  visit | id | lines of one visit share it; blank: each vehicle and date is one visit
  vehicle! | id | the vehicle, as in table vehicles
  date! | date | the day of the work
  odometer | distance | reading of the instrument then fitted
  hours | hours | reading of the hour meter | high: 1e6
  task! | code | a task of the plan, or any code
  position | code | where on the vehicle
  why! | code | what led to it | codes: planned defect accident campaign advice
  result | code | what an inspection found; fail and not-checked reset nothing | codes: pass
      advisory fail not-checked | blank: done
  paid_by | code | who bore the cost | codes: us warranty insurer third-party | default: us
  labour_hours | hours | hours of labour
  labour_cost | money | cost of labour
  parts_cost | money | cost of parts that have no row in fitted
  other_cost | money | anything else
  recovered | money | money that came back
  tax | money | recoverable tax on the line
  invoice | id | the paper it came with
  done_by | code | who did it | codes: workshop owner driver contractor roadside
  note | text | anything worth keeping
fitted
  vehicle! | id | the vehicle, as in table vehicles
  position! | code | front, rear, front-left, axle2-left-inner, engine, drive ...
  category! | code | tyre, brake-pad, chain, sprocket, air-filter, battery ...
  item! | text | what was fitted
  part | id | the owner's id of the physical piece; rows that share it are one life
  condition | code | state when fitted | codes: new part-worn reconditioned
  prior_distance | distance | distance on it before this log
  made | date | date of manufacture
  fitted | date | the day it went on; blank only for a part on before the first day | blank: on
      before the first day
  fitted_odometer | distance | reading that day
  removed | date | the day it was removed; blank while fitted | blank: still on
  removed_odometer | distance | reading that day
  reason | code | why it was removed; blank while fitted | codes: worn failed damaged convenience
      age unsuited rotated moved stored recalled disposed
  price | money | what it cost | low: 0
  fitting_cost | money | what fitting it cost | low: 0
  new_depth | depth | depth or thickness when new
  fitted_depth | depth | depth when fitted, if not new | blank: new when fitted
  removed_depth | depth | depth when it was removed
  limit_depth | depth | the depth, of a chain the stretch in percent, at which it must come off
  visit | id | the workshop visit that this row belongs to
  note | text | anything worth keeping
measurements
  vehicle! | id | the vehicle, as in table vehicles
  date! | date | the day of the reading
  odometer | distance | reading of the instrument then fitted
  position! | code | where on the vehicle
  category! | code | tyre, brake-pad, chain, sprocket, air-filter, battery ...
  quantity! | code | depth, thickness, slack, elongation, pressure, top-up; any other needs a unit
  value! | number | what was read
  unit | text | unit of the value, where quantity has none of its own
  place | code | where across the part: centre, left-shoulder, right-shoulder, inner, outer,
      cylinder ...
  part | id | the owner's id of the physical piece
  read_by | text | who read it; never printed
  state | code | temperature when read | codes: cold hot
  visit | id | the workshop visit that this row belongs to
  note | text | anything worth keeping
fuel
  vehicle! | id | the vehicle, as in table vehicles
  date! | date | the day of the fill
  odometer | distance | reading of the instrument then fitted
  volume! | volume | how much; electric in kWh | kept: yes
  kind | code | what | codes: petrol diesel lpg electric urea
  cost | money | what it cost
  unit_price | money | price of one unit of volume; the cost, where `cost` is blank, is this times
      the volume | low: 0
  filled_to | code | to the top, or not | codes: full part | default: full
  unrecorded_before | yes_no | a fill before this one is not in the log | blank: no
  note | text | anything worth keeping
use
  vehicle! | id | the vehicle, as in table vehicles
  from! | date | first day of the period
  to! | date | last day of the period
  distance | distance | distance in the period
  loose | share | share of the distance on gravel or dirt
  mud_water | share | share in mud or water
  short_trips | share | share in short trips
  loaded | share | share towing or at rated load
  dusty | share | share in dust
  heat | share | share in heat
  cold | share | share in cold
  note | text | anything worth keeping
fixed_costs
  vehicle! | id | the vehicle, as in table vehicles
  from! | date | first day of the period
  to! | date | last day of the period
  category! | code | insurance, road-tax, storage, finance ...
  amount! | money | total for the period, spread evenly by day
  note | text | anything worth keeping
valuations
  vehicle! | id | the vehicle, as in table vehicles
  date! | date | the day of the valuation
  value! | money | what it would fetch | low: 0
  basis | code | which market | codes: trade retail private
  note | text | anything worth keeping
layups
  vehicle! | id | the vehicle, as in table vehicles
  from! | date | first day of the lay-up
  to | date | last day of the lay-up | blank: still going on
  reason | code | why | codes: season awaiting-parts in-workshop accident awaiting-test spare
  note | text | anything worth keeping
defects
  defect! | id | the owner's number for it; unique
  vehicle! | id | the vehicle, as in table vehicles
  found! | date | the day it was found
  odometer | distance | reading of the instrument then fitted
  position | code | where on the vehicle
  category | code | which part
  text! | text | what was found
  grade! | code | how grave | codes: note advisory before-next-use off-road
  found_visit | id | the visit that found it
  closed | date | the day it was closed; blank while open | blank: still open
  closing_visit | id | the visit that closed it
  closed_as | code | how | codes: mended replaced no-fault-found accepted
  note | text | anything worth keeping
certificates
  vehicle! | id | the vehicle, as in table vehicles
  kind! | code | roadworthiness, emissions ...
  tested | date | the day of the test
  valid_to! | date | last day that it is valid
  result | code | how the test went | codes: pass advisory fail not-checked | blank: passed
  note | text | anything worth keeping
campaigns
  vehicle! | id | the vehicle, as in table vehicles
  campaign! | id | the maker's number for it
  issued! | date | the day it was issued
  kind! | code | what it is | codes: safety-recall campaign bulletin
  stop | yes_no | yes: not to be driven until it is done
  by | date | the day by which it must be done
  done | date | the day it was done; blank while open | blank: still open
  visit | id | the workshop visit that this row belongs to
  note | text | anything worth keeping
deferrals
  vehicle! | id | the vehicle, as in table vehicles
  task | code | the deferred task
  defect | id | or the deferred defect
  date! | date | the day it was deferred
  until | date | to this day
  until_odometer | distance | or to this reading
  reason! | text | why
postings
  vehicle! | id | the vehicle, as in table vehicles
  from! | date | first day of the posting
  to | date | last day of the posting | blank: still going on
  site | text | where the vehicle was
limits
  jurisdiction! | code | whose law it is; log.toml's jurisdiction names it
  legal_class | code | vehicles with this legal_class; or give kind
  kind | code | vehicles of this kind that have no legal_class | codes: KINDS
  category! | code | tyre, brake-pad, chain ...
  quantity! | code | depth, thickness, elongation, pressure ...; age in years
  limit! | number | the legal limit, in the unit of its quantity as in measurements
  source! | text | where the figure stands
budget
  month! | code | the month, YYYY-MM
  site | text | one site | default: all
  kind | code | one kind of vehicle | codes: KINDS | default: all
  category | code | one category of cost | default: all
  amount! | money | what was planned to be spent
dash_events
  vehicle! | id | the vehicle, as in table vehicles
  date! | date | the day it was seen
  odometer | distance | reading of the instrument then fitted
  event! | code | what the dashboard did | codes: restarted shown
  span_distance | distance | distance it counts down from
  span_days | days | days it counts down from
"""


def _column(line):
    name, kind, meaning, *more = line.split(" | ")
    more = dict(part.split(": ") for part in more)
    more["codes"] = tuple(more.get("codes", "").replace("KINDS", " ".join(VEHICLE_KINDS)).split())
    more["kept"] = "kept" in more
    if kind in RANGES:
        low, high = RANGES[kind]
        more["low"], more["high"] = float(more.get("low", low)), float(more.get("high", high))
        kind, more["quantity"] = "number", kind if kind != "number" else ""
    return Column(name.rstrip("!"), kind, meaning, required=name.endswith("!"), **more)


def _tables(text):
    tables, name = {}, ""
    for line in re.sub(r"\n {4,}", " ", text).strip().splitlines():
        if line.startswith(" "):
            tables[name].append(_column(line.strip()))
        else:
            name, tables[line] = line, []
    return {name: (*columns, RECORDED) for name, columns in tables.items()}


RECORDED = _column("recorded | date | the day the row was typed")
TABLES = _tables(_FORMAT)
