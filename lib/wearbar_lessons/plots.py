"""Pictures of a lesson, one line in a cell, each with a sentence that says the same."""

import base64
from dataclasses import dataclass
from html import escape

import numpy as np
from matplotlib.figure import Figure

from wearbar.report.charts import style
from wearbar.stats import kaplan_meier

RISK_ROWS = 6  # times at which the numbers at risk stand below a curve


@dataclass(frozen=True)
class Picture:
    """A figure and its sentence. `figure.axes[0]` may be drawn on before it is shown."""

    figure: Figure
    text: str

    def _repr_mimebundle_(self, **_):
        data = base64.b64encode(style.png(self.figure)).decode()
        size = f"max-width:{style.WIDTH * style.SCREEN_DPI:.0f}px;width:100%"
        image = f'<img src="data:image/png;base64,{data}" alt="{escape(self.text)}" style="{size}">'
        said = f"<figcaption>{escape(self.text)}</figcaption>"
        return {"text/html": f"<figure>{image}{said}</figure>", "text/plain": self.text}


def survival_curve(curve, fit=None, unit="km", part="parts"):
    """The curve of `wb.kaplan_meier` with its band and numbers at risk; `fit`, a law over it."""
    figure, axes = style.new_figure(3.9)
    x = np.append(0, curve["duration"])
    steps = {name: np.append(1, curve[name]) for name in ("survival", "low", "high")}
    band = {"step": "post", "color": style.PALETTE[0], "alpha": 0.15, "linewidth": 0}
    axes.fill_between(x, steps["low"], steps["high"], label="90% range", **band)
    axes.step(x, steps["survival"], where="post", color=style.PALETTE[0], label="curve of the log")
    if fit is not None:
        line = np.linspace(1, x[-1], 120)
        look = {"color": style.PALETTE[4], "linestyle": "--", "label": "Weibull law"}
        axes.plot(line, fit.survival_at(line), **look)
    axes.set(ylim=(0, 1.02), xlim=(0, None), ylabel="share still in service")
    _with_at_risk(axes, curve["duration"], curve["at_risk"])
    axes.set_xlabel(f"{unit} on the part; below it the number at risk")
    style.legend_above(figure, 3)
    end, last = curve["survival"].iloc[-1], curve["duration"].iloc[-1]
    text = f"{curve['events'].sum():,.0f} of {curve['at_risk'].max():,.0f} {part} ended."
    text += f" At {last:,.0f} {unit}, the longest life seen, the curve stands at {100 * end:.0f}%."
    return Picture(figure, text)


def weibull_paper(duration, observed, entry=None, fit=None, unit="km"):
    """The ends on Weibull paper, where a Weibull law is a straight line of its shape's slope."""
    curve = kaplan_meier(duration, observed, entry).query("events > 0 and survival < 1")
    failed = 1 - (curve["survival"] + curve["survival"].shift(fill_value=1.0)) / 2
    figure, axes = style.new_figure(3.6)
    axes.plot(curve["duration"], _paper(failed), **style.series(0, linestyle="none"), label="ends")
    text = f"{len(curve):,} lives that ended stand on the paper."
    if fit is not None:
        line = np.geomspace(curve["duration"].min() / 1.5, curve["duration"].max() * 1.3, 40)
        share = 1 - fit.survival_at(line)
        label = f"Weibull law, shape {fit.shape:.2g}"
        axes.plot(line, _paper(share), color=style.PALETTE[4], linestyle="--", label=label)
        text += f" The line is the law fitted; its slope is the shape, {fit.shape:.2g}."
    shares = np.array([0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.4, 0.63, 0.9])
    axes.set_xscale("log")
    axes.set_yticks(_paper(shares), [f"{100 * s:g}%" for s in shares])
    axes.set(xlabel=f"{unit} on the part (log scale)", ylabel="share failed")
    low, high = _paper(failed.iloc[[0, -1]].to_numpy())
    axes.set_ylim(low - 0.8, high + 0.6)
    axes.xaxis.set_major_formatter(lambda x, _: f"{x:,.0f}")
    axes.xaxis.set_minor_formatter(lambda x, _: "")
    style.legend_above(figure)
    return Picture(figure, text)


def mean_cumulative_curve(curve, unit="km", what="repairs"):
    """The curve of `wb.mean_cumulative` with its band and numbers at risk, as far as it has limits:
    beyond, each event of the few still watched makes a tall step."""
    figure, axes = style.new_figure(3.9)
    curve = curve[curve["low"].notna()]
    x = np.append(0, curve["time"])
    steps = {name: np.append(0, curve[name]) for name in ("mcf", "low", "high")}
    band = {"step": "post", "color": style.PALETTE[0], "alpha": 0.15, "linewidth": 0}
    axes.fill_between(x, steps["low"], steps["high"], label="90% range", **band)
    axes.step(x, steps["mcf"], where="post", color=style.PALETTE[0], label="mean of one vehicle")
    top = 1.05 * curve["high"].iloc[-1]  # the first step has a limit far above
    axes.set(ylim=(0, top), xlim=(0, None), ylabel=f"{what} so far")
    _with_at_risk(axes, curve["time"], curve["at_risk"])
    axes.set_xlabel(f"{unit} since new; below it the number at risk")
    style.legend_above(figure)
    end, last = curve["mcf"].iloc[-1], curve.iloc[-1]
    text = f"{curve['at_risk'].max():,.0f} vehicles. By {last['time']:,.0f} {unit} one of them has"
    said = f" had {end:.2g} {what} on average; {last['at_risk']:,.0f} were watched so far."
    return Picture(figure, text + said)


def cost_against_age(age, cost, never, unit="km", money="GBP"):
    """What a part costs for 1,000 km or mi by the age of its planned change, and its least; never:
    what it costs if no change is planned."""
    age, cost = np.asarray(age, float), np.asarray(cost, float)
    figure, axes = style.new_figure(3.2)
    best = int(np.argmin(cost))
    axes.plot(age, cost, color=style.PALETTE[0], label="planned at an age")
    axes.axhline(never, color=style.PALETTE[4], linestyle="--", label="never planned")
    axes.plot(age[best], cost[best], **style.series(2, linestyle="none"), label="least")
    axes.set(xlabel=f"{unit} on the part at its planned change", xlim=(0, None))
    axes.set(ylabel=f"{money} for 1,000 {unit}", ylim=(0, 3 * cost[best]))
    style.thousands(axes.xaxis, 6)
    style.legend_above(figure, 3)
    near = age[cost <= 1.05 * cost[best]]
    text = (
        f"The cost is least at {age[best]:,.0f} {unit}: {cost[best]:.2f} {money} for 1,000 {unit},"
    )
    text += f" {never:.2f} if never planned. Within 5% of the least: {near[0]:,.0f} to"
    return Picture(figure, f"{text} {near[-1]:,.0f} {unit}.")


def wear_line(distance, depth, limit, now, unit="km"):
    """Readings of wear, the line through them, and where it reaches its limit."""
    slope, at_zero = np.polyfit(distance, depth, 1)
    end = (at_zero - limit) / -slope
    figure, axes = style.new_figure(3.2)
    axes.plot(distance, depth, **style.series(0, linestyle="none"), label="readings")
    line = np.array([min(distance), max(end, now)])
    axes.plot(line, at_zero + slope * line, color=style.PALETTE[0], label="line")
    axes.axhline(limit, color=style.PALETTE[4], linestyle="--", label="limit")
    axes.axvline(now, color=style.MUTED, linewidth=0.8, label="report date")
    axes.set(xlabel=f"{unit} on the part", ylabel="depth (mm)")
    style.thousands(axes.xaxis, 6)
    style.legend_above(figure, 4)
    text = f"{len(depth)} readings. The line reaches {limit:g} mm at {end:,.0f} {unit} on the part,"
    return Picture(figure, f"{text} {end - now:,.0f} {unit} from the report date.")


def _with_at_risk(axes, time, at_risk):
    """Write below each tick how many are at risk there: rows of a curve, rising."""
    style.thousands(axes.xaxis, RISK_ROWS)
    ticks = [t for t in axes.get_xticks() if 0 <= t <= time.iloc[-1]]
    at = np.searchsorted(time, ticks)  # the first row at or beyond each
    risk = at_risk.to_numpy()[np.minimum(at, len(time) - 1)]
    labels = [f"{t:,.0f}\n{n:,.0f}" for t, n in zip(ticks, risk, strict=True)]
    axes.set_xticks(ticks, labels)


def _paper(share):
    return np.log(-np.log1p(-np.asarray(share, float)))
