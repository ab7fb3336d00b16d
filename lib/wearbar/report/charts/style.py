"""One look for every figure: size, palette, markers, line styles, and the PNG it becomes.

The palette is Okabe and Ito's (Color Universal Design, 2008), in an order whose greys differ; each
colour has a marker and a line style of its own. None touches pyplot: nothing shows by itself.
"""

import io
import warnings

import pandas as pd
from matplotlib import style
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.dates import AutoDateLocator, ConciseDateFormatter
from matplotlib.figure import Figure
from matplotlib.text import Text
from matplotlib.ticker import MaxNLocator

from wearbar.log.places import place
from wearbar.log.schema import VEHICLE_KINDS
from wearbar.report.quantities import clean

WIDTH, DPI, SCREEN_DPI = 5.2, 192, 96
SMALL = 8.5  # points, of text in figures of several panels
INK, MUTED, RULE = "#1d2a30", "#56646b", "#d5dbdd"
PALETTE = ("#0072B2", "#E69F00", "#1d2a30", "#009E73", "#D55E00", "#CC79A7", "#56B4E9")
MARKERS = ("o", "s", "D", "^", "v", "P", "X")
LINES = ("-", "--", "-.", ":", (0, (5, 1, 1, 1, 1, 1)), (0, (8, 2)), (0, (1, 2)))
_KIND_MARKERS = (*MARKERS, "*", "<", ">", "p", "h")
_LOOK = place("shared", "report", "figures.mplstyle")


def new_figure(height=3.6, rows=1, columns=1, **subplots):
    """A figure `WIDTH` inches wide and its axes: one, or an array, as of `Figure.subplots`."""
    with style.context(_LOOK):
        figure = Figure(figsize=(WIDTH, height), layout="constrained")
        return figure, figure.subplots(rows, columns, **subplots)


def panels(n, height):
    """(figure, n axes) in rows of two, each `height` inches high; one alone has the whole width."""
    columns, rows = min(2, n), -(-n // 2)
    figure, axes = new_figure(height * rows, rows, columns, squeeze=False)
    for i, axis in enumerate(axes.flat):
        axis.tick_params(labelsize=SMALL)
        axis.set_visible(i < n)
    return figure, axes.flat[:n]


def name_axes(axis, x, y, title=""):
    """The names of a panel's axes, and its title, in small letters."""
    axis.set_xlabel(x, fontsize=SMALL)
    axis.set_ylabel(y, fontsize=SMALL)
    axis.set_title(title, fontsize=9, loc="left")


def series(i, **more):
    """Colour, marker and line style of the i-th series, as keyword arguments of `plot`."""
    looks = {"color": PALETTE, "marker": MARKERS, "linestyle": LINES}
    look = {name: of[i % len(of)] for name, of in looks.items()}
    return look | {"markersize": 5, "linewidth": 1.6} | more


def kind_look(kind):
    """Colour and marker of a kind of vehicle, the same in every figure of every report."""
    i = [*VEHICLE_KINDS, str(kind)].index(str(kind))
    return {"color": PALETTE[i % len(PALETTE)], "marker": _KIND_MARKERS[i % len(_KIND_MARKERS)]}


def kind_style(kinds):
    """How seaborn tells kinds of vehicle apart: arguments beside `hue="kind", style="kind"`, stable
    for a kind, in the schema's order.

    >>> kind_style(["van", "motorcycle", "van"])["palette"]
    {'motorcycle': '#0072B2', 'van': '#1d2a30'}
    """
    seen = set(pd.Series(kinds).dropna().astype(str))
    order = [k for k in VEHICLE_KINDS if k in seen] + sorted(seen - set(VEHICLE_KINDS))
    colours = {kind: kind_look(kind)["color"] for kind in order}
    markers = {kind: kind_look(kind)["marker"] for kind in order}
    return {"palette": colours, "markers": markers, "hue_order": order, "style_order": order}


def band(axes, x, low, high):
    """An interval around a line of the first colour, as a light band with edges that print."""
    axes.fill_between(x, low, high, color=PALETTE[0], alpha=0.15, linewidth=0)
    for edge in (low, high):
        axes.plot(x, edge, color=PALETTE[0], linewidth=0.6, alpha=0.6)


def ranges(axes, labels, value, low, high, kinds=None):
    """One row a label from the top down: a mark at its value, a line from low to high. A row
    without a value keeps its label alone. kinds: of vehicle, whose looks the rows have."""
    looks = [series(0)] * len(labels) if kinds is None else [kind_look(kind) for kind in kinds]
    axes.hlines(range(len(labels)), low, high, color=[x["color"] for x in looks], linewidth=1.6)
    named = labels if kinds is None else kinds
    for y, (x, look, name) in enumerate(zip(value, looks, named, strict=True)):
        axes.plot(x, y, label=str(name), **look | {"linestyle": "none", "zorder": 3})
    rows(axes, labels)
    axes.grid(visible=False, axis="y")


def rows(axes, labels):
    """A row for each label, from the top down."""
    axes.set_yticks(range(len(labels)), list(labels))
    axes.set_ylim(len(labels) - 0.4, -0.6)


def legend_above(figure, columns=2, **more):
    """One legend above the axes for all of a figure's panels, each label once, never on data."""
    told = {}
    for axes in figure.axes:
        for handle, label in zip(*axes.get_legend_handles_labels(), strict=True):
            told.setdefault(label, handle)
        if axes.get_legend():
            axes.get_legend().remove()
    if told:
        above = {"loc": "outside upper left", "ncols": columns, "frameon": False} | more
        figure.legend(told.values(), told, **above)


def name_point(axes, x, y, name):
    """The name of a point that stands out, above it and to the side where there is room."""
    low, high = axes.get_xlim()
    at, side = (3, "right") if (x - low) / (high - low) > 0.5 else (-3, "left")
    look = {"textcoords": "offset points", "ha": side, "fontsize": SMALL}
    axes.annotate(clean(name, 30), (x, y), xytext=(at, 6), **look)


def name_ends(axes, x, ends):
    """Name lines to the right of their ends at x, apart where ends are close. ends: name to y."""
    low, high = axes.get_ylim()
    gap = 0.06 * (high - low)
    at = low - gap
    for name, y in sorted(ends.items(), key=lambda end: end[1]):
        at = max(y, at + gap)
        where = {"xytext": (5, 0), "textcoords": "offset points", "va": "center"}
        axes.annotate(clean(name, 30), (x, at), fontsize=SMALL, **where)


def thousands(axis, most=7):
    """Ticks as print has them: 12,000, and never an exponent."""
    axis.set_major_locator(MaxNLocator(most))
    axis.set_major_formatter(lambda x, _: f"{x:,.10g}" if abs(x) < 1e9 else f"{x:,.0f}")


def dates(axis):
    """Ticks of a time axis: months or years, said briefly."""
    locator = AutoDateLocator(minticks=3, maxticks=8)
    formats = ["%Y", "%b\n%Y", "%d %b", "%H:%M", "%H:%M", "%S"]
    axis.set_major_locator(locator)
    axis.set_major_formatter(ConciseDateFormatter(locator, show_offset=False, formats=formats))


def months(axes, starts, label):
    """Make a category axis one of months (their first days); the other is `label`, from nil."""
    says = ["%b\n%Y" if i == 0 or day.month == 1 else "%b" for i, day in enumerate(starts)]
    ticks = [f"{day:{said}}" for day, said in zip(starts, says, strict=True)]
    axes.set_xticks(range(len(starts)), ticks)
    axes.set(xlabel="", ylabel=label, ylim=(0, None))
    thousands(axes.yaxis)


def png(figure, dpi=DPI):
    """The figure as PNG bytes, twice as fine as it is shown, the same on every run. Text in it is
    text: a `$` out of a log starts no formula."""
    for text in figure.findobj(Text):
        text.set_parse_math(False)
    held = io.BytesIO()
    figure.set_dpi(dpi)
    with style.context(_LOOK), warnings.catch_warnings():
        warnings.filterwarnings("ignore", message="Glyph .* missing from font")
        # `savefig` would draw it twice, the first time for its layout alone
        FigureCanvasAgg(figure).print_png(held, metadata={"Software": None})
    return held.getvalue()
