"""Whether two stored results can be compared, and why not."""

from collections.abc import Mapping
from typing import Any

from defectscan.workshop.book_entries import Result


def incomparable(first: Result, second: Result) -> tuple[str, ...]:
    """Say why two results cannot be compared; nothing if they can.

    Parameters
    ----------
    first, second
        Scores or comparisons of the same panel.

    Returns
    -------
    tuple of str
        A sentence a reason.
    """
    reasons = []
    if first.record.get("format") != second.record.get("format"):
        reasons.append(
            f"One is a {first.record.get('format')} and the other a {second.record.get('format')}."
        )
    if first.version != second.version:
        reasons.append(
            f"They come from versions {first.version} and {second.version} of the program, which "
            "may measure differently."
        )
    reasons += unlike_settings(first.settings, second.settings)
    if shows_card(first) and shows_card(second):
        rulers = [_ruler(result.settings) for result in (first, second)]
        if rulers[0] != rulers[1]:
            reasons.append(
                f"The ruler of their scale cards was given as {rulers[0]} and {rulers[1]}."
            )
    return tuple(reasons)


def unlike_settings(first: Mapping[str, Any], second: Mapping[str, Any]) -> tuple[str, ...]:
    """Say why results of such settings cannot be compared; nothing if they can."""
    reasons = []
    if bool(first.get("as_seen")) != bool(second.get("as_seen")):
        reasons.append("Only one of them counts visible lines alone, not corrected for the lamp.")
    scales = first.get("mm_per_px"), second.get("mm_per_px")
    if (scales[0] is None) != (scales[1] is None):
        reasons.append("The scale of only one of them is known.")
    return tuple(reasons)


def measured_alike(score: Result, other: Result) -> bool:
    """Tell whether another result took a score's photos as the score did, with its scale."""
    if unlike_settings(score.settings, other.settings):
        return False
    if score.settings.get("mm_per_px") != other.settings.get("mm_per_px"):
        return False
    return not shows_card(score) or _ruler(score.settings) == _ruler(other.settings)


def unlike_scales(first: Result, second: Result) -> str:
    """Say in a sentence which two scales were stated for two scores; empty where it is one."""
    scales = first.settings.get("mm_per_px"), second.settings.get("mm_per_px")
    if None in scales or scales[0] == scales[1]:
        return ""
    return f"Their scales are {scales[0]:g} and {scales[1]:g} mm per px."


def shows_card(score: Result) -> bool:
    """Tell whether the length of the card's ruler counts: a card is in the photos, for all known.

    A length once given is taken over in the whole job, by panels without a card too.
    """
    shots = score.record.get("shots")
    return shots is None or any(shot.get("card") for shot in shots)


def _ruler(settings: Mapping[str, Any]) -> str:
    from defectscan.imaging.card_layout import RULER_MM  # noqa: PLC0415 - heavy

    # A card that was not measured is taken to be printed true.
    return f"{settings.get('card_mm') or RULER_MM:g} mm"
