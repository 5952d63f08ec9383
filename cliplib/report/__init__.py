"""Reports of a fight or a fighter, with charts, as HTML and PDF."""

from .content import Bars, Chart, Dots, Flow, Grid, Report, Section

__all__ = ["Bars", "Chart", "Dots", "Flow", "Grid", "Report", "Section", "html", "pdf", "png", "svg"]


def html(report: Report) -> str:
    """One HTML file that needs nothing beside it."""
    from .page import html as make

    return make(report)


def pdf(report: Report) -> bytes:
    """A4 pages."""
    from .paper import pdf as make

    return make(report)


def svg(chart: Chart, *, narrow: bool = False) -> bytes:
    """A chart as an SVG document; `narrow` for a phone."""
    from .charts import svg as make

    return make(chart, narrow=narrow)


def png(chart: Chart) -> bytes:
    """A chart as a picture."""
    from .charts import png as make

    return make(chart)
