"""The words that head columns of people's sheets, and which of the format's columns and tables they tell of."""

import re

from wearbar.log import schema

__all__ = ["MONEY", "NAMES", "TELLING", "WHEN", "heading", "quantity_of", "tables_of"]

# the first whose words stand in a heading wins; "" is worked out from others, or is no reading of an instrument
_UNIT = r"l|ltrs?|lit(re|er)s?|gals?|gallons?|kwh|unit"
_WORDS = {
    "unit_price": rf"(price|cost|pence|cents?|p) ?(per|/|each|a) ?({_UNIT})|({_UNIT}) (price|cost)|ppl|price each",
    "": r"per|each|rate|mpg|kmpl|consumption|average|since|trip|distance|balance|next|due|l/100|km/l|mi/gal|/100",
    "unrecorded_before": r"missed",
    "removed_odometer": r"(removed|off) (at|odo\w*|km|miles|mileage)|(odo\w*|km|miles|mileage) (when )?(removed|off)",
    "fitted_odometer": r"fitted (at|odo\w*|km|miles|mileage)|(odo\w*|km|miles|mileage) (when )?fitted",
    "removed": r"(date )?(removed|taken off)",
    "in_service": r"in service|first registered|on the road",
    "acquired": r"acquired|bought|purchase date",
    "valid_to": r"valid|expir\w*",
    "filled_to": r"full|tank full|fill level",
    "volume": r"(fuel|diesel|petrol) (l|ltrs?|gals?)|lit(re|er)s?|litros|liter|gallons?|volume|kwh|fuel quantity|quantity filled",
    "labour_hours": r"labou?r hours|hours worked",
    "labour_cost": r"labou?r",
    "parts_cost": r"parts|materials?",
    "tax": r"vat|tax|gst",
    "invoice": r"invoice|receipt",
    "done_by": r"done by|by whom|garage|workshop|mechanic",
    "date": r"date|day|when|datum|fecha|data|fitted",
    "odometer": r"odo\w*|mileage|miles|reading|kms?|kilomet\w+|clock",
    "hours": r"hours?|hour meter|hrs",
    "vehicle": r"^which$|vehicle|registration|reg|bike|car|van|truck|plate|machine|fahrzeug|v[ée]hicule",
    "kind": r"kind|type|^fuel$",
    "site": r"site|base|depot|location",
    "task": r"task|work|job|service|repair|description|done",
    "position": r"position|wheel|axle|where",
    "value": r"depth|tread|thickness|pressure|slack|elongation|measured",
    "item": r"item|product|tyres?|tires?|make",
    "cost": r"cost|price|total|amount|paid|spent|betrag|kosten|prix|importe",
    "result": r"result|outcome",
    "reason": r"reason|why",
    "note": r"notes?|remarks?|comments?",
}
_WORDS = {column: re.compile(rf"(?<!\w)(?:{words})(?!\w)") for column, words in _WORDS.items()}
NAMES = {col.name for columns in schema.TABLES.values() for col in columns}

# what a sheet must show before it is taken for a table, the most telling first: of two that take as many columns, the first
TELLING = {
    "fuel": {"volume"},
    "measurements": {"value"},
    "fitted": {"item"},
    "work": {"task"},
    "vehicles": {"kind", "vehicle"},
    "odometer": {"odometer"},
}
MONEY = {
    "work": "other_cost",
    "fuel": "cost",
    "fitted": "price",
    "vehicles": "price",
    "fixed_costs": "amount",
}
WHEN = {
    "fitted": "fitted",
    "vehicles": "in_service",
    "fixed_costs": "from",
    "use": "from",
    "defects": "found",
}


def heading(text, table=""):
    """The column of the format that a heading tells of, or "". One that is a column's own name is that column, if the table has it."""
    low = " ".join(
        re.sub(r"[^\w/]+", " ", re.sub(r"[£€$¥] ?(?=/|per\b)", " price ", text.casefold())).split()
    )
    own = low.replace(" ", "_")
    if own in NAMES and (not table or schema.column(table, own)):
        return own
    return next((column for column, words in _WORDS.items() if words.search(low)), "")


def tables_of(title, found):
    """The tables that a sheet of this title with these columns may be, the most telling first."""
    if schema.table_of(title) in schema.TABLES:
        return [schema.table_of(title)]
    return [table for table, needs in TELLING.items() if needs <= set(found)]


def quantity_of(text):
    """The quantity of a measurement that a heading tells of, or ""."""
    low = text.casefold().replace("tread", "depth")
    return next((quantity for quantity in schema.MEASURED if quantity in low), "")
