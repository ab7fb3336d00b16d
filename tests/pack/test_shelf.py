"""Packs side by side: where each stands, with which earlier one it is compared, and the page that lists them."""

import json
import shutil
from dataclasses import replace

import jsonschema
import pandas as pd
import pytest
from conftest import use_test_notebooks, write_rows
from pages import Page, faults
from test_pack import bytes_of

from wearbar.log import places, read_log
from wearbar.pack import make, shelf
from wearbar.pack.each import make_packs
from wearbar.report import against
from wearbar_lab.start import start_log

ODD = "<b>North & Co"
ALL = {"site": "", "vehicle": []}
NAME = 'name = "<script>alert(1)</script>"'


@pytest.fixture(scope="module")
def log(tmp_path_factory):
    """Two vans with a reading each in two months; name and site hold markup."""
    folder = start_log(tmp_path_factory.mktemp("shelf") / "log")
    toml = (folder / "log.toml").read_text(encoding="utf-8")
    toml = "\n".join(NAME if s.startswith("name") else s for s in toml.splitlines())
    (folder / "log.toml").write_text(toml, encoding="utf-8")
    vans = [
        {"vehicle": v, "kind": "van", "site": site, "in_service": "2024-01-01"}
        for v, site in (("A", ODD), ("B", ""))
    ]
    readings = [
        {"vehicle": v, "date": date, "odometer": odometer}
        for v in "AB"
        for date, odometer in (("2024-04-30", "500"), ("2024-05-31", "900"))
    ]
    return write_rows(folder, {"vehicles": vans, "odometer": readings})


@pytest.fixture
def stand(log, tmp_path, monkeypatch):
    """Make a pack of the notebook of the tests by itself; gives what is told."""
    use_test_notebooks(monkeypatch)
    monkeypatch.chdir(tmp_path)

    def pack(log=log, only=("sample",), **parameters):
        told = []
        made = make.make_pack(log=log, only=only, tell=told.append, **parameters)
        return made.folder.name, told

    return pack


def names_in(folder):
    return sorted(path.name for path in folder.iterdir())


class TestWhereAPackStands:
    def test_by_date_and_selection_and_a_rerun_replaces_its_own(self, stand, tmp_path):
        assert stand()[0] == "2024-05-31"
        assert stand(as_of="2024-04-30")[0] == "2024-04-30"
        of_site, before = stand(site=ODD)[0], bytes_of(tmp_path / "wearbar-pack")
        assert of_site.startswith("2024-05-31-b-North-Co-")
        (tmp_path / "wearbar-pack" / "2024-05-31" / "mine.txt").write_text("mine", encoding="utf-8")
        assert stand()[0] == "2024-05-31"
        after = bytes_of(tmp_path / "wearbar-pack")
        assert after.pop("2024-05-31/mine.txt")
        assert after == before
        page = tmp_path / "wearbar-pack" / "index.html"
        assert all("markup shown as text" in fault for fault in faults(page))
        text = Page(page.read_text(encoding="utf-8")).text
        rows = text.split("Headline ")[1].split("2024-")[1:]
        assert [row.split()[0] for row in rows] == ["05-31", "05-31", "04-30"]
        assert "<script>alert(1)</script>" in rows[0]
        assert sum("site <b>North & Co" in row for row in rows) == 1
        assert all("2 vehicles in the log" in row or ODD in row for row in rows)

    def test_another_log_of_the_same_date_stands_beside(self, stand, log, tmp_path):
        other = shutil.copytree(log, tmp_path / "other")
        toml = (other / "log.toml").read_text(encoding="utf-8")
        (other / "log.toml").write_text(toml.replace(NAME, 'name = "Other"'), encoding="utf-8")
        assert [stand()[0], stand(log=other)[0]] == ["2024-05-31", "2024-05-31-2"]
        again = [shelf.standing("", "", read_log(of), ALL).out.name for of in (log, other)]
        assert again == ["2024-05-31", "2024-05-31-2"]

    def test_what_is_no_pack_of_this_layout_is_left_and_named(self, stand, sample_pack, tmp_path):
        packs = shutil.copytree(sample_pack.folder, tmp_path / "wearbar-pack")
        (packs / "2024-05-31").mkdir()
        (packs / "2024-05-31" / "mine.txt").write_text("mine", encoding="utf-8")
        folder, told = stand()
        assert folder == "2024-05-31-2"
        assert names_in(packs / "2024-05-31") == ["mine.txt"]
        assert f"{packs} holds a pack of the earlier layout, which stays as it is" in told[-1]
        now = bytes_of(packs)
        old = {name: now[name] for name in now if not name.startswith("2024-")}
        assert old == bytes_of(sample_pack.folder)


def test_the_list_names_every_pack_and_is_left_once_changed(stand, tmp_path):
    packs = tmp_path / "wearbar-pack"
    page = packs / "index.html"
    stand()
    shutil.copytree(packs / "2024-05-31", packs / "broken")
    (packs / "broken" / "findings.json").write_text("[]", encoding="utf-8")
    (packs / "notes").mkdir()
    stand(as_of="2024-04-30")
    text = Page(page.read_text(encoding="utf-8")).text
    assert "3 packs are in this folder, the newest first." in text
    assert "broken" in text
    assert "notes" not in text
    page.write_text(page.read_text(encoding="utf-8").replace("packs", "folders"), encoding="utf-8")
    mine = page.read_bytes()
    assert "is not a list of packs, or was changed" in stand()[1][-1]
    assert page.read_bytes() == mine


@pytest.fixture(scope="module")
def months(by_hand, tmp_path_factory):
    """A folder with the packs of three months of a log, each of the one report that compares; the
    first is the second, its date changed."""
    root, asked = tmp_path_factory.mktemp("months"), {"log": by_hand, "only": [against.REPORT]}
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(root)
        for day in ("2026-04-30", ""):
            make.make_pack(as_of=day, tell=lambda line: None, **asked)
    packs = root / "wearbar-pack"
    first = shutil.copytree(packs / "2026-04-30", packs / "2026-03-31")
    told = findings_of(first)
    told["log"]["as_of"] = "2026-03-31"
    (first / "findings.json").write_text(json.dumps(told), encoding="utf-8")
    return packs


def findings_of(folder):
    return json.loads((folder / "findings.json").read_text(encoding="utf-8"))


class TestComparedByItself:
    def test_with_the_newest_earlier_one(self, months):
        assert names_in(months) == ["2026-03-31", "2026-04-30", "2026-05-30", "index.html"]
        assert "since" not in findings_of(months / "2026-04-30")
        findings = findings_of(months / "2026-05-30")
        schema = json.loads(places.place("shared", "findings.schema.json").read_text("utf-8"))
        jsonschema.validate(findings, schema)
        assert findings["since"]["as_of"] == "2026-04-30"
        assert "since" not in findings["parameters"]
        for page in ("index.html", "interval_compliance.html"):
            text = Page((months / "2026-05-30" / page).read_text(encoding="utf-8")).text
            assert "Since 30 Apr 2026 , the day of the earlier pack: of " in text
            assert faults(months / "2026-05-30" / "index.html") == []

    def test_it_is_an_input_like_others(self, months, by_hand, tmp_path, monkeypatch):
        """What is made from the same is not made again, wherever the packs are."""
        packs = shutil.copytree(months, tmp_path / "wearbar-pack")
        monkeypatch.chdir(tmp_path)
        asked = {"log": by_hand, "only": [against.REPORT], "tell": lambda line: None}
        assert make.make_pack(keep=True, **asked).first_page == ""
        findings = packs / "2026-04-30" / "findings.json"
        findings.write_text(findings.read_text(encoding="utf-8") + " ", encoding="utf-8")
        assert make.make_pack(keep=True, **asked).first_page

    @pytest.mark.parametrize(
        "change, why",
        [
            (lambda told: told.update(schema="wearbar-findings/0"), "of schema wearbar-findings/0"),
            (lambda told: told["log"].update(currency="EUR"), "is in EUR, not in GBP"),
            (lambda told: told["reports"].clear(), "holds no interval_compliance"),
        ],
    )
    def test_what_cannot_be_compared_is_told_and_the_one_before_it_is(
        self, months, by_hand, tmp_path, monkeypatch, change, why
    ):
        packs = shutil.copytree(months, tmp_path / "wearbar-pack")
        monkeypatch.chdir(tmp_path)
        told = findings_of(packs / "2026-04-30")
        change(told)
        (packs / "2026-04-30" / "findings.json").write_text(json.dumps(told), encoding="utf-8")
        log = read_log(by_hand)
        earlier = shelf.standing("", "", log, ALL).earlier
        assert [folder.name for folder in earlier] == ["2026-04-30", "2026-03-31"]
        since, said = shelf.since_in(earlier, log, ALL)
        assert since == packs / "2026-03-31"
        assert said[0].startswith("Not compared with the pack 2026-04-30: ")
        assert why in said[0]
        assert str(tmp_path) not in said[0]

    def test_of_another_log_day_or_selection_is_none(self, months, by_hand, monkeypatch):
        monkeypatch.chdir(months.parent)
        log = read_log(by_hand)
        assert len(shelf.standing("", "", log, ALL).earlier) == 2
        for of, asked, each in (
            (replace(log, name="Other"), ALL, ""),
            (replace(log, as_of=pd.Timestamp("2026-03-31")), ALL, ""),
            (log, ALL | {"site": "North"}, ""),
            (log, ALL | {"vehicle": ["Curlew"]}, ""),
            (log, ALL, "vehicle"),
        ):
            assert shelf.standing("", "", of, asked, each).earlier == ()
        assert shelf.standing("", "named", log, ALL).earlier == ()
        assert shelf.standing("out", "", log, ALL)[1:] == ((), False)

    def test_why_not_is_on_the_first_page(self, stand, log, monkeypatch):
        monkeypatch.setattr(against, "REPORT", "sample")
        stand(as_of="2024-04-30")
        name, told = stand()
        why = "Not compared with the pack 2024-04-30: the pack 2024-04-30 holds no sample"
        assert any(line.startswith(why) for line in told)
        page = Page((shelf.Path(shelf.SHELF) / name / "index.html").read_text(encoding="utf-8"))
        assert f"Since the last pack {why}" in page.text


def test_packs_of_each_stand_in_a_folder_and_are_compared_with_their_own(
    log, tmp_path, monkeypatch
):
    monkeypatch.chdir(tmp_path)
    asked = {"each": "vehicle", "log": log, "tell": lambda line: None}
    made = make_packs(only=["log_check"], as_of="2024-04-30", **asked)
    assert made.folder == tmp_path / "wearbar-pack" / "2024-04-30-each-vehicle"
    text = Page((tmp_path / "wearbar-pack" / "index.html").read_text(encoding="utf-8")).text
    assert "2024-04-30 a pack for each vehicle <script>" in text
    given = {}

    def run_tasks(tasks, *_):
        given.update({name: asked["since"] for name, _, (_, asked) in tasks})
        return dict.fromkeys(given, "no more")

    monkeypatch.setattr("wearbar.pack.each.run_tasks", run_tasks)
    monkeypatch.setattr(against, "earlier_pack", lambda *_: None)
    shutil.rmtree(made.folder / "B")
    with pytest.raises(make.reports.NotDone):
        make_packs(**asked)
    assert given == {"A": made.folder / "A", "B": ""}


def test_a_pack_is_listed_by_what_must_not_be_driven_before_what_is_worn(tmp_path):
    def headline(text):
        return {"headlines": [{"text": text, "urgency": "now"}]}

    told = {
        "log": {"name": "Wardens", "as_of": "2026-10-31"},
        "parameters": {"site": "", "vehicle": []},
        "reports": {
            "consumable_life": headline("11 parts are at the limit."),
            "interval_compliance": headline("**2 vehicles must not be driven**: M09 and M04."),
        },
    }
    (tmp_path / "findings.json").write_text(json.dumps(told, sort_keys=True), encoding="utf-8")
    about, said = shelf._read(tmp_path)
    assert (about.name, about.day) == ("Wardens", "2026-10-31")
    assert said == "2 vehicles must not be driven: M09 and M04."
