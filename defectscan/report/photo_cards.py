"""The cards that tell how each photo of a panel was taken."""

from defectscan.report import wording
from defectscan.report.content import Flag, Panel, PhotoConditions
from defectscan.report.marks import Photo
from defectscan.report.page import Block, Card, Cards, Flags, Plate, Text


def photo_blocks(
    panel: Panel, flags: tuple[Flag, ...], before: Photo | None, as_taken: Photo | None
) -> tuple[Block, ...]:
    """List the doubts about a panel and how its photos were taken.

    Parameters
    ----------
    panel
        The panel.
    flags
        Doubts about states and comparison.
    before, as_taken
        The first photos before and after, to show beside their conditions; ``None`` for none.
    """
    cards = _cards("Before" if panel.after else "Photo", panel.before.photos, before)
    if panel.after is not None:
        cards += _cards("After", panel.after.photos, as_taken)
    blocks: list[Block] = [Flags(flags=flags)] if flags else []
    blocks.append(Cards(cards=cards))
    registration = panel.registration
    if registration is not None and registration.after_on_before is not None:
        residual = wording.measure(registration.residual_px, "px")
        overlap = wording.known(registration.overlap)
        share = wording.NOT_KNOWN if overlap is None else wording.share(overlap)
        fit = (
            f"Registration: the photo after fits the one before to {residual}; share of the frame"
            f" that both show: {share}."
        )
        blocks.append(Text(paragraphs=(fit,)))
    return tuple(blocks)


def _cards(name: str, photos: tuple[PhotoConditions, ...], shown: Photo | None) -> tuple[Card, ...]:
    """Make a card for each photo of a state, its first one with the photo as taken."""
    return tuple(
        Card(
            title=f"{name} {i}" if len(photos) > 1 else name,
            rows=_conditions(photo),
            flags=photo.flags,
            plate=Plate(title="As taken", photo=shown) if i == 1 and shown else None,
        )
        for i, photo in enumerate(photos, 1)
    )


def _conditions(photo: PhotoConditions) -> tuple[tuple[str, str], ...]:
    spot = photo.highlight
    f_number = wording.number(photo.f_number)
    return (
        ("File", photo.file),
        ("SHA-256", photo.sha256[:12]),
        ("Size", f"{photo.width_px} \N{MULTIPLICATION SIGN} {photo.height_px} px"),
        ("Scale", wording.measure(photo.mm_per_px, "mm per px")),
        ("Exposure", wording.exposure_time(photo.exposure_time_s)),
        ("Aperture", f_number if f_number == wording.NOT_KNOWN else f"f/{f_number}"),
        ("ISO", wording.number(photo.iso)),
        ("Focal length", wording.measure(photo.focal_length_mm, "mm")),
        (
            "Highlight",
            "none found"
            if spot is None
            else f"at {spot.x_px:.0f}, {spot.y_px:.0f} px; radius {spot.radius_px:.0f} px",
        ),
        ("Glint radius", wording.measure(photo.glint_radius_px, "px")),
        ("Measuring zone", wording.measure(photo.zone_area_cm2, "cm²")),
        ("Lines", wording.NOT_KNOWN if photo.n_lines is None else str(photo.n_lines)),
    )
