"""Say in a sentence what was found on a panel, and give its figures line by line."""

from typing import Literal

from defectscan.report import wording
from defectscan.report.content import KINDS, UNKNOWN, Estimate, Kind, Panel, State
from defectscan.report.page import Headline, Table, Tile

KIND_NAMES: dict[Kind, str] = {
    "swirl": "Swirls",
    "deep_scratch": "Deep scratches",
    "machine_trail": "Machine trails",
}
Ink = Literal["after", "warning", "muted"]
# In the style of ISO 4628-1, in short and from memory.
GRADE_WORDS = ("next to none", "very few", "few", "moderate", "considerable", "dense")
UNDER_LIMIT_BEFORE = "before, the panel was already under what these photos can show"


def headline(panel: Panel, n_flags: int) -> Headline:
    """Sum a panel up in one figure and a plain sentence."""
    doubts = (
        (f"{n_flags} {'doubt is' if n_flags == 1 else 'doubts are'} noted under “Photos”.",)
        if n_flags
        else ()
    )
    if panel.after is None:
        return _headline_one_state(panel, doubts)
    states = (panel.before, panel.after)
    before_text, after_text = (_density_sentence(state, panel) for state in states)
    tiles = (
        _density_tile("Before", panel.before, panel),
        _density_tile("After", panel.after, panel),
        _grade_tile(panel, panel.after),
    )
    sentences = (f"Before: {before_text}; after: {after_text}.", *doubts)
    return _headline_correction(panel, sentences, tiles)


def overview(panels: tuple[Panel, ...]) -> Table:
    """Put the panels of a report under each other."""
    rows = []
    for panel in panels:
        cells = [panel.title, density_cell(panel.before, panel)]
        if panel.after is None:
            cells += ["", "", grade(panel.before.grade)]
        else:
            cells += [density_cell(panel.after, panel), wording.correction(correction_of(panel))]
            cells += [f"{grade(panel.before.grade)} → {grade(panel.after.grade)}"]
        rows.append(tuple(cells))
    return Table(head=("Panel", "Before", "After", "Correction", "Grade"), rows=tuple(rows))


def figures_table(panel: Panel) -> Table:
    """List density, detection limit and grade of each state, and the correction."""
    states = _states(panel)
    rows = [
        ["Line density", *(density_cell(state, panel) for state in states)],
        [
            "Detection limit",
            *(wording.measure(state.detection_limit, panel.density_unit) for state in states),
        ],
        ["Grade, 0 to 5", *(grade_in_words(state.grade) for state in states)],
    ]
    if panel.after is not None:
        rows = [[*rows[0], wording.correction(correction_of(panel))], *([*r, ""] for r in rows[1:])]
    return Table(head=_head(panel), rows=tuple(tuple(row) for row in rows))


def kinds_table(panel: Panel) -> Table:
    """List the densities and corrections of each kind, and the haze."""
    states = _states(panel)
    rows = []
    for kind in KINDS:
        cells = [KIND_NAMES[kind]]
        cells += [
            wording.density_and_interval(state.kinds.get(kind, UNKNOWN), panel.density_unit)
            for state in states
        ]
        if panel.after is not None:
            cells.append(wording.correction(panel.kind_corrections.get(kind, UNKNOWN)))
        rows.append(tuple(cells))
    haze = ["Haze" + (f", {panel.haze_unit}" if panel.haze_unit else "")]
    haze += [_haze_cell(state.haze) for state in states]
    if panel.after is not None:
        # A glow has no zero to reckon a percentage from: flakes and the lens have their part.
        haze.append("")
    rows.append(tuple(haze))
    return Table(head=_head(panel), rows=tuple(rows))


def density_cell(state: State, panel: Panel) -> str:
    """Write a state's density with its interval."""
    limit = state.detection_limit
    return wording.density_and_interval(state.line_density, panel.density_unit, limit=limit)


def correction_of(panel: Panel) -> Estimate:
    """Return the correction, with the reason where it is undefined because nothing was there."""
    correction, before = panel.correction, panel.before
    if (
        wording.known(correction.value) is not None
        or wording.known(correction.at_least) is not None
    ):
        return correction
    value, limit = wording.known(before.line_density.value), wording.known(before.detection_limit)
    if not correction.note and value is not None and limit is not None and value < limit:
        return Estimate(note=UNDER_LIMIT_BEFORE)
    return correction


def is_graded(panel: Panel) -> bool:
    """Tell whether any state of a panel has a grade."""
    return any(wording.known(state.grade) is not None for state in _states(panel))


def grade(value: float | None) -> str:
    """Write a grade, or a dash."""
    return "\N{EN DASH}" if wording.known(value) is None else wording.number(value)


def grade_in_words(value: float | None) -> str:
    """Write a grade with its word."""
    if value is None or wording.known(value) is None:
        return wording.NOT_KNOWN
    word = GRADE_WORDS[int(value)] if value == int(value) and 0 <= value <= 5 else ""
    return f"{wording.number(value)}, {word}" if word else wording.number(value)


def _states(panel: Panel) -> tuple[State, ...]:
    return (panel.before,) if panel.after is None else (panel.before, panel.after)


def _head(panel: Panel) -> tuple[str, ...]:
    return ("", "This state") if panel.after is None else ("", "Before", "After", "Correction")


def _headline_one_state(panel: Panel, doubts: tuple[str, ...]) -> Headline:
    state = panel.before
    phrase = (
        "of visible line, not corrected for the lamp"
        if panel.as_seen
        else "of scratch on this panel"
        if panel.density_unit == "mm/cm²"
        else "of scratch on this panel, in pixels: no scale is known"
    )
    limit = wording.measure(state.detection_limit, panel.density_unit)
    return Headline(
        figure=wording.density(state.line_density, panel.density_unit, limit=state.detection_limit),
        ink="after",
        phrase=phrase,
        interval=_density_detail(state, panel),
        sentences=doubts,
        tiles=(
            Tile(
                label="Grade, 0 to 5",
                value=grade(state.grade),
                detail=_grade_word(state.grade, panel),
            ),
            Tile(label="Detection limit", value=limit, detail="less than this does not show"),
        ),
    )


def _headline_correction(
    panel: Panel, sentences: tuple[str, ...], tiles: tuple[Tile, ...]
) -> Headline:
    estimate = correction_of(panel)
    what = f"{'visible line' if panel.as_seen else 'scratch'} length"
    value = wording.known(estimate.value)
    gone = f"of the {what} per area is gone"
    ink: Ink = "after"
    bound = wording.known(estimate.at_least)
    if bound is not None:
        figure, phrase = wording.percent(estimate), gone
        interval = "What is left is under the detection limit."
        if bound < 0:
            figure, phrase, ink = figure.capitalize(), "the correction cannot be given", "muted"
            interval += " What was there before is not far enough above it."
    elif value is None:
        figure, phrase, ink = "Undefined", "the correction cannot be given", "muted"
        interval = _sentence(estimate.note or "no correction is known for this pair of photos")
    else:
        interval = f"95 % interval: {wording.percent_interval(estimate)}"
        figure, phrase = wording.percent(estimate), gone
        if value < 0:
            ink = "warning"
            more = Estimate(value=-value, low=_negated(estimate.high), high=_negated(estimate.low))
            figure, phrase = wording.percent(more), f"more {what} per area than before"
            interval = f"95 % interval of the correction: {wording.percent_interval(estimate)}"
        if not wording.is_change(estimate):
            ink = "muted"
            interval += ". It reaches across zero: these photos show no sure change."
    return Headline(
        figure=figure, ink=ink, phrase=phrase, interval=interval, sentences=sentences, tiles=tiles
    )


def _density_sentence(state: State, panel: Panel) -> str:
    text = wording.density(state.line_density, panel.density_unit, limit=state.detection_limit)
    if text == wording.NOT_KNOWN:
        return "line density not known"
    if text.startswith("under"):
        return f"{text}, less than these photos can show"
    if panel.density_unit != "mm/cm²":
        return f"{text} (lengths in pixels: no scale is known)"
    length = text.replace(panel.density_unit, "mm")
    return f"{length} of {'visible line' if panel.as_seen else 'scratch'} in each square centimetre"


def _density_tile(label: str, state: State, panel: Panel) -> Tile:
    value = wording.density(state.line_density, panel.density_unit, limit=state.detection_limit)
    return Tile(label=label, value=value, detail=_density_detail(state, panel))


def _density_detail(state: State, panel: Panel) -> str:
    text = wording.density(state.line_density, panel.density_unit, limit=state.detection_limit)
    if text == wording.NOT_KNOWN:
        return _sentence(state.line_density.note) if state.line_density.note else ""
    if text.startswith("under"):
        return "less than the photos can show"
    return f"95 % interval: {wording.density_interval(state.line_density)}"


def _grade_tile(panel: Panel, after: State) -> Tile:
    grades = (panel.before.grade, after.grade)
    words = [word for word in (_grade_word(each, panel) for each in grades) if word]
    return Tile(
        label="Grade, 0 to 5",
        value=" → ".join(grade(each) for each in grades),
        detail=", then ".join(dict.fromkeys(words)),
    )


def _grade_word(value: float | None, panel: Panel) -> str:
    if value is not None:
        return grade_in_words(value).partition(", ")[2]
    if panel.as_seen:
        return "not graded as seen"
    return "not graded" if panel.density_unit == "mm/cm²" else "no scale, no grade"


def _haze_cell(estimate: Estimate) -> str:
    value = wording.known(estimate.value)
    if value is None:
        return f"{wording.NOT_KNOWN} ({estimate.note})" if estimate.note else wording.NOT_KNOWN
    return f"{wording.plain(estimate)} ({wording.density_interval(estimate)})"


def _negated(value: float | None) -> float | None:
    return None if value is None else -value


def _sentence(clause: str) -> str:
    return clause[:1].upper() + clause[1:] + ("" if clause.endswith(".") else ".")
