"""Enter what a step at the vehicle gives: photos, a pass, film readings."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from defectscan.errors import on_one_line
from defectscan.workshop.book import Book
from defectscan.workshop.book_entries import (
    BookError,
    Content,
    Entry,
    FilmReading,
    Job,
    Panel,
    Pass,
    Shot,
    State,
    TestSpot,
)
from defectscan.workshop.book_view import (
    JobView,
    PanelView,
    StateView,
    SurfaceView,
    again_command,
    chosen,
    state_name,
    view_job,
)
from defectscan.workshop.measuring import Progress, set_scale

_EMPTY = SurfaceView(passes=(), states=(), film=())


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptShots:
    """What became of some photos.

    Attributes
    ----------
    state_id, state_name
        The state that they belong to.
    n_new, n_known
        How many were entered, and how many were there already.
    n_shots
        How many the state has now.
    """

    state_id: int
    state_name: str
    n_new: int
    n_known: int
    n_shots: int


def check_panel_name(book: Book, name: str, *, job_id: int, panel_id: int | None = None) -> None:
    """Refuse a name by which two panels of a job could not be told apart.

    Parameters
    ----------
    book
        Open.
    name
        Wanted.
    job_id
        The panel's job.
    panel_id
        The panel itself, where it is entered already.

    Raises
    ------
    BookError
        If another panel of the job has that name, in capitals or not.
    """
    folded = name.casefold().strip()
    others = [p for p in book.current(Panel, job_id=job_id) if p.thing_id != panel_id]
    if folded not in [other.content.name.casefold().strip() for other in others]:
        return
    numbers = [job.content.number for job in book.current(Job, job_id=job_id)]
    raise BookError(
        f"job {numbers[0] if numbers else job_id} has a panel {on_one_line(name[:80])} already",
        allowed="panels of one job have different names",
        remedy="choose another name",
    )


def enter_shots(
    book: Book,
    job: JobView,
    panel: PanelView,
    photos: Sequence[Path],
    *,
    spot: str | None = None,
    after_pass: int | None = None,
    mm_per_px: float | None = None,
    progress: Progress,
) -> KeptShots:
    """Keep photos and clips of one state; each can be read whole, or none is entered.

    Parameters
    ----------
    book, job, panel
        Where they belong.
    photos
        Photos, folders of them, or clips; with none, only the scale may be set anew.
    spot
        Name of a test spot, made where there is none.
    after_pass
        State after so many passes; the last if `None`.
    mm_per_px
        Scale; that of the panel's last photo if `None`.
    progress
        Called with the name of each photo when its turn comes.

    Raises
    ------
    DefectscanError
        If a photo cannot be read or kept, or has another scale than its state.
    """
    from defectscan.imaging.clip import check_clip, is_clip  # noqa: PLC0415 - heavy
    from defectscan.imaging.decoding import decode, read_bytes  # noqa: PLC0415
    from defectscan.imaging.photo import list_photos  # noqa: PLC0415

    files = [file for path in photos for file in list_photos(path)]
    surface, _ = _surface(panel, spot, new=bool(files))
    pass_id = _pass_id(surface, after_pass)
    if not files:
        return _kept_already(book, panel, surface, pass_id, mm_per_px)
    _scale(panel, surface, _states(surface, pass_id), mm_per_px)  # refused before they are read
    hashes = {}
    for file in files:
        data = read_bytes(file)
        if is_clip(file):
            check_clip(file)
        else:
            decode(file, data)
        hashes[book.keep_photo(data, suffix=file.suffix)] = file.name
        progress(file.name)
    with book.together():
        # While the photos were read, somebody else may have entered others, or a pass; the photos
        # are of the state that it was when they were named.
        panel = _as_it_stands(book, panel)
        surface, spot_id = _surface_made(book, panel, spot)
        if pass_id not in (None, *(one.thing_id for one in surface.passes)):
            raise _gone(f"the pass of entry {pass_id}, after which the photos are,")
        states = _states(surface, pass_id)
        scale = _scale(panel, surface, states, mm_per_px)
        ident = job.entry.thing_id
        if states:
            state_id = states[0].entry.thing_id
            known = {shot.content.sha256 for shot in states[0].shots}
        else:
            content = State(
                panel_id=panel.entry.thing_id, test_spot_id=spot_id, after_pass_id=pass_id
            )
            state_id, known = book.add(content, job_id=ident).thing_id, set()
        fresh = [
            Shot(state_id=state_id, sha256=sha256, file_name=name, mm_per_px=scale)
            for sha256, name in hashes.items()
            if sha256 not in known
        ]
        book.add_all(fresh, job_id=ident)
    return KeptShots(
        state_id=state_id,
        state_name=state_name(surface.n_passes(pass_id)),
        n_new=len(fresh),
        n_known=len(files) - len(fresh),
        n_shots=len(known) + len(fresh),
    )


def _kept_already(
    book: Book, panel: PanelView, surface: SurfaceView, pass_id: int | None, mm_per_px: float | None
) -> KeptShots:
    """Set the scale of a state's photos anew, where one is given."""
    name = state_name(surface.n_passes(pass_id))
    states = _states(surface, pass_id)
    if not states:
        raise BookError(
            f"there are no photos of {panel.name} {name}",
            allowed="only photos that are kept are measured again",
            remedy="enter some with `job shots PHOTO...`",
        )
    if mm_per_px is not None:
        set_scale(book, states[0], mm_per_px)
    return KeptShots(
        state_id=states[0].entry.thing_id,
        state_name=name,
        n_new=0,
        n_known=0,
        n_shots=len(states[0].shots),
    )


def _as_it_stands(book: Book, panel: PanelView) -> PanelView:
    """Return a panel with what was entered since it was looked at."""
    for job in book.current(Job, job_id=panel.entry.job_id):
        for one in view_job(book, job).panels:
            if one.entry.thing_id == panel.entry.thing_id:
                return one
    raise _gone(panel.name)


def _gone(what: str) -> BookError:
    return BookError(
        f"{what} was withdrawn meanwhile",
        allowed="photos, passes and readings belong to what stands",
        remedy="look with `job list`, and enter it again",
    )


def enter_pass(
    book: Book,
    job: JobView,
    panel: PanelView,
    said: Mapping[str, Any],
    *,
    spot: str | None = None,
    same: bool = False,
) -> tuple[Entry[Pass], int]:
    """Enter a pass and return it with its number on the panel or test spot.

    Parameters
    ----------
    book, job, panel
        Where it belongs.
    said
        Fields of `Pass`, `None` where nothing was said.
    spot
        Name of a test spot, made where there is none.
    same
        Whether what was not said is as in the last pass.

    Raises
    ------
    BookError
        If there is no last pass to repeat, or a figure is out of range.
    """
    told = {name: value for name, value in said.items() if value is not None}
    with book.together():
        panel = _as_it_stands(book, panel)
        surface, spot_id = _surface_made(book, panel, spot)
        if same:
            told = _said_last(panel, surface) | told
        where = {"panel_id": panel.entry.thing_id, "test_spot_id": spot_id}
        content = Pass(**{"who": book.who, **told, **where})
        return book.add(content, job_id=job.entry.thing_id), len(surface.passes) + 1


def enter_film(
    book: Book,
    job: JobView,
    panel: PanelView,
    readings_um: Iterable[float],
    *,
    place: str = "",
    gauge: str = "",
    spot: str | None = None,
    after_pass: int | None = None,
) -> list[Entry[FilmReading]]:
    """Enter film-thickness readings of one place on a panel, all or none.

    Parameters
    ----------
    book, job, panel
        Where they belong.
    readings_um
        Micrometres.
    place, gauge
        Where on the panel, and a note on the gauge.
    spot
        Name of a test spot, made where there is none.
    after_pass
        State after so many passes; the last if `None`.

    Raises
    ------
    BookError
        If a figure is out of range, or there were not so many passes.
    """
    with book.together():
        panel = _as_it_stands(book, panel)
        surface, spot_id = _surface_made(book, panel, spot)
        contents = [
            FilmReading(
                panel_id=panel.entry.thing_id,
                test_spot_id=spot_id,
                after_pass_id=_pass_id(surface, after_pass),
                film_um=reading,
                spot=place,
                gauge=gauge,
            )
            for reading in readings_um
        ]
        return book.add_all(contents, job_id=job.entry.thing_id)


def panel_id_named(book: Book, entry: Entry[Content], name: str) -> int:
    """Return the panel of that name or number in the job of an entry.

    Raises
    ------
    BookError
        If there is none, or more than one.
    """
    return _own_job(book, entry).panel(name).entry.thing_id


def pass_id_numbered(book: Book, reading: Entry[FilmReading], after_pass: int) -> int | None:
    """Return the pass of that number, `None` for 0, on the panel or test spot of a reading.

    Raises
    ------
    BookError
        If there were not so many passes.
    """
    place = (reading.content.panel_id, reading.content.test_spot_id)
    surfaces: dict[tuple[int, int | None], SurfaceView] = {}
    for panel in _own_job(book, reading).panels:
        surfaces[panel.entry.thing_id, None] = panel.surface
        for spot in panel.test_spots:
            surfaces[panel.entry.thing_id, spot.entry.thing_id] = spot.surface
    return _pass_id(surfaces[place], after_pass)


def _own_job(book: Book, entry: Entry[Content]) -> JobView:
    (job,) = book.current(Job, job_id=entry.job_id)
    return view_job(book, job)


def _surface(panel: PanelView, spot: str | None, *, new: bool) -> tuple[SurfaceView, int | None]:
    """Return a panel's surface or a test spot's; an empty one, where a new spot will do."""
    if spot is None:
        return panel.surface, None
    names = [one.entry.content.name for one in panel.test_spots]
    folded = spot.casefold().strip()
    if new and folded not in [name.casefold().strip() for name in names]:
        return _EMPTY, None
    number = chosen(names, spot, what="test spot", remedy="enter photos of it")
    found = panel.test_spots[number]
    return found.surface, found.entry.thing_id


def _surface_made(book: Book, panel: PanelView, spot: str | None) -> tuple[SurfaceView, int | None]:
    """Return the surface, and enter the test spot where there is none of that name."""
    surface, spot_id = _surface(panel, spot, new=True)
    if spot is not None and spot_id is None:
        content = TestSpot(panel_id=panel.entry.thing_id, name=spot)
        spot_id = book.add(content, job_id=panel.entry.job_id).thing_id
    return surface, spot_id


def _states(surface: SurfaceView, pass_id: int | None) -> list[StateView]:
    return [s for s in surface.states if s.entry.content.after_pass_id == pass_id]


def _said_last(panel: PanelView, surface: SurfaceView) -> dict[str, Any]:
    """Return what was said of the last pass, to be said again."""
    if not surface.passes:
        raise BookError(
            f"{panel.name} has had no pass yet",
            allowed="--same repeats the last pass of the panel",
            remedy="say machine, pad and polish",
        )
    last = surface.passes[-1].content
    repeated = ("machine", "pad", "polish", "speed", "time_min", "section", "who")
    return {name: getattr(last, name) for name in repeated}


def _pass_id(surface: SurfaceView, after_pass: int | None) -> int | None:
    if after_pass is None:
        return surface.last_pass_id
    if after_pass > len(surface.passes):
        raise BookError(
            f"--after-pass is {after_pass}",
            allowed=f"there were {len(surface.passes)} pass(es)",
            remedy="enter the pass first with `job pass`",
        )
    return surface.passes[after_pass - 1].thing_id if after_pass else None


def _scale(
    panel: PanelView,
    surface: SurfaceView,
    states: Sequence[StateView],
    mm_per_px: float | None,
) -> float | None:
    """Return the scale for new photos, which is that of their state's others."""
    own = [shot.content.mm_per_px for state in states for shot in state.shots]
    if own and mm_per_px is not None and mm_per_px != own[-1]:
        kept = "none" if own[-1] is None else f"{own[-1]:g}"
        raise BookError(
            f"--mm-per-px is {mm_per_px:g}",
            allowed=f"the scale of this state's other photos is {kept}",
            remedy="leave it out, or first correct theirs with "
            f"{again_command(states[0], '--mm-per-px F')}",
        )
    if own:
        return own[-1]
    if mm_per_px is not None:
        return mm_per_px
    surfaces = (panel.surface, *(spot.surface for spot in panel.test_spots), surface)
    all_shots = [shot for one in surfaces for state in one.states for shot in state.shots]
    return max(all_shots, key=lambda shot: shot.id).content.mm_per_px if all_shots else None
