"""The sliders ask the same as `wb.what_if`: moved here as a hand moves them there."""

import pandas as pd
import pytest
from steady import steady_log

import wearbar as wb
from wearbar.log import places

pytest.importorskip("ipywidgets")


def test_a_slider_moved_asks_and_draws_anew():
    from wearbar_lab.sliders import figure_of, what_if_sliders

    log = steady_log()
    box = what_if_sliders(log)
    distance, task, interval, _ = box.children
    assert dict(task.options) == {"none": "", "Oil": "oil", "Brakes": "brakes"}
    assert (distance.max, interval.max) == (3, 1)  # never longer than the plan's
    box.update()
    assert (box.result["difference"].fillna(0) == 0).all()
    distance.value, task.value, interval.value = 1.5, "oil", 0.5
    asked = wb.what_if(log, use=1.5, sooner={"oil": {"distance": 2_000}})
    assert box.result["difference"].tolist() == pytest.approx(
        asked["difference"].tolist(), nan_ok=True
    )
    assert box.result.set_index("figure").loc["jobs", "difference"] > 5
    (band,) = figure_of(box.result.set_index("figure")).axes[0].collections[:1]
    assert len(band.get_segments()) == 3


def test_what_is_not_known_is_not_drawn():
    from wearbar_lab.sliders import figure_of

    rows = pd.DataFrame(
        {"now": [10.0, 5.0, float("nan")], "difference": 1.0, "low": 0.5, "high": 2}
    )
    figure = figure_of(rows.set_axis(["jobs", "hours", "money"]))
    segments = figure.axes[0].collections[0].get_segments()
    assert [s[:, 0].tolist() for s in segments] == [[5.0, 20.0], [10.0, 40.0]]


def test_the_slider_of_years_asks_what_keeping_longer_costs():
    """Up to the three years of the record; half a year at a time."""
    from wearbar_lab.sliders import keep_years_slider

    owner = wb.read_log(places.place("data", "owner"))
    box = keep_years_slider(owner)
    (years,) = [child for child in box.children if hasattr(child, "max")]
    assert (years.value, years.max, years.step) == (1, 3, 0.5)
    years.value = 2.5
    box.update()
    pd.testing.assert_frame_equal(box.result, wb.what_if(owner, keep_years=2.5))
