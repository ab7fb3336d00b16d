"""The sliders ask the same as `wb.what_if`: moved here as a hand moves them there."""

import pandas as pd
import pytest

import wearbar as wb
from wearbar_lab.sliders import figure_of, what_if_sliders

ipywidgets = pytest.importorskip("ipywidgets")


@pytest.fixture(scope="module")
def one():
    return wb.read_log().only(["M12"])


def test_a_slider_moved_asks_and_draws_anew(one):
    box = what_if_sliders(one)
    distance, task, interval, _ = box.children
    assert "engine-oil-and-filter" in dict(task.options).values()
    assert (distance.max, interval.max) == (3, 1)  # never longer than the plan's
    box.update()
    assert (box.result["difference"] == 0).all()
    distance.value, task.value, interval.value = 1.5, "engine-oil-and-filter", 0.5
    box.update()
    planned = one.plan.tasks.query("code == 'engine-oil-and-filter' and plan == 'trail-motorcycle'")
    shorter = {"distance": 0.5 * one.units.from_km(planned["severe_km"].iloc[0])}
    asked = wb.what_if(one, use=1.5, sooner={"engine-oil-and-filter": shorter})
    assert box.result["difference"].tolist()[1:] == pytest.approx(asked["difference"].tolist()[1:])
    (band,) = figure_of(box.result.set_index("figure")).axes[0].collections[:1]
    assert len(band.get_segments()) == 3


def test_what_is_not_known_is_not_drawn():
    rows = pd.DataFrame(
        {"now": [10.0, 5.0, float("nan")], "difference": 1.0, "low": 0.5, "high": 2}
    )
    figure = figure_of(rows.set_axis(["jobs", "hours", "money"]))
    segments = figure.axes[0].collections[0].get_segments()
    assert [s[:, 0].tolist() for s in segments] == [[5.0, 20.0], [10.0, 40.0]]
