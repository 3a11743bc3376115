"""The report of a measurement: plain data first, then one HTML page and one PDF of the same.

Fill in a :class:`ReportContent`, have :func:`defectscan.report.compose.compose` put it into reading
order, and hand that to :func:`defectscan.report.html.page_html` and
:func:`defectscan.report.pdf.page_pdf`. The two writers stand apart because they load libraries that
nothing else here needs.
"""

from defectscan.report.content import (
    DensityMap,
    Estimate,
    Flag,
    Highlight,
    Line,
    Panel,
    PhotoConditions,
    Picture,
    Registration,
    ReportContent,
    State,
)

__all__ = [
    "DensityMap",
    "Estimate",
    "Flag",
    "Highlight",
    "Line",
    "Panel",
    "PhotoConditions",
    "Picture",
    "Registration",
    "ReportContent",
    "State",
]
