"""Sliders over what a year would need, and what keeping a vehicle longer costs, in JupyterLab (pip
install 'wearbar[lab]'). They ask what `wb.what_if` asks."""

import ipywidgets
import seaborn as sns
from IPython.display import display

import wearbar as wb
from wearbar.outlook import outlook_of
from wearbar.outlook.what_if import Change, what_if
from wearbar.report.charts import style
from wearbar.report.verbs_ahead import past_of

SHOWN = {"jobs": "Jobs", "hours": "Labour, hours", "money": "Workshop money"}
SHARES = {"step": 0.05, "continuous_update": False, "readout_format": ".0%"}


def what_if_sliders(log, confidence=0.9):
    """Sliders for the distance of the year ahead, as a share of today's, and for the interval of a
    task, as a share of the plan's and never longer; below them the year as it stands and as asked.

    log: a ServiceLog of `wb.read_log`, with a plan and a year of record. Gives the widget, which a
    notebook shows; its `result` is the frame of `what_if.what_if` that was drawn last.
    """
    past = past_of(log, confidence)
    now = outlook_of(log, confidence=confidence, **past)
    rows = now.ahead.rows
    rows = rows[rows["every_km"] < float("inf")].sort_values("every_km").drop_duplicates("task")
    planned = rows.set_index("task")["every_km"]

    def asked(distance, task, interval):
        sooner = {task: {"km": interval * planned[task]}} if task and interval < 1 else {}
        change = Change(distance, sooner)
        found = what_if(log, change, confidence=confidence, now=now, **past)
        display(figure_of(found.set_index("figure")))
        return found

    tasks = [("none", ""), *sorted(zip(rows["title"], rows["task"], strict=True))]
    return ipywidgets.interactive(
        asked,
        distance=ipywidgets.FloatSlider(1, min=0, max=3, description="Distance", **SHARES),
        task=ipywidgets.Dropdown(options=tasks, description="Task"),
        interval=ipywidgets.FloatSlider(1, min=0.25, max=1, description="Its interval", **SHARES),
    )


def keep_years_slider(log, confidence=0.9):
    """A slider for how many years more each vehicle is kept, up to its record; below it what a year
    then costs, beside its value now and then. Gives the widget; its `result` is the frame drawn."""

    def asked(years):
        found = wb.what_if(log, keep_years=years, confidence=confidence)
        display(found.loc[:, found.ne("").any()].round(0))
        return found

    most = max(int(2 * log.record_days / 365) / 2, 0.5)
    years = ipywidgets.FloatSlider(
        min(1.0, most), min=0.5, max=most, step=0.5, readout_format=".1f"
    )
    return ipywidgets.interactive(asked, years=years)


def figure_of(found):
    """How much more of each of SHOWN, with its range, as a share of the year as it stands."""
    told = found.loc[[*SHOWN]].rename(index=SHOWN)
    told = 100 * told[["difference", "low", "high"]].div(told["now"], axis=0).dropna()
    figure, ax = style.new_figure(height=2.2)
    band = {"color": style.PALETTE[0], "alpha": 0.3, "linewidth": 6}
    ax.hlines(told.index, told["low"], told["high"], **band)
    sns.scatterplot(x=told["difference"], y=told.index, color=style.PALETTE[0], s=40, ax=ax)
    ax.axvline(0, color=style.INK, linestyle="--", linewidth=1)
    ax.set(xlabel="More than as it stands (%)", ylabel="")
    ax.margins(y=0.2)  # no row stands on the edge
    return figure
