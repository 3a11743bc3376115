"""Put one panel's content into reading order, section by section."""

from collections import Counter
from dataclasses import replace

from defectscan.report import guidance, wording
from defectscan.report.content import (
    KINDS,
    UNKNOWN,
    Estimate,
    Flag,
    Line,
    Panel,
    State,
    Status,
)
from defectscan.report.figures import (
    Bar,
    BarGroup,
    Ink,
    draw_bars,
    draw_corrections,
    draw_grade,
    draw_rose,
)
from defectscan.report.marks import Layer, Photo
from defectscan.report.page import (
    Block,
    Chapter,
    Chart,
    Charts,
    Flags,
    Plate,
    Plates,
    Section,
    Text,
    Wipe,
)
from defectscan.report.photo_cards import photo_blocks
from defectscan.report.pictures import (
    LONGEST_PX,
    THUMBNAIL_PX,
    cover,
    encode,
    frame_layer,
    heat,
    layer,
    rings,
)
from defectscan.report.summary import (
    KIND_NAMES,
    correction_of,
    figures_table,
    headline,
    is_graded,
    kinds_table,
)

_STATUS_LABELS: dict[Status, str] = {
    "removed": "Removed",
    "remaining": "Remaining",
    "new": "New",
    "scratch_before": "Deep scratches before",
    "scratch_after": "Deep scratches after",
}
_RING_SHARE = 0.012
_FRAME_KEY = ("frame", "Measuring zone, highlight")


def panel_chapter(panel: Panel) -> Chapter:
    """Order the sections of one panel."""
    before = _encoded(panel.before)
    registration = panel.registration
    warped = registration.after_on_before if registration is not None else None
    after = encode(warped) if warped is not None else None
    as_taken = None
    if panel.after is not None:
        overlaid = registration is not None and after is not None and not registration.not_followed
        as_taken = _encoded(panel.after, THUMBNAIL_PX if overlaid else LONGEST_PX)
    flags = _doubts(panel)
    sections = [
        Section(
            title="",
            blocks=(
                headline(panel, _n_doubts(panel)),
                *([Flags(flags=panel.notices)] if panel.notices else []),
                *_as_seen_note(panel),
                *_more_shots(panel),
            ),
        ),
        Section(title="Pictures", blocks=_picture_blocks(panel, before, after, as_taken)),
        Section(title="Numbers", blocks=_number_blocks(panel)),
        Section(title="By kind", blocks=_kind_blocks(panel)),
        *_direction_section(panel),
        *_map_section(panel, before, after, as_taken),
        *_ground_section(panel, before, as_taken),
        Section(title="Photos", blocks=photo_blocks(panel, flags, before, as_taken)),
    ]
    return Chapter(title=panel.title, sections=tuple(sections))


def _doubts(panel: Panel) -> tuple[Flag, ...]:
    """List each doubt once, with the state that it is about where there are two."""
    after = () if panel.after is None else panel.after.flags
    about: dict[str, tuple[Flag, list[str]]] = {}
    for where, flags in (("before", panel.before.flags), ("after", after), ("", panel.flags)):
        for flag in dict.fromkeys(flags):
            about.setdefault(flag.name, (flag, []))[1].append(where)
    return tuple(
        flag
        if panel.after is None or "" in states
        else replace(flag, name=f"{flag.name}, {' and '.join(states)}")
        for flag, states in about.values()
    )


def _n_doubts(panel: Panel) -> int:
    """Count the doubts, each once: a state has those of its photos, too."""
    flags = list(panel.flags)
    for state in (panel.before, panel.after):
        if state is not None:
            flags += [*state.flags, *(flag for photo in state.photos for flag in photo.flags)]
    return len({flag.name for flag in flags})


def _encoded(state: State, longest_px: int = LONGEST_PX) -> Photo | None:
    return encode(state.picture.image, longest_px) if state.picture.is_there else None


def _more_shots(panel: Panel) -> tuple[Block, ...]:
    """Say how many more shots would make the correction surer, and what was set aside."""
    said = [*(f"Set aside: {reason}." for reason in panel.set_aside), *panel.more_shots]
    return (Text(paragraphs=tuple(said)),) if said else ()


def _picture_blocks(
    panel: Panel, before: Photo | None, after: Photo | None, as_taken: Photo | None
) -> tuple[Block, ...]:
    if panel.not_drawn or before is None:
        return _as_taken(panel, before, as_taken)
    registration = panel.registration
    if registration is not None and after is not None:
        before_plate = Plate(title="Before", photo=before)
        after_plate = Plate(title="After", photo=after)
        wipe = Wipe(
            before=before_plate,
            after=after_plate,
            caption="The same spot before and after, laid over each other.",
        )
        if registration.not_followed and as_taken is not None:
            why_not = Text(paragraphs=(registration.not_followed,))
            return (wipe, why_not, _own_lines_of_both(panel, before, as_taken))
        overlay = Plate(
            title="What became of the lines",
            photo=after,
            layers=(*_status_layers(registration.lines), frame_layer(panel.before.picture)),
        )
        return (
            wipe,
            Plates(
                plates=(overlay,),
                caption="Lines in the measuring zone, drawn over the darkened photo."
                " Of fine lines, only those that both photos would show are drawn; the correction"
                " reckons with all. Deep scratches are drawn as found in each photo and not"
                " followed: with the lamp elsewhere, one that is still there may not show.",
                key=_status_key(registration.lines),
                backdrops=(after_plate, before_plate),
            ),
        )
    if panel.after is None or as_taken is None:
        found = _own_lines("This state", panel.before, before)
        caption = "Lines found, drawn over the darkened photo."
        return (Plates(plates=(found,), caption=caption, key=_kind_key(panel)),)
    reason = registration.reason if registration is not None else ""
    why = f" ({reason})" if reason else ""
    note = (
        f"The two photos could not be registered, that is laid over each other{why}. They stand"
        " side by side, each with its own lines; which line is gone and which is new cannot be"
        " told one by one. The densities and the correction do not need it."
    )
    pair = (Plate(title="Before", photo=before), Plate(title="After", photo=as_taken))
    return (
        Text(paragraphs=(note,)),
        Plates(plates=pair, caption="As taken."),
        _own_lines_of_both(panel, before, as_taken),
    )


def _own_lines_of_both(panel: Panel, before: Photo, as_taken: Photo) -> Plates:
    """Show each photo with its own lines, side by side."""
    named = (("Before", panel.before, before), ("After", panel.after, as_taken))
    return Plates(
        plates=tuple(_own_lines(title, state, photo) for title, state, photo in named if state),
        caption="Lines found, drawn over the darkened photos.",
        key=_kind_key(panel),
    )


def _as_taken(panel: Panel, before: Photo | None, after: Photo | None) -> tuple[Block, ...]:
    """Show the photos without lines, and say why there are none."""
    named = (("Before" if panel.after else "This state", before), ("After", after))
    plates = tuple(Plate(title=title, photo=photo) for title, photo in named if photo is not None)
    note = Text(paragraphs=(panel.not_drawn,))
    return (note, Plates(plates=plates, caption="As taken.")) if plates else (note,)


def _own_lines(title: str, state: State, photo: Photo) -> Plate:
    layers = (*_kind_layers(state.picture.lines), frame_layer(state.picture))
    return Plate(title=title, photo=photo, layers=layers)


def _status_layers(lines: tuple[Line, ...]) -> tuple[Layer, ...]:
    return tuple(
        layer(status, (line for line in lines if line.status == status))
        for status in _STATUS_LABELS
    )


def _kind_layers(lines: tuple[Line, ...]) -> tuple[Layer, ...]:
    return tuple(layer(kind, (line for line in lines if line.kind == kind)) for kind in KINDS)


def _status_key(lines: tuple[Line, ...]) -> tuple[tuple[str, str], ...]:
    counts = Counter(line.status for line in lines)
    statuses = tuple((s, f"{label}: {counts[s]}") for s, label in _STATUS_LABELS.items())
    return (*statuses, _FRAME_KEY)


def _kind_key(panel: Panel) -> tuple[tuple[str, str], ...]:
    before = Counter(line.kind for line in panel.before.picture.lines)
    if panel.after is None:
        kinds = tuple((kind, f"{KIND_NAMES[kind]}: {before[kind]}") for kind in KINDS)
    else:
        after = Counter(line.kind for line in panel.after.picture.lines)
        kinds = tuple(
            (kind, f"{KIND_NAMES[kind]}: {before[kind]} before, {after[kind]} after")
            for kind in KINDS
        )
    return (*kinds, _FRAME_KEY)


def _number_blocks(panel: Panel) -> tuple[Block, ...]:
    unit = panel.density_unit
    bars = _bars(
        panel,
        (panel.before.line_density, panel.after.line_density if panel.after else UNKNOWN),
        limits=True,
    )
    what = "visible line" if panel.as_seen else "scratch"
    limit = " The dashed tick is the detection limit." if _has_limit(panel) else ""
    charts = [
        Chart(
            title="Line density",
            drawing=draw_bars(
                [BarGroup(title="", bars=bars)],
                unit=unit,
                description=_described("Line density", [(bar.label, bar.text) for bar in bars]),
            ),
            caption=f"Length of {what} per area, with the 95 % interval.{limit}",
        )
    ]
    if panel.after is not None:
        estimates = [("All lines", correction_of(panel))]
        estimates += [
            (KIND_NAMES[kind], panel.kind_corrections[kind])
            for kind in KINDS
            if kind in panel.kind_corrections
        ]
        rows = [
            (name, wording.short_correction(estimate), estimate) for name, estimate in estimates
        ]
        undefined = any(text == wording.UNDEFINED for _, text, _ in rows[1:])
        why = " Undefined: too few lines of that kind were there before." if undefined else ""
        charts.append(
            Chart(
                title="Correction",
                drawing=draw_corrections(
                    rows,
                    description=_described("Correction", [row[:2] for row in rows]),
                ),
                caption=f"Share of the line density that is gone, with the 95 % interval.{why}",
            )
        )
    charts += _grade_charts(panel)
    return (Charts(charts=tuple(charts)), figures_table(panel))


def _grade_charts(panel: Panel) -> list[Chart]:
    if not is_graded(panel):
        return []
    before, after = panel.before.grade, panel.after.grade if panel.after else None
    labels = ("Before", "After") if panel.after else ("This state", "")
    text = "Grade " + ", ".join(
        f"{label.lower()} {wording.number(grade)}"
        for label, grade in zip(labels, (before, after), strict=True)
        if label
    )
    drawing = draw_grade(before, after, labels=labels, description=f"{text}, of 0 to 5.")
    return [Chart(title="Grade", drawing=drawing, caption="Quantity of defects.")]


def _kind_blocks(panel: Panel) -> tuple[Block, ...]:
    groups = []
    for kind in KINDS:
        estimates = (
            panel.before.kinds.get(kind, UNKNOWN),
            panel.after.kinds.get(kind, UNKNOWN) if panel.after else UNKNOWN,
        )
        groups.append(BarGroup(title=KIND_NAMES[kind], bars=_bars(panel, estimates)))
    described = [
        (f"{group.title} {bar.label.lower()}", bar.text) for group in groups for bar in group.bars
    ]
    drawing = draw_bars(
        groups, unit=panel.density_unit, description=_described("Line density by kind", described)
    )
    caption = (
        "Swirls: fine, many, in all directions, mostly from washing. Deep scratches: single, long,"
        " bright. Machine trails: faint, parallel, left by a polisher. Haze: grooves too fine to"
        " tell apart, a smooth glow round the highlight; the figure is for these photos only."
    )
    chart = Chart(drawing=drawing, caption=caption)
    return (Charts(charts=(chart,)), kinds_table(panel))


def _direction_section(panel: Panel) -> tuple[Section, ...]:
    before = panel.before.directions
    after = panel.after.directions if panel.after else None
    if before is None and after is None:
        return ()
    drawing = draw_rose(
        before,
        after,
        labels=("Before", "After") if panel.after else ("This state", ""),
        unit=panel.density_unit,
        description="Direction rose: density of fine scratches by the direction they run in.",
    )
    caption = (
        "How the scratches run on the panel, as seen in the photo: the area of a sector is the"
        " density of the fine scratches that run in its directions. One that reaches the ring is"
        " as much as the ring's figure; all sectors of half a turn add up to the density of swirls"
        " and machine trails. A round rose speaks of washing; two opposite peaks speak of a"
        " machine or of wiping one way."
    )
    chart = Chart(drawing=drawing, caption=caption)
    return (Section(title="Directions", blocks=(Charts(charts=(chart,)),)),)


def _map_section(
    panel: Panel, before: Photo | None, after: Photo | None, as_taken: Photo | None
) -> tuple[Section, ...]:
    photo = after or as_taken or before
    if panel.density_map is None or photo is None:
        return ()
    cells = heat(panel.density_map, panel.density_unit)
    what = "left " if panel.after else ""
    plate = Plate(title=f"Lines {what}per area", photo=photo, heat=cells)
    caption = (
        f"Density of the fine lines {what}in each cell, reckoned as the line density is;"
        " deep scratches are not in it. Where there is no cell, the lamp shows too little to tell."
    )
    title = "Where lines are left" if panel.after else "Where the lines are"
    return (Section(title=title, blocks=(Plates(plates=(plate,), caption=caption),)),)


def _ground_section(
    panel: Panel, before: Photo | None, as_taken: Photo | None
) -> tuple[Section, ...]:
    """Show the ground that the shots of each state cover, where there are several."""
    blocks: list[Block] = []
    named = (("Before" if panel.after else "This state", panel.before, before),)
    for title, state, photo in (*named, ("After", panel.after, as_taken)):
        ground = None if state is None else state.coverage
        if ground is None:
            continue
        said = wording.covered(ground.area_cm2, ground.shots_laid, ground.shots_not_laid)
        if photo is None:
            blocks.append(Text(paragraphs=(f"{title}: {said}",)))
            continue
        ring_px = _RING_SHARE * max(photo.width_px, photo.height_px)
        plate = Plate(
            title=title,
            photo=photo,
            heat=cover(ground),
            layers=(rings(ground.highlights_px, ring_px),),
        )
        caption = f"{said} Counted is ground on which a line would have been seen."
        key = (("highlight", "Highlight of each shot"),)
        blocks.append(Plates(plates=(plate,), caption=caption, key=key))
    return (Section(title="Ground covered", blocks=tuple(blocks)),) if blocks else ()


def _as_seen_note(panel: Panel) -> tuple[Block, ...]:
    return (Text(paragraphs=guidance.AS_SEEN),) if panel.as_seen else ()


def _bars(
    panel: Panel, estimates: tuple[Estimate, Estimate], *, limits: bool = False
) -> tuple[Bar, ...]:
    states = [("Before" if panel.after else "This state", panel.before)]
    states += [("After", panel.after)] if panel.after else []
    bars = []
    for (label, state), estimate in zip(states, estimates, strict=False):
        limit = state.detection_limit if limits else None
        text = wording.density_and_interval(estimate, panel.density_unit, limit=limit)
        ink: Ink = "after" if state is panel.after else "before"
        bars.append(Bar(label=label, text=text, estimate=estimate, ink=ink, limit=limit))
    return tuple(bars)


def _has_limit(panel: Panel) -> bool:
    states = (panel.before, panel.after)
    return any(state is not None and wording.known(state.detection_limit) for state in states)


def _described(title: str, rows: list[tuple[str, str]]) -> str:
    return f"{title}: " + "; ".join(f"{label} {text}" for label, text in rows) + "."
