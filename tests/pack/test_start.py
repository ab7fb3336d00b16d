"""An empty log to fill in: its tables, its plan by kind of vehicle, its guide, and what `wearbar check` says of the plan."""

import csv
import tomllib

import pytest
from conftest import write_rows

import wearbar_lab.commands  # noqa: F401  # which makes its commands known
from wearbar.log import read_log
from wearbar.log.places import place, read_toml
from wearbar.log.plan_tasks import KEYS, values_of
from wearbar.log.schema import TABLES
from wearbar.log.units import DISTANCE_KM, is_example
from wearbar.pack.cli import main
from wearbar_lab import plans

KINDS = list(plans.SAYS["kinds"])


def run(*arguments):
    return main([str(a) for a in arguments])


def test_start_writes_a_header_for_every_table(tmp_path, capsys):
    assert run("start", tmp_path / "log") == 0
    names = {f"{name}.csv" for name in TABLES} | {"log.toml", "plan.toml", "GUIDE.md"}
    assert {p.name for p in (tmp_path / "log").iterdir()} == names
    for name, columns in TABLES.items():
        with (tmp_path / "log" / f"{name}.csv").open(encoding="utf-8", newline="") as file:
            assert list(csv.reader(file)) == [[c.name for c in columns]]
    assert str(tmp_path / "log") in capsys.readouterr().out


def test_start_writes_over_nothing(tmp_path, capsys):
    (tmp_path / "mine.txt").write_text("mine", encoding="utf-8")
    assert run("start", tmp_path) == 2
    assert "is not empty" in capsys.readouterr().err
    assert [p.name for p in tmp_path.iterdir()] == ["mine.txt"]


@pytest.mark.parametrize("unit", DISTANCE_KM)
def test_a_plan_has_the_tasks_of_its_template_and_every_figure_is_an_example(unit):
    text = plans.plan_text(KINDS, unit)
    written = tomllib.loads(text)
    assert "price" not in text
    for name in plans.SAYS["kinds"].values():
        template = read_toml("shared", "plans", f"{name}.toml")[name]["task"]
        for was, task in zip(template, written[name]["task"], strict=True):
            assert (task["code"], task["steps"]) == (was["code"], was["steps"])
            assert is_example(task["source"]) or task["source"] == "common practice, no source"
            for figure in task.get("figures", ()):
                assert figure["source"] if "value" in figure else "source" not in figure
            for limit in {"first", "every", "severe", "recheck"} & set(was):
                miles = was[limit].get("distance", 0)
                exact = miles if unit == "mi" else miles * 1.609344  # by definition of the mile
                assert 0.9 * exact <= task[limit].get("distance", 0) <= exact


@pytest.mark.parametrize(
    "options, header",
    [
        (["--country", "gb"], {"distance": "mi", "currency": "GBP", "jurisdiction": "GB"}),
        (["--country", "US"], {"volume": "gal_us", "depth": "in32", "jurisdiction": "US"}),
        (["--country", "FR", "--currency", "chf"], {"distance": "km", "currency": "CHF"}),
        (["--country", "NZ", "--units", "mi"], {"distance": "mi", "pressure": "bar"}),
        (["--units", "km"], {"distance": "km", "pressure": "bar"}),
    ],
)
def test_a_started_log_is_read_with_what_was_asked(options, header, tmp_path, capsys):
    log = tmp_path / "log"
    assert run("start", log, "--kind", "motorcycle", "trail-motorcycle", "car", *options) == 0
    assert "EVERY FIGURE IN IT IS AN EXAMPLE" in capsys.readouterr().out
    said = tomllib.loads((log / "log.toml").read_text(encoding="utf-8"))
    assert said.items() >= (header | {"plan": "plan.toml"}).items()
    assert ("jurisdiction" in said) == ("--country" in options and "NZ" not in options)
    rows = {"vehicles": [{"vehicle": "A", "kind": "car", "in_service": "2024-01-01"}]}
    rows["odometer"] = [{"vehicle": "A", "date": "2024-01-01", "odometer": "0"}]
    read = read_log(write_rows(log, rows))
    assert read.plan_for(read.tables["vehicles"]["vehicle"]).tolist() == ["car"]


def test_at_a_terminal_it_asks_until_the_answer_can_be(capsys):
    asked = []

    def ask(question):
        asked.append(question)
        return given.pop(0)

    given = ["bike", "car, van", "Wales", "de", "", "pounds", ""]
    answers = plans.answers(ask)
    assert answers == {"kind": ["car", "van"], "country": "de", "units": "km", "currency": "EUR"}
    assert (len(asked), capsys.readouterr().out.count("\n")) == (7, 3)

    def at_the_end(question):
        raise EOFError

    assert plans.answers(at_the_end)["units"] == "mi"


def test_the_guide_explains_every_key_of_a_plan_by_an_example_that_holds(example_log):
    guide = (example_log / "GUIDE.md").read_text(encoding="utf-8")
    readme = place("data", "README.md").read_text(encoding="utf-8")
    for part in set(KEYS) - {"shares"}:
        lines = [f"{key} = {told['example']}" for key, told in KEYS[part].items()]
        for key, line in zip(KEYS[part], lines, strict=True):
            assert f"| `{key}`" in guide
            assert f"| `{line}` |" in guide
            assert f"| `{line}` |" in readme
        assert values_of("guide", tomllib.loads("\n".join(lines)), part)


def test_check_names_what_of_the_plan_and_of_the_log_do_not_meet(tmp_path, capsys):
    assert run("start", tmp_path / "log", "--kind", "motorcycle", "car") == 0
    heron = {"vehicle": "Heron", "kind": "motorcycle", "in_service": "2023-04-02"}
    van = {"vehicle": "Vera", "kind": "van", "in_service": "2023-04-02"}
    done = {"vehicle": "Heron", "date": "2023-05-10", "odometer": "702", "why": "planned"}
    tasks = ["engine-oil-and-filter", "Polish the tank", "brake fluid", "clutch cable lube"]
    work = [done | {"task": task} for task in tasks]
    work.append(done | {"task": "broken mirror", "why": "defect"})
    write_rows(tmp_path / "log", {"vehicles": [heron, van], "work": work})
    capsys.readouterr()
    run("check", tmp_path / "log")
    said = capsys.readouterr().out.partition(", with a doubt\n")[2]
    assert 'Of kind "van" there is a vehicle that follows no plan' in said
    assert said.count("follows no plan") == 1
    assert "Plan car matches no vehicle" in said
    assert "Plan motorcycle-road has figures of an example (14 of 22 tasks)" in said
    never = said.partition("never in the log: ")[2].partition(". If")[0].split(", ")
    assert {"chain-adjust", "tyres-inspect"} <= set(never)
    assert not {"engine-oil-and-filter", "engine-oil-level", "brake-fluid-replace"} & set(never)
    assert "mirror" not in said
    lines = said.partition("figures of yours:\n")[2].splitlines()[:4]
    added = tomllib.loads("\n".join(lines))["motorcycle-road"]["task"][0]
    assert (added["code"], added["action"]) == ("clutch cable lube", "lubricate")
    assert values_of("check", added, "task")["every"]["months"] == 12
    assert 'lacks "polish the tank"' in said or 'lacks "Polish the tank"' in said
