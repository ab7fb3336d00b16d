"""A year that lacks a standing cost is named."""

import pandas as pd
import pytest

from wearbar.cost import account as money
from wearbar.log import log_of
from wearbar.log.units import Units
from wearbar.report.quantities import Show
from wearbar.report.template import words_of

SHOW = Show(Units(currency="EUR"))


def log_with(*rows):
    """One van from 2022 to 2025, with these rows of fixed costs (category, from, to, amount)."""
    tables = {
        "vehicles": [
            {"vehicle": "V", "kind": "van", "in_service": "2022-01-01", "in_service_odometer": 0}
        ],
        "odometer": [
            {"vehicle": "V", "date": f"{y}-{m:02d}-01", "odometer": 12000 * (y - 2022) + 1000 * m}
            for y in range(2022, 2026)
            for m in range(1, 13)
        ],
        "fixed_costs": [
            dict(zip(("category", "from", "to", "amount"), row, strict=True), vehicle="V")
            for row in rows
        ],
    }
    header = {
        "distance": "km",
        "as_of": "2025-12-31",
        "first_day": "2022-01-01",
        "money": "net",
        "currency": "EUR",
    }
    return log_of({name: pd.DataFrame(part) for name, part in tables.items() if part}, header)


def gaps(log):
    return money.fixed_gaps(log, money.account(log).vehicles)


def years(category, *which):
    return [(category, f"{y}-01-01", f"{y}-12-31", 900) for y in which]


def test_an_insurance_that_lapsed_is_named_with_its_year():
    found = gaps(
        log_with(
            *years("insurance", 2022, 2023, 2024),
            ("insurance", "2025-01-01", "2025-03-31", 225),
            *years("tax", 2022, 2023, 2024, 2025),
        )
    )
    assert found.to_numpy().tolist() == [[2025, "insurance", 1, 275]]
    assert words_of("running_cost")("fixed_gaps", gaps=found.to_dict("records")) == (
        "No insurance is on record for 1 vehicle in 2025 (275 days). "
        "Costs look lower than they were where a fixed cost is missing."
    )


def test_a_year_without_any_before_it_began_is_a_gap_too():
    assert gaps(log_with(*years("insurance", 2023, 2024, 2025)))["year"].tolist() == [2022]


@pytest.mark.parametrize(
    "rows",
    [
        [],
        years("insurance", 2022, 2023, 2024, 2025),
        [("insurance", "2022-01-01", "2025-12-10", 3600)],
        [("winch", "2023-05-01", "2023-05-01", 700)],
        [*years("insurance", 2022, 2023), ("insurance", "2023-06-01", "2025-12-31", 2000)],
    ],
)
def test_what_is_whole_short_or_never_yearly_is_no_gap(rows):
    assert gaps(log_with(*rows)).empty
    assert (
        words_of("running_cost")("fixed_gaps", gaps=gaps(log_with(*rows)).to_dict("records")) == ""
    )
