"""The report of a lens calibration: one HTML page that needs nothing beside it."""

from __future__ import annotations

import numpy as np

from calib.lensadvice import Advice
from calib.lenscalibrate import Calibration
from calib.lensfigures import (
    bend_svg,
    coverage_svg,
    residual_map_svg,
    residual_scatter_svg,
    view_bars_svg,
)

__all__ = ["advice_line", "lens_lines", "lens_report"]

PAGE = """<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>{{ title }}</title>
<style>
  body { font: 16px/1.45 sans-serif; color: #111; background: #fff; max-width: 60rem;
    margin: 1rem auto; padding: 0 1rem; }
  h1 { font-size: 1.5rem; margin: 0 0 .2rem; overflow-wrap: anywhere; }
  h2 { font-size: 1.15rem; margin: 1.6rem 0 .4rem; border-bottom: 1px solid #999; }
  .sub, figcaption { color: #444; }
  .warning { border: 2px solid #111; border-left-width: 10px; padding: .5rem .8rem;
    margin: .6rem 0; }
  .warning b::before { content: "! "; }
  table { border-collapse: collapse; font-variant-numeric: tabular-nums; }
  th, td { text-align: right; padding: .1rem .6rem; border-bottom: 1px solid #ddd; }
  th { border-bottom: 2px solid #111; }
  td.word, th.word { text-align: left; }
  figure { margin: .6rem 0; }
  figcaption { font-size: .9rem; }
  svg { width: 100%; max-width: 44rem; height: auto; display: block; }
  .small svg { max-width: 26rem; }
  @media print { figure, .warning, tr { break-inside: avoid; } h2 { break-after: avoid; } }
</style>
</head>
<body>
<h1>{{ title }}</h1>
<p class="sub">{{ made }}</p>
{% for notice in notices %}
<p class="warning"><b>{{ notice.message }}</b> {{ notice.advice }}</p>
{% endfor %}
{% if advice %}<p><b>Next photo:</b> {{ advice }}</p>{% endif %}
<h2>The lens</h2>
<table>
  <thead><tr><th class="word">what</th><th>value</th><th>± (95 %)</th></tr></thead>
  <tbody>
  {% for name, value, spread in lens %}
  <tr><td class="word">{{ name }}</td><td>{{ value }}</td><td>{{ spread }}</td></tr>
  {% endfor %}
  </tbody>
</table>
<figure>{{ bend }}<figcaption>How far this lens shifts points outward.</figcaption></figure>
<h2>Where the page was</h2>
<figure>{{ coverage }}
<figcaption>Every dot is a corner of the page in one of the photos. Hatched: none was there.
The cross is the centre of the lens.</figcaption></figure>
<h2>What the fit leaves over</h2>
<figure>{{ bars }}
<figcaption>How far the corners of each photo are off (rms), and the tilt of the phone.
</figcaption></figure>
<figure>{{ map }}
<figcaption>Each stroke is what is left over at one corner, enlarged. Strokes in all directions are
good; a pattern speaks of a bent page or an odd lens.</figcaption></figure>
<figure class="small">{{ scatter }}
<figcaption>All residuals: a round cloud is good.</figcaption></figure>
{% if left_out %}
<h2>Photos left out</h2>
<ul>{% for name, why in left_out %}<li>{{ name }}: {{ why }}.</li>{% endfor %}</ul>
{% endif %}
<h2>Which terms the photos support</h2>
<table>
  <thead><tr><th class="word">terms</th><th>log evidence against the best</th></tr></thead>
  <tbody>
  {% for name, lag, won in terms %}
  <tr><td class="word">{{ name }}{% if won %} (used){% endif %}</td><td>{{ lag }}</td></tr>
  {% endfor %}
  </tbody>
</table>
<p>A difference of 3 means twenty to one. Three distortion terms are tried to see whether two
are enough; at most two are used.</p>
</body>
</html>
"""


def lens_lines(calibration: Calibration) -> list[tuple[str, str, str]]:
    """Return (name, value, 95 % half-width) of what a lens is.

    No half-width is printed smaller than the last digit of its value.
    """
    lens = calibration.lens
    u95 = 1.96 * np.sqrt(np.diag(lens.covariance))
    focus = 196.0 * calibration.focus_sd
    return [
        ("focal length, px", f"{lens.focal_px:.1f}", f"{max(0.1, u95[0]):.1f}"),
        ("moved by autofocus from photo to photo, %", "", f"{focus:.1f}"),
        ("centre x, px", f"{lens.centre_px[0]:.1f}", f"{max(0.1, u95[1]):.1f}"),
        ("centre y, px", f"{lens.centre_px[1]:.1f}", f"{max(0.1, u95[2]):.1f}"),
        ("k1", f"{lens.k1:.4f}", f"{max(1e-4, u95[3]):.4f}"),
        ("k2", f"{lens.k2:.4f}", f"{max(1e-4, u95[4]):.4f}"),
    ]


def advice_line(advice: Advice | None) -> str:
    """Return what to photograph next, or an empty line."""
    if advice is None:
        return ""
    return (
        f"{advice.text}. It would bring the focal length from {196 * advice.focal_sd:.2f} to "
        f"{196 * advice.focal_sd_then:.2f} %, the bending at the corners from "
        f"{1.96 * advice.bend_sd_px:.1f} to {1.96 * advice.bend_sd_px_then:.1f} px (95 %)."
    )


def lens_report(calibration: Calibration, title: str, advice: Advice | None) -> str:
    """Return the report as HTML; `title` names the camera."""
    from jinja2 import Environment
    from markupsafe import Markup

    fit = calibration.fit
    corners = sum(len(v.view.points_px) for v in calibration.used)
    terms = sorted(calibration.rivals.items(), key=lambda item: -item[1])
    environment = Environment(autoescape=True, trim_blocks=True, lstrip_blocks=True)
    return environment.from_string(PAGE).render(
        title=title,
        made=f"From {len(calibration.used)} photos, {corners} corners, left over {fit.rms_px:.3f} "
        f"px rms; model: {fit.terms.name}.",
        notices=calibration.notices,
        advice=advice_line(advice),
        lens=lens_lines(calibration),
        left_out=calibration.left_out,
        terms=[(t.name, f"{lag:.1f}", t == fit.terms) for t, lag in terms],
        bend=Markup(bend_svg(calibration.lens)),
        coverage=Markup(coverage_svg(calibration)),
        bars=Markup(view_bars_svg(calibration)),
        map=Markup(residual_map_svg(calibration)),
        scatter=Markup(residual_scatter_svg(calibration)),
    )
