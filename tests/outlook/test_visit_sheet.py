"""The visit sheet: what must be seen to comes first, figures are the source's or a blank, and it fits on two pages."""

import base64
import re
import tomllib
from functools import cache

import browser
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pages import Page, faults

import wearbar as wb
from wearbar.log import log_of, read_log, write_tables
from wearbar.log.places import place
from wearbar.log.plan import plan_of
from wearbar.log.units import MOST_OFF, Units, converted, is_example
from wearbar.outlook.action_list import PRESSING
from wearbar.outlook.visit_sheet import visit_of, visits_of
from wearbar.pack.cli import main
from wearbar.report import report as reports
from wearbar.report import template
from wearbar.report.quantities import Show
from wearbar.report.words import sheet as wording

TAGS = {
    "body",
    "div",
    "p",
    "br",
    "b",
    "ul",
    "li",
    "span",
    "h3",
    "style",
    "table",
    "caption",
    "thead",
    "tbody",
    "tr",
    "th",
    "td",
}
BLOCKS = ("head", "before", "work", "readings", "parts", "after")
OIL = {
    "code": "oil",
    "action": "replace",
    "every": {"distance": 10_000, "months": 12},
    "tolerance": 0.1,
    "covers": ["oil-level"],
    "steps": ["warm the engine", "drain"],
    "caution": "Hot oil burns.",
    "hours": 0.8,
    "parts": [
        {"item": "engine oil", "quantity": 2.3, "unit": "L", "pack": 1.0},
        {"item": "oil filter"},
    ],
    "figures": [
        {"name": "drain plug", "value": 23, "unit": "N.m", "source": "handbook, p. 12"},
        {"name": "filter", "value": 17, "unit": "N.m"},
        {"name": "amount", "value": 2.3, "unit": "L", "source": "EXAMPLE, NOT FOR USE"},
    ],
}
TASKS = [
    OIL,
    {
        "code": "oil-level",
        "action": "inspect",
        "every": {"distance": 1_000, "months": 3},
        "tolerance": 0.15,
    },
    {
        "code": "pads",
        "action": "inspect",
        "every": {"distance": 3_000},
        "tolerance": 0.1,
        "positions": ["front", "rear"],
        "safety": True,
    },
    {
        "code": "tyre-replace",
        "action": "replace",
        "part": "tyre",
        "positions": ["front", "rear"],
        "recheck": {"distance": 80, "days": 4},
    },
]
VEHICLE = {
    "vehicle": "V",
    "kind": "motorcycle",
    "in_service": "2025-01-01",
    "in_service_odometer": 0,
    "acquired": "2025-01-01",
}
STEADY = [(f"2025-{m:02d}-01", 1_000 * m) for m in range(2, 8)]
LOGS = {}  # by what they are made of: the same is made once


def small_log(
    readings=tuple(STEADY), as_of="2025-07-10", tasks=TASKS, vehicle=(), header=(), **tables
):
    frames = {
        "vehicles": [VEHICLE | dict(vehicle)],
        "odometer": [{"vehicle": "V", "date": d, "odometer": x} for d, x in readings],
        **tables,
    }
    frames = {
        name: pd.DataFrame([{"vehicle": "V"} | row for row in rows])
        for name, rows in frames.items()
    }
    plan = plan_of({"bike": {"applies_to": ["motorcycle"], "task": tasks}}, "km") if tasks else None
    told = {
        "name": "small",
        "distance": "km",
        "as_of": as_of,
        "first_day": "2025-01-01",
        "pressure": "psi",
    }
    told |= {"jurisdiction": "GB"} | dict(header)
    made_of = repr((readings, as_of, tasks, vehicle, header, tables))
    if made_of not in LOGS:
        LOGS[made_of] = log_of(frames, told, plan=plan)
    return LOGS[made_of]


@cache
def next_visit(log, vehicle=None):
    return visit_of(log, vehicle)


@cache
def words_of(log, vehicle=None):
    visit = next_visit(log, vehicle)
    return wording.words(visit, log, Show(log.units).with_distance(visit.distance_unit))


def page_of(log, vehicle=None):
    words = words_of(log, vehicle)
    return "\n".join(
        template.page_of("sheet.html.j2", **{**words, "block": block}) for block in BLOCKS
    )


def text_of(markup):
    return Page(f"<body>{markup}</body>").text


class TestTasks:
    def test_each_stands_in_words_with_its_steps_and_what_it_also_does(self):
        words = words_of(small_log())
        blocks = {b["code"]: b for b in words["blocks"]}
        assert blocks["oil-level"]["stands"] == [
            {
                "where": "",
                "state": "overdue",
                "when": "was due 1 Apr 2025 or at 1,000 km, whichever came first; over by 100 days and 6,000 km",
            }
        ]
        assert [s["where"] for s in blocks["pads"]["stands"]] == ["front, rear"]
        assert blocks["pads"]["safety"]
        assert "oil" not in blocks  # due on 1 Jan 2026 or at 10,000 km, in some 85 days

    def test_covered_work_is_said_with_the_work_that_does_it(self):
        words = words_of(small_log([*STEADY, ("2025-09-28", 9_900)], as_of="2025-10-01"))
        assert [(b["code"], b["also"]) for b in words["blocks"] if b["code"].startswith("oil")] == [
            ("oil", "oil level")
        ]

    def test_a_date_that_hangs_on_distance_is_a_range(self):
        words = words_of(small_log([*STEADY, ("2025-09-01", 9_000)], as_of="2025-09-10"))
        oil = next(b for b in words["blocks"] if b["code"] == "oil")
        assert "likely between" in oil["stands"][0]["when"]

    def test_a_stale_reading_is_said_before_the_work_and_its_states_are_not_known(self):
        words = words_of(small_log(as_of="2025-10-10", tasks=[OIL | {"covers": []}]))
        assert words["odometer"]["is_stale"]
        assert "older than 45 days" in words["odometer"]["said"]
        [oil] = words["blocks"]
        assert oil["stands"][0]["state"] == "not known"
        assert "read the odometer" in oil["stands"][0]["when"]

    def test_a_reading_on_the_report_date_is_said_to_be_of_that_day(self):
        log = small_log(as_of="2025-07-01", tasks=[OIL | {"every": {"months": 60}, "covers": []}])
        words = words_of(log)
        assert words["odometer"]["said"] == "Last reading: 7,000 km on the report date, 1 Jul 2025."
        assert "whose last reading is from the report date" in words["nothing"]

    def test_a_vehicle_that_left_is_not_to_be_read_again(self):
        said = words_of(small_log(as_of="2025-10-10"))["odometer"]["said"]
        assert "Until you read it again" in said
        gone = words_of(small_log(as_of="2025-10-10", vehicle={"disposed": "2025-07-02"}))
        assert gone["head"]["gone"].startswith("It left on 2 Jul 2025")
        assert gone["odometer"]["said"].endswith(
            "before the report date. It is older than 45 days."
        )

    def test_a_vehicle_counts_in_the_unit_of_its_own_odometer(self):
        words = words_of(small_log(vehicle={"distance_unit": "mi"}))
        assert words["odometer"]["said"].startswith("Last reading: 7,000 mi on 1 Jul 2025, 9 days")
        assert words["unit"] == "mi"

    def test_no_task_is_no_clean_bill(self):
        text = text_of(
            page_of(
                small_log(tasks=[{"code": "fluid", "action": "replace", "every": {"months": 24}}])
            )
        )
        assert (
            "No task is due now or soon by this log, whose last reading is 9 days old and which has no record of"
            in text
        )
        assert "no maintenance plan" in text_of(page_of(small_log(tasks=None)))

    def test_more_tasks_than_have_room_keep_all_that_is_due(self):
        many = [{"code": f"due-{n}", "action": "inspect", "every": {"days": 30}} for n in range(20)]
        later = [
            {"code": f"later-{n}", "action": "inspect", "every": {"days": 240}} for n in range(3)
        ]
        words = words_of(small_log(tasks=[*later, *many]))
        assert len([b for b in words["blocks"] if b["code"].startswith("due")]) == 20
        assert [line.split(":")[0] for line in words["later"]] == ["Later 0", "Later 1", "Later 2"]

    def test_work_stands_in_bench_order(self):
        tasks = [
            {"code": "engine-oil", "steps": ["warm the engine", "drain"]},
            {"code": "air-filter", "steps": ["fit the new element"]},
            {"code": "test", "statutory": True, "safety": True},
            {"code": "pads", "safety": True},
            {"code": "valves", "figures": [{"name": "inlet, cold", "unit": "mm"}]},
            {
                "code": "coolant",
                "steps": ["let the engine go cold", "drain", "run it until it is warm"],
            },
        ]
        log = small_log(
            tasks=[{"action": "replace", "every": {"days": 30}} | task for task in tasks]
        )
        blocks = words_of(log)["blocks"]
        assert [b["code"] for b in blocks] == [
            "coolant",
            "valves",
            "pads",
            "air-filter",
            "engine-oil",
            "test",
        ]
        assert [b["stage"] for b in blocks] == [
            "Engine cold",
            "",
            "Safety work",
            "Other work",
            "Engine warm",
            "Last",
        ]
        text = text_of(page_of(log))
        assert "cold engine first" in text
        assert text.index("Pads") < text.index("Air filter") < text.index("Engine oil")

    def test_wheel_brake_and_chain_work_has_its_torques_and_last_steps(self):
        """Whatever the plan leaves out is a blank, never a figure; a motorcycle has no wheel nuts, and a cam chain no spindle."""
        tasks = [
            {"code": "pads-renew", "part": "brake-pad", "steps": ["fit both pads"]},
            {"code": "tyre-replace", "part": "tyre"},
            {
                "code": "chain-adjust",
                "action": "adjust",
                "figures": [{"name": "spindle", "value": 61, "unit": "N.m", "source": "book"}],
            },
            {"code": "timing-chain-replace"},
        ]
        tasks = [{"action": "replace", "every": {"days": 30}} | task for task in tasks]
        asked = {
            "motorcycle": ({"caliper bolt torque"}, {"spindle torque"}),
            "van": ({"caliper bolt torque", "wheel nut torque"}, {"wheel nut torque"}),
        }
        for kind, (pads, tyre) in asked.items():
            plan = plan_of({"p": {"applies_to": [kind], "task": tasks}}, "km")
            log = small_log(vehicle={"kind": kind})
            log = log_of(dict(log.tables), {"distance": "km", "as_of": "2025-07-10"}, plan=plan)
            blocks = {b["code"]: b for b in words_of(log)["blocks"]}
            blank = {
                code: {f["name"] for f in b["figures"] if not f["text"]}
                for code, b in blocks.items()
            }
            assert blank == {
                "pads-renew": pads,
                "tyre-replace": tyre,
                "chain-adjust": set(),
                "timing-chain-replace": set(),
            }
            assert [f["text"] for f in blocks["chain-adjust"]["figures"]] == ["61 N.m"]
            assert (
                "pump the lever or pedal until it is firm, before the vehicle moves"
                in blocks["pads-renew"]["steps"]
            )
            adjusted = " ".join(blocks["chain-adjust"]["steps"])
            assert re.search(
                "spindle to its torque.*work the brake.*measure the slack again", adjusted
            )
            assert blocks["timing-chain-replace"]["steps"] == []

    def test_limits_by_common_practice_say_so(self):
        task = {
            "code": "pressures",
            "action": "inspect",
            "every": {"months": 1},
            "source": "common practice, no source",
        }
        text = text_of(page_of(small_log(tasks=[task])))
        assert "limits: common practice, no source" in text

    def test_a_worn_part_asks_for_its_task_and_what_must_be_looked_at_again(self):
        tyre = {
            "position": "rear",
            "category": "tyre",
            "item": "T",
            "fitted": "2025-01-01",
            "fitted_odometer": 0,
            "new_depth": 8,
            "limit_depth": 2,
        }
        depths = [(d, x, 8 - x / 1_200) for d, x in STEADY]
        reads = [
            {
                "date": d,
                "odometer": x,
                "position": "rear",
                "category": "tyre",
                "quantity": "depth",
                "value": v,
            }
            for d, x, v in depths
        ]
        log = small_log(fitted=[tyre], measurements=reads)
        words = words_of(log)
        block = next(b for b in words["blocks"] if b["code"] == "tyre-replace")
        assert block["stands"][0]["where"] == "rear"
        assert words["rechecks"] == [
            ("Tyre replace", "80 km or 4 days", "tyre-replace-recheck", True)
        ]
        assert words["changes"] == [("rear", "tyre: T", "0 km")]
        assert [row[0] for row in words["worn"]] == ["rear tyre, T"]
        [row] = [
            r for r in words["reads"] if r["what"] == "tread depth" and r["where"] == "rear tyre"
        ]
        assert row["limit"] == "2.0 mm; law 1.0 mm, GB"
        assert row["last"] == "2.2 mm, 1 Jul 2025"


class TestFirst:
    def test_what_must_not_move_leads_the_sheet(self):
        defect = {
            "defect": "D1",
            "found": "2025-07-01",
            "text": "brake hose torn",
            "grade": "off-road",
            "position": "front",
        }
        expired = {"kind": "roadworthiness", "tested": "2025-01-02", "valid_to": "2025-06-30"}
        recall = {
            "campaign": "R1",
            "issued": "2025-05-01",
            "kind": "safety-recall",
            "by": "2025-09-01",
            "note": "fork",
        }
        log = small_log(defects=[defect], certificates=[expired], campaigns=[recall])
        words = words_of(log)
        assert [what for what, _ in words["dangers"]] == [
            "brake hose torn (front)",
            "Roadworthiness certificate expired",
        ]
        assert words["others"][0] == "Recall R1: fork: do by 1 Sep 2025. Have the recall done."
        page = page_of(log)
        assert (
            page.index("brake hose torn")
            < page.index("First, read the odometer")
            < page.index("wb-task")
        )
        assert wording.headline(next_visit(log))[1] == "now"

    def test_a_log_without_those_tables_says_that_it_cannot_tell(self):
        text = text_of(page_of(small_log()))
        assert "no open off-road defect" not in text
        assert "an open defect, an expired certificate and an open recall would not be seen" in text

    def test_a_tyre_at_its_limit_stops_it_too(self):
        tyre = {
            "position": "rear",
            "category": "tyre",
            "item": "T",
            "fitted": "2025-01-01",
            "fitted_odometer": 0,
            "new_depth": 8,
            "limit_depth": 2,
        }
        reads = [
            {
                "date": "2025-07-01",
                "odometer": 7_000,
                "position": "rear",
                "category": "tyre",
                "quantity": "depth",
                "value": 0.9,
            }
        ]
        defect = {"defect": "D1", "found": "2025-07-01", "text": "x", "grade": "off-road"}
        [_, (what, stands)] = words_of(
            small_log(fitted=[tyre], measurements=reads, defects=[defect])
        )["dangers"]
        assert what == "Tyre (rear)"
        assert "measured 0.9 mm on 1 Jul 2025" in stands
        assert "Take it off the road" in stands

    def test_the_vehicle_whose_work_presses_most_is_chosen(self):
        two = [VEHICLE, VEHICLE | {"vehicle": "W"}]
        defect = [
            {
                "vehicle": "W",
                "defect": "D1",
                "found": "2025-07-01",
                "text": "x",
                "grade": "off-road",
            }
        ]
        log = small_log()
        tables = {
            "vehicles": pd.DataFrame(two),
            "odometer": log.tables["odometer"],
            "defects": pd.DataFrame(defect),
        }
        log = log_of(
            tables, {"name": "two", "distance": "km", "as_of": "2025-07-10"}, plan=log.plan
        )
        assert visit_of(log).vehicle == "W"
        assert visit_of(log, ["V"]).vehicle == "V"
        with pytest.raises(ValueError, match="no vehicle"):
            visit_of(log, [])

    def test_one_in_use_presses_more_than_one_that_stands(self):
        log, off_road = small_log(), {"found": "2025-07-01", "text": "x", "grade": "off-road"}
        tables = {
            "vehicles": pd.DataFrame([VEHICLE, VEHICLE | {"vehicle": "W"}]),
            "odometer": log.tables["odometer"],
            "defects": pd.DataFrame([{"vehicle": "V", "defect": "D1"} | off_road]),
            "certificates": pd.DataFrame(
                [{"vehicle": "W", "kind": "test", "tested": "2025-01-02", "valid_to": "2025-06-30"}]
            ),
            "layups": pd.DataFrame([{"vehicle": "V", "from": "2025-07-02"}]),
        }
        assert (
            visit_of(
                log_of(
                    tables, {"name": "two", "distance": "km", "as_of": "2025-07-10"}, plan=log.plan
                )
            ).vehicle
            == "W"
        )

    def test_a_part_at_the_legal_limit_presses_before_any_work(self):
        tyre = {
            "vehicle": "W",
            "category": "tyre",
            "item": "x",
            "new_depth": 8,
            "limit_depth": 2,
            "fitted": "2025-01-02",
            "fitted_odometer": 100,
        }
        read = {"vehicle": "W", "category": "tyre", "quantity": "depth", "date": "2025-07-01"}
        tables = {
            "vehicles": pd.DataFrame([VEHICLE, VEHICLE | {"vehicle": "W"}]),
            "odometer": small_log().tables["odometer"],
            "fitted": pd.DataFrame([tyre | {"position": "front"}, tyre | {"position": "rear"}]),
            "measurements": pd.DataFrame(
                [
                    read | {"position": "front", "value": 3.0},
                    read | {"position": "rear", "value": 0.9},
                ]
            ),
        }
        header = {"name": "two", "distance": "km", "as_of": "2025-07-10", "jurisdiction": "GB"}
        assert visit_of(log_of(tables, header, plan=small_log().plan)).vehicle == "W"
        # with a defect that is open, the other one first
        open_ = pd.DataFrame(
            [
                {
                    "vehicle": "V",
                    "defect": "D1",
                    "found": "2025-07-01",
                    "text": "x",
                    "grade": "off-road",
                }
            ]
        )
        assert (
            visit_of(log_of(tables | {"defects": open_}, header, plan=small_log().plan)).vehicle
            == "V"
        )

    def test_after_a_lay_up_the_list_for_the_road_is_there(self):
        stay = {"from": "2025-07-02", "reason": "season"}
        assert "nests in air box" in text_of(page_of(small_log(layups=[stay])))
        assert "nests in air box" not in text_of(
            page_of(small_log(layups=[stay | {"from": "2025-03-02", "to": "2025-03-20"}]))
        )


class TestFigures:
    def test_source_unit_first_a_blank_without_source_an_example_over_marked(self):
        log = small_log([*STEADY, ("2025-09-28", 9_900)], as_of="2025-10-01")
        page = page_of(log)
        text = text_of(page)
        assert "drain plug: 23 N.m (17 lbf.ft) handbook, p. 12" in text
        assert re.search(r"filter:\s+N\.m from the handbook", text)
        assert "17 N.m" not in text
        assert re.search(
            r'class="wb-example">2\.3 L \(4\.0 imperial pt\) <b>EXAMPLE, NOT FOR USE', page
        )
        assert 'class="wb-over"' in page

    def test_what_an_example_is(self):
        assert is_example("a draft, Not for use")
        assert is_example("Example value")
        assert not is_example("handbook, p. 12, for example")

    def test_a_plan_of_real_sources_is_not_over_marked(self):
        real = OIL | {"figures": OIL["figures"][:2], "covers": []}
        page = page_of(
            small_log([*STEADY, ("2025-09-28", 9_900)], as_of="2025-10-01", tasks=[real])
        )
        assert "EXAMPLE" not in page

    def test_whole_packs_are_had_ready(self):
        have = words_of(small_log([*STEADY, ("2025-09-28", 9_900)], as_of="2025-10-01"))["have"]
        assert [(h["item"], h["amount"], h["packs"], h["use"]) for h in have] == [
            ("engine oil", "2.3 L", "3 packs of 1 L, 700 mL left over", "oil"),
            ("oil filter", "1", "", "oil"),
        ]

    def test_two_litres_are_bought_and_some_fifty_millilitres_left(self):
        """A small single: fill 1.7 L, run it, two minutes' standing, read, top up (common practice, no source)."""
        oil = {
            "code": "engine-oil",
            "action": "replace",
            "every": {"days": 30},
            "parts": [{"item": "engine oil", "quantity": 1.95, "unit": "L", "pack": 1.0}],
            "figures": [
                {
                    "name": "fill first",
                    "value": 1.7,
                    "unit": "L",
                    "source": "common practice, no source",
                }
            ],
            "steps": [
                "fill the first amount",
                "run the engine",
                "let it stand two minutes and read the level",
                "top up",
            ],
        }
        words = words_of(small_log(tasks=[oil]))
        [have] = words["have"]
        assert (have["amount"], have["packs"]) == ("1.95 L", "2 packs of 1 L, 50 mL left over")
        [block] = words["blocks"]
        assert block["steps"] == oil["steps"]
        assert [(f["text"], f["source"]) for f in block["figures"]] == [
            ("1.7 L", "common practice, no source")
        ]

    def test_parts_at_their_limit_are_had_ready_by_their_places(self):
        tyre = {
            "category": "tyre",
            "item": "T",
            "fitted": "2025-01-01",
            "fitted_odometer": 0,
            "new_depth": 8,
            "limit_depth": 2,
        }
        pad = {
            "position": "front",
            "category": "brake-pad",
            "item": "P",
            "fitted": "2025-01-01",
            "fitted_odometer": 0,
            "limit_depth": 2,
        }
        ends = {"front-left": 1.8, "front-right": 1.9, "rear-left": 7.5, "rear-right": 7.5}
        read = {"date": "2025-07-01", "odometer": 7_000}
        reads = [
            read | {"position": p, "category": "tyre", "quantity": "depth", "value": v}
            for p, v in ends.items()
        ]
        reads += [
            read
            | {"position": "front", "category": "brake-pad", "quantity": "thickness", "value": 1.9}
        ]
        log = small_log(
            tasks=None,
            vehicle={"kind": "car"},
            fitted=[*[tyre | {"position": p} for p in ends], pad],
            measurements=reads,
        )
        have = {h["item"]: h for h in words_of(log)["have"]}
        assert have["tyre: T"]["amount"] == "2"
        assert have["tyre: T"]["use"] == "at or near their limit: front left and front right"
        assert (have["brake pad: P"]["amount"], have["brake pad: P"]["use"]) == (
            "1 set",
            "at or near its limit: front",
        )
        assert "wb-example" not in page_of(log)
        # a plan that names the part for the work asks for it once
        chain = {
            "position": "drive",
            "category": "chain",
            "item": "C",
            "fitted": "2025-01-01",
            "fitted_odometer": 0,
            "limit_depth": 2,
        }
        reads = [
            read
            | {"position": "drive", "category": "chain", "quantity": "elongation", "value": 2.4}
        ]
        task = {
            "code": "chain-replace",
            "action": "replace",
            "part": "chain",
            "parts": [{"item": "chain and sprockets"}],
        }
        have = words_of(small_log(tasks=[task], fitted=[chain], measurements=reads))["have"]
        assert [h["item"] for h in have] == ["chain and sprockets"]

    @pytest.mark.parametrize(
        "looks, stands",
        [
            (((3, 2_000), (4, 3_000), (5, 4_000), (6, 5_000)), "forecast: at or past the limit"),
            (((3, 2_000), (4, 3_000), (5, 4_000), (7, 7_000)), "at or past the limit"),
        ],
        ids=["by its line", "by its last reading"],
    )
    def test_what_a_wear_line_says_is_named_a_forecast(self, looks, stands):
        tyre = {"category": "tyre", "item": "T", "position": "rear", "fitted": "2025-01-01"}
        tyre |= {"fitted_odometer": 0, "new_depth": 8, "limit_depth": 2}
        # 0.9 mm in 1,000 km: 1.7 mm at 7,000 km, and above the limit until 6,667 km
        reads = [
            {"position": "rear", "category": "tyre", "quantity": "depth", "odometer": x}
            | {"date": f"2025-{month:02d}-01", "value": 8 - 0.9 * x / 1_000}
            for month, x in looks
        ]
        here = {"jurisdiction": ""}
        words = words_of(small_log(fitted=[tyre], measurements=reads, header=here))
        assert [row[1] for row in words["worn"]] == [stands]
        assert f"by its wear ({stands})" in str(words["blocks"])

    def test_a_figure_without_a_value_is_a_blank_and_a_recheck_of_an_example_plan_is_marked(self):
        tyre = {
            "code": "tyre-replace",
            "action": "replace",
            "every": {"days": 30},
            "recheck": {"distance": 80, "days": 4},
        }
        blank = {"name": "rear spindle torque", "unit": "N.m"}
        example = {
            "name": "change depth",
            "value": 2.1,
            "unit": "mm",
            "source": "EXAMPLE, NOT FOR USE",
        }
        text = text_of(page_of(small_log(tasks=[tyre | {"figures": [blank, example]}])))
        assert re.search(r"rear spindle torque:\s+N\.m from the handbook", text)
        assert "within 80 km or 4 days EXAMPLE, NOT FOR USE" in " ".join(text.split())
        assert "EXAMPLE" not in text_of(page_of(small_log(tasks=[tyre | {"figures": [blank]}])))
        common = tyre | {"figures": [blank, example], "source": "common practice, no source"}
        [(_, within, _, is_example)] = words_of(small_log(tasks=[common]))["rechecks"]
        assert (within, is_example) == ("80 km or 4 days", False)

    @pytest.mark.parametrize(
        "value, unit, log_units, shown",
        [
            # factors of NIST SP 811 (2008), appendix B.8: lbf.ft 1.355818 N.m, psi 6.894757 kPa, in 25.4 mm, gallon (Imperial) 4.54609 L,
            # quart (U.S. liquid) 0.9463529 L, bar 100 kPa
            (100.0, "lbf.ft", {}, ("136", "N.m")),
            (58.0, "N.m", {}, ("43", "lbf.ft")),
            (32.5, "N.m", {}, ("24.0", "lbf.ft")),
            (36.0, "psi", {}, ("250", "kPa")),
            (36.0, "psi", {"pressure": "bar"}, ("2.5", "bar")),
            (2.25, "bar", {}, ("32.6", "psi")),
            (1.6, "mm", {}, ("0.063", "in")),
            (2.3, "L", {"volume": "gal_us"}, ("2.4", "US qt")),
            (650.0, "mL", {}, ("1.14", "imperial pt")),
            (3.0, "mm", {}, None),  # one digit would make 0.1 in of it, 2.5 mm
            (2.4, "%", {}, None),
            (0.0, "mm", {}, None),
        ],
    )
    def test_the_other_unit(self, value, unit, log_units, shown):
        assert converted(value, unit, Units(**log_units)) == shown

    @given(
        st.integers(1, 99_999),
        st.integers(-3, 1),
        st.sampled_from(["N.m", "lbf.ft", "psi", "bar", "kPa", "L", "mm", "in"]),
    )
    @settings(deadline=None)
    def test_no_more_digits_than_the_source_and_never_far_off(self, digits, power, unit):
        value = float(f"{digits}e{power}")
        found = converted(value, unit, Units(pressure="bar"))
        if found:
            text, other = found
            assert len(text.replace(".", "").lstrip("0").rstrip("0")) <= len(str(digits)) + max(
                power, 0
            )
            back = converted(float(text), other, Units(pressure="bar"))
            factor = {
                "N.m": 1,
                "lbf.ft": 1.355818,
                "psi": 6.894757,
                "bar": 100,
                "kPa": 1,
                "L": 1,
                "imperial pt": 0.5682613,
                "mm": 1,
                "in": 25.4,
            }
            assert abs(float(text) * factor[other] / (value * factor[unit]) - 1) < MOST_OFF + 1e-6
            assert back is None or back[1] in factor


class TestReadings:
    def test_blanks_for_every_reading_that_the_analyses_need(self):
        words = words_of(small_log())
        asked = {
            (r["where"], r["what"].split(",")[0]): [label for label, _ in r["blanks"]]
            for r in words["reads"]
        }
        assert asked[("rear tyre", "tread depth")] == ["left", "centre", "right", "made"]
        assert asked[("front brake pad", "friction material only")] == ["inner", "outer"]
        assert ("drive chain", "elongation at the tight spot") in asked
        assert ("front tyre", "pressure") in asked
        [oil] = [r for r in words["reads"] if r["where"] == "engine oil"]
        assert oil["boxes"] == ("cold", "hot")
        assert [label for label, _ in oil["blanks"]] == ["level", "added"]

    def test_a_limit_that_the_log_has_is_printed_before_the_first_reading(self):
        pad = {
            "category": "brake-pad",
            "item": "P",
            "fitted": "2025-01-01",
            "fitted_odometer": 0,
            "new_depth": 5,
        }
        reads = words_of(
            small_log(
                fitted=[pad | {"position": "rear", "limit_depth": 1.5}, pad | {"position": "front"}]
            )
        )["reads"]
        limits = {r["where"]: (r["last"], r["limit"]) for r in reads if r["where"].endswith("pad")}
        assert limits["rear brake pad"][0] == ""
        assert limits["rear brake pad"][1].startswith("1.5 mm")
        assert "1.5 mm" not in limits["front brake pad"][1]

    def test_how_old_a_tyre_is(self):
        tyre = {
            "category": "tyre",
            "item": "T",
            "fitted": "2025-01-01",
            "fitted_odometer": 0,
            "limit_depth": 2,
        }
        fitted = [tyre | {"position": "front", "made": "2019-07-09"}, tyre | {"position": "rear"}]
        words = words_of(small_log(fitted=fitted))
        front, rear = (r for r in words["reads"] if r["what"].startswith("tread depth"))
        assert front["what"] == "tread depth; 6.0 years old"
        assert [label for label, _ in rear["blanks"]] == ["left", "centre", "right", "made"]

    def test_a_new_part_is_not_credited_with_the_old_ones_reading(self):
        pads = {
            "position": "rear",
            "category": "brake-pad",
            "new_depth": 5,
            "limit_depth": 1.5,
            "item": "P",
        }
        fitted = [
            pads
            | {
                "fitted": "2025-01-01",
                "fitted_odometer": 0,
                "removed": "2025-06-01",
                "removed_odometer": 6_000,
                "reason": "worn",
            },
            pads | {"fitted": "2025-06-01", "fitted_odometer": 6_000},
        ]
        read = [
            {
                "date": d,
                "odometer": x,
                "position": "rear",
                "category": "brake-pad",
                "quantity": "thickness",
                "value": v,
            }
            for d, x, v in (("2025-03-01", 3_000, 3.4), ("2025-05-20", 5_600, 1.7))
        ]
        words = words_of(small_log(fitted=fitted, measurements=read))
        [row] = [r for r in words["reads"] if r["where"] == "rear brake pad"]
        assert "1.7" not in row["last"]
        assert row["limit"].startswith("1.5 mm")

    def test_a_doubted_last_reading_is_printed_with_its_own_date_and_said_to_be_doubted(self):
        tyre = {
            "position": "rear",
            "category": "tyre",
            "item": "T",
            "new_depth": 8,
            "limit_depth": 2,
            "fitted": "2025-01-01",
        }
        days = [f"{d:%Y-%m-%d}" for d in pd.date_range("2025-01-10", periods=14, freq="10D")]
        gauge = {"position": "rear", "category": "tyre", "quantity": "depth"}
        line = [(d, 500 * k + 500, 7.8 - 0.2 * k) for k, d in enumerate(days)]
        places = ("centre", "left-shoulder", "right-shoulder")
        read = [
            gauge | {"date": d, "odometer": x, "value": v, "place": p}
            for d, x, v in line
            for p in places
        ]
        slip = gauge | {"date": "2025-06-10", "odometer": 7_600, "value": 1.2, "place": "centre"}
        log = small_log(fitted=[tyre | {"fitted_odometer": 0}], measurements=[*read, slip])
        [row] = [
            r
            for r in words_of(log)["reads"]
            if r["where"] == "rear tyre" and r["what"] == "tread depth"
        ]
        assert row["last"] == "1.2 mm, 10 Jun 2025 (doubted)"

    def test_a_reading_without_an_odometer_below_the_limit_stands_in_the_way(self):
        tyre = {
            "position": "rear",
            "category": "tyre",
            "item": "T",
            "new_depth": 8,
            "limit_depth": 1.6,
        }
        read = [
            {
                "date": d,
                "odometer": x,
                "position": "rear",
                "category": "tyre",
                "quantity": "depth",
                "value": v,
            }
            for d, x, v in (("2025-03-01", 2_000, 6.0), ("2025-07-09", None, 0.8))
        ]
        log = small_log(
            fitted=[tyre | {"fitted": "2025-01-01", "fitted_odometer": 0}], measurements=read
        )
        words = words_of(log)
        [(what, stands)] = words["dangers"]
        assert (what, stands[:29]) == ("Tyre (rear)", "measured 0.8 mm on 9 Jul 2025")
        assert words["worn"][0][2:] == ("0.8 mm on 9 Jul 2025", "1.6 mm (the log)", "now")
        [row] = [
            r for r in words["reads"] if r["where"] == "rear tyre" and r["what"] == "tread depth"
        ]
        assert (row["last"], row["limit"]) == ("0.8 mm, 9 Jul 2025", "1.6 mm; law 1.0 mm, GB")
        assert wording.headline(next_visit(log))[1] == "now"


class TestMeters:
    def test_a_trailer_has_no_meter_to_read_and_its_tyres_have_limits(self):
        tyre = {
            "vehicle": "V",
            "category": "tyre",
            "item": "T",
            "fitted": "2025-01-01",
            "limit_depth": 2,
        }
        frames = {
            "vehicles": [
                {"vehicle": "V", "kind": "trailer", "in_service": "2025-01-01", "meter": "none"}
            ],
            "fitted": [tyre | {"position": p} for p in ("left", "right")],
        }
        header = {"distance": "km", "as_of": "2025-07-10", "jurisdiction": "GB"}
        log = log_of({name: pd.DataFrame(rows) for name, rows in frames.items()}, header)
        text = text_of(page_of(log))
        assert "First, read" not in text
        assert "odometer" not in text.casefold()
        assert "It has no meter" in text
        assert [r["limit"] for r in words_of(log)["reads"] if r["what"] == "tread depth"] == [
            "2.0 mm; law 1.6 mm, GB"
        ] * 2
        assert "Fitted on" in text

    def test_a_machine_with_an_hour_meter_is_asked_for_hours(self):
        frames = {
            "vehicles": [VEHICLE | {"kind": "plant", "meter": "hours"}],
            "odometer": [
                {"vehicle": "V", "date": f"2025-{m:02}-01", "hours": 100 * m} for m in range(2, 8)
            ],
            "fitted": [
                {
                    "vehicle": "V",
                    "position": "bucket",
                    "category": "bucket-teeth",
                    "item": "Tooth set",
                    "fitted": "2025-03-01",
                }
            ],
        }
        task = {
            "code": "teeth",
            "action": "inspect",
            "every": {"hours": 100},
            "part": "bucket-teeth",
        }
        plan = plan_of({"p": {"applies_to": ["plant"], "task": [task]}}, "km")
        log = log_of(
            {name: pd.DataFrame(rows) for name, rows in frames.items()},
            {"distance": "km", "as_of": "2025-07-10"},
            plan=plan,
        )
        text = " ".join(text_of(page_of(log)).split())
        assert "First, read the hour meter" in text
        assert "Hour meter at the end" in text
        assert "odometer" not in text.casefold()
        assert " km " not in text
        assert "does not tell which parts are on" not in text
        assert "bucket teeth: Tooth set 1 Mar 2025" in text


@given(st.text(min_size=1, max_size=60).filter(str.strip), st.text(max_size=60))
@settings(deadline=None, max_examples=6)
def test_text_of_a_log_stays_text(name, text):
    hostile = f"<script>x</script>{text}</style>"
    log = small_log(as_of="2025-07-10")
    tables = {
        "vehicles": pd.DataFrame([VEHICLE | {"vehicle": name, "site": hostile}]),
        "odometer": log.tables["odometer"].assign(vehicle=name),
    }
    tables |= {
        "defects": pd.DataFrame(
            [
                {
                    "vehicle": name,
                    "defect": "1",
                    "found": "2025-07-01",
                    "text": hostile,
                    "grade": "off-road",
                }
            ]
        )
    }
    log = log_of(tables, {"name": hostile, "distance": "km", "as_of": "2025-07-10"}, plan=log.plan)
    markup = page_of(log)
    page = Page(f"<body>{markup}</body>")
    assert {tag for tag, _ in page.tags} <= TAGS
    assert page.text.count("<script>x</script>") == 3  # site, log's name, defect
    [style] = re.findall(r"<style>(.*?)</style>", markup)
    assert re.fullmatch(
        r'@page \{ @bottom-left \{ content: "(?:[A-Za-z0-9]|\\[0-9a-f]{6})*"; font: 8pt sans-serif; \} \}',
        style,
    )


@pytest.fixture(scope="module")
def demo_sheet(tmp_path_factory, demo_log):
    """The page of each demo's most pressing vehicle."""
    folder, made = tmp_path_factory.mktemp("sheets"), {}

    def make(name):
        if name not in made:
            log, made[name] = str(place("data", name)), folder / f"{name}.html"
            with pytest.MonkeyPatch.context() as patch:  # the log is read once for all tests
                patch.setitem(reports.READ, (log, ""), demo_log(name))
                assert main(["sheet", log, "--out", str(made[name])]) in (0, 1)
        return made[name]

    return make


@pytest.mark.parametrize("name", ["fleet", "owner"])
class TestDemo:
    def test_its_page_stands_alone_and_is_sound(self, name, demo_sheet):
        assert list(faults(demo_sheet(name))) == []
        text = Page(demo_sheet(name).read_text(encoding="utf-8")).text
        assert "The maker's handbook and local law come before this sheet" in text
        assert "EXAMPLE, NOT FOR USE" in text
        assert "All reports" not in text
        assert sorted(p.suffix for p in demo_sheet(name).parent.iterdir() if p.stem == name) == [
            ".csv",
            ".html",
        ]

    @pytest.mark.skipif(browser.CHROMIUM is None, reason="no chromium")
    def test_it_prints_on_two_pages_at_most(self, name, demo_sheet):
        with browser.tab() as tab:
            tab.open(demo_sheet(name).as_uri())
            pdf = base64.b64decode(tab.call("Page.printToPDF", preferCSSPageSize=True)["data"])
            assert tab.complaints() == []
        assert len(re.findall(rb"/Type\s*/Page\b", pdf)) in (1, 2)
        assert re.search(rb"/MediaBox\s*\[0 0 59[45][.\d]* 84[12][.\d]*\]", pdf)


def test_a_started_log_gives_a_sheet(by_hand, tmp_path):
    out = tmp_path / "sheet.html"
    assert main(["sheet", str(by_hand), "--vehicle", "Curlew", "--out", str(out)]) == 0
    assert list(faults(out)) == []
    assert "Curlew" in Page(out.read_text(encoding="utf-8")).text


@pytest.mark.parametrize(
    "arguments, words",
    [
        (["--vehicle", "Teal"], "no vehicle Teal; it knows Curlew"),
        (["--as-of", "yesterday"], "YYYY-MM-DD"),
        (["--out", "nowhere/sheet.html"], "give --out the name of a file"),
        (["--out", "."], "is a folder"),
    ],
)
def test_what_goes_wrong_is_one_sentence(by_hand, tmp_path, monkeypatch, capsys, arguments, words):
    monkeypatch.chdir(tmp_path)
    assert main(["sheet", str(by_hand), *arguments]) == 2
    said = capsys.readouterr().err
    assert words in said
    assert said.count("\n") == 1
    assert list(tmp_path.iterdir()) == []


def test_a_grade_a_part_number_and_a_blank_for_the_torque_applied():
    """What the plan gives is printed; what was applied, done and checked is a blank to fill in."""
    oil = {
        "code": "oil",
        "action": "replace",
        "every": {"days": 30},
        "parts": [{"item": "engine oil", "number": "OIL-1", "unit": "L", "pack": 1.0}],
        "figures": [
            {
                "name": "oil",
                "grade": "10W-40, a class for wet clutches",
                "source": "handbook, p. 9",
            },
            {"name": "fork oil", "grade": "5W", "value": 480, "unit": "mL", "source": "handbook"},
            {"name": "brake fluid", "grade": "of no source"},
            {"name": "drain plug torque", "value": 23, "unit": "lb-ft", "source": "handbook"},
        ],
    }
    words = words_of(small_log(tasks=[oil, OIL | {"code": "pads", "safety": True, "covers": []}]))
    assert [f["text"] for f in words["blocks"][-1]["figures"]] == [
        "10W-40, a class for wet clutches", "5W 480 mL", "", "23 lb-ft"]  # fmt: skip
    assert "engine oil, part number OIL-1" in [h["item"] for h in words["have"]]
    [job] = [job for job in words["jobs"] if job["keys"]["task"] == "oil"]
    assert job["torques"] == [("drain plug", "lb-ft")]
    assert (job["again"], job["second"]) == ("9 Aug 2025", False)
    text = " ".join(text_of(page_of(small_log(tasks=[oil]))).split())
    assert "Oil done not done deferred drain plug lb-ft 9 Aug 2025" in text
    assert "reset the dash display's service reminder" in text


DUE_PLAN = """
[bike]
applies_to = ["motorcycle"]
task = [ { code = "fluid", action = "replace", every = { days = 30 } },
  { code = "look", action = "inspect", every = { days = 75 } } ]
"""


@cache
def due_log():
    """A vehicle for each day of DONE, on which both its jobs were last done, due 30 and 75 days after."""
    days = DONE
    tables = {
        "vehicles": pd.DataFrame([VEHICLE | {"vehicle": name} for name in days]),
        "odometer": pd.DataFrame(
            [{"vehicle": v, "date": "2025-07-09", "odometer": 5} for v in days]
        ),
        "postings": pd.DataFrame(
            [{"vehicle": v, "from": "2025-01-01", "site": f"site {v in 'AC'}"} for v in days]
        ),
    }
    work = [
        {"vehicle": v, "date": d, "task": task, "why": "planned"}
        for v, d in days.items()
        for task in ("fluid", "look")
    ]
    plan = plan_of(tomllib.loads(DUE_PLAN), "km")
    header = {"name": "three", "distance": "km", "as_of": "2025-07-10", "first_day": "2025-01-01"}
    return log_of(tables | {"work": pd.DataFrame(work)}, header, plan=plan)


# due again 30 days after: 31 Jul, 20 Jul, 15 Jun 2025, and 75 days after: 14 Sep, 3 Sep, 30 Jul
DONE = {"A": "2025-07-01", "B": "2025-06-20", "C": "2025-05-16"}


class TestDue:
    @pytest.mark.parametrize(
        "days, names", [(0, "C"), (9, "C"), (10, "CB"), (20, "CB"), (21, "CBA")]
    )
    def test_a_vehicle_is_in_whose_work_is_due_by_then_the_most_pressing_first(self, days, names):
        assert [v.vehicle for v in visits_of(due_log(), days=days)] == list(names)

    def test_each_sheet_is_that_which_is_made_alone(self):
        log = due_log()
        for visit in visits_of(log, days=21):
            both = [
                wording.words(v, log, Show(log.units))
                for v in (visit, visit_of(log, [visit.vehicle]))
            ]
            for words in both:
                words["head"].pop("what")
            assert both[0] == both[1]

    def test_on_the_fleet_it_is_what_the_action_list_says(self, demo_log):
        """By wb.actions, read with plain pandas: what presses whatever its day, and what is due by the day asked for."""
        log = demo_log("fleet")
        rows = wb.actions(log)
        by = pd.to_datetime(rows["by"]) <= log.as_of + pd.Timedelta(days=14)
        rows = rows[by | rows["urgency"].isin(list(PRESSING))]
        visits = visits_of(log, days=14)
        assert [v.vehicle for v in visits] == rows["vehicle"].drop_duplicates().tolist()
        assert sum(len(v.due) for v in visits) == len(rows) > 40


@pytest.fixture(scope="module")
def three_sheets(tmp_path_factory):
    folder = tmp_path_factory.mktemp("three")
    log = due_log()
    write_tables(
        dict(log.tables),
        {"name": "three", "distance": "km", "as_of": "2025-07-10"},
        folder / "log",
    )
    (folder / "log" / "plan.toml").write_text(DUE_PLAN)
    with (folder / "log" / "log.toml").open("a") as file:
        file.write('plan = "plan.toml"\n')
    with pytest.MonkeyPatch.context() as patch:  # read once for all sheets
        patch.setitem(reports.READ, (str(folder / "log"), ""), read_log(folder / "log"))
        yield folder


def printed_pages(page):
    with browser.tab() as tab:
        tab.open(page.as_uri())
        pdf = base64.b64decode(tab.call("Page.printToPDF", preferCSSPageSize=True)["data"])
        assert tab.complaints() == []
    return len(re.findall(rb"/Type\s*/Page\b", pdf))


class TestManyPages:
    def test_a_list_stands_in_front_and_each_sheet_begins_on_a_new_page(self, three_sheets):
        out = three_sheets / "due.html"
        assert main(["sheet", str(three_sheets / "log"), "--due", "21", "--out", str(out)]) == 0
        assert list(faults(out)) == []
        text = " ".join(Page(out.read_text(encoding="utf-8")).text.split())
        assert (
            "By 31 Jul 2025, 3 vehicles of 3 have work due or something to be seen to first."
            in text
        )
        assert (
            "Vehicle Site When What C site True now Fluid, Look B site False 20 Jul 2025 Fluid A site True 31 Jul 2025 Fluid"
            in text
        )
        rows = pd.read_csv(out.with_suffix(".csv"))
        assert rows.loc[rows["table"].eq("odometer"), "vehicle"].tolist() == ["C", "B", "A"]
        if browser.CHROMIUM is None:
            pytest.skip("no chromium")
        alone = [three_sheets / f"{name}.html" for name in DONE]
        for page in alone:
            asked = ["--vehicle", page.stem, "--out", str(page)]
            assert main(["sheet", str(three_sheets / "log"), *asked]) == 0
        n, *each = (printed_pages(page) for page in (out, *alone))
        assert n == 1 + sum(each)

    def test_a_site_narrows_it_and_nothing_due_is_said(self, three_sheets):
        for asked, words in (
            (["--due", "21", "--site", "site False"], "1 vehicle of 1 has work due"),
            (["--due", "9", "--site", "site False"], "No vehicle has work due by 19 Jul 2025"),
        ):
            out = three_sheets / "site.html"
            assert main(["sheet", str(three_sheets / "log"), *asked, "--out", str(out)]) == 0
            assert words in " ".join(Page(out.read_text(encoding="utf-8")).text.split())


def test_every_vehicle_of_the_fleet_has_words(demo_log):
    log = demo_log("fleet")
    for vehicle in ("M04", "P01"):
        visit = visit_of(log, [vehicle])
        words = wording.words(visit, log, Show(log.units))
        assert words["head"]["vehicle"] == vehicle
        assert bool(words["head"]["gone"]) == (vehicle == "P01")
        assert bool(words["dangers"]) == (vehicle != "P01")
