"""What the shop learns from its job book: each combination over all jobs, as page and tables."""

from datetime import date
from pathlib import Path

from defectscan.output import check_free, write_whole
from defectscan.rater_statistics.estimate import Estimate
from defectscan.report import wording
from defectscan.report.content import Estimate as ShownEstimate
from defectscan.report.figures import draw_corrections
from defectscan.report.html import page_html
from defectscan.report.letterhead import Letterhead
from defectscan.report.page import (
    Block,
    Chapter,
    Chart,
    Charts,
    Page,
    Section,
    Table,
    Text,
    Tile,
    Tiles,
)
from defectscan.report.pdf import page_pdf
from defectscan.report.record import FILES, to_json
from defectscan.report.wording import typed
from defectscan.version import __version__
from defectscan.workshop.book_sheets import to_csv
from defectscan.workshop.cautions import ORDERS_NOTHING, PROTECTION
from defectscan.workshop.pooling import LEAST_PASSES
from defectscan.workshop.shop_view import CombinationView, ShopView, shop_record, shop_sheet

SHOP_FILES = (*FILES, "combinations.csv")
HEAD = (
    "Machine, pad, polish",
    "Passes",
    "Correction",
    "From pass to pass",
    "Minutes a point",
    "Film a point, µm",
)
_ROWS_A_CHART = 12
_HOW = (
    (
        "Each row is what was done between two measured states of a panel or test spot. The "
        "correction is the mean over passes, reckoned on the share of lines left, and its 95 % "
        "interval takes the differences between passes as well as the errors of the photos."
    ),
    (
        f"Fewer than {LEAST_PASSES} passes say nothing of how passes differ: they are shown "
        "without an interval, as too few."
    ),
    (
        "Minutes and film a point are what was spent in all, divided by the points of correction "
        "that it brought. Minutes count on whole panels alone; film where it was read before and "
        "after."
    ),
)


def combination_rows(view: ShopView) -> list[tuple[str, ...]]:
    """Write each combination as the cells under `HEAD`."""
    return [
        (
            typed(each.done),
            f"{each.n} in {each.n_jobs} job{'s' * (each.n_jobs > 1)}",
            _correction(each.correction_percent),
            _range(each),
            _spent(each.minutes_per_point, each.n_timed),
            _spent(each.film_um_per_point, each.n_read),
        )
        for each in view.combinations
    ]


def shop_page(view: ShopView, letterhead: Letterhead) -> Page:
    """Put the shop's view into reading order."""
    known = [each for each in view.combinations if not each.too_few]
    opening: list[Block] = [
        Tiles(
            tiles=(
                Tile(label="Jobs", value=str(view.n_jobs)),
                Tile(label="Passes entered", value=str(view.n_passes)),
                Tile(label="Combinations measured", value=str(len(view.combinations))),
                Tile(label="With enough passes", value=str(len(known))),
            )
        )
    ]
    if not view.combinations:
        opening.append(Text(paragraphs=("No pass was measured both before and after it yet.",)))
    for start in range(0, len(known), _ROWS_A_CHART):
        rows = [
            (typed(each.done), _shown(each.correction_percent))
            for each in known[start : start + _ROWS_A_CHART]
        ]
        described = "; ".join(f"{name} {wording.correction(mean)}" for name, mean in rows)
        drawing = draw_corrections(
            [(name, wording.short_correction(mean), mean) for name, mean in rows],
            description=f"Correction: {described}.",
            first_leads=False,
        )
        caption = "Mean correction of a combination, with its 95 % interval."
        opening.append(Charts(charts=(Chart(drawing=drawing, caption=caption),)))
    if view.combinations:
        widths = (52, 24, 36, 24, 22, 22)
        opening.append(Table(head=HEAD, rows=tuple(combination_rows(view)), widths=widths))
    notes = tuple(typed(note, 400) for note in view.notes)
    sections = [
        Section(title="How it was reckoned", blocks=(Text(paragraphs=_HOW),)),
        Section(title="What to mind", blocks=(Text(paragraphs=notes, as_list=True),)),
        Section(
            title="Cautions", blocks=(Text(paragraphs=(ORDERS_NOTHING, PROTECTION), as_list=True),)
        ),
    ]
    if not notes:
        del sections[1]
    return Page(
        title="What the passes brought",
        subtitle="All jobs of the book, by machine, pad and polish",
        date=date.today(),  # noqa: DTZ011 - the workshop's own day
        version=__version__,
        workshop=typed(letterhead.workshop),
        logo=letterhead.logo,
        opening=tuple(opening),
        chapters=(Chapter(title="About these figures", sections=tuple(sections)),),
    )


def write_shop(view: ShopView, folder: Path, *, letterhead: Letterhead, force: bool) -> None:
    """Write the shop's view into a folder: page, PDF, JSON and CSV."""
    page = shop_page(view, letterhead)
    contents = (
        page_html(page).encode(),
        page_pdf(page),
        to_json(shop_record(view)).encode(),
        to_csv(shop_sheet(view)),
    )
    check_free([folder / name for name in SHOP_FILES], force=force)
    for name, data in zip(SHOP_FILES, contents, strict=True):
        write_whole(folder / name, data, force=force)


def _shown(estimate: Estimate) -> ShownEstimate:
    return ShownEstimate(value=estimate.value, low=estimate.low, high=estimate.high)


def _correction(estimate: Estimate) -> str:
    if estimate.low is None:
        return f"{wording.percent(_shown(estimate))}, too few passes"
    return wording.correction(_shown(estimate))


def _range(each: CombinationView) -> str:
    if each.n == 1:
        return ""
    low, high = (
        wording.share(value / 100) for value in (each.lowest_percent, each.highest_percent)
    )
    return f"{low} to {high}"


def _spent(estimate: Estimate | None, n: int) -> str:
    if estimate is None:
        return "not known"
    shown = _shown(estimate)
    if estimate.low is None:
        return f"{wording.plain(shown)}, from {n} pass{'es' * (n > 1)}"
    return f"{wording.plain(shown)} ({wording.density_interval(shown)})"
