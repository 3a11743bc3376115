"""One page a rater: what goes well first, then what helps."""

import numpy as np

from defectscan.judging import figures, wording
from defectscan.judging.result_blocks import (
    Floats,
    Study,
    arrows_told,
    beside,
    counted,
    limits_told,
    short,
    value_told,
)
from defectscan.judging.results import GroupResult, RaterResult
from defectscan.rater_statistics.estimate import KOO_LI, LANDIS_KOCH, Result, Undefined
from defectscan.report.page import (
    Block,
    Chart,
    Charts,
    Headline,
    Plate,
    Plates,
    Section,
    Text,
    Tile,
)
from defectscan.report.wording import number


def rater_sections(sheet: Study, index: int) -> list[Section]:
    """Return what stands on one rater's page.

    Parameters
    ----------
    sheet
        What all pages share.
    index
        Of the rater.
    """
    group, scale = sheet.group, sheet.group.table.scale
    one = group.raters[index]
    grades = group.table.last()[:, index]
    charts = []
    rows = [
        figures.Row(label=lean.group, estimate=lean.difference)
        for lean in one.leans
        if not isinstance(lean.difference, Undefined)
    ]
    if rows:
        reach = 1.0 if sheet.quantity else 10.0
        charts.append(
            Chart(
                title="Where your errors differ",
                drawing=figures.draw_errors(
                    rows,
                    unit=sheet.unit,
                    description="Mean error in groups of photos against the other photos.",
                    least_reach=reach,
                ),
                caption="Error in each group of photos less the error in the others. A whisker "
                f"that crosses the middle line may be chance.{arrows_told(rows, reach)}",
            )
        )
    if not np.isnan(grades - group.table.truth).all():
        charts.append(_given_chart(sheet, one, grades))
    if not isinstance(one.learning, Undefined):
        charts.append(
            Chart(
                title="From session to session",
                drawing=figures.draw_sessions(
                    one.learning.mean_error,
                    unit=sheet.unit,
                    description="Mean size of the error by session.",
                ),
                caption="Lower is better.",
            )
        )
    blocks: list[Block] = [_rater_headline(sheet, one)]
    blocks.append(Text(paragraphs=wording.advice_of(one, scale), as_list=True))
    if charts:
        blocks.append(Charts(charts=tuple(charts)))
    if one.worst:
        blocks.append(_worst_plates(group, one, grades))
    return [Section(title="", blocks=tuple(blocks))]


def _worst_plates(group: GroupResult, one: RaterResult, grades: Floats) -> Plates:
    """Show the photos farthest from the value, in one picture so that the sheet holds them."""
    photos = [group.table.photos[row] for row in one.worst]
    pairs = len(photos[0].pictures) > 1
    photos = photos[:1] if pairs else photos
    told = [
        f"You gave {number(grades[row])}{value_told(photo)}"
        for row, photo in zip(one.worst, photos, strict=False)
    ]
    sides = ("Left: y", "Right: y") if len(told) > 1 else ("Y",)
    captions = [f"{side}{text[1:]}." for side, text in zip(sides, told, strict=True)]
    pictures = photos[0].pictures if pairs else tuple(photo.pictures[-1] for photo in photos)
    known = [not np.isnan(group.table.truth[row]) for row in one.worst[: len(photos)]]
    beside_what = "the value" if any(known) else "the others"
    if any(known) and not all(known):
        beside_what = "the value, or from the others where there is none,"
    return Plates(
        plates=(Plate(title="Worth another look", photo=beside(pictures)),),
        caption=" ".join([*captions, f"Farthest from {beside_what} of all that you graded."]),
    )


def _rater_headline(sheet: Study, one: RaterResult) -> Headline:
    main, limits, name = (
        (one.truth_kappa, LANDIS_KOCH, "weighted kappa with the values")
        if sheet.quantity
        else (one.truth_icc, KOO_LI, "intraclass correlation with the values")
    )
    if isinstance(main, Undefined) and not isinstance(one.others_kappa, Undefined):
        main, name = one.others_kappa, "weighted kappa with the others"
    places = 2 if sheet.quantity else 1
    own: Result = one.self_kappa
    if not sheet.quantity:
        own = (
            one.repeatability
            if isinstance(one.repeatability, Undefined)
            else one.repeatability.limit
        )
    apart = wording.slips_apart(one)
    tiles = (
        Tile(
            label="With yourself, kappa" if sheet.quantity else "Two own grades differ by up to",
            value=wording.figure(own, places),
            detail=short(wording.interval(own, places)),
        ),
        Tile(
            label="With the others, kappa",
            value=wording.figure(one.others_kappa),
            detail=short(wording.interval(one.others_kappa)),
        )
        if sheet.quantity
        else Tile(label="Limits of agreement", value=limits_told(one.limits), detail="points"),
        Tile(
            label=f"Mean error, {sheet.unit}{apart}",
            value=wording.figure(one.errors.bias, places),
            detail=short(wording.interval(one.errors.bias, places)),
        ),
        Tile(
            label=f"Spread of errors{apart}",
            value=wording.figure(one.errors.spread, places),
            detail=short(wording.interval(one.errors.spread, places)),
        ),
    )
    return Headline(
        figure=wording.figure(main),
        ink="after" if one.answer == "yes" else "muted",
        phrase=wording.opening_of(one),
        interval=f"{name}: {wording.phrase(main, limits)} · {one.n_grades} grades in "
        f"{counted(one.n_sessions, 'session')}",
        sentences=tuple(f"Wanted: {reason}." for reason in one.reasons),
        tiles=tiles,
    )


def _given_chart(sheet: Study, one: RaterResult, grades: Floats) -> Chart:
    truth = sheet.group.table.truth
    if sheet.quantity:
        return Chart(
            title="What you gave",
            drawing=figures.draw_grades_given(
                grades, truth, description="How often each grade was given, by the photo's value."
            ),
            caption="Number of photos by their value and your grade; on the shaded diagonal both "
            "agree, above it you gave more.",
        )
    limits = one.limits
    ends = None if isinstance(limits, Undefined) else (limits.lower.value, limits.upper.value)
    mean = "mean of all differences, slips too" if one.errors.slips else "your mean error"
    return Chart(
        title="What you gave",
        drawing=figures.draw_differences(
            grades,
            truth,
            bias=limits if isinstance(limits, Undefined) else limits.bias,
            limits=ends,
            description="Difference between grade and value over their mean.",
        ),
        caption=f"Solid: {mean}. Dashed: limits of agreement.",
    )
