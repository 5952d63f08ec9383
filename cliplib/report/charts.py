"""Charts as SVG, drawn with Matplotlib: the one place that it is imported, and only when a chart is wanted.

Black, greys and white with direct labels, so that a photocopy says the same. Text is drawn as outlines: the
picture looks alike everywhere and needs no font; what it shows stands in the table beside it.
"""

from __future__ import annotations

import io
import re
import threading
from dataclasses import replace
from typing import TYPE_CHECKING, Any
from xml.sax.saxutils import escape

from .content import Bars, Chart, Dots, Flow

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_SHADES = {
    "landed": "black",
    "partial": "0.45",
    "blocked": "0.65",
    "missed": "0.85",
    "inferred": "0.93",
    "unknown": "white",
}
_STYLE = {
    "svg.fonttype": "path",
    "svg.hashsalt": "cliplib",  # the same chart is the same file
    "font.family": "DejaVu Sans",
    "font.size": 9,
}
_NO_METADATA: Any = dict.fromkeys(("Date", "Creator", "Format", "Type"))
_LOCK = threading.Lock()  # Matplotlib's settings are of the whole process
_INK = "black"


def svg(chart: Chart, *, named: bool = True, narrow: bool = False) -> bytes:
    """The chart as an SVG document, `named` with a title and a description of its own. `narrow`: for a phone,
    where the same letters have to be read on little more than half the width."""
    import matplotlib as mpl
    from matplotlib.figure import Figure

    with _LOCK, mpl.rc_context(_STYLE):  # type: ignore[arg-type]
        figure = Figure(figsize=_narrow(*size(chart)) if narrow else size(chart), layout="constrained")
        _DRAW[type(chart)](figure, _broken(chart) if narrow else chart)
        out = io.BytesIO()
        figure.savefig(out, format="svg", metadata=_NO_METADATA)
    text = out.getvalue().decode("utf-8")
    # The document type names a server that nobody should ask.
    text = re.sub(r"<!DOCTYPE[^>]*>\s*", "", text)
    if not named:
        return text.encode("utf-8")
    names = f"<title>{escape(chart.title)}</title><desc>{escape(describe(chart))}</desc>"
    return re.sub(r"(<svg\b[^>]*)>", rf'\1 role="img">{_literal(names)}', text, count=1).encode("utf-8")


def png(chart: Chart, width: int = 1280) -> bytes:
    """The chart as a picture so many pixels wide, on white."""
    import matplotlib as mpl
    from matplotlib.figure import Figure

    with _LOCK, mpl.rc_context(_STYLE):  # type: ignore[arg-type]
        figure = Figure(figsize=size(chart), layout="constrained", dpi=width / size(chart)[0])
        _DRAW[type(chart)](figure, chart)
        out = io.BytesIO()
        figure.savefig(out, format="png", metadata={"Software": None})
    return out.getvalue()


def _literal(text: str) -> str:
    return text.replace("\\", "\\\\")


def describe(chart: Chart) -> str:
    """What the chart shows, for whoever does not see it."""
    if isinstance(chart, Bars):
        return "; ".join(
            f"{name}: " + ", ".join(f"{part} {values[i]}" for part, values in chart.parts if values[i])
            for i, name in enumerate(chart.names)
        )
    if isinstance(chart, Dots):
        return "; ".join(f"{n}: {c}" for n, c in zip(chart.names, chart.counts, strict=True))
    sides = (("the same fighter", chart.own), ("the opponent", chart.other))
    return f"After {chart.tries} tries of {chart.start}: " + "; ".join(
        f"{who} " + ", ".join(f"{what} {times}" for what, times in rows) for who, rows in sides
    )


def size(chart: Chart) -> tuple[float, float]:
    """Width and height in inches."""
    if isinstance(chart, Flow):
        return 7.2, 0.9 + 0.34 * (len(chart.own) + len(chart.other) + 1)
    return 7.2, 1.1 + 0.3 * max(1, len(chart.names))


def _narrow(width: float, height: float) -> tuple[float, float]:
    return 0.58 * width, 1.3 * height


def _broken(chart: Chart) -> Chart:
    """With names in two lines where they are of two parts."""
    if isinstance(chart, Flow):
        return chart
    return replace(chart, names=tuple(name.replace(", ", ",\n", 1) for name in chart.names))


def _bars(figure: Figure, chart: Bars) -> None:
    axes = figure.add_subplot()
    places = list(range(len(chart.names)))
    left = [0] * len(places)
    for part, values in chart.parts:
        if not any(values):
            continue
        axes.barh(
            places,
            values,
            left=left,
            height=0.7,
            color=_SHADES[part],
            edgecolor=_INK,
            linewidth=0.6,
            label=part,
        )
        for y, x, value in zip(places, left, values, strict=True):
            if value:
                axes.text(
                    x + value / 2, y, str(value), ha="center", va="center", fontsize=7,
                    color="white" if part in ("landed", "partial") else _INK,
                )  # fmt: skip
        left = [a + b for a, b in zip(left, values, strict=True)]
    axes.set_yticks(places, [_short(name) for name in chart.names])
    axes.invert_yaxis()
    axes.set_xlabel("tries")
    axes.set_title(chart.title, loc="left", fontsize=10)
    _plain(axes)
    if any(left):
        figure.legend(loc="outside lower center", ncol=5, frameon=False, fontsize=8)
    axes.locator_params(axis="x", integer=True)


def _dots(figure: Figure, chart: Dots) -> None:
    axes = figure.add_subplot()
    for y, (value, count) in enumerate(zip(chart.values, chart.counts, strict=True)):
        if value is not None:
            axes.plot([100 * value.low, 100 * value.high], [y, y], color=_INK, linewidth=1, clip_on=False)
            axes.plot([100 * value.value], [y], marker="o", color=_INK, markersize=5, clip_on=False)
        axes.text(102, y, count if value is not None else "none known", va="center", fontsize=8)
    axes.set_yticks(range(len(chart.names)), [_short(name) for name in chart.names])
    axes.set_ylim(len(chart.names) - 0.5, -0.5)
    axes.set_xlim(0, 100)
    axes.set_xlabel("landed, % of those with a known outcome, with 95 % interval")
    axes.set_title(chart.title, loc="left", fontsize=10)
    _plain(axes)


def _flow(figure: Figure, chart: Flow) -> None:
    """Lines from the try to what came next, as thick as it was frequent: unbroken for the same fighter,
    broken for the opponent."""
    axes = figure.add_subplot()
    rows = len(chart.own) + len(chart.other) + 1
    middle = (rows - 1) / 2
    axes.text(0.0, middle, f"{chart.start}\n{chart.tries}", ha="right", va="center", fontsize=10, wrap=True)
    y = 0
    for who, side, style in (
        ("the same fighter next", chart.own, "solid"),
        ("the opponent next", chart.other, (0, (2, 1))),
    ):
        for place, (what, times) in enumerate(side):
            width = 0.5 + 9 * times / max(1, chart.tries)
            axes.plot(
                [0.05, 0.45, 0.62], [middle, y, y], color="0.25", linewidth=width, linestyle=style,
                solid_capstyle="butt", dash_capstyle="butt",
            )  # fmt: skip
            share = 100 * times / max(1, chart.tries)
            axes.text(0.65, y, f"{what}  {times} ({share:.0f} % of tries)", va="center", fontsize=9)
            if place == 0:
                axes.text(1.6, y - 0.55, who, va="center", ha="right", fontsize=8, style="italic")
            y += 1
        y += 1
    axes.set_xlim(-0.45, 1.6)
    axes.set_ylim(rows - 0.4, -0.6)
    axes.set_title(chart.title, loc="left", fontsize=10)
    axes.set_axis_off()


def _short(name: str) -> str:
    """Names come from logs: a dollar sign in them is no formula."""
    return (name if len(name) <= 34 else name[:33] + "…").replace("$", r"\$")


def _plain(axes: Any) -> None:
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    axes.tick_params(length=2)


_DRAW: dict[type, Any] = {Bars: _bars, Dots: _dots, Flow: _flow}
