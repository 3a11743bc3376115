"""Put a report's content into reading order: a chapter a panel, then what closes the report."""

from defectscan.report import guidance, wording
from defectscan.report.content import Panel, ReportContent
from defectscan.report.page import Block, Chapter, Flags, Page, Section, Text
from defectscan.report.panel import panel_chapter
from defectscan.report.summary import is_graded, overview


def compose(content: ReportContent) -> Page:
    """Put the content of a report into reading order, for `html.page_html` and `pdf.page_pdf`."""
    opening: list[Block] = [Flags(flags=content.flags)] if content.flags else []
    if len(content.panels) > 1:
        opening.insert(0, overview(content.panels))
    chapters = [panel_chapter(panel) for panel in content.panels]
    return Page(
        title=content.title,
        subtitle=content.subtitle,
        date=content.date,
        version=content.version,
        opening=tuple(opening),
        chapters=(*chapters, closing_chapter(content.panels, content.grade_limits_mm_per_cm2)),
    )


def closing_chapter(
    panels: tuple[Panel, ...], grade_limits_mm_per_cm2: tuple[float, ...]
) -> Chapter:
    """Say how the panels were measured, what that cannot know, and what to mind."""
    how: list[str] = []
    unknown: list[str] = []
    if not all(panel.as_seen for panel in panels):
        how += guidance.UNDER_A_LAMP
        unknown += guidance.SHARE_THAT_SHOWS
    if any(panel.as_seen for panel in panels):
        how += guidance.AS_SEEN
        unknown += guidance.SHARE_THAT_SHOWS_AS_SEEN
    if any(panel.after is not None for panel in panels):
        how += guidance.BEFORE_AND_AFTER
    how += guidance.INTERVALS
    if any(is_graded(panel) for panel in panels):
        how += [guidance.GRADE[0] + _grade_steps(grade_limits_mm_per_cm2)]
    unknown += guidance.WHAT_IT_CANNOT_KNOW
    return Chapter(
        title="About these figures",
        sections=(
            Section(title="How it was measured", blocks=(Text(paragraphs=tuple(how)),)),
            Section(
                title="What it cannot know",
                blocks=(Text(paragraphs=tuple(unknown), as_list=True),),
            ),
            Section(title="Cautions", blocks=(Text(paragraphs=guidance.CAUTIONS, as_list=True),)),
        ),
    )


def _grade_steps(limits_mm_per_cm2: tuple[float, ...]) -> str:
    if not limits_mm_per_cm2:
        return ""
    steps = ", ".join(f"{i} to {wording.number(x)}" for i, x in enumerate(limits_mm_per_cm2))
    return f" Grade by upper limit in mm/cm²: {steps}; above that, {len(limits_mm_per_cm2)}."
