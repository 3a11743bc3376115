"""What was not measured of a panel, and why: what a reader of its report has to know."""

from collections.abc import Iterator, Mapping

from defectscan.workshop.book_view import PanelView, StateView, SurfaceView, state_name

NO_GAUGE = {
    "painted plastic": "a magnetic or eddy-current gauge does not read on plastic",
    "trim": "no gauge reading was entered",
    "bare metal": "there is no paint film",
    "lamp lens": "a paint gauge does not read on a lens",
}


def not_measured(panel: PanelView, failures: Mapping[int, str]) -> tuple[str, ...]:
    """Say what was not measured of a panel and why, a sentence each, without the panel's name.

    Parameters
    ----------
    panel
        As it stands.
    failures
        By state, why its photos could not be measured when that was tried.
    """
    return (
        *_states(panel.surface, failures, ""),
        *(
            line
            for spot in panel.test_spots
            for line in _states(spot.surface, failures, f"Test spot {spot.entry.content.name}: ")
        ),
        *_film(panel),
    )


def unmeasured_states(panel: PanelView) -> tuple[StateView, ...]:
    """Return the states with photos, but without a result."""
    surfaces = (panel.surface, *(spot.surface for spot in panel.test_spots))
    states = (state for surface in surfaces for state in surface.states)
    return tuple(state for state in states if state.shots and state.score is None)


def _states(surface: SurfaceView, failures: Mapping[int, str], where: str) -> Iterator[str]:
    seen = {state.n_passes: state for state in surface.states if state.shots}
    if not seen:
        if surface.passes or not where:
            yield f"{where}No photo was taken, so nothing can be said of its paint."
        return
    for number in range(len(surface.passes) + 1):
        state = seen.get(number)
        name = state_name(number)
        if state is None:
            yield f"{where}Not photographed {name}."
        elif state.score is None:
            why = failures.get(state.entry.thing_id)
            kept = f"{where}{name[0].upper()}{name[1:]}: {len(state.shots)} photo(s) were kept"
            yield f"{kept}, but could not be measured: {why}." if why else f"{kept}, not measured."


def _film(panel: PanelView) -> Iterator[str]:
    surface = panel.surface
    read = {surface.n_passes(entry.content.after_pass_id) for entry in surface.film}
    n_on_spots = sum(len(spot.surface.film) for spot in panel.test_spots)
    if not read and n_on_spots:
        readings = f"{n_on_spots} reading{'s' * (n_on_spots > 1)}"
        yield (
            f"Film thickness: read on test spots alone ({readings}). How much film is left on the "
            "rest of the panel is not known, and a photo cannot show it."
        )
    elif not read:
        why = NO_GAUGE.get(panel.entry.content.material.value)
        reason = f" ({why})" if why else ""
        yield (
            f"Film thickness: not read{reason}. How much film is left is not known, and a photo "
            "cannot show it."
        )
    elif len(surface.passes) not in read:
        last = state_name(max(read))
        yield f"Film thickness: last read {last}; what is left now was not read."
