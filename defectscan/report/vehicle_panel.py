"""One panel of the job book for the customer's report: stored figures, pictures drawn again."""

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from defectscan.report import content, stored, wording
from defectscan.report.content import UNKNOWN, Estimate, Flag
from defectscan.report.drawn_again import DrawnPanel, as_taken, draw_again
from defectscan.report.stored import Names
from defectscan.report.summary import UNDER_LIMIT_BEFORE
from defectscan.report.vehicle_tables import density_text
from defectscan.report.wording import typed
from defectscan.version import __version__
from defectscan.workshop.book import Book
from defectscan.workshop.book_entries import Result
from defectscan.workshop.book_view import PanelView, StateView, SurfaceView
from defectscan.workshop.comparable import incomparable, unlike_scales
from defectscan.workshop.evidence import (
    UnusableFiguresError,
)
from defectscan.workshop.measuring import Progress
from defectscan.workshop.stored_figures import (
    current_comparison,
    line_density,
    n_withdrawn,
    reckoned_correction,
    score_of,
)

WITHOUT_PICTURES = "No lines are drawn: the report was asked for without measuring again."


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ReportedPanel:
    """A panel that has stored results, as the report shows it.

    Attributes
    ----------
    first, last
        The states shown as before and after; `last` is `None` where one alone was measured.
    compared
        Their stored comparison; `None` where there is none that rests on their last results.
    panel
        What is shown.
    drawn
        Its pictures.
    """

    first: StateView
    last: StateView | None
    compared: Result | None
    panel: content.Panel
    drawn: DrawnPanel

    def record(self) -> dict[str, Any]:
        """Return the stored results, and what measuring for the pictures gave."""
        correction = self.panel.correction
        return {
            "first_state": self.first.name,
            "last_state": None if self.last is None else self.last.name,
            "correction_percent": None
            if correction.value is None
            else {"value": correction.value, "low": correction.low, "high": correction.high},
            "correction_is_at_least": correction.at_least is not None,
            "comparison": None if self.compared is None else _told(self.compared),
            "first_score": _told(score_of(self.first)),
            "last_score": None if self.last is None else _told(score_of(self.last)),
            "measured_again_for_pictures": self.drawn.figures,
            "notices": [flag.text for flag in self.panel.notices],
        }


def measured_ends(surface: SurfaceView) -> tuple[StateView, StateView | None] | None:
    """Return the first and the last state that were measured; one alone stands first."""
    measured = surface.measured
    if not measured:
        return None
    return measured[0], measured[-1] if len(measured) > 1 else None


def reported_panel(
    book: Book, view: PanelView, *, names: Names, pictures: bool, progress: Progress
) -> ReportedPanel | None:
    """Put the stored figures of a panel and its pictures together; `None` without a result.

    Parameters
    ----------
    book
        Open.
    view
        The panel.
    names
        Names under which photos were entered, by SHA-256.
    pictures
        Whether to measure again, for the lines in the pictures alone.
    progress
        Called with the name of each photo when its turn comes.
    """
    ends = measured_ends(view.surface)
    if ends is None:
        return None
    first, last = ends
    compared = None if last is None else current_comparison(first, last)
    if pictures:
        drawn = draw_again(book, first, last, compared, names=names, progress=progress)
    else:
        drawn = as_taken(book, first, last, reason=WITHOUT_PICTURES)
    before, after = score_of(first).record, None if last is None else score_of(last).record
    if compared is not None:
        before = compared.record.get("before") or before
        after = compared.record.get("after") or after
    correction, reckoned = _correction(first, last, compared)
    scaled = stored.has_scale(before)
    told = {} if compared is None else compared.record
    panel = content.Panel(
        title=typed(view.name, 80),
        before=stored.state(before, names=names, drawn=drawn.before),
        after=None if after is None else stored.state(after, names=names, drawn=drawn.after),
        correction=correction,
        kind_corrections=stored.kind_corrections(told),
        registration=drawn.registration,
        density_map=drawn.density_map,
        density_unit="mm/cm²" if scaled else "px/px²",
        as_seen=bool(score_of(first).settings.get("as_seen")),
        set_aside=tuple(
            reason for record in (before, after or {}) for reason in stored.set_aside(record, names)
        ),
        flags=stored.flags(told),
        not_drawn=drawn.reason,
        notices=tuple(_notices(view, first, last, compared, drawn, reckoned=reckoned)),
    )
    return ReportedPanel(first=first, last=last, compared=compared, panel=panel, drawn=drawn)


def _correction(
    first: StateView, last: StateView | None, compared: Result | None
) -> tuple[Estimate, str]:
    """Return the correction, and what to know where it was not stored."""
    if last is None:
        return UNKNOWN, ""
    if compared is not None:
        return stored.correction(compared.record), ""
    return _reckoned(first, last)


def _reckoned(first: StateView, last: StateView) -> tuple[Estimate, str]:
    """Reckon the correction from two densities, as far as these are known."""
    before, after = score_of(first), score_of(last)
    reasons = incomparable(before, after)
    densities = line_density(before), line_density(after)
    if reasons:
        clause = " ".join(reasons)
        return Estimate(note="the two results cannot be compared"), clause
    if densities[0] is None or densities[1] is None:
        return Estimate(note="the two states were not compared, and no scale is known"), ""
    try:
        figure = reckoned_correction("the panel", before, after)
    except UnusableFiguresError as error:
        return Estimate(note=error.what), ""
    if figure is None:
        return Estimate(note=UNDER_LIMIT_BEFORE), ""
    told = Estimate(
        value=figure.value,
        low=figure.low,
        high=figure.high,
        at_least=figure.low if figure.at_least else None,
    )
    return told, (
        "The two states were not compared line by line as they were last measured; the "
        f"correction is reckoned from their two densities. {unlike_scales(before, after)}".rstrip()
    )


def _notices(
    view: PanelView,
    first: StateView,
    last: StateView | None,
    compared: Result | None,
    drawn: DrawnPanel,
    *,
    reckoned: str,
) -> Iterator[Flag]:
    now = last or first
    if reckoned:
        yield Flag(name="Compared", text=reckoned)
    if first.n_passes:
        text = f"The panel was first measured {first.name}; what came before is not in the figures."
        yield Flag(name="First state", text=text)
    if now.n_passes < len(view.surface.passes):
        text = f"The last figures are of the panel {now.name}; it was polished again since."
        yield Flag(name="Last state", text=text)
    for state in (first, *([last] if last else [])):
        yield from _since(state)
    yield from _method(first, last, compared, drawn)


def _since(state: StateView) -> Iterator[Flag]:
    """Say what was entered or withdrawn since the state was measured."""
    score = score_of(state)
    new = [s for s in state.shots if s.content.sha256 not in score.sha256s]
    if new:
        text = f"{len(new)} photo(s) of the state {state.name} are kept, but not in its figures."
        yield Flag(name="Photos", text=text)
    if gone := n_withdrawn(state):
        text = (
            f"{gone} photo(s) in the figures of the state {state.name} were withdrawn since "
            "it was measured."
        )
        yield Flag(name="Photos", text=text)
    scale = score.settings.get("mm_per_px")
    scales = {s.content.mm_per_px for s in state.shots if s.content.sha256 in score.sha256s}
    if scales and scales != {scale}:
        known = " and ".join(wording.measure(s, "mm per px") for s in scales)
        text = (
            f"The scale of the state {state.name} was entered anew ({known}) after it was measured "
            f"({wording.measure(scale, 'mm per px')}); the figures are those of the older scale."
        )
        yield Flag(name="Scale", text=text)


def _method(
    first: StateView, last: StateView | None, compared: Result | None, drawn: DrawnPanel
) -> Iterator[Flag]:
    """Say where the stored figures and what this version measures are not the same."""
    shown = compared or score_of(last or first)
    versions = {score_of(state).version for state in (first, last) if state is not None}
    older = sorted((versions | {shown.version}) - {__version__})
    if older:
        text = (
            f"The figures are those kept in the job book, measured with version "
            f"{' and '.join(older)} of the program; this is version {__version__}."
        )
        yield Flag(name="Version", text=text)
    if drawn.figures is None or (last is not None and compared is None and not older):
        return
    again = drawn.figures
    if last is not None:
        key, kept = "correction_percent", None if compared is None else compared.record
        write = "a correction of {}"
        told = wording.correction(stored.correction(again))
        before = "not stored" if kept is None else wording.correction(stored.correction(kept))
    else:
        kept = score_of(first).record
        key = "line_density_mm_per_cm2" if stored.has_scale(kept) else "line_density_per_px"
        write = "a line density of {}"
        told, before = density_text(again), density_text(kept)
    if kept is None or not _alike(kept.get(key), again.get(key)):
        text = (
            f"The lines in the pictures were found again with version {__version__}. That gives "
            f"{write.format(told)}; the figure of this report is the stored one, {before}."
        )
        yield Flag(name="Pictures", text=text)


def _alike(one: stored.Record | None, other: stored.Record | None) -> bool:
    if one is None or other is None:
        return one is other
    pairs = [(one.get(name), other.get(name)) for name in ("value", "low", "high")]
    return all(
        a == b
        or (a is not None and b is not None and math.isclose(a, b, rel_tol=1e-6, abs_tol=1e-9))
        for a, b in pairs
    )


def _told(result: Result) -> dict[str, Any]:
    return {"version": result.version, "settings": result.settings, "record": result.record}
