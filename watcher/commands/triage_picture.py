"""The picture of one site: what it made for the sun it had, interval by interval, its band, and when something began.

Rule: drawn by the plotting library and by nothing else; told apart by form as well as by shade, so that it can be
printed in grey: a band, strokes, hatching, crosses. Self-contained SVG, the same bytes for the same judgement.
"""

from __future__ import annotations

import io
import re

import matplotlib as mpl
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator

from watcher.detect.readings_found import ReadingsFinding, ReadingsJudged
from watcher.domain.instant import DAY_MS

WIDE_IN, HIGH_IN = 3.0, 1.15
MOST_PERCENT = 220.0
INK, GREY, BAND, ODD = "0.15", "0.5", "0.85", "#8c1c13"
YEAR_MS = 365.2425 * DAY_MS


def picture(name: str, judged: ReadingsJudged, finding: ReadingsFinding | None) -> str:
    """An <svg> element. name: unlike that of any other picture on the page, letters, digits and hyphens"""
    with mpl.rc_context():
        mpl.rc("svg", fonttype="none", hashsalt=name)  # text stays text; ids of its own
        mpl.rc("font", family="sans-serif", size=6.5)
        mpl.rc("hatch", linewidth=0.4)
        figure = Figure(figsize=(WIDE_IN, HIGH_IN), layout="constrained")
        _draw(figure, judged, finding)
        written = io.StringIO()
        figure.savefig(written, format="svg", metadata={"Date": None, "Creator": None})
    return _inline(written.getvalue(), name)


def _draw(figure: Figure, judged: ReadingsJudged, finding: ReadingsFinding | None) -> None:
    axes = figure.add_subplot()
    axes.spines[["top", "right"]].set_visible(False)
    usual = judged.level or 1.0
    most = 130.0
    for held in judged.held:
        span = [_year(held.start_ms), _year(held.end_ms)]
        low, made, high = (100.0 * wh / held.full_wh / usual for wh in (held.low_wh, held.made_wh, held.high_wh))
        axes.fill_between(span, [low, low], [high, high], color=BAND, linewidth=0.0)
        outside = not low <= made <= high
        axes.plot(span, [made, made], color=ODD if outside else INK, linewidth=2.2 if outside else 1.2)
        most = max(most, 1.05 * made)
    for one in judged.doubtful:
        axes.plot([_year(one.reading.at_ms)], [4.0], marker="x", color=INK, markersize=4.0, clip_on=False)
    if finding is not None and finding.onset_high_ms > finding.onset_low_ms:
        begins, ends = _year(finding.onset_low_ms), _year(finding.onset_high_ms)
        axes.axvspan(begins, ends, facecolor="none", edgecolor=GREY, hatch="/////", linewidth=0.6)
    axes.axhline(100.0, color=GREY, linewidth=0.6, linestyle=":")
    axes.set_ylim(0.0, min(most, MOST_PERCENT))
    axes.xaxis.set_major_locator(MaxNLocator(integer=True))
    axes.xaxis.set_major_formatter("{x:.0f}")
    axes.yaxis.set_major_locator(MaxNLocator(nbins=4, integer=True))
    axes.set_ylabel("made for the sun\n(% of usual)")


def _year(ms: int) -> float:
    return 1970.0 + ms / YEAR_MS


def _inline(text: str, name: str) -> str:
    """The element alone, with ids that no other picture has."""
    element = text[text.index("<svg") :]
    element = re.sub(r'\bid="', f'id="{name}-', element)
    element = re.sub(r'href="#', f'href="#{name}-', element)
    element = element.replace("url(#", f"url(#{name}-")
    return element.replace("<svg ", '<svg role="img" ', 1)
