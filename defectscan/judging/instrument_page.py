"""The instrument's repeated shots as a report and as JSON."""

from datetime import date
from typing import Any

import numpy as np

from defectscan.judging import wording
from defectscan.judging.instrument import InstrumentResult, Reading
from defectscan.judging.limits import JudgingLimits, stays_within
from defectscan.judging.result_blocks import NOTHING, gauge_blocks, short
from defectscan.judging.result_record import plain
from defectscan.judging.results import said
from defectscan.rater_statistics.estimate import KOO_LI, Result, Undefined
from defectscan.rater_statistics.gauge import GaugeStudy
from defectscan.report.figures import circle
from defectscan.report.marks import WIDTH, Drawing, Label, Path
from defectscan.report.page import (
    Block,
    Chapter,
    Chart,
    Charts,
    Headline,
    Page,
    Section,
    Text,
    Tile,
)
from defectscan.report.wording import number
from defectscan.version import __version__

FORMAT = "defectscan.instrument/1"
UNIT = "mm/cm²"
INKS = {"after": "blue", "warning": "brown", "before": "grey"}
_IN_ORDER = tuple(INKS)


def compose_instrument(
    found: InstrumentResult, limits: JudgingLimits, *, title: str, on: date
) -> Page:
    """Put repeated shots into reading order.

    Parameters
    ----------
    found
        From `study_instrument`.
    limits
        What is wanted.
    title
        Over the report.
    on
        Date of the report.
    """
    unit = UNIT if found.in_mm else "px/px²"
    icc: Result = found.icc if isinstance(found.icc, Undefined) else found.icc.one_way
    relative: Result = (
        found.relative_percent
        if isinstance(found.relative_percent, Undefined)
        else found.relative_percent.sd
    )
    spread: Result = (
        found.repeatability
        if isinstance(found.repeatability, Undefined)
        else found.repeatability.sd
    )
    limit: Result = (
        found.repeatability
        if isinstance(found.repeatability, Undefined)
        else found.repeatability.limit
    )
    places = 1 if found.in_mm else 5
    measured = [one for one in found.readings if one.density is not None]
    blocks: list[Block] = [
        Headline(
            figure=NOTHING
            if isinstance(relative, Undefined)
            else f"{wording.figure(relative, 1)} %",
            ink="after",
            phrase="standard deviation of one shot after the other, of the line density",
            interval=wording.interval(relative, 1)
            if isinstance(relative, Undefined) or relative.low is None
            else f"95 % interval {wording.interval(relative, 1)} %",
            tiles=(
                Tile(label=f"The same in {unit}", value=wording.figure(spread, places),
                     detail=short(wording.interval(spread, places))),
                Tile(label="Two shots differ by up to", value=wording.figure(limit, places),
                     detail=f"{unit}, 19 times in 20"),
                Tile(label="Intraclass correlation", value=wording.figure(icc, 3),
                     detail=short(wording.interval(icc, 3))),
                Tile(label="Krippendorff's alpha", value=wording.figure(found.alpha, 3),
                     detail=short(wording.interval(found.alpha, 3))),
            ),
            sentences=(
                (
                    f"Agreement of single shots: {wording.phrase(icc, KOO_LI)} ({KOO_LI.source}), "
                    f"over {len(found.panels)} panels as far apart as these are."
                ),
            ),
        ),
        Charts(
            charts=(
                Chart(
                    drawing=draw_repeats(found, unit=unit),
                    caption="Each dot is one shot, measured by itself; each row is a panel in one "
                    f"state, in ratio to its own mean.{_colours(found)}",
                ),
            )
        ),
    ]  # fmt: skip
    sections = [Section(title="", blocks=tuple(blocks))]
    if isinstance(found.gauge, GaugeStudy):
        told = gauge_blocks(found.gauge, unit=unit, who="conditions", what="panels")
        told += (Text(paragraphs=(f"Wanted: {gauge_reason(found, limits)}.",)),)
    else:
        told = (Text(paragraphs=(f"Not told: {found.gauge.reason}.",)),)
    sections.append(Section(title="Repeatability and reproducibility", blocks=told))
    left = [one for one in found.readings if one.density is None]
    if left:
        lines = tuple(f"{one.repeat.photo.name}: {one.reason}" for one in left)
        sections.append(
            Section(title="Shots not measured", blocks=(Text(paragraphs=lines, as_list=True),))
        )
    return Page(
        title=title,
        subtitle=f"{len(measured)} shots of {len(found.panels)} panels under "
        f"{len(found.conditions)} condition{'s' * (len(found.conditions) != 1)}",
        date=on,
        version=__version__,
        opening=(),
        chapters=(Chapter(title="The instrument as a rater", sections=tuple(sections)),),
    )


def draw_repeats(found: InstrumentResult, *, unit: str) -> Drawing:
    """Draw each panel's shots in ratio to their mean."""
    rows: dict[str, list[Reading]] = {panel: [] for panel in found.panels}
    for one in found.readings:
        if one.density is not None:
            rows[one.repeat.panel].append(one)
    names = [name for name, some in rows.items() if some]
    left, right, top = 150.0, 352.0, 14.0
    bottom = top + 20 * len(names) + 4
    ratios = {
        name: [float(one.density or 0) / mean for one in rows[name]]
        if (mean := float(np.mean([one.density for one in rows[name]]))) > 0
        else [1.0 for _ in rows[name]]
        for name in names
    }
    reach = max([0.1, *(abs(r - 1) for some in ratios.values() for r in some)]) * 1.05

    def place(ratio: float) -> float:
        return (left + right) / 2 + (ratio - 1) / reach * (right - left) / 2

    marks: list[Path | Label] = [
        Path(points=((place(1), top), (place(1), bottom)), stroke="muted", width=1.1)
    ]
    step = 0.05 if reach < 0.13 else 0.1 if reach < 0.28 else 0.25 if reach < 0.8 else 0.5
    for k in range(-int(reach / step), int(reach / step) + 1):
        x = place(1 + k * step)
        marks.append(Path(points=((x, top), (x, bottom)), stroke="hair", width=0.8))
        text = f"{100 * k * step:+.0f} %".replace("-", "\N{MINUS SIGN}") if k else "mean"
        marks.append(Label(x=x, y=bottom + 14, text=text, ink="muted", size=10, anchor="middle"))
    for i, name in enumerate(names):
        y = top + 14 + 20 * i
        mean = float(np.mean([one.density for one in rows[name]]))
        label = f"{name if len(name) < 17 else name[:15] + '…'}  {number(mean)}"
        marks.append(Label(x=4, y=y + 4, text=label, size=10))
        for one, ratio in zip(rows[name], ratios[name], strict=True):
            ink = _IN_ORDER[found.conditions.index(one.repeat.condition) % len(_IN_ORDER)]
            dot = circle((place(ratio), y), 3.8, 20)
            marks.append(Path(points=dot, fill=ink, stroke="paper", width=0.9, closed=True))
    marks.append(Label(x=4, y=9, text=f"panel, mean {unit}", ink="muted", size=10))
    return Drawing(
        width=WIDTH,
        height=bottom + 18,
        description="Line density of each shot in ratio to the mean of its panel.",
        marks=tuple(marks),
    )


def _colours(found: InstrumentResult) -> str:
    """Say which colour stands for which condition, where each has its own."""
    if not 1 < len(found.conditions) <= len(INKS):
        return ""
    named = zip(INKS.values(), found.conditions, strict=False)
    return " Conditions: " + ", ".join(f"{colour} {name}" for colour, name in named) + "."


def gauge_reason(found: InstrumentResult, limits: JudgingLimits) -> str:
    """Say in a clause which share of the gauge is wanted, and whether it is shown."""
    wanted = limits.gauge_percent
    share = _gauge_share(found)
    return (
        f"at most {wanted.value:g} % of the whole spread from the gauge ({wanted.source}): "
        f"{said(share, stays_within(share, wanted), few='shots')}"
    )


def _gauge_share(found: InstrumentResult) -> Result:
    return found.gauge if isinstance(found.gauge, Undefined) else found.gauge.gauge_percent


def of_instrument(found: InstrumentResult, limits: JudgingLimits) -> dict[str, Any]:
    """Return the study as JSON: what is undefined is null, with its reason beside it."""
    unit = "mm_per_cm2" if found.in_mm else "per_px"
    met = stays_within(_gauge_share(found), limits.gauge_percent)
    return {
        "format": FORMAT,
        "version": __version__,
        "panels": len(found.panels),
        "conditions": found.conditions,
        f"repeatability_{unit}": plain(found.repeatability),
        "repeatability_percent": plain(found.relative_percent),
        "intraclass_correlation": plain(found.icc),
        "krippendorff_alpha": plain(found.alpha),
        f"gauge_study_{unit}": plain(found.gauge),
        "gauge_verdict": {True: "yes", False: "not yet", None: "not known"}[met],
        "gauge_reason": gauge_reason(found, limits),
        "shots": [
            {
                "panel": one.repeat.panel,
                "condition": one.repeat.condition,
                "file": one.repeat.photo.name,
                f"line_density_{unit}": one.density,
                "reason": one.reason,
            }
            for one in found.readings
        ],
    }
