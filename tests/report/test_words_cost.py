"""Sentences and pictures of cost: true and printable for empty, tiny and whole logs."""

import json
import re
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
import seaborn as sns

from wearbar import usage
from wearbar.cost import account as money
from wearbar.cost import ageing, bills, fuel, household, keeping
from wearbar.cost import per_distance as cost
from wearbar.cost.ageing import RepairTrend
from wearbar.log import log_of, places, read_log
from wearbar.report.charts import style
from wearbar.report.quantities import Show, plain
from wearbar.report.report import Report
from wearbar.report.template import words_of
from wearbar.report.words import cost as wording
from wearbar.stats.estimate import Estimate
from wearbar.stats.recurrence import Trend

HEADER = {
    "distance": "mi",
    "volume": "L",
    "currency": "GBP",
    "first_day": "2024-01-01",
    "as_of": "2024-12-31",
}
ONE = {
    "vehicles": {
        "vehicle": ["A"],
        "kind": ["motorcycle"],
        "in_service": ["2024-01-01"],
        "price": [5000],
    },
    "odometer": {
        "vehicle": ["A", "A"],
        "date": ["2024-01-01", "2024-12-31"],
        "odometer": [0, 5000],
    },
}
VISITS = {
    "vehicle": ["A"] * 3,
    "date": ["2024-03-01", "2024-07-01", "2024-11-01"],
    "odometer": [900, 2500, 4000],
    "task": ["oil"] * 3,
    "why": ["planned", "planned", "defect"],
}
TYRES = {
    "vehicle": ["A"] * 2,
    "position": ["front", "rear"],
    "category": ["tyre"] * 2,
    "item": ["<b>x*"] * 2,
    "fitted": ["2024-05-01"] * 2,
}
TRAILER = {"vehicle": ["A"], "kind": ["trailer"], "in_service": ["2024-01-01"], "meter": ["none"]}
FILLS = {
    "vehicle": ["A"] * 3,
    "date": ["2024-03-01", "2024-04-01", "2024-05-01"],
    "odometer": [1000, 1100, 1200],
    "volume": [10, 11, 12],
}

LOGS = {
    "bare": (ONE, {}),
    "tiny": (
        {
            **ONE,
            "work": {**VISITS, "parts_cost": [40, 12, None]},
            "fitted": {**TYRES, "price": [80, 110]},
        },
        {"money": "gross"},
    ),
    "no meter": (
        {"vehicles": TRAILER, "work": {**VISITS, "odometer": [None] * 3, "labour_cost": [1, 2, 3]}},
        {"money": "net"},
    ),
    "credit": ({**ONE, "work": {**VISITS, "labour_cost": [-500, 20, 0]}}, {"money": "net"}),
    "electric": (
        {**ONE, "fuel": {**FILLS, "kind": ["electric"] * 3, "cost": [3, 3, None]}},
        {"money": "net"},
    ),
    "hours beside": (
        {
            "vehicles": {
                "vehicle": ["A", "D"],
                "kind": ["van", "plant"],
                "in_service": ["2024-01-01"] * 2,
                "meter": ["distance", "hours"],
                "price": [9000, None],
            },
            "odometer": {
                "vehicle": ["A", "A", "D"],
                "date": ["2024-01-01", "2024-12-31", "2024-06-01"],
                "odometer": [0, 5000, None],
                "hours": [None, None, 90],
            },
            "work": {
                **VISITS,
                "vehicle": ["A", "A", "D"],
                "odometer": [900, 2500, None],
                "labour_cost": [100, 100, 300],
            },
            "valuations": {"vehicle": ["A"], "date": ["2024-12-31"], "value": [8000]},
        },
        {"money": "net", "distance": "km"},
    ),
    "fleet": ("fleet", None),
    "owner": ("owner", None),
}


def log_from(tables, header):
    if isinstance(tables, str):
        return read_log(places.place("data", tables))
    return log_of({name: pd.DataFrame(t) for name, t in tables.items()}, {**HEADER, **header})


def log_named(name):
    return log_from(*LOGS[name])


NOTEBOOK = json.loads(places.place("notebooks", "running_cost.ipynb").read_text(encoding="utf-8"))
CELLS = {cell["id"]: "".join(cell["source"]) for cell in NOTEBOOK["cells"]}


def drawn(cell, **names):
    """The size of the figure that a cell of the notebook draws; None where it draws none."""
    names |= {"pd": pd, "np": np, "sns": sns, "style": style}
    exec(CELLS[cell], names)
    return len(style.png(names["figure"])) if "figure" in names else None


def run(log, book, *cells, **names):
    """What these cells of the notebook make of a log, by name."""
    names |= {"report": SimpleNamespace(log=log, whole=log, confidence=0.9), "account": book}
    names["labour_rate"] = 0.0
    for cell in ("open", *cells):
        exec(CELLS[cell].partition("report = reports.open")[0], names)
    return names


def told(tables, header):
    """Every sentence of the report on a log, and its pictures drawn."""
    log = log_from(tables, header)
    _readings, show = usage.readings(log), Show(log.units)
    book = money.account(log)
    total, values = cost.total_per_km(book), money.value_points(log)
    by = {name: cost.cost_per_km(book, name) for name in ("category", "kind")}
    vehicles, kind_of = cost.by_vehicle(book), book.vehicles.set_index("vehicle")["kind"]
    tanks = fuel.tanks(log)
    economy, quarters = (
        fuel.fuel_economy(fuel.liquid(tanks)),
        fuel.economy_by_quarter(fuel.liquid(tanks), kind_of),
    )
    visits, periods = (
        ageing.repair_visits(book, log),
        ageing.observed_periods(book, log),
    )
    curves = ageing.cost_by_kind(visits, periods, kind_of)
    born = log.vehicles["in_service"]
    kept = keeping.cheapest_ages(book.vehicles, book.lines, periods, values, born)
    ages = [k.curve.assign(kind=k.kind, best_years=k.best.value) for k in kept]
    ages = pd.concat(ages) if ages else pd.DataFrame()
    doubles, words = bills.double_entries(log), wording.words_in(show)
    usual = vehicles.groupby("kind")["km_per_year"].transform("median")
    little = vehicles.loc[vehicles["km_per_year"] < 0.6 * usual, "vehicle"].tolist()
    gone = book.vehicles["disposal"].isin(["written-off", "stolen"]).sum()
    fixed = cost.cost_per_km(book, "is_fixed")
    priced = by["category"].query("amount != 0 and cost_per_km == cost_per_km")
    used = quarters.groupby("vehicle_kind")["l_per_100km"].agg(["min", "max"]).reset_index()
    kinds = [
        {"kind": kind, "first": curve.iloc[0], "last": curve.iloc[-1], **curve.attrs}
        for kind, curve in curves.items()
    ]
    pictures = {
        "vehicles": drawn("vehicles-figure", by_vehicle=vehicles, show=show),
        "repairs": drawn("repairs-figure", curves=curves, visits=visits, show=show),
        "keeping": drawn("keeping-figure", keeping=ages, show=show),
    }
    made = run(log, book, "home", "prices", "used", "month", "use", kind_of=kind_of)
    stock, months, is_real = (made[name] for name in ("stock", "months", "is_real"))
    off = book.lines["amount"].sum() - made["used"]["amount"].sum() - stock["left_amount"].sum()
    by_use = {"cost": made["cost_times"], "fuel": made["fuel_times"], "p": made["use_p"]}
    by_use["n"] = len(book.vehicles)
    said = {
        "months": words("months", months=months, stock=stock),
        "prices": words("prices", prices=made["prices"], is_real=is_real),
        "own work": words("own_work", hours=3.25, rate=20.0, by=made["own_by"], n=1),
        "all in": " ".join(words("all_in", **row) for row in made["all_in"].to_dict("records")),
        "lacks": words(
            "home_lacks",
            lapsed=household.lapsed(log),
            unread=household.unread(log, periods),
            missed=fuel.missed(log).to_dict("records"),
        ),
        "fuel moves": words(
            "home_fuel", economy=made["economy"], moves=made["fuel_moves"].to_dict("records")
        ),
        "use": words("by_use", **by_use),
        "used": words("used_how", stock=stock, off=off),
        "headline": wording.headline(total, book, show)[0],
        "basis": words("basis", account=book, shares=bills.known_shares(book.lines)),
        "range": words("range", total=total),
        "fixed": words("fixed", share=fixed.loc[fixed["is_fixed"], "share"].sum()),
        "categories": wording.categories(by["category"], show),
        "largest": words("largest", bill=cost.largest_bill(book)),
        "kinds": words(
            "apart", what="kind", table=by["kind"], apart=cost.differences(book, "kind")
        ),
        "sites": words(
            "apart", what="site", table=cost.by_site(book), apart=cost.differences(book, "site")
        ),
        "vehicles": words("vehicles", n=len(vehicles), little=little, many=wording.MANY),
        "years": words(
            "years",
            table=cost.by_year(book),
            moved=cost.change_of_years(book),
            is_real=is_real,
        ),
        "worth": words(
            "value",
            loss=money.depreciation_per_km(book),
            owning=money.owning_per_km(book),
            account=book,
        ),
        "lost": words("gone", n=gone, settled=values["basis"].eq("settlement").any()),
        "fuel": words("fuel", table=economy, tanks=tanks),
        "repairs": words("repairs", kinds=kinds),
        "repairs in full": words("repairs_how", kinds=kinds),
        "trend": words("trend", found=ageing.repair_trend(visits, periods)),
        "replace": wording.replace(kept, show)[0],
        "keeping": wording.keeping(kept, show),
        "doubles": words("doubles", n=len(doubles), price=doubles["price"].sum()),
        "alt categories": words(
            "alt_categories", table=priced.sort_values("cost_per_km", ascending=False)
        ),
        "alt vehicles": words("alt_vehicles", costs=vehicles["cost_per_km"]),
        "alt fuel": words("alt_fuel", kinds=used),
        "alt repairs": words("alt_repairs", kinds=kinds),
        "alt keeping": words("alt_kept", kept=kept),
    }
    pictures = {name: size for name, size in pictures.items() if size}
    return {name: plain(text) for name, text in said.items()} | {"pictures": pictures}


@pytest.fixture(scope="module", params=LOGS)
def said(request):
    return request.param, told(*LOGS[request.param])


def test_every_sentence_is_printable(said):
    for name, text in said[1].items():
        if name != "pictures":
            assert not re.search(
                r"\bnan\b|None|\binf\b|\de[+-]\d|<(?!b>x\*)|  |\.\.|\.[A-Z]| [,.:;]|\b1 \w+s (was|were|are)\b",
                text,
            ), f"{name}: {text}"
            assert text == text.strip(), name


def test_pictures_are_drawn_where_there_is_something(said):
    name, texts = said
    assert all(size > 5000 for size in texts["pictures"].values())
    want = {
        "bare": set(),
        "tiny": {"repairs"},
        "fleet": {"vehicles", "repairs", "keeping"},
    }
    assert set(texts["pictures"]) == want.get(name, set(texts["pictures"]))


def test_net_or_gross_is_said_or_its_lack():
    assert "does not say whether its money is net or gross" in told(*LOGS["bare"])["basis"]
    tiny = told(*LOGS["tiny"])
    assert "recoverable tax included" in tiny["headline"]
    assert "100% of 2 fitted parts and 67% of 3 workshop rows" in tiny["basis"]
    assert "the true cost is higher" in tiny["basis"]


def test_money_of_what_counts_no_distance_is_in_the_sums_alone():
    beside = told(*LOGS["hours beside"])
    assert "A kilometre cost GBP 0.04" in beside["headline"]
    assert (
        "GBP 200 on 2 vehicles over 5,000 km. Days of unknown distance add GBP 300."
        in beside["headline"]
    )
    assert (
        "D counts hours only: that spending is in the sums and the cost of a day only"
        in beside["basis"]
    )
    assert beside["vehicles"].startswith("A little-used vehicle costs more a kilometre")
    assert beside["worth"].startswith(
        "Loss in value cost GBP 0.20 a kilometre. A, of 2 vehicles, lost GBP 1,000"
    )
    assert (
        "Spending and loss in value together come to GBP 0.24 a kilometre. The loss of D is not known"
        in beside["worth"]
    )


def test_refusals_are_in_words():
    bare = told(*LOGS["bare"])
    assert "holds no money" in bare["headline"]
    assert bare["repairs"].startswith("The log holds no unplanned visits")
    assert bare["vehicles"].startswith("There is one vehicle")
    no_meter = told(*LOGS["no meter"])
    assert "no vehicle has a distance meter" in no_meter["headline"]
    assert "A has no meter: that spending is in the sums" in no_meter["basis"]
    electric = told(*LOGS["electric"])
    assert "too few rows have their money" in electric["headline"]
    assert "No liquid fuel is on record" in electric["fuel"]


def test_parts_are_spread_and_money_stands_in_constant_prices():
    """Prices of July are 1.21 times those of January, and one year's money stands in them."""
    index = {"month": ["2024-01", "2024-03", "2024-07"], "index": [100.0, 110.0, 121.0]}
    tables = LOGS["tiny"][0] | {"price_index": index}
    tiny, log = told(tables, {}), log_from(tables, {})
    assert tiny["prices"].startswith("Months, years and hard use are here in prices of 2024-07")
    made = run(log, money.account(log), "home", "prices", "used", "month")
    paid = 40 * 1.1 + 190 * 1.1**0.5 + 12  # March, May, July
    assert made["months"]["paid_amount"].sum() == pytest.approx(paid)
    assert made["stock"]["amount"].tolist() == [80, 110]
    late = LOGS["tiny"][0] | {"price_index": {"month": ["2024-06"], "index": [100.0]}}
    assert told(late, {})["prices"] == (
        "The price index begins after the first money, so all money stays as paid."
    )


def test_the_last_year_is_paid_at_the_rates_that_log_toml_states():
    """Robin's year to its last reading; above 10,000 km at the second rate."""
    log = replace(
        log_named("owner"), mileage_rates={"car": [{"to": 10000, "rate": 0.4}, {"rate": 0.2}]}
    )
    made = run(log, money.account(log), "home")
    (row,) = made["year"].to_dict("records")
    read = usage.readings(log).query("vehicle == 'Robin'").set_index("date")["distance_km"]
    days = pd.Timestamp("2026-10-28") - pd.Timedelta(days=365), pd.Timestamp("2026-10-28")
    km = np.diff(np.interp([day.value for day in days], read.index.astype("int64"), read))[0]
    assert row["km"] == pytest.approx(km, abs=2)
    assert row["paid_amount"] == pytest.approx(4000 + 0.2 * (row["km"] - 10000))
    said = plain(wording.words_in(Show(log.units))("mileage", **row))
    assert said.startswith("At the rates in log.toml, the 11,")
    assert "km of Robin in the year to 28 Oct 2026 would be paid EUR 4,36" in said
    assert "They cost EUR 3,23" in said


class TestUse:
    def said(self, cost, fuel, p):
        made = (Estimate(*x, 0.9, 40) for x in (cost, fuel))
        words = wording.words_in(Show())
        return plain(words("by_use", **dict(zip(("cost", "fuel"), made, strict=True)), p=p, n=40))

    def test_a_difference_is_claimed_or_denied_by_its_test(self):
        both = self.said((1.2, 1.1, 1.31), (1.05, 1.01, 1.09), [0.01, 0.2])
        assert "In hard use a kilometre costs 20% more than in normal use (10 to 31%)." in both
        assert "No clear difference in fuel use is shown" in both
        assert "(1% more to 9% more)" in both
        less = self.said((0.8, 0.7, 0.9), (np.nan,) * 3, [0.01, np.nan])
        assert "a kilometre costs 20% less than in normal use (10 to 30%)." in less
        assert "not enough data to say whether hard use changes fuel use" in less
        none = self.said((np.nan,) * 3, (np.nan,) * 3, [np.nan] * 2)
        assert none.startswith("There is not enough data to say whether hard use costs more.")


class TestTrend:
    def said(self, p, z=1.0, free=0, n=40):
        test = Trend(z, p, "robust", "needs four events")
        return plain(wording.words_in(Show())("trend", found=RepairTrend(test, 1.2, 2.0, n, free)))

    def test_which_way(self):
        assert "more often as a vehicle ages" in self.said(0.01)
        assert "less often as a vehicle ages" in self.said(0.01, -2.0)
        assert "do not come clearly more or less often as a vehicle ages (p = 0.4" in self.said(0.4)
        assert "more often with age: it needs four events" in self.said(np.nan)

    def test_work_under_warranty_is_named(self):
        assert "warranty" in self.said(0.01, free=3)
        assert "warranty" not in self.said(0.01)


class TestReplace:
    def kept(self, best, cost_at):
        ages = np.arange(1, 9) * 1.0
        curve = pd.DataFrame({"age_years": ages, "cost_per_year": cost_at(ages)})
        estimate = Estimate(best, np.nan, np.nan, 0.9, 12, unit="years", note="still falling")
        clear = curve["cost_per_year"].iloc[-1] > 1.05 * curve["cost_per_year"].min()
        return keeping.Keeping(
            "van", estimate, curve, (4.0, 5.0), 0.2, 20000.0, 900.0, is_clear=clear
        )

    def test_an_age_that_stands_out(self):
        kept = self.kept(4.0, lambda a: 1000 + 60 * (a - 4) ** 2)
        assert "replacing costs least for van at about 4.0 years" in plain(
            wording.replace([kept], Show())[0]
        )
        assert "a year costs least at about 4.0 years (" in plain(wording.keeping([kept], Show()))
        assert "no reason to defer work" in plain(wording.keeping([kept], Show()))

    def test_one_that_does_not(self):
        flat = self.kept(4.0, lambda a: 1000 + (a - 4) ** 2)
        assert "No age stands out for van" in wording.replace([flat], Show())[0]
        assert "Other ages may be as cheap" in wording.keeping([flat], Show())
        assert (
            "No age stands out for van"
            in wording.replace([self.kept(1.0, lambda a: 1000 + 100 * a)], Show())[0]
        )

    def test_one_not_reached_yet(self):
        kept = self.kept(np.nan, lambda a: 2000 - 100 * a)
        assert "a year still gets cheaper with age for van (to 8.0 years)" in plain(
            wording.replace([kept], Show())[0]
        )
        assert "still gets cheaper up to 8.0 years" in plain(wording.keeping([kept], Show()))


def test_a_hostile_name_is_text():
    bill = pd.Series(
        {"vehicle": "<script>*x*", "date": pd.Timestamp("2024-05-01"), "amount": 10.0, "share": 0.5}
    )
    text = wording.words_in(Show())("largest", bill=bill)
    assert "<" not in text
    assert "*" not in text


def cells():
    """id to source of the computing cells of the notebook."""
    book = json.loads(places.place("notebooks", "running_cost.ipynb").read_text(encoding="utf-8"))
    return {c["id"]: "".join(c["source"]) for c in book["cells"] if c["cell_type"] == "code"}


def opened(log, leave_out=()):
    """What the notebook's first cells hold of a log, run as they stand."""
    report = Report("running_cost", log, log, Show(log.units), 0.9)
    held = {"report": report, "show": report.show, "vehicles": log.tables["vehicles"]}
    source = cells()
    imports = source["open"].partition("\nreport = ")[0]
    account = source["account"].replace("leave_out = []", f"leave_out = {list(leave_out)}")
    names = ("answer", "what", "kind", "site", "vehicle", "prices", "year")
    for text in (imports, account, *(source[name] for name in names)):
        exec(compile(text, "running_cost", "exec"), held)
    return SimpleNamespace(**held)


@pytest.mark.parametrize("name", LOGS)
def test_the_notebook_and_the_library_make_the_same_figures(name):
    made = opened(log_named(name))
    book = made.account
    assert made.total.value == pytest.approx(cost.total_per_km(book).value, rel=1e-12, nan_ok=True)
    for frame, by in (
        (made.by_category, "category"),
        (made.by_kind, "kind"),
        (made.by_site, "site"),
    ):
        library = cost.by_site(book) if by == "site" else cost.cost_per_km(book, by)
        library = library[library["amount"].ne(0)] if by == "category" else library
        assert frame["cost_per_km"].tolist() == pytest.approx(
            library["cost_per_km"].tolist(), rel=1e-12, nan_ok=True
        )


@pytest.mark.parametrize("name", LOGS)
def test_every_table_of_money_adds_up_to_the_account(name):
    made = opened(log_named(name))
    spent, lost = made.account.lines["amount"].sum(), made.account.worth["amount"].sum()
    for rows in (made.by_category, made.by_kind, made.with_rest, made.by_money, made.in_years):
        assert rows["amount"].sum() == pytest.approx(spent, abs=0.005)
    assert made.overall.get("amount", 0.0) == pytest.approx(spent, abs=0.005, nan_ok=not spent)
    assert made.by_money["lost_amount"].sum() == pytest.approx(lost, abs=0.005)


def test_vehicles_stand_by_their_money_those_that_left_below():
    log = log_named("fleet")
    rows = opened(log).by_money
    gone = log.tables["vehicles"].query("disposed <= @log.as_of")["vehicle"]
    assert set(rows["vehicle"].tail(len(gone))) == set(gone)
    assert rows["left"].tail(len(gone)).isin(["sold", "written-off"]).all()
    assert rows["left"].head(-len(gone)).eq("").all()
    for part in (rows.head(-len(gone)), rows.tail(len(gone))):
        assert part["amount"].is_monotonic_decreasing
    assert dict(zip(rows["vehicle"], rows["site"], strict=True))["M01"] == "Ferry Quay"


def test_a_category_left_out_in_its_cell_is_in_no_figure():
    log = log_named("owner")
    whole, without = opened(log), opened(log, ["fuel"])
    assert "fuel" in whole.by_category["category"].tolist()
    assert "fuel" not in without.by_category["category"].tolist()
    assert without.total.value < 0.95 * whole.total.value


def test_a_part_of_a_sentence_stands_apart_from_what_it_follows():
    two, words = SimpleNamespace(vehicles=[1, 2], money="net"), wording.words_in(Show())
    values = {"why": "no meter", "per_day": 1.0, "account": two}
    assert "1.00 a day for each vehicle." in words("headline", **values)
    found = SimpleNamespace(n=0, apart=2, free=0, test=None)
    assert "visits to vehicles with a whole record, so" in words("trend", found=found)
    words = words_of("log_check")("words", words=[("oil", "Oil", 2)], more=3)
    assert words.endswith("oil as Oil (2 rows) and 3 more.")
