"""One look for every figure: size, palette, markers, line styles, and the PNG it becomes.

The palette is Okabe and Ito's (Color Universal Design, 2008), in an order whose greys differ; each
colour has a marker and a line style of its own, so nothing hangs on colour. A figure is as wide as
a telephone shows it at full size, so its text stays readable there. Figures are made without
pyplot: nothing is registered, nothing shows by itself.
"""

import io
import warnings

import pandas as pd
from matplotlib import rc_context
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.dates import AutoDateLocator, ConciseDateFormatter
from matplotlib.figure import Figure
from matplotlib.text import Text
from matplotlib.ticker import FuncFormatter, MaxNLocator

from wearbar.log.schema import VEHICLE_KINDS

__all__ = [
    "INK",
    "LINES",
    "MARKERS",
    "MUTED",
    "PALETTE",
    "SMALL",
    "STATES",
    "WIDTH",
    "band",
    "dates",
    "kind_look",
    "kind_style",
    "legend_above",
    "name_point",
    "new_figure",
    "png",
    "ranges",
    "series",
    "thousands",
]

WIDTH, DPI, SCREEN_DPI = 5.2, 192, 96
SMALL = 8.5  # points, of text in figures of several panels
INK, MUTED, RULE = "#1d2a30", "#56646b", "#d5dbdd"
PALETTE = ("#0072B2", "#E69F00", "#1d2a30", "#009E73", "#D55E00", "#CC79A7", "#56B4E9")
MARKERS = ("o", "s", "D", "^", "v", "P", "X")
LINES = ("-", "--", "-.", ":", (0, (5, 1, 1, 1, 1, 1)), (0, (8, 2)), (0, (1, 2)))
_KIND_MARKERS = (*MARKERS, "*", "<", ">", "p", "h")
# state of a task -> colour and marker: shape tells it without the colour
STATES = {
    "before-window": {"color": "#56B4E9", "marker": "o"},
    "in-window": {"color": "#009E73", "marker": "s"},
    "due": {"color": "#E69F00", "marker": "D"},
    "past-window": {"color": "#D55E00", "marker": "X"},
    "not-known": {"color": "#56646b", "marker": "$?$"},
}

_RC = {
    "figure.facecolor": "white",
    "font.family": "DejaVu Sans",
    "font.size": 10,
    "axes.edgecolor": MUTED,
    "axes.labelcolor": INK,
    "axes.titlesize": 10,
    "axes.titlelocation": "left",
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.grid": True,
    "axes.axisbelow": True,
    "axes.unicode_minus": True,
    "grid.color": RULE,
    "grid.linewidth": 0.6,
    "legend.frameon": False,
    "text.color": INK,
    "text.parse_math": False,
    "xtick.color": MUTED,
    "ytick.color": MUTED,
    "xtick.labelcolor": INK,
    "ytick.labelcolor": INK,
}


def new_figure(height=3.6, rows=1, columns=1, **subplots):
    """A figure `WIDTH` inches wide with its axes, as `Figure.subplots` gives them: (figure, one Axes), or (figure, array of Axes)."""
    with rc_context(_RC):
        figure = Figure(figsize=(WIDTH, height), layout="constrained")
        FigureCanvasAgg(figure)
        return figure, figure.subplots(rows, columns, **subplots)


def series(i, **more):
    """Colour, marker and line style of the i-th series, as keyword arguments of `plot`."""
    style = {
        "color": PALETTE[i % len(PALETTE)],
        "marker": MARKERS[i % len(MARKERS)],
        "linestyle": LINES[i % len(LINES)],
    }
    return {**style, "markersize": 5, "linewidth": 1.6, **more}


def kind_look(kind):
    """Colour and marker of a kind of vehicle, the same in every figure of every report."""
    known = [*VEHICLE_KINDS, str(kind)]
    i = known.index(str(kind))
    return {"color": PALETTE[i % len(PALETTE)], "marker": _KIND_MARKERS[i % len(_KIND_MARKERS)]}


def kind_style(kinds):
    """How seaborn tells kinds of vehicle apart: arguments for `hue` and `style`, stable for a kind.

    Give both: `sns.scatterplot(frame, x="share", y="wear", hue="kind", style="kind",
    **kind_style(frame["kind"]))`. Kinds stand in the legend in the schema's order.

    >>> kind_style(["van", "motorcycle", "van"])["palette"]
    {'motorcycle': '#0072B2', 'van': '#1d2a30'}
    """
    seen = set(pd.Series(kinds).dropna().astype(str))
    order = [k for k in VEHICLE_KINDS if k in seen] + sorted(seen - set(VEHICLE_KINDS))
    looks = {kind: kind_look(kind) for kind in order}
    return {
        "palette": {kind: look["color"] for kind, look in looks.items()},
        "markers": {kind: look["marker"] for kind, look in looks.items()},
        "hue_order": order,
        "style_order": order,
    }


def band(axes, x, low, high, i=0, step=None):
    """An interval around the i-th series, as a light band with edges that print."""
    colour = PALETTE[i % len(PALETTE)]
    axes.fill_between(x, low, high, color=colour, alpha=0.15, linewidth=0, step=step)
    for edge in (low, high):
        axes.plot(
            x,
            edge,
            color=colour,
            linewidth=0.6,
            alpha=0.6,
            drawstyle=f"steps-{step}" if step else "default",
        )


def ranges(axes, labels, value, low, high, i=0, offset=0.0):
    """One row a label from the top down: a mark at its value, a line from low to high; a row without a value keeps its label alone."""
    style = series(i, linestyle="none", zorder=3)
    rows = [at + offset for at in range(len(labels))]
    axes.hlines(rows, low, high, color=style["color"], linewidth=1.6)
    drawn = axes.plot(value, rows, **style)[0]
    axes.set_yticks(range(len(labels)), [str(label) for label in labels])
    axes.set_ylim(len(labels) - 0.5, -0.5)
    axes.grid(visible=False, axis="y")
    return drawn


def legend_above(figure, columns=2):
    """One legend above the axes for all of a figure's panels, each label once: never on the data."""
    told = {}
    for axes in figure.axes:
        for handle, label in zip(*axes.get_legend_handles_labels(), strict=True):
            told.setdefault(label, handle)
        if axes.get_legend():
            axes.get_legend().remove()
    if told:
        figure.legend(told.values(), told, loc="outside upper left", ncols=columns, frameon=False)


def name_point(axes, x, y, name):
    """The name of a point that stands out, above it and to the side where there is room."""
    low, high = axes.get_xlim()
    left = (x - low) / (high - low) > 0.5
    axes.annotate(
        " ".join(str(name).split())[:30],
        (x, y),
        xytext=(3 if left else -3, 6),
        textcoords="offset points",
        ha="right" if left else "left",
        fontsize=SMALL,
    )


def thousands(axis, most=7):
    """Ticks as print has them: 12,000, and never an exponent."""
    axis.set_major_locator(MaxNLocator(most))
    axis.set_major_formatter(
        FuncFormatter(lambda x, _: f"{x:,.10g}" if abs(x) < 1e9 else f"{x:,.0f}")
    )


def dates(axis):
    """Ticks of a time axis: months or years, said briefly."""
    locator = AutoDateLocator(minticks=3, maxticks=8)
    axis.set_major_locator(locator)
    axis.set_major_formatter(
        ConciseDateFormatter(
            locator, show_offset=False, formats=["%Y", "%b\n%Y", "%d %b", "%H:%M", "%H:%M", "%S"]
        )
    )


def png(figure, dpi=DPI):
    """The figure as PNG bytes, twice as fine as it is shown, the same on every run. Text in it is text: a `$` out of a log starts no formula."""
    for text in figure.findobj(Text):
        text.set_parse_math(False)
    held = io.BytesIO()
    with rc_context(_RC), warnings.catch_warnings():
        warnings.filterwarnings("ignore", message="Glyph .* missing from font")
        figure.savefig(held, format="png", dpi=dpi, metadata={"Software": None})
    figure.clear()
    return held.getvalue()
