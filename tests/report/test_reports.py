"""What a notebook shows and records, and the pages that it becomes."""

import base64
import io
import json
import re

import browser
import numpy as np
import pandas as pd
import pytest
from matplotlib.image import imread
from pages import Page, faults

from wearbar import usage
from wearbar.log import log_of
from wearbar.log.places import place
from wearbar.log.schema import VEHICLE_KINDS
from wearbar.report import report as reports
from wearbar.report.charts import style
from wearbar.report.charts.vehicles import STATES
from wearbar.report.quantities import safe
from wearbar.stats.estimate import Estimate

LOG = {
    "vehicles": pd.DataFrame(
        {
            "vehicle": ["Curlew", "Plover", "<i>Dunlin</i>"],
            "kind": ["motorcycle", "van", "pickup"],
            "site": ["north", "north", "south"],
            "in_service": ["2024-01-01"] * 3,
        }
    ),
    "odometer": pd.DataFrame(
        {
            "vehicle": ["Curlew", "Curlew", "Plover", "<i>Dunlin</i>"],
            "date": ["2024-01-01", "2024-12-31", "2024-06-30", "2024-06-30"],
            "odometer": ["0", "1000", "20", "30"],
        }
    ),
}


@pytest.fixture
def shown(monkeypatch):
    """The bundles that a report displays, in order."""
    sent = []
    monkeypatch.setattr(reports, "display", lambda bundle, raw: sent.append(bundle))
    monkeypatch.setattr(
        reports.logs,
        "read_log",
        lambda path, as_of=None: log_of(
            LOG, {"name": "Hides & <b>", "distance": "mi"}, as_of=as_of
        ),
    )
    return sent


def opened(shown, **parameters):
    report = reports.open_report("sample", **parameters)
    shown.clear()
    return report


def test_opening_says_whose_log_and_what_is_counted(shown):
    report = reports.open_report("sample", site="north", units="km")
    page = shown[-1]["text/html"]
    assert "<b>Hides &amp; &lt;b&gt;</b>" in page
    for words in (
        "1 Jan 2024 to 31 Dec 2024",
        "2 vehicles",
        "site north",
        "any range at 90% unless a note says otherwise",
    ):
        assert words in page
    assert list(report.log.tables["vehicles"]["vehicle"]) == ["Curlew", "Plover"]
    assert len(report.whole.tables["vehicles"]) == 3
    assert report.show.distance(16.09344) == "16 km"
    assert usage.readings(report.log)["distance_km"].max() == pytest.approx(1609.344)


@pytest.mark.parametrize(
    "parameters, words",
    [
        ({"site": "east"}, "no site east; it knows north and south"),
        ({"vehicle": ["Teal"]}, "no vehicle Teal; it knows"),
        ({"vehicle": ["Curlew"], "site": "south"}, "no vehicle of Curlew is based at south"),
        ({"as_of": "31/12/2024"}, "give a day as YYYY-MM-DD"),
        ({"as_of": "2023-05-01"}, "nothing in the log is as old as as_of 2023-05-01"),
        ({"confidence": 90}, "give a share from 0.5"),
        ({"confidence": float("nan")}, "give a share from 0.5"),
        ({"units": "furlong"}, "give mi or km"),
    ],
)
def test_what_cannot_be_asked_is_one_sentence(shown, parameters, words):
    with pytest.raises(reports.NotDone, match=re.escape(words)) as caught:
        reports.check(**parameters)
    assert "\n" not in str(caught.value)


def test_one_vehicle_may_be_a_text(shown):
    assert list(opened(shown, vehicle="Plover").log.tables["vehicles"]["vehicle"]) == ["Plover"]


def test_a_day_closes_the_log(shown):
    report = opened(shown, as_of="2024-06-30")
    assert report.log.as_of == pd.Timestamp("2024-06-30")
    assert report.whole.ledger["after"].sum() == 1


def test_a_table_carries_its_file(shown):
    report = opened(shown)
    report.table(
        pd.DataFrame({"vehicle": ["<b>", "=2"], "far_km": [1609.344, np.nan]}),
        safe("a < b"),
        name="far",
        note=safe("x & y"),
    )
    bundle = shown[0]
    assert bundle[reports.TABLE] == {
        "name": "sample-far",
        "csv": "vehicle,far_mi\n<b>,1000\n'=2,\n",
        "caption": "a < b",
        "columns": '[["Vehicle", null, null, false, ""], ["Far km (mi)", "mi", 0, false, ""]]',
    }
    assert "<caption>a &lt; b</caption>" in bundle["text/html"]
    assert "x &amp; y</p>" in bundle["text/html"]
    report.table(pd.DataFrame({"n": [1]}), "A file alone", "alone", rows=0)
    assert "<table" not in shown.pop()["text/html"]
    report.table(pd.DataFrame({"n": [1]}), "No file")
    assert reports.TABLE not in shown[1]


def test_a_figure_has_its_words_and_is_the_same_each_time(shown):
    report = opened(shown)
    for _ in range(2):
        figure, axes = style.new_figure(2)
        axes.plot([1, 2], [3, 4], label="$2^{ $", **style.series(0))
        axes.legend()
        report.figure(figure, alt=safe('A "line" & <more>'), caption="One line")
    first, second = (bundle["text/html"] for bundle in shown)
    assert first == second
    assert 'alt="A &quot;line&quot; &amp; &lt;more&gt;"' in first
    picture = imread(io.BytesIO(base64.b64decode(first.split("base64,")[1].split('"')[0])))
    assert picture.shape[:2] == (384, 998)  # twice the width that it is shown at
    assert '<img width="499"' in first
    assert picture[..., :3].min() < 0.5


@pytest.mark.parametrize(
    "value, told",
    [
        (
            Estimate(0.5, 0.25, np.float64(0.75), 0.9, np.int64(8), 2, "share", "Wilson"),
            {"value": 0.5, "high": 0.75, "n": 8, "unit": "share"},
        ),
        (
            Estimate(np.nan, np.nan, np.inf, 0.9, 0, note="too few"),
            {"value": None, "low": None, "high": None, "note": "too few"},
        ),
        (np.float64(1) / 3, {"value": 0.33333333}),
        (pd.Timestamp("2026-01-02"), {"value": "2026-01-02"}),
        (pd.NaT, {"value": None}),
        (np.bool_(True), {"value": True}),
        ("a\u202eb", {"value": "a b"}),
        (None, {"value": None}),
    ],
)
def test_a_finding_is_plain_json(shown, value, told):
    report = opened(shown)
    report.finding("it", value)
    bundle = json.loads(json.dumps(shown[0], allow_nan=False))
    assert bundle[reports.FINDING].items() >= told.items()
    assert bundle["text/plain"] == ""


def test_nothing_is_said_for_an_empty_text(shown):
    report = opened(shown)
    report.say("")
    assert shown == []
    report.headline("Mend it.", "now")
    assert shown[0]["text/markdown"] == "**Act now:** Mend it."
    with pytest.raises(KeyError):
        report.headline("Mend it.", "later")


def test_provenance_tells_the_log_and_the_versions(shown):
    report = opened(shown, site="north")
    report.provenance()
    page = shown[0]["text/html"]
    for words in (
        report.whole.sha256,
        "7 rows read: 7 used",
        "2 of 3",
        "site north",
        f"pandas {pd.__version__}",
        "does not say whether net or gross",
    ):
        assert words in page


def test_series_differ_without_their_colour():
    marks = [(s["marker"], str(s["linestyle"])) for s in map(style.series, range(7))]
    assert len(set(marks)) == 7
    assert len({marker for _, _, marker in STATES.values()}) == len(STATES)


def test_names_of_lines_that_end_close_do_not_lie_on_one_another():
    _, axes = style.new_figure(3)
    axes.set_ylim(0, 1)
    style.name_ends(axes, 1, {"B": 0.5, "A": 0.49, "D": 0.9, "C": 0.5})
    by_name = {text.get_text(): text.xy[1] for text in axes.texts}
    assert list(by_name) == ["A", "B", "C", "D"]
    assert by_name["A"] == 0.49
    assert by_name["D"] == 0.9
    assert min(np.diff(list(by_name.values()))) > 0.05


def test_a_kind_of_vehicle_looks_the_same_wherever_it_appears():
    kinds = [*VEHICLE_KINDS, "sledge"]
    looks = style.kind_style(kinds)
    assert looks["hue_order"] == looks["style_order"] == kinds
    assert len(set(looks["markers"].values())) == len(VEHICLE_KINDS) + 1
    two = style.kind_style(pd.Series(["van", None, "car"]))
    assert two["hue_order"] == ["car", "van"]
    assert two["palette"].items() <= looks["palette"].items()
    assert two["markers"].items() <= looks["markers"].items()
    assert style.kind_look("van") == {
        "color": looks["palette"]["van"],
        "marker": looks["markers"]["van"],
    }


def luminance(colour):
    """Relative luminance (WCAG 2.2)."""
    parts = [int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)]
    linear = [p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one, other):
    light, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def test_text_stands_out_in_light_dark_and_print():
    sheet = place("shared", "report", "report.css").read_text(encoding="utf-8")
    schemes = re.findall(r":root \{(.*?)\}", sheet, re.DOTALL)
    assert len(schemes) == 3
    for scheme in schemes:
        colours = {
            name: value if len(value) == 7 else f"#{value[1] * 2}{value[2] * 2}{value[3] * 2}"
            for name, value in re.findall(r"--wb-(\w+): (#\w+)", scheme)
        }
        for ink in ("ink", "soft", "link", "now", "soon", "note"):
            for ground in ("paper", "sheet", "tint"):
                assert contrast(colours[ink], colours[ground]) >= 4.5, (ink, ground, colours[ink])


PAGE = """<html lang="en"><head><title>T</title><meta http-equiv="Content-Security-Policy"></head><body><header></header><nav></nav><main>
<h1>A</h1><h2>B</h2>{}</main></body></html>"""


@pytest.mark.parametrize(
    "body, fault",
    [
        ("<p>fine</p>", ""),
        ("<img src='data:x' alt='short'>", "alternative text"),
        ("<img src='http://a.example/x.png' alt='a long enough text here'>", "loads"),
        ("<script></script>", "<script>"),
        ("<style>p { background: url(x.png) }</style>", "a style loads"),
        ("<h1>C</h1>", "2 h1"),
        ("<h4>C</h4>", "h4 follows h2"),
        ("<table><tr><th scope='col'>a</th></tr></table>", "no caption"),
        ("<table><caption>c</caption><tr><th>a</th></tr></table>", "no scope"),
        ("<a href='#gone'>x</a>", "leads nowhere"),
        ("<a href='gone.html'>x</a>", "not in the pack"),
        ("<a href='https://a.example'>x</a>", "leads out"),
        ("<p>nan mi</p>", "nan in print"),
        ("<p>n = None</p>", "None in print"),
        ("<p>1.2e-05 mm</p>", "exponent"),
        ("<p>Traceback (most</p>", "traceback"),
        ("<p>&amp;#42;</p>", "markup"),
        ("<p>None of the vehicles; an infant</p>", ""),
        ("<i id='a'></i><i id='a'></i>", "stands 2 times"),
    ],
)
def test_the_page_reader_sees_each_fault(tmp_path, body, fault):
    path = tmp_path / "page.html"
    path.write_text(PAGE.format(body), encoding="utf-8")
    assert (fault in " ".join(faults(path))) if fault else faults(path) == []


def test_every_page_of_a_pack_is_sound(sample_pack):
    pages = sorted(sample_pack.folder.glob("*.html"))
    assert [p.name for p in pages] == ["index.html", "sample.html"]
    assert {p.name: faults(p) for p in pages} == {p.name: [] for p in pages}


def test_code_is_hidden_and_can_be_seen(sample_pack):
    text = (sample_pack.folder / "sample.html").read_text(encoding="utf-8")
    assert "open_report" not in Page(text).text
    code = text[text.index("<summary>Show the code") :]
    assert "open_report" in re.sub("<[^>]*>", "", code)
    assert str(sample_pack.log) not in text


@pytest.fixture(scope="module")
def tab():
    with browser.tab() as opened:
        yield opened


@pytest.mark.skipif(browser.CHROMIUM is None, reason="no chromium")
class TestInABrowser:
    @pytest.mark.parametrize("page", ["index.html", "sample.html"])
    @pytest.mark.parametrize("width", [1280, 390])
    def test_opens_offline_without_a_complaint(self, tab, sample_pack, page, width):
        url = (sample_pack.folder / page).as_uri()
        tab.open(url, width=width)
        assert [r for r in tab.requests() if not r.startswith("data:")] == [url]
        assert tab.complaints() == []
        assert tab.value("document.documentElement.scrollWidth <= innerWidth")
        assert tab.value("[...document.images].every(i => i.complete && i.naturalWidth > 100)")

    def test_prints(self, tab, sample_pack):
        tab.open((sample_pack.folder / "sample.html").as_uri())
        assert tab.pdf().startswith(b"%PDF")

    def test_the_appendix_prints_only_where_it_is_opened(self, tab, sample_pack):
        tab.open((sample_pack.folder / "sample.html").as_uri())
        facts = "document.querySelector('.wb-facts').checkVisibility({contentVisibilityAuto: true})"
        tab.call("Emulation.setEmulatedMedia", media="print")
        assert not tab.value("document.querySelector('.appendix').checkVisibility()")
        tab.value("document.querySelector('.appendix').open = true")
        assert tab.value(facts)
        tab.call("Emulation.setEmulatedMedia", media="")
        assert tab.value("document.querySelector('.appendix > summary').checkVisibility()")
        assert not tab.value("document.querySelector('.appendix .code')")

    def test_the_keyboard_reaches_the_report_first(self, tab, sample_pack):
        tab.open((sample_pack.folder / "sample.html").as_uri())
        for kind in ("keyDown", "keyUp"):
            tab.call(
                "Input.dispatchKeyEvent", type=kind, key="Tab", code="Tab", windowsVirtualKeyCode=9
            )
        assert tab.value("document.activeElement.textContent") == "Skip to the report"
        assert tab.value("getComputedStyle(document.activeElement).left") != "-1584px"


def test_rows_of_a_finding_keep_text_as_it_is_in_the_log(shown):
    rows = pd.DataFrame({"vehicle": ["A  <b>"], "n": [2], "day": pd.to_datetime([None])})
    opened(shown).finding("counted", 1, rows=rows)
    assert shown[-1][reports.FINDING]["rows"] == [{"vehicle": "A  <b>", "n": 2, "day": None}]
