"""A job as it stands: its panels with their passes, states, readings and results."""

import shlex
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from defectscan.errors import on_one_line
from defectscan.workshop.book import Book
from defectscan.workshop.book_entries import (
    BookError,
    Content,
    Decision,
    Entry,
    FilmReading,
    Job,
    Note,
    Panel,
    Pass,
    Result,
    Shot,
    State,
    TestSpot,
)

# What a job is made of, in the order in which it is put together.
_PARTS: tuple[type[Content], ...] = (
    Panel,
    TestSpot,
    Pass,
    State,
    Shot,
    FilmReading,
    Note,
    Decision,
    Result,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class StateView:
    """A state with what was photographed and measured of it.

    Attributes
    ----------
    entry
        The state.
    n_passes
        How many passes lie before it.
    shots
        Its photos.
    score
        Its last score, if there is one.
    comparisons
        With earlier states: the one just before, and the first.
    withdrawn_sha256s
        Of photos that the score or a comparison was measured from, and that were withdrawn
        since. A result of which no photo of a state stands any more is void, and left out.
    options
        Those of its surface.
    """

    entry: Entry[State]
    n_passes: int
    shots: tuple[Entry[Shot], ...]
    score: Entry[Result] | None
    comparisons: tuple[Entry[Result], ...]
    withdrawn_sha256s: frozenset[str] = frozenset()
    options: str

    @property
    def name(self) -> str:
        """How the state is called."""
        return state_name(self.n_passes)


@dataclass(frozen=True, slots=True, kw_only=True)
class SurfaceView:
    """A panel without its test spots, or one test spot: passes, states and readings, in order.

    Attributes
    ----------
    passes, states, film
        What belongs to it.
    options
        As a command names it, quoted for a Unix shell: --job, --panel, --spot.
    """

    passes: tuple[Entry[Pass], ...]
    states: tuple[StateView, ...]
    film: tuple[Entry[FilmReading], ...]
    options: str = ""

    @property
    def measured(self) -> tuple[StateView, ...]:
        """Give the states that have a score; the correction counts from the first of them."""
        return tuple(state for state in self.states if state.score is not None)

    @property
    def last_pass_id(self) -> int | None:
        """The last pass, if there was one."""
        return self.passes[-1].thing_id if self.passes else None

    def n_passes(self, after_pass_id: int | None) -> int:
        """Return how many passes there were up to the one named, those withdrawn left out."""
        if after_pass_id is None:
            return 0
        return sum(one.thing_id <= after_pass_id for one in self.passes)


@dataclass(frozen=True, slots=True, kw_only=True)
class TestSpotView:
    """A test spot and what was done on it."""

    entry: Entry[TestSpot]
    surface: SurfaceView

    __test__ = False


@dataclass(frozen=True, slots=True, kw_only=True)
class PanelView:
    """A panel and all that belongs to it."""

    entry: Entry[Panel]
    surface: SurfaceView
    test_spots: tuple[TestSpotView, ...]
    notes: tuple[Entry[Note], ...]
    decisions: tuple[Entry[Decision], ...]

    @property
    def name(self) -> str:
        """How the panel is called."""
        return self.entry.content.name


@dataclass(frozen=True, slots=True, kw_only=True)
class JobView:
    """A job and all that belongs to it.

    Attributes
    ----------
    entry
        The job.
    panels
        In the order in which they were entered.
    notes
        On the job as a whole.
    """

    entry: Entry[Job]
    panels: tuple[PanelView, ...]
    notes: tuple[Entry[Note], ...]

    def panel(self, name: str) -> PanelView:
        """Return the panel of that name or number; the beginning of a name does where it is clear.

        Raises
        ------
        BookError
            If there is none, or more than one.
        """
        names = [panel.name for panel in self.panels]
        number = chosen(names, name, what="panel", remedy="enter it with `job panel`")
        return self.panels[number]


def view_job(book: Book, job: Entry[Job]) -> JobView:
    """Put together what stands of one job."""
    return _view(job, {kind: book.current(kind, job_id=job.thing_id) for kind in _PARTS})


def view_jobs(book: Book) -> list[JobView]:
    """Put together what stands of every job, in order of entry, the book read once."""
    parts: dict[int, dict[type[Content], list[Entry[Any]]]] = {}
    for kind in _PARTS:
        for entry in book.current(kind):
            parts.setdefault(entry.job_id, {}).setdefault(kind, []).append(entry)
    return [_view(job, parts.get(job.thing_id, {})) for job in book.current(Job)]


def _view(job: Entry[Job], parts: Mapping[type[Content], list[Entry[Any]]]) -> JobView:
    panels, spots, passes, states, shots, film, notes, decisions, results = (
        parts.get(kind, []) for kind in _PARTS
    )
    # Of a state or a pair, the result entered last counts: two people may measure it at once.
    newest = {
        (one.content.state_id, one.content.before_state_id): one
        for one in sorted(results, key=lambda one: one.id)
    }
    results = sorted(newest.values(), key=lambda one: one.thing_id)

    def surface(panel: Entry[Panel], spot: Entry[TestSpot] | None) -> SurfaceView:
        spot_id = None if spot is None else spot.thing_id

        def mine(entry: Entry[Pass] | Entry[State] | Entry[FilmReading]) -> bool:
            content = entry.content
            return (content.panel_id, content.test_spot_id) == (panel.thing_id, spot_id)

        own = SurfaceView(
            passes=tuple(filter(mine, passes)),
            states=(),
            film=tuple(filter(mine, film)),
            options=_options(job, panel, spot),
        )
        seen = [_state(s, shots, results, own) for s in states if mine(s)]
        # A state of which all was withdrawn, the pass before it too, would show as another one.
        there = {None, *(one.thing_id for one in own.passes)}
        seen = [s for s in seen if s.shots or s.score or s.entry.content.after_pass_id in there]
        seen.sort(key=lambda state: (state.n_passes, state.entry.thing_id))
        return replace(own, states=tuple(seen))

    views = [
        PanelView(
            entry=panel,
            surface=surface(panel, None),
            test_spots=tuple(
                TestSpotView(entry=spot, surface=surface(panel, spot))
                for spot in spots
                if spot.content.panel_id == panel.thing_id
            ),
            notes=tuple(n for n in notes if n.content.panel_id == panel.thing_id),
            decisions=tuple(d for d in decisions if d.content.panel_id == panel.thing_id),
        )
        for panel in panels
    ]
    return JobView(
        entry=job,
        panels=tuple(views),
        notes=tuple(note for note in notes if note.content.panel_id is None),
    )


def again_command(state: StateView, more: str = "") -> str:
    """Return the command that measures a state again, with more options if any are named."""
    words = f"job shots --again {state.options} --after-pass {state.n_passes} {more}"
    return f"`{words.rstrip()}`"


def last_panel(book: Book, job: JobView) -> PanelView:
    """Return the panel of the last entry on a panel, this person's own if there is one.

    Raises
    ------
    BookError
        If the job has no panels.
    """
    panels = {panel.entry.thing_id: panel for panel in job.panels}
    states = {s.thing_id: s.content for s in book.current(State, job_id=job.entry.thing_id)}

    def panel_id(entry: Entry[Content]) -> int | None:
        if isinstance(entry.content, Panel):
            return entry.thing_id
        state = states.get(getattr(entry.content, "state_id", None) or 0)
        return getattr(state or entry.content, "panel_id", None)

    others: PanelView | None = None
    for entry in reversed(book.history(job.entry.thing_id)):
        panel = panels.get(panel_id(entry) or 0)
        if panel is not None and entry.recorded_by == book.who:
            return panel
        others = others or panel
    if others is None:
        raise BookError(
            f"job {job.entry.content.number} has no panels",
            allowed="photos, passes and readings belong to a panel",
            remedy="enter one with `job panel NAME`",
        )
    return others


def state_name(n_passes: int) -> str:
    """Return how the state after so many passes is called."""
    return "before" if n_passes == 0 else f"after pass {n_passes}"


def chosen(names: Sequence[str], wanted: str, *, what: str, remedy: str) -> int:
    """Return which of several names is meant: by itself, its beginning, or its number from 1.

    Raises
    ------
    BookError
        If none is, or more than one.
    """
    folded = wanted.casefold().strip()
    tests: tuple[Callable[[int, str], bool], ...] = (
        lambda _, name: name.casefold().strip() == folded,
        lambda number, _: str(number) == folded,
        lambda _, name: bool(folded) and name.casefold().strip().startswith(folded),
    )
    for test in tests:
        found = [i for i, name in enumerate(names) if test(i + 1, name)]
        if len(found) == 1:
            return found[0]
        if found:
            break
    there = ", ".join(f"{i} {name[:40]!r}" for i, name in enumerate(names[:20], start=1)) or "none"
    raise BookError(
        f"{len(found) or 'no'} {what}s are called {wanted[:80]!r}",
        allowed=f"there are: {there}",
        remedy=f"give the number in front of the name, or {remedy}",
    )


def _state(
    entry: Entry[State],
    shots: Sequence[Entry[Shot]],
    results: Sequence[Entry[Result]],
    surface: SurfaceView,
) -> StateView:
    mine, withdrawn = [], set()
    for result in results:
        told = result.content
        if told.state_id != entry.thing_id:
            continue
        of = {told.state_id, told.before_state_id} - {None}
        standing = {
            (shot.content.state_id, shot.content.sha256)
            for shot in shots
            if shot.content.state_id in of and shot.content.sha256 in told.sha256s
        }
        if not told.sha256s or {state_id for state_id, _ in standing} == of:
            mine.append(result)
            withdrawn |= set(told.sha256s) - {sha256 for _, sha256 in standing}
    scores = [result for result in mine if result.content.before_state_id is None]
    return StateView(
        entry=entry,
        n_passes=surface.n_passes(entry.content.after_pass_id),
        shots=tuple(shot for shot in shots if shot.content.state_id == entry.thing_id),
        score=scores[-1] if scores else None,
        comparisons=tuple(r for r in mine if r.content.before_state_id is not None),
        withdrawn_sha256s=frozenset(withdrawn),
        options=surface.options,
    )


def _options(job: Entry[Job], panel: Entry[Panel], spot: Entry[TestSpot] | None) -> str:
    words = ["--job", str(job.content.number), "--panel", panel.content.name]
    return on_one_line(shlex.join(words if spot is None else [*words, "--spot", spot.content.name]))
