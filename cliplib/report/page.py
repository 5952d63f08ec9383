"""A report as one HTML file that needs nothing beside it."""

from __future__ import annotations

import base64
from html import escape

from .charts import describe, svg
from .content import Grid, Report, Section

_CSS = """
body{font:16px/1.5 system-ui,sans-serif;max-width:60rem;margin:2rem auto;padding:0 1rem}
body{color:#111;background:#fff}
h1{font-size:1.7rem;line-height:1.2}h2{font-size:1.2rem;margin-top:2.5rem}
img{max-width:100%;height:auto;display:block}
.wide{overflow-x:auto}table{border-collapse:collapse;font-size:.9rem;margin:.5rem 0}
th,td{text-align:left;padding:.2rem .7rem .2rem 0;white-space:nowrap;border-bottom:1px solid #bbb;
vertical-align:top;font-variant-numeric:tabular-nums}thead th{border-bottom:2px solid #111}
tbody th{font-weight:400}td:last-child{white-space:normal;min-width:9rem}
footer{margin-top:3rem;border-top:1px solid #bbb;font-size:.85rem}
@media print{body{margin:0;max-width:none}section{break-inside:avoid}}
"""


def html(report: Report) -> str:
    """The report as HTML; charts are embedded, and everything they show stands in a table too."""
    body = [f"<h1>{escape(report.title)}</h1>"]
    body += [f"<p>{escape(line)}</p>" for line in report.lead]
    body += [_section(section, number) for number, section in enumerate(report.sections)]
    body.append("<section><h2>What was counted</h2><ul>")
    body += [f"<li>{escape(line)}</li>" for line in report.definitions]
    body.append("</ul></section>")
    made = f"<p>Made on {escape(report.made)}.</p>" if report.made else ""
    body.append(f"<footer><p>{escape(report.caution)}</p>{made}</footer>")
    return (
        '<!doctype html>\n<html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        '<meta http-equiv="Content-Security-Policy" content="default-src \'none\'; img-src data:; '
        "style-src 'unsafe-inline'\">"
        f"<title>{escape(report.title)}</title><style>{_CSS}</style></head>\n<body><main>\n"
        + "\n".join(body)
        + "\n</main></body></html>\n"
    )


def _section(section: Section, number: int) -> str:
    parts = [f'<section aria-labelledby="s{number}"><h2 id="s{number}">{escape(section.title)}</h2>']
    parts += [f"<p>{escape(line)}</p>" for line in section.words]
    if section.chart is not None:
        picture = base64.b64encode(svg(section.chart)).decode("ascii")
        alt = escape(f"{section.chart.title}. {describe(section.chart)}", quote=True)
        parts.append(f'<img alt="{alt}" src="data:image/svg+xml;base64,{picture}">')
    if section.grid is not None:
        parts.append(_grid(section.grid, section.title))
    parts.append("</section>")
    return "\n".join(parts)


def _grid(grid: Grid, title: str) -> str:
    head = [*grid.head, *([grid.clips_head] if any(grid.clips) else [])]
    lines = [f'<div class="wide" role="region" tabindex="0" aria-label="{escape(title, quote=True)}">']
    lines.append(
        "<table><thead><tr>" + "".join(f'<th scope="col">{escape(h)}</th>' for h in head) + "</tr></thead>"
    )
    lines.append("<tbody>")
    for place, row in enumerate(grid.rows):
        cells = [f'<th scope="row">{escape(row[0])}</th>', *(f"<td>{escape(cell)}</td>" for cell in row[1:])]
        if any(grid.clips):
            cells.append(f"<td>{escape(clips(grid.clips[place]))}</td>")
        lines.append("<tr>" + "".join(cells) + "</tr>")
    lines.append("</tbody></table></div>")
    return "\n".join(lines)


def clips(numbers: tuple[int, ...], most: int = 12) -> str:
    """`3, 7, 12 and 20 more`."""
    shown = ", ".join(map(str, numbers[:most]))
    more = len(numbers) - most
    return f"{shown} and {more} more" if more > 0 else shown
