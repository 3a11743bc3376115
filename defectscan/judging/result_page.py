"""What grades say as a report: the group first, then one page a rater."""

from datetime import date
from typing import Literal

import numpy as np

from defectscan.judging import figures, wording
from defectscan.judging.rater_page import rater_sections
from defectscan.judging.result_blocks import (
    NOTHING,
    Study,
    arrows_told,
    cell,
    counted,
    gauge_blocks,
    limits_told,
    plate_of,
    short,
    value_told,
)
from defectscan.judging.results import GroupResult
from defectscan.judging.scale import Scale
from defectscan.rater_statistics.agreement import Concordance
from defectscan.rater_statistics.estimate import (
    ALPHA_LIMITS,
    KOO_LI,
    LANDIS_KOCH,
    Limits,
    Result,
    Undefined,
)
from defectscan.rater_statistics.gauge import GaugeStudy
from defectscan.rater_statistics.reliability import LimitsOfAgreement
from defectscan.report.page import (
    Block,
    Chapter,
    Chart,
    Charts,
    Headline,
    Page,
    Plates,
    Section,
    Table,
    Text,
    Tile,
)
from defectscan.report.wording import number
from defectscan.version import __version__

_MOST_SPLITS = 4
HOW = (
    (
        "Agreement: weighted kappa (weights quadratic), intraclass correlation, Krippendorff's "
        "alpha, Kendall's W; each with its 95 % interval: what so few grades can vouch for."
    ),
    (
        f"Words for kappa: {LANDIS_KOCH.source}. For the intraclass correlation: {KOO_LI.source}. "
        f"For alpha and the gauge study: {ALPHA_LIMITS.source}."
    ),
    "Limits of agreement hold about 95 % of the differences (Bland and Altman 1986, Lancet i:307).",
    (
        "Raters are held against each other by the last grade that each gave a photo at its first "
        "showing; with themselves by photos shown twice in one session."
    ),
)


def compose_result(group: GroupResult, *, title: str, on: date) -> Page:
    """Put a study of grades into reading order.

    Parameters
    ----------
    group
        From `study`.
    title
        Over the report.
    on
        Date of the report.
    """
    quantity = group.table.scale is Scale.QUANTITY
    sheet = Study(group=group, quantity=quantity, unit=wording.unit_of(group.table.scale))
    table = group.table
    grades = sum(rater.n_grades for rater in group.raters)
    asked = "how many lines, 0 to 5" if quantity else "correction in percent"
    return Page(
        title=title,
        subtitle=f"{asked} · {len(table.photos)} photos · {counted(len(group.raters), 'rater')} · "
        f"{counted(len(table.sittings), 'session')} · {grades} grades",
        date=on,
        version=__version__,
        opening=(),
        chapters=(
            Chapter(title="The group", sections=tuple(_group_sections(sheet))),
            *(
                Chapter(title=rater.rater, sections=tuple(rater_sections(sheet, i)))
                for i, rater in enumerate(group.raters)
            ),
        ),
    )


def _group_sections(sheet: Study) -> list[Section]:
    group = sheet.group
    main: Result = group.alpha
    limits = ALPHA_LIMITS
    name = "Krippendorff's alpha"
    if not sheet.quantity:
        main = group.icc if isinstance(group.icc, Undefined) else group.icc.agreement
        limits, name = KOO_LI, "intraclass correlation"
    first: list[Block] = [_group_headline(group, main, limits, name), _raters_table(sheet)]
    slips = tuple(
        f"{one.rater}: {wording.slips_told(one)}" for one in group.raters if one.errors.slips
    )
    if slips:
        first.append(Text(paragraphs=slips, small=True))
    sections = [Section(title="", blocks=tuple(first))]
    if (errors := _errors_chart(sheet)) is not None:
        sections.append(Section(title="Which way each rater leans", blocks=(errors,)))
    sections.append(Section(title="Photos that split the group", blocks=tuple(_splits(sheet))))
    if isinstance(group.gauge, GaugeStudy):
        blocks = gauge_blocks(group.gauge, unit=sheet.unit, who="raters")
        sections.append(Section(title="Repeatability and reproducibility", blocks=blocks))
    sections.append(
        Section(title="How to read this", blocks=(Text(paragraphs=HOW, as_list=True, small=True),))
    )
    return sections


def _group_headline(group: GroupResult, main: Result, limits: Limits, name: str) -> Headline:
    ink: Literal["after", "warning", "muted"] = "after" if group.answer == "yes" else "muted"
    tiles = [Tile(label=name, value=wording.figure(main), detail=wording.interval(main))]
    if group.table.scale is Scale.QUANTITY:
        icc: Result = group.icc if isinstance(group.icc, Undefined) else group.icc.agreement
        tiles.append(
            Tile(
                label="Intraclass correlation",
                value=wording.figure(icc),
                detail=short(wording.interval(icc)),
            )
        )
    else:
        mean: Result = group.icc if isinstance(group.icc, Undefined) else group.icc.agreement_mean
        tiles.append(
            Tile(
                label="The same, of the raters' mean",
                value=wording.figure(mean),
                detail=short(wording.interval(mean)),
            )
        )
    order = group.concordance
    if isinstance(order, Concordance):
        p = "under 0.001" if order.p_value < 0.001 else number(order.p_value, 2)
        tiles.append(Tile(label="Kendall's W", value=wording.fixed(order.w, 2), detail=f"p {p}"))
    tiles.append(
        Tile(
            label=f"Mean error of all{_slips_apart(group)}",
            value=wording.figure(group.bias, 2 if group.table.scale is Scale.QUANTITY else 1),
            detail=short(wording.interval(group.bias)),
        )
    )
    return Headline(
        figure=wording.figure(main),
        ink=ink,
        phrase=wording.group_answer(group),
        interval=f"{name}: {wording.phrase(main, limits)} ({limits.source})",
        sentences=tuple(f"Wanted: {reason}." for reason in group.reasons),
        tiles=tuple(tiles),
    )


def _slips_apart(group: GroupResult) -> str:
    return next((told for one in group.raters if (told := wording.slips_apart(one))), "")


def _raters_table(sheet: Study) -> Table:
    error = f"Mean error, {sheet.unit}{_slips_apart(sheet.group)}"
    if sheet.quantity:
        head = ("Rater", "With the values, kappa", "With oneself, kappa", "With the others, kappa",
                error, "Judges as wanted")  # fmt: skip
        rows = [
            (
                one.rater,
                *(cell(r) for r in (one.truth_kappa, one.self_kappa, one.others_kappa)),
                cell(one.errors.bias),
                one.answer,
            )
            for one in sheet.group.raters
        ]
    else:
        head = ("Rater", "With the values, ICC", "Own repeats, sd in points", error,
                "Limits of agreement", "Judges as wanted")  # fmt: skip
        rows = [
            (
                one.rater,
                cell(one.truth_icc),
                NOTHING
                if isinstance(one.repeatability, Undefined)
                else cell(one.repeatability.sd, 1),
                cell(one.errors.bias, 1),
                limits_told(one.limits),
                one.answer,
            )
            for one in sheet.group.raters
        ]
    return Table(head=head, rows=tuple(rows))


def _errors_chart(sheet: Study) -> Charts | None:
    rows = [
        figures.Row(
            label=one.rater,
            estimate=one.errors.bias,
            lower=one.limits.lower.value if isinstance(one.limits, LimitsOfAgreement) else None,
            upper=one.limits.upper.value if isinstance(one.limits, LimitsOfAgreement) else None,
        )
        for one in sheet.group.raters
    ]
    if all(isinstance(row.estimate, Undefined) for row in rows):
        return None
    reach = 1.0 if sheet.quantity else 10.0
    drawing = figures.draw_errors(
        rows,
        unit=sheet.unit,
        description="Mean error of each rater with its interval and limits of agreement.",
        least_reach=reach,
    )
    caption = (
        f"Dot and whisker: mean error{_slips_apart(sheet.group)}, with its 95 % interval. Pale "
        "bar: limits of agreement, which hold about 95 % of a rater's errors"
        f"{', slips too' if _slips_apart(sheet.group) else ''}.{arrows_told(rows, reach)}"
    )
    return Charts(charts=(Chart(drawing=drawing, caption=caption),))


def _splits(sheet: Study) -> list[Block]:
    group = sheet.group
    grades = group.table.last()
    if not group.splits:
        told = "No photo split the group more than chance explains."
        if len(group.raters) < 2:
            told = "There is one rater: photos can split a group of two or more."
        elif ((~np.isnan(grades)).sum(axis=1) < 2).all():
            told = "No photo has grades of two raters, so none can be told to split the group."
        return [Text(paragraphs=(told,))]
    plates = []
    for split in group.splits[:_MOST_SPLITS]:
        photo = group.table.photos[split.photo]
        given = [
            f"{rater.rater} {number(grades[split.photo, i])}"
            for i, rater in enumerate(group.raters)
            if not np.isnan(grades[split.photo, i])
        ]
        plates.append(plate_of(photo, f"{', '.join(given)}{value_told(photo)}"))
    return [
        Plates(
            plates=tuple(plates[i : i + 2]),
            caption="Look at these together and agree on what counts."
            if i + 2 >= len(plates)
            else "",
        )
        for i in range(0, len(plates), 2)
    ]
