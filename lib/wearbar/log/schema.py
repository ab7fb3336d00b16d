"""The service log's tables: every name, kind, unit, code and range, in one place.

A table is a tuple of `Column`; `TABLES` maps each table's name to its columns, in the order in which an empty log
writes them. Reading, checking, writing, the data dictionary and the Data Package descriptor are all made from it.
"""

from dataclasses import dataclass, replace
from math import inf

import numpy as np
import pandas as pd

__all__ = [
    "CALLED", "FIRST_NAMES", "LATER", "LIKELY_KM_A_DAY", "MAIN_DATE", "MEASURED", "PERIODS", "READINGS", "RULES", "TABLES", "TEXT", "UNIQUE",
    "VEHICLE_KINDS", "WHOLE_FLEET", "Column", "Rule", "column", "si_name", "table_of",
]  # fmt: skip

TEXT = pd.StringDtype("pyarrow", na_value=np.nan)

SI_SUFFIX = {"distance": "_km", "depth": "_mm", "volume": "_l"}
VEHICLE_KINDS = (
    "motorcycle",
    "car",
    "van",
    "pickup",
    "truck",
    "bus",
    "quad",
    "trailer",
    "plant",
    "other",
)
_REASONS = "worn failed damaged convenience age unsuited rotated moved stored recalled disposed"
MOST_DISTANCE = 1e7  # further than any vehicle goes (as a plan's limits)
CATEGORY_EXAMPLES = "tyre, brake-pad, chain, sprocket, air-filter, battery"

# quantity of a measurement -> the unit its value is in inside the library; any other quantity needs a unit of its own
MEASURED = {
    "depth": "mm",
    "thickness": "mm",
    "slack": "mm",
    "elongation": "%",
    "pressure": "kPa",
    "top-up": "mL",
}


@dataclass(frozen=True)
class Column:
    """One column of a table.

    kind: "id" and "text" are kept to the letter; "code" and "yes_no" are trimmed and case-folded; "date"; "number".
    quantity: what a number measures ("distance", "depth", "volume", "money", "hours", "days", "share" or ""): it decides the unit.
    codes: the only values a code may have; empty means free. default: what a blank stands for, where the format says so.
    blank: what a blank tells, where it is more than "not known"; a cell that can't be read is never passed over as such a blank.
    low, high: the range of a number, both ends allowed. kept: whether a row that lacks it is kept, with a doubt, for what else it tells.
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
        """Whether a cell here that can't be read sets its row aside: passed over as blank, the row would say something else."""
        return not self.kept and (self.required or bool(self.default or self.blank))


def _id(name, meaning, **more):
    return Column(name, "id", meaning, **more)


def _code(name, meaning, codes="", **more):
    return Column(name, "code", meaning, codes=tuple(codes.split()), **more)


def _text(name, meaning, **more):
    return Column(name, "text", meaning, **more)


def _date(name, meaning, **more):
    return Column(name, "date", meaning, **more)


def _number(name, meaning, quantity="", low=0.0, **more):
    return Column(name, "number", meaning, quantity=quantity, low=low, **more)


def _distance(name, meaning, **more):
    return _number(name, meaning, "distance", high=MOST_DISTANCE, **more)


def _money(name, meaning, low=-inf, **more):
    return _number(name, meaning, "money", low=low, **more)


def _share(name, meaning):
    return _number(name, meaning, "share", high=1.0)


_VEHICLE = _id("vehicle", "the vehicle, as in table vehicles", required=True)
_ODOMETER = _distance("odometer", "reading of the instrument then fitted")
_HOURS = _number("hours", "reading of the hour meter", "hours", high=1e6)
_VISIT = _id("visit", "the workshop visit that this row belongs to")
_RESTART = "the instrument was changed or rolled over: the new one's first reading; odometer is the old one's last"
_NOTE = _text("note", "anything worth keeping")
_RECORDED = _date("recorded", "the day the row was typed")


def _period(what, until_required=True):
    to = _date(
        "to",
        f"last day of {what}",
        required=until_required,
        blank="" if until_required else "still going on",
    )
    return (_date("from", f"first day of {what}", required=True), to)


TABLES = {
    "vehicles": (
        _id("vehicle", "the owner's name for the vehicle; unique", required=True),
        _code("kind", "what it is", " ".join(VEHICLE_KINDS), required=True),
        _text("site", "where it is based"),
        _date("in_service", "first day on the road from new", required=True),
        _distance("in_service_odometer", "reading that day", default="0 where acquired new"),
        _date(
            "acquired",
            "the day it joined this log; costs and compliance begin here",
            default="in_service",
        ),
        _distance(
            "acquired_odometer",
            "reading that day",
            default="in_service_odometer where acquired new",
        ),
        _money("price", "what was paid for it", low=0.0),
        _code(
            "plan", "the plan that it follows", default="the plan whose applies_to names its kind"
        ),
        _code("meter", "what it counts", "distance hours both none", default="distance"),
        _code("distance_unit", "unit of its own odometer", "mi km", default="the log's"),
        _code("legal_class", "key into the reader's table of legal limits"),
        _date("warranty_until", "last day of the warranty"),
        _distance("warranty_odometer", "reading at which the warranty ends"),
        _date("disposed", "the day it left", blank="still kept"),
        _distance("disposed_odometer", "reading that day"),
        _code("disposal", "how it left", "sold written-off stolen scrapped returned transferred"),
        _money("disposed_value", "money received", low=0.0),
        _NOTE,
    ),
    "odometer": (
        _VEHICLE,
        _date("date", "the day of the reading", required=True),
        replace(_ODOMETER, blank="the hours alone were read"),
        _HOURS,
        _distance("restarts_at", _RESTART, blank="the same instrument goes on"),
        _code(
            "source", "where the reading came from", "dash tracker certificate fuel-card estimate"
        ),
        _NOTE,
    ),
    "work": (
        _id("visit", "lines of one visit share it; blank: each vehicle and date is one visit"),
        _VEHICLE,
        _date("date", "the day of the work", required=True),
        _ODOMETER,
        _HOURS,
        _code("task", "a task of the plan, or any code", required=True),
        _code("position", "where on the vehicle"),
        _code("why", "what led to it", "planned defect accident campaign advice", required=True),
        _code(
            "result",
            "what an inspection found; fail and not-checked reset nothing",
            "pass advisory fail not-checked",
            blank="done",
        ),
        _code("paid_by", "who bore the cost", "us warranty insurer third-party", default="us"),
        _number("labour_hours", "hours of labour", "hours"),
        _money("labour_cost", "cost of labour"),
        _money("parts_cost", "cost of parts that have no row in fitted"),
        _money("other_cost", "anything else"),
        _money("recovered", "money that came back"),
        _money("tax", "recoverable tax on the line"),
        _id("invoice", "the paper it came with"),
        _code("done_by", "who did it", "workshop owner driver contractor roadside"),
        _NOTE,
    ),
    "fitted": (
        _VEHICLE,
        _code(
            "position",
            "front, rear, front-left, axle2-left-inner, engine, drive ...",
            required=True,
        ),
        _code("category", f"{CATEGORY_EXAMPLES} ...", required=True),
        _text("item", "what was fitted", required=True),
        _id("part", "the owner's id of the physical piece; rows that share it are one life"),
        _code("condition", "state when fitted", "new part-worn reconditioned"),
        _distance("prior_distance", "distance on it before this log"),
        _date("made", "date of manufacture"),
        _date(
            "fitted",
            "the day it went on; blank only for a part on before the first day",
            blank="on before the first day",
        ),
        _distance("fitted_odometer", "reading that day"),
        _date("removed", "the day it came off; blank while on", blank="still on"),
        _distance("removed_odometer", "reading that day"),
        _code("reason", "why it came off; blank while on", _REASONS),
        _money("price", "what it cost", low=0.0),
        _money("fitting_cost", "what fitting it cost", low=0.0),
        _number("new_depth", "depth or thickness when new", "depth"),
        _number("fitted_depth", "depth when fitted, if not new", "depth", blank="new when fitted"),
        _number("removed_depth", "depth when it came off", "depth"),
        _number(
            "limit_depth",
            "the depth, of a chain the stretch in percent, at which it must come off",
            "depth",
        ),
        _VISIT,
        _NOTE,
    ),
    "measurements": (
        _VEHICLE,
        _date("date", "the day of the reading", required=True),
        _ODOMETER,
        _code("position", "where on the vehicle", required=True),
        _code("category", f"{CATEGORY_EXAMPLES} ...", required=True),
        _code(
            "quantity",
            "depth, thickness, slack, elongation, pressure, top-up; any other needs a unit",
            required=True,
        ),
        _number("value", "what was read", required=True),
        _text("unit", "unit of the value, where quantity has none of its own"),
        _code(
            "place",
            "where across the part: centre, left-shoulder, right-shoulder, inner, outer, cylinder ...",
        ),
        _id("part", "the owner's id of the physical piece"),
        _text("read_by", "who read it; never printed"),
        _code("state", "temperature when read", "cold hot"),
        _VISIT,
        _NOTE,
    ),
    "fuel": (
        _VEHICLE,
        _date("date", "the day of the fill", required=True),
        _ODOMETER,
        _number("volume", "how much; electric in kWh", "volume", required=True, kept=True),
        _code("kind", "what", "petrol diesel lpg electric urea"),
        _money("cost", "what it cost"),
        _money(
            "unit_price",
            "price of one unit of volume; the cost, where `cost` is blank, is this times the volume",
            low=0.0,
        ),
        _code("filled_to", "to the top, or not", "full part", default="full"),
        Column(
            "unrecorded_before", "yes_no", "a fill before this one is not in the log", blank="no"
        ),
        _NOTE,
    ),
    "use": (
        _VEHICLE,
        *_period("the period"),
        _distance("distance", "distance in the period"),
        _share("loose", "share of the distance on gravel or dirt"),
        _share("mud_water", "share in mud or water"),
        _share("short_trips", "share in short trips"),
        _share("loaded", "share towing or at rated load"),
        _share("dusty", "share in dust"),
        _share("heat", "share in heat"),
        _share("cold", "share in cold"),
        _NOTE,
    ),
    "fixed_costs": (
        _VEHICLE,
        *_period("the period"),
        _code("category", "insurance, road-tax, storage, finance ...", required=True),
        _money("amount", "total for the period, spread evenly by day", required=True),
        _NOTE,
    ),
    "valuations": (
        _VEHICLE,
        _date("date", "the day of the valuation", required=True),
        _money("value", "what it would fetch", low=0.0, required=True),
        _code("basis", "which market", "trade retail private"),
        _NOTE,
    ),
    "layups": (
        _VEHICLE,
        *_period("the lay-up", until_required=False),
        _code("reason", "why", "season awaiting-parts in-workshop accident awaiting-test spare"),
        _NOTE,
    ),
    "defects": (
        _id("defect", "the owner's number for it; unique", required=True),
        _VEHICLE,
        _date("found", "the day it was found", required=True),
        _ODOMETER,
        _code("position", "where on the vehicle"),
        _code("category", "which part"),
        _text("text", "what was found", required=True),
        _code("grade", "how grave", "note advisory before-next-use off-road", required=True),
        _id("found_visit", "the visit that found it"),
        _date("closed", "the day it was closed; blank while open", blank="still open"),
        _id("closing_visit", "the visit that closed it"),
        _code("closed_as", "how", "mended replaced no-fault-found accepted"),
        _NOTE,
    ),
    "certificates": (
        _VEHICLE,
        _code("kind", "roadworthiness, emissions ...", required=True),
        _date("tested", "the day of the test"),
        _date("valid_to", "last day that it is valid", required=True),
        _code("result", "how the test went", "pass advisory fail not-checked", blank="passed"),
        _NOTE,
    ),
    "campaigns": (
        _VEHICLE,
        _id("campaign", "the maker's number for it", required=True),
        _date("issued", "the day it was issued", required=True),
        _code("kind", "what it is", "safety-recall campaign bulletin", required=True),
        Column("stop", "yes_no", "yes: not to be driven until it is done"),
        _date("by", "the day by which it must be done"),
        _date("done", "the day it was done; blank while open", blank="still open"),
        _VISIT,
        _NOTE,
    ),
    "deferrals": (
        _VEHICLE,
        _code("task", "the deferred task"),
        _id("defect", "or the deferred defect"),
        _date("date", "the day it was deferred", required=True),
        _date("until", "to this day"),
        _distance("until_odometer", "or to this reading"),
        _text("reason", "why", required=True),
    ),
    "postings": (
        _VEHICLE,
        *_period("the posting", until_required=False),
        _text("site", "where the vehicle was"),
    ),
    "limits": (
        _code("jurisdiction", "whose law it is; log.toml's jurisdiction names it", required=True),
        _code("legal_class", "vehicles with this legal_class; or give kind"),
        _code("kind", "vehicles of this kind that have no legal_class", " ".join(VEHICLE_KINDS)),
        _code("category", "tyre, brake-pad, chain ...", required=True),
        _code(
            "quantity", "depth, thickness, elongation, pressure ...; age in years", required=True
        ),
        _number(
            "limit",
            "the legal limit, in the unit of its quantity as in measurements",
            required=True,
        ),
        _text("source", "where the figure stands", required=True),
    ),
    "budget": (
        _code("month", "the month, YYYY-MM", required=True),
        _text("site", "one site", default="all"),
        _code("kind", "one kind of vehicle", " ".join(VEHICLE_KINDS), default="all"),
        _code("category", "one category of cost", default="all"),
        _money("amount", "what was planned to be spent", required=True),
    ),
    "dash_events": (
        _VEHICLE,
        _date("date", "the day it was seen", required=True),
        _ODOMETER,
        _code("event", "what the dashboard did", "restarted shown", required=True),
        _distance("span_distance", "distance it counts down from"),
        _number("span_days", "days it counts down from", "days"),
    ),
}
TABLES = {name: (*columns, _RECORDED) for name, columns in TABLES.items()}

# tables that name no vehicle and no day
WHOLE_FLEET = ("limits", "budget")

# earlier names of tables, still read; a log's fingerprint goes by them, so that a new name changes none
CALLED = {"reminders": "dash_events"}
FIRST_NAMES = {new: old for old, new in CALLED.items()}

# what must not stand twice in a table
UNIQUE = {"vehicles": ("vehicle",), "defects": ("defect",)}

# the date that places a row before or after the report date; the first that is not blank
MAIN_DATE = {
    **dict.fromkeys(
        ("odometer", "work", "measurements", "fuel", "valuations", "deferrals", "dash_events"),
        ("date",),
    ),
    **dict.fromkeys(("use", "fixed_costs", "layups", "postings"), ("from",)),
    "vehicles": ("acquired", "in_service"),
    "fitted": ("fitted",),
    "defects": ("found",),
    "certificates": ("tested",),
    "campaigns": ("issued",),
}

# what nobody could know on the report date: if the date is later, it and these cells are read as blank
LATER = {
    "vehicles": ("disposed", ("disposed_odometer", "disposal", "disposed_value")),
    "fitted": ("removed", ("removed_odometer", "reason", "removed_depth")),
    "defects": ("closed", ("closing_visit", "closed_as")),
    "campaigns": ("done", ("visit",)),
}

# the columns that are readings of the odometer, each with its date
READINGS = {
    **dict.fromkeys(
        ("odometer", "work", "measurements", "fuel", "dash_events"), (("odometer", "date"),)
    ),
    "vehicles": (
        ("in_service_odometer", "in_service"),
        ("acquired_odometer", "acquired"),
        ("disposed_odometer", "disposed"),
    ),
    "fitted": (("fitted_odometer", "fitted"), ("removed_odometer", "removed")),
    "defects": (("odometer", "found"),),
}

# first and last day of what a row tells of; the last must not come before the first
PERIODS = {
    **dict.fromkeys(("use", "fixed_costs", "layups", "postings"), ("from", "to")),
    "vehicles": ("in_service", "disposed"),
    "fitted": ("fitted", "removed"),
    "defects": ("found", "closed"),
    "certificates": ("tested", "valid_to"),
}

# more than this in a day, on average between two readings, is a slip (common practice, no source: so high that no true day is doubted)
LIKELY_KM_A_DAY = dict.fromkeys(VEHICLE_KINDS, 2000.0) | {
    "motorcycle": 1500.0,
    "quad": 800.0,
    "plant": 500.0,
}


@dataclass(frozen=True)
class Rule:
    """What a log must hold to.

    severity: "set-aside" (the row), "cell" (the cell is read as blank and the row kept, but where `Column.must_read` the row is set aside),
        "adjust" (the cell is read as blank and the row kept), "warn" (kept as it is). says: what is wrong. mend: what would mend it.
    """

    code: str
    severity: str
    says: str
    mend: str


RULES = {
    rule.code: rule
    for rule in (
        Rule("required", "set-aside", "a cell that must be filled is blank", "fill it in"),
        Rule("not-a-date", "cell", "not a date", "write it as YYYY-MM-DD"),
        Rule("date-range", "cell", "a date outside the years 1900 to 2199", "mend the year"),
        Rule(
            "not-a-number",
            "cell",
            "not a number",
            "write digits and a decimal point alone, without unit or separator",
        ),
        Rule("out-of-range", "cell", "a number outside the range of its column", "mend the number"),
        Rule("unknown-code", "cell", "not one of the column's codes", "use one of the codes"),
        Rule("not-yes-no", "cell", "neither yes nor no", "write yes or no"),
        Rule(
            "not-utf-8",
            "warn",
            "characters that could not be read as UTF-8",
            "save the file as UTF-8 and type the cell again",
        ),
        Rule(
            "invisible",
            "warn",
            "characters that cannot be seen: control, zero-width or direction marks",
            "type the cell again",
        ),
        Rule(
            "row-length",
            "set-aside",
            "more cells than the header has",
            "put text that holds a comma in double quotes",
        ),
        Rule(
            "row-short",
            "warn",
            "fewer cells than the header has; those missing are read as blank",
            "fill in the row",
        ),
        Rule(
            "open-quote",
            "set-aside",
            "a quote that is not closed in its own row: rows below it would be inside this cell",
            "close or delete it",
        ),
        Rule(
            "unknown-column",
            "warn",
            "a column that the format does not name: kept, and not used",
            "rename or delete it, or leave it",
        ),
        Rule(
            "unknown-table",
            "warn",
            "not a table of a log: not read",
            "rename it after a table of the format, or leave it",
        ),
        Rule(
            "unit-not-said",
            "warn",
            "the header does not say the unit or currency of what the log holds",
            "say it in log.toml",
        ),
        Rule(
            "repeated-id",
            "set-aside",
            "an id that stands earlier in the table",
            "give it an id of its own, or delete the row",
        ),
        Rule(
            "unknown-vehicle",
            "set-aside",
            "a vehicle that is not in table vehicles",
            "add it to vehicles, or mend the name",
        ),
        Rule(
            "vehicle-set-aside", "set-aside", "its vehicle is set aside", "mend the vehicle's row"
        ),
        Rule(
            "same-row",
            "warn",
            "alike in every column to a row above",
            "delete one, if it is one event",
        ),
        Rule(
            "same-reading",
            "set-aside",
            "alike in every column to a row above: one reading or fill typed twice",
            "delete one",
        ),
        Rule(
            "odometer-back",
            "adjust",
            "the odometer would go back: the readings around contradict it",
            "mend the reading or its date",
        ),
        Rule(
            "daily-distance",
            "adjust",
            "more than the vehicle can cover in the days between",
            "mend the reading or its date",
        ),
        Rule(
            "hours-back",
            "adjust",
            "the hour meter would go back, or run more than 24 hours a day",
            "mend the reading or its date",
        ),
        Rule(
            "no-value",
            "set-aside",
            "neither of two cells of which one must be filled is",
            "fill in one of them",
        ),
        Rule("unit-lacking", "set-aside", "a quantity of one's own without a unit", "fill in unit"),
        Rule("ends-first", "set-aside", "ends before it begins", "mend one of the two dates"),
        Rule(
            "before-service",
            "set-aside",
            "long before the vehicle was in service",
            "mend the date, or the vehicle's in_service",
        ),
        Rule(
            "after-disposal",
            "warn",
            "after the vehicle left",
            "mend the date, or the vehicle's disposed",
        ),
        Rule(
            "future",
            "warn",
            "a day that has not come yet: counted after the report date",
            "mend the date, if it is past",
        ),
        Rule(
            "periods-overlap",
            "warn",
            "begins before the period above it, of the same vehicle, ends",
            "mend one of the dates",
        ),
        Rule(
            "reason-no-removal",
            "warn",
            "a reason for removal without a date: read as still on",
            "say when it was removed",
        ),
        Rule(
            "visit-shared",
            "warn",
            "one visit for two vehicles",
            "give each vehicle's visit a number of its own",
        ),
        Rule("unknown-defect", "warn", "a defect that is not in table defects", "mend the number"),
        Rule(
            "task-near",
            "warn",
            "planned work that comes near a task of the plan and counts as none",
            "add it to that task's `also`",
        ),
        Rule(
            "spans-overlap",
            "warn",
            "still on when the next was fitted in its place",
            "say when it was removed",
        ),
        Rule("depth-above-new", "cell", "deeper than the part was when new", "mend the depth"),
        Rule("depth-slip", "cell", "a depth several times those around it", "mend the depth"),
        Rule(
            "depth-rises",
            "warn",
            "a depth that rises while the same part is on",
            "mend the depth, or say when the part was changed",
        ),
        Rule("depth-impossible", "cell", "deeper or thicker than any part", "mend the depth"),
        Rule("depth-unlike", "cell", "several times as deep as its like", "mend the depth"),
        Rule(
            "pressure-odd",
            "warn",
            "a pressure that no such tyre runs at",
            "mend the pressure, or see to the tyre",
        ),
        Rule(
            "figure-odd",
            "warn",
            "a figure of the plan that no such vehicle has",
            "look it up in the maker's handbook",
        ),
        Rule(
            "distance-high",
            "cell",
            "more distance than the vehicle can cover in the period",
            "mend the distance",
        ),
        Rule(
            "money-wild", "cell", "an amount more than a thousand times its like", "mend the amount"
        ),
        Rule(
            "money-high", "warn", "an amount far above its like", "mend the amount, if it is not so"
        ),
        Rule(
            "hours-high",
            "warn",
            "far more hours than its like",
            "mend the hours, if they are minutes",
        ),
        Rule(
            "fuel-price",
            "warn",
            "a price of one unit of fuel far from the others",
            "mend the cost or the volume",
        ),
        Rule(
            "cost-differs",
            "warn",
            "another cost than unit_price times volume",
            "mend one of the three",
        ),
        Rule(
            "cost-is-price",
            "warn",
            "a cost that does not grow with the volume",
            "if it is the price of one unit, name it unit_price",
        ),
        Rule("fill-zero", "adjust", "a fill of nothing", "fill in the volume; its money is kept"),
        Rule(
            "fill-too-big",
            "adjust",
            "several times what the vehicle takes",
            "mend the volume; its money is kept",
        ),
        Rule(
            "fill-big",
            "warn",
            "far more than the vehicle takes",
            "mend the volume, if it is not so",
        ),
        Rule("not-a-month", "set-aside", "not a month", "write it as YYYY-MM"),
        Rule(
            "unknown-jurisdiction",
            "warn",
            "no legal limits are known for this jurisdiction: none is used",
            "give its limits in table limits, or mend the name",
        ),
        Rule(
            "unknown-legal-class",
            "warn",
            "a legal class for which no legal limit is known: none is used for this vehicle",
            "give its limits in table limits, or mend the class",
        ),
        Rule(
            "known-later",
            "adjust",
            "ended after the report date, when it was still going on",
            "nothing, if the report date is right",
        ),
    )
}


def table_of(name):
    """The format's name of a table by the name of its file, sheet or table of a database; `name` in small letters where it has none."""
    plain = name.strip().casefold()
    return CALLED.get(plain, plain)


def column(table, name):
    """The `Column` of that name, or None where the format does not name it."""
    return next((c for c in TABLES[table] if c.name == name), None)


def si_name(col):
    """A column's name once its values are in SI: `odometer` becomes `odometer_km`, `new_depth` `new_depth_mm`."""
    return col.name + SI_SUFFIX.get(col.quantity, "")
