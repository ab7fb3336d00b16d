"""What a log must hold to: one rule a line, with what becomes of a row that breaks it and how to correct it."""

from dataclasses import dataclass


@dataclass(frozen=True)
class Rule:
    """What a log must hold to.

    severity: "set-aside" (the row), "cell" (the cell is read as blank and the row kept, but where
        `Column.must_read` the row is set aside), "adjust" (the cell is read as blank and the row
        kept), "warn" (kept as it is). says: what is wrong. mend: what would mend it.
    """

    code: str
    severity: str
    says: str
    mend: str


# code | severity | what is wrong | how to correct it
_RULES = """
required | set-aside | a cell that must be filled is blank | fill it in
not-a-date | cell | not a date | write it as YYYY-MM-DD
date-range | cell | a date outside the years 1900 to 2199 | mend the year
not-a-number | cell | not a number | write digits and a decimal point alone, without unit or separator
out-of-range | cell | a number outside the range of its column | mend the number
unknown-code | cell | not one of the column's codes | use one of the codes
not-yes-no | cell | neither yes nor no | write yes or no
not-utf-8 | warn | characters that could not be read as UTF-8 | save the file as UTF-8 and type the cell again
invisible | warn | characters that cannot be seen: control, zero-width or direction marks | type the cell again
row-length | set-aside | more cells than the header has | put text that holds a comma in double quotes
row-short | warn | fewer cells than the header has; those missing are read as blank | fill in the row
open-quote | set-aside | a quote that is not closed in its own row: rows below it would be inside this cell | close or delete it
unknown-column | warn | a column that the format does not name: kept, and not used | rename or delete it, or leave it
unknown-table | warn | not a table of a log: not read | rename it after a table of the format, or leave it
unit-not-said | warn | the header does not say the unit or currency of what the log holds | say it in log.toml
repeated-id | set-aside | an id that stands earlier in the table | give it an id of its own, or delete the row
unknown-vehicle | set-aside | a vehicle that is not in table vehicles | add it to vehicles, or mend the name
vehicle-set-aside | set-aside | its vehicle is set aside | mend the vehicle's row
same-row | warn | alike in every column to a row above | delete one, if it is one event
same-reading | set-aside | alike in every column to a row above: one reading or fill typed twice | delete one
odometer-back | adjust | the odometer would go back: the readings around contradict it | mend the reading or its date
daily-distance | adjust | more than the vehicle can cover in the days between | mend the reading or its date
hours-back | adjust | the hour meter would go back, or run more than 24 hours a day | mend the reading or its date
no-value | set-aside | neither of two cells of which one must be filled is | fill in one of them
unit-lacking | set-aside | a quantity of one's own without a unit | fill in unit
ends-first | set-aside | ends before it begins | mend one of the two dates
before-service | set-aside | long before the vehicle was in service | mend the date, or the vehicle's in_service
after-disposal | warn | after the vehicle left | mend the date, or the vehicle's disposed
future | warn | a day that has not come yet: counted after the report date | mend the date, if it is past
periods-overlap | warn | begins before the period above it, of the same vehicle, ends | mend one of the dates
reason-no-removal | warn | a reason for removal without a date: read as still on | say when it was removed
visit-shared | warn | one visit for two vehicles | give each vehicle's visit a number of its own
unknown-defect | warn | a defect that is not in table defects | mend the number
task-near | warn | planned work that comes near a task of the plan and counts as none | add it to that task's `also`
spans-overlap | warn | still on when the next was fitted in its place | say when it was removed
depth-above-new | cell | deeper than the part was when new | mend the depth
depth-slip | cell | a depth several times those around it | mend the depth
depth-rises | warn | a depth that rises while the same part is on | mend the depth, or say when the part was changed
depth-impossible | cell | deeper or thicker than any part | mend the depth
depth-unlike | cell | several times as deep as its like | mend the depth
pressure-odd | warn | a pressure that no such tyre runs at | mend the pressure, or see to the tyre
figure-odd | warn | a figure of the plan that no such vehicle has | look it up in the maker's handbook
distance-high | cell | more distance than the vehicle can cover in the period | mend the distance
money-wild | cell | an amount more than a thousand times its like | mend the amount
money-high | warn | an amount far above its like | mend the amount, if it is not so
hours-high | warn | far more hours than its like | mend the hours, if they are minutes
fuel-price | warn | a price of one unit of fuel far from the others | mend the cost or the volume
cost-differs | warn | another cost than unit_price times volume | mend one of the three
cost-is-price | warn | a cost that does not grow with the volume | if it is the price of one unit, name it unit_price
fill-zero | adjust | a fill of nothing | fill in the volume; its money is kept
fill-too-big | adjust | several times what the vehicle takes | mend the volume; its money is kept
fill-big | warn | far more than the vehicle takes | mend the volume, if it is not so
not-a-month | set-aside | not a month | write it as YYYY-MM
unknown-jurisdiction | warn | no legal limits are known for this jurisdiction: none is used | give its limits in table limits, or mend the name
unknown-legal-class | warn | a legal class for which no legal limit is known: none is used for this vehicle | give its limits in table limits, or mend the class
known-later | adjust | ended after the report date, when it was still going on | nothing, if the report date is right
"""  # noqa: E501

RULES = {line.split(" | ")[0]: Rule(*line.split(" | ")) for line in _RULES.strip().splitlines()}
