"""Quantities in words, text out of a log made harmless, tables for people and for spreadsheets."""

import html
import math
from html.parser import HTMLParser

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from nbconvert.filters import markdown2html

from wearbar.log.units import Units
from wearbar.report import tables
from wearbar.report.quantities import (
    MISSING,
    Show,
    clean,
    decimals_of,
    interval,
    listing,
    number,
    plain,
    plural,
    safe,
)

MILES = Show(Units(distance="mi", depth="mm", volume="L", pressure="psi", currency="GBP"))
METRIC = Show(Units(currency="EUR"))


@pytest.mark.parametrize(
    "low, high, decimals",
    [
        (1180, 1220, 0),  # half width 20: two digits
        (0.7, 0.9, 2),  # 0.10: two
        (11_800, 12_900, -2),  # 550: one
        (1000, 9000, -3),  # 4,000: one
        (71.2, 90.5, 0),  # 9.65, read as 10: two of that
        (0.0, 1.9e-9, 6),
        (3.0, 3.0, None),
        (math.nan, 3.0, None),
    ],
)
def test_an_interval_keeps_one_or_two_digits_of_its_half_width(low, high, decimals):
    assert decimals_of(low, high) == decimals


@pytest.mark.parametrize(
    "x, text",
    [
        (12_340, "12,340"),
        (0.12345, "0.123"),
        (3.0, "3"),
        (-0.0, "0"),
        (1e15, "1,000,000,000,000,000"),
        (1e-7, "0.000000"),
        (None, MISSING),
    ],
)
def test_numbers_as_print_has_them(x, text):
    assert number(x) == text


def test_rounding_to_tens():
    assert interval(11_843, 12_871, -1) == "11,840 to 12,870"
    assert number(-0.2, 0) == "0"


def test_counts_and_lists():
    assert [plural(n, "vehicle") for n in (0, 1, 1200)] == [
        "no vehicles",
        "1 vehicle",
        "1,200 vehicles",
    ]
    assert plural(2, "battery", "batteries") == "2 batteries"
    assert [listing("abc"[:n]) for n in range(4)] == ["", "a", "a and b", "a, b and c"]
    assert listing("abcdefgh", most=3) == "a, b and 6 more"


def test_quantities_in_miles():
    assert MILES.distance(19_859.3) == "12,340 mi"
    assert MILES.per_distance(0.21 / 1.609344) == "GBP 0.21 per mi"
    assert MILES.per_distance(0.0043 / 1.609344) == "GBP 0.0043 per mi"
    assert MILES.range(1609.344, 3218.688, "km") == "1,000 to 2,000 mi"
    assert MILES.range(None, 3218.688, "km") == "up to 2,000 mi"
    assert MILES.quantity(0.5, "mm_per_1000km") == "0.80 mm per 1,000 mi"
    assert MILES.quantity(6.894757293168361 * 30, "kpa") == "30 psi"
    assert MILES.quantity(2.8248093627967, "l_per_100km") == "100.0 miles per imperial gallon"


def test_quantities_in_kilometres():
    assert METRIC.distance(6.25) == "6.2 km"
    assert METRIC.money(1234.4) == "EUR 1,234"
    assert METRIC.money(12.5) == "EUR 12.50"
    assert METRIC.percent(0.873) == "87%"
    assert METRIC.percent(0.004) == "0.4%"
    assert METRIC.quantity(5.04, "l_per_100km") == "5.0 L/100 km"
    assert METRIC.date(pd.Timestamp("2026-10-31")) == "31 Oct 2026"
    assert METRIC.date(pd.NaT) == METRIC.distance(math.nan) == METRIC.days(None) == MISSING
    assert METRIC.days(1) == "1 day"


def test_an_interval_of_no_width_is_none():
    low, high = 0.1 + 0.2, 0.3
    assert METRIC.range(28.6, 28.6, "l_per_100km") == "28.6 L/100 km"
    assert interval(high, low) == "0.300"
    assert decimals_of(high, low) is None
    frame = pd.DataFrame(
        {
            "what": ["a", "b"],
            "l_per_100km": [7.06, 8.0],
            "low": [7.06, 8.0],
            "high": [7.06 + 1e-15, 8.0],
        }
    )
    heads = tables.heads_of(frame, {"what": "What", ("l_per_100km", "low", "high"): "Use"}, METRIC)
    assert rows_of(tables.html_of(frame, heads, "Fuel"))[-3:] == ["7.1", "b", "8.0"]


def test_use_by_a_hundred_of_the_readers_distance():
    frame = pd.DataFrame({"what": ["electric"], "per_100km": [20.0], "low": [19.0], "high": [21.0]})
    heads = tables.heads_of(
        frame, {"what": "What", ("per_100km", "low", "high"): "Use, kWh"}, MILES
    )
    cells = rows_of(tables.html_of(frame, heads, "Electricity"))
    assert cells[-3:] == ["Use, kWh (per 100 mi)", "electric", "32.2 (30.6 to 33.8)"]
    assert tables.csv_of(frame, heads).startswith("what,per_100mi,")


def test_fuel_economy_turns_an_interval_round():
    assert MILES.range(5.0, 6.5, "l_per_100km") == "43 to 56 miles per imperial gallon"


class _Tags(HTMLParser):
    def __init__(self):
        super().__init__()
        self.tags, self.words = [], []

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)

    def handle_data(self, data):
        self.words.append(data)


def tags_and_words(page):
    parser = _Tags()
    parser.feed(page)
    return parser.tags, "".join(parser.words).strip()


@given(st.text(max_size=60))
def test_text_out_of_a_log_stays_text_in_markdown(text):
    tags, words = tags_and_words(markdown2html(f"It says {safe(text)} here."))
    assert tags == ["p"]
    assert words == f"It says {clean(text)} here."
    assert tags_and_words(markdown2html(safe(text)))[0] in (["p"], [])


@pytest.mark.parametrize(
    "text",
    [
        "<script>x</script>",
        "**b**",
        "[a](http://x.example)",
        "http://x.example",
        "$x$",
        "1. a",
        "- a",
        "# a",
        "| a |",
        "`a`",
        "&lt;b&gt;",
        "{{ a }}",
        "a\n\n# b",
    ],
)
def test_markup_in_a_log_is_no_markup(text):
    tags, words = tags_and_words(markdown2html(safe(text)))
    assert (tags, words) == (["p"], " ".join(text.split()))
    assert plain(safe(text)) == " ".join(text.split())


def test_unseen_characters_are_dropped_and_long_text_is_cut():
    assert clean("a\u202eb\x00c") == "a b c"
    assert clean("x" * 500, 10) == "x" * 9 + "…"
    assert safe(None) == MISSING


FRAME = pd.DataFrame(
    {
        "vehicle": ["<b>B4</b>", "=1+1", None],
        "overrun_km": [160.9344, np.nan, 1609.344],
        "life_km": [16093.44, np.nan, np.nan],
        "low_km": [14484.096, np.nan, 8046.72],
        "high_km": [17702.784, np.nan, np.nan],
        "late_share": [0.5, 0.25, np.nan],
        "cost_per_km": [0.1, 0.2, 0.3],
        "last": pd.to_datetime(["2026-01-02", None, "2025-12-31"]),
        "open": [True, False, True],
    }
)
COLUMNS = {
    "vehicle": "Vehicle",
    "overrun_km": "Overrun",
    ("life_km", "low_km", "high_km"): "Life",
    "late_share": "Late",
    "cost_per_km": "Cost",
    "last": "Last",
    "open": "Open",
}


DAY = "2 Jan 2026".replace(" ", "\N{NO-BREAK SPACE}")


def rows_of(page):
    lines = page.replace("<th", "\n<td").replace("<td", "\n<td").splitlines()
    return [tags_and_words(line)[1] for line in lines if line.startswith("<td")]


def test_a_table_reads_in_the_readers_units():
    page = tables.html_of(FRAME, tables.heads_of(FRAME, COLUMNS, MILES), "Late & <long>")
    cells = rows_of(page)
    assert cells[1:8] == [
        "Vehicle",
        "Overrun (mi)",
        "Life (mi)",
        "Late (%)",
        "Cost (GBP per mi)",
        "Last",
        "Open",
    ]
    assert cells[8:15] == ["<b>B4</b>", "100", "10,000 (9,000 to 11,000)", "50", "0.16", DAY, "yes"]
    assert cells[15:22] == ["=1+1", "–", "–", "25", "0.32", "–", "no"]
    assert cells[22:25] == ["–", "1,000", "at least 5,000"]
    assert "<caption>Late &amp; &lt;long&gt;</caption>" in page
    assert page.count('scope="col"') == 7
    assert page.count('scope="row"') == 3


@pytest.mark.parametrize(
    "name, unit, told",
    [
        ("drawn_per_km", "money_per_km", "drawn_per_mi"),
        ("cost_per_km", "money_per_km", "cost_per_mi"),
        ("cost", "per_1000km", "cost_per_1000mi"),
        ("ends_per_1000km", "per_1000km", "ends_per_1000mi"),
        ("left_km", "km", "left_mi"),
    ],
)
def test_a_column_of_a_file_has_its_unit_once(name, unit, told):
    frame = pd.DataFrame({name: [1.0]})
    heads = tables.heads_of(frame, {name: ("What", unit)}, MILES)
    assert tables.csv_of(frame, heads).splitlines()[0] == told


def test_two_days_are_a_range_and_a_file_keeps_a_unit_that_is_not_turned():
    days = pd.to_datetime(["2026-01-02", None])
    frame = pd.DataFrame(
        {"what": ["a", "b"], "low": days, "high": days + pd.Timedelta(days=3), "past_days": [3, 4]}
    )
    heads = tables.heads_of(
        frame, {"what": "What", ("low", "high"): "Between", "past_days": ("Past, days", "")}, MILES
    )
    assert rows_of(tables.html_of(frame, heads, "Ranges"))[-6:] == [
        "a",
        f"{DAY} to {DAY.replace('2', '5', 1)}",
        "3",
        "b",
        "–",
        "4",
    ]
    assert tables.csv_of(frame, heads).splitlines()[:2] == [
        "what,low,high,past_days",
        "a,2026-01-02,2026-01-05,3",
    ]


def test_a_long_table_keeps_the_rest_behind_a_summary():
    frame = pd.DataFrame({"at": range(40)})
    page = tables.html_of(frame, tables.heads_of(frame, None, METRIC), "All", rows=15)
    assert "<summary>Show the other 25 rows</summary>" in page
    assert page.count("<caption>") == 2
    assert page.count('scope="row"') == 40


def test_a_table_ends_with_its_sums_where_its_rows_fold():
    frame = pd.DataFrame({"who": [f"v{i}" for i in range(20)], "spent_amount": 2.5, "rate": 4.0})
    heads = tables.heads_of(frame, None, METRIC)
    total = tables.all_of(frame, heads, ["spent_amount"], {"rate": 3.0, "not_shown": 1})
    page = tables.html_of(frame, heads, "All", total=total)
    first, rest = page.split("<details")
    assert rows_of(first)[-3:] == ["all", "50.00", "3"]
    assert ">all<" not in rest
    assert tables.csv_of(total, heads).splitlines() == ["who,spent_amount,rate", "all,50,3"]
    for few in (frame.head(1), frame.head(0)):  # what one row says needs no sum
        assert tables.all_of(few, heads, ["spent_amount"], {}).empty


def test_intervals_that_are_all_refused_warn_of_nothing():
    frame = pd.DataFrame(
        {"what": ["a"], "life_km": [np.nan], "low_km": [12.0], "high_km": [np.nan]}
    )
    page = tables.html_of(
        frame,
        tables.heads_of(frame, {"what": "What", ("life_km", "low_km", "high_km"): "Life"}, METRIC),
        "Lives",
    )
    assert rows_of(page)[-1] == "at least 12"


def test_a_spreadsheet_gets_every_row_in_the_readers_units_and_no_formula():
    text = tables.csv_of(FRAME, tables.heads_of(FRAME, COLUMNS, MILES))
    head, first, second, third = text.splitlines()
    assert head == "vehicle,overrun_mi,life_mi,low_mi,high_mi,late_share,cost_per_mi,last,open"
    assert first == "<b>B4</b>,100,10000,9000,11000,0.5,0.160934,2026-01-02,yes"
    assert second == "'=1+1,,,,,0.25,0.321869,,no"
    assert third == ",1000,,5000,,,0.482803,2025-12-31,yes"


@pytest.mark.parametrize(
    "text", ["=1+1", "+1", "-2+3", "@SUM(A1)", "＝1+1", "＋1", "－2", "＠SUM(A1)", "|x", "%y"]
)
def test_no_cell_of_a_spreadsheet_begins_a_formula(text):
    frame = pd.DataFrame({"what": [text]})
    assert (
        tables.csv_of(frame, tables.heads_of(frame, None, MILES)).splitlines()[1].lstrip('"')
        == f"'{text}"
    )


@given(
    st.lists(st.text(max_size=20), min_size=1, max_size=3),
    st.floats(allow_nan=True, allow_infinity=True),
)
def test_no_cell_prints_a_machine_value(texts, x):
    frame = pd.DataFrame({"what": [clean(t) for t in texts], "n": x, "a_km": x})
    page = html.unescape(
        "".join(
            rows_of(
                tables.html_of(
                    frame[["n", "a_km"]], tables.heads_of(frame[["n", "a_km"]], None, MILES), "All"
                )
            )
        )
    )
    assert not any(word in page.lower() for word in ("nan", "inf", "e+", "e-", "none"))


def test_a_view_names_columns_in_order_and_leaves_out_what_no_row_has(tmp_path, monkeypatch):
    monkeypatch.setattr(tables.places, "place", lambda _, *parts: tmp_path.joinpath(*parts))
    (tmp_path / "words").mkdir()
    (tmp_path / "words" / "r.md.j2").write_text(
        "{% block all_why %}{{ why and 'because of ' ~ why }}{% endblock %}"
    )
    (tmp_path / "tables").mkdir()
    (tmp_path / "tables" / "r.toml").write_text(
        'heads = {"cost low high" = ["Cost", "money_per_km"], n = "Parts, by {distance}"}\n'
        '[kind]\ncaption = "By kind"\ncolumns = ["set_aside", "cost low high", "n", "why?"]\n'
        'heads = {n = "Vehicles"}\n[all]\nname = ""\ncaption = "All"\ncolumns = ["n", "why?"]\n'
    )
    frame = pd.DataFrame({"why": ["", None]})
    told = tables.view_of("r", "kind", frame, MILES)
    assert told.pop("frame").equals(frame)
    assert told == {
        "name": "kind",
        "caption": "By kind",
        "columns": {
            "set_aside": "Set aside",
            ("cost", "low", "high"): ("Cost", "money_per_km"),
            "n": "Vehicles",
        },
    }
    told = tables.view_of("r", "all", frame.assign(why="x"), MILES)
    assert told["columns"] == {"n": "Parts, by mi", "why": "Why"}
    assert told["frame"]["why"].tolist() == ["because of x"] * 2
    assert told["name"] == ""
