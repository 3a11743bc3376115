"""`defectscan render`: a synthetic panel before and after polishing, with its truth."""

import math
from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from defectscan.cli.options import Force, progress_bar

FREE_WITH_DEMO = {"folder", "demo", "force", "width"}


class PaintName(StrEnum):
    """The paints that can be rendered."""

    BLACK = "black"
    GRAPHITE_METALLIC = "graphite-metallic"
    BLUE_METALLIC = "blue-metallic"
    RED = "red"
    SILVER_METALLIC = "silver-metallic"
    WHITE = "white"


def _number(value: float) -> float:
    """Refuse what is not a number, which no range keeps out."""
    if math.isnan(value):
        raise typer.BadParameter("nan is not a number.")
    return value


def _place(value: tuple[float, float, float]) -> tuple[float, float, float]:
    """Refuse a lamp or camera that does not stand well above the panel."""
    x, y, z = value
    if not (abs(x) <= 500 and abs(y) <= 500 and 100 <= z <= 2000):
        raise typer.BadParameter(
            f"({x:g}, {y:g}, {z:g}) is not within 500 mm to each side and 100 to 2000 mm above."
        )
    return value


def render(
    context: typer.Context,
    folder: Annotated[
        Path, typer.Argument(metavar="FOLDER", help="Where the photos and the truth go.")
    ],
    *,
    demo: Annotated[
        bool, typer.Option("--demo", help="The sample job; of the rest, only --width applies.")
    ] = False,
    paint: Annotated[PaintName, typer.Option(help="Paint.")] = PaintName.BLACK,
    density: Annotated[
        float, typer.Option(min=0, max=1000, callback=_number, help="Swirls before, mm per cm².")
    ] = 150.0,
    deep_scratches: Annotated[
        int, typer.Option(min=0, max=100, help="Deep scratches on the panel and round it.")
    ] = 2,
    radius: Annotated[
        float,
        typer.Option(min=250, callback=_number, help="Curvature along the width, mm; inf is flat."),
    ] = math.inf,
    radius_across: Annotated[
        float,
        typer.Option(min=250, callback=_number, help="Curvature along the height; inf is flat."),
    ] = math.inf,
    orange_peel: Annotated[
        float, typer.Option(min=0, max=0.02, callback=_number, help="Waviness, sd of its slope.")
    ] = 0.0008,
    dust: Annotated[int, typer.Option(min=0, max=2000, help="Specks of dust.")] = 60,
    furniture: Annotated[
        bool, typer.Option(help="Draw an edge, trim, tape or an emblem into the picture.")
    ] = True,
    pass_depth: Annotated[
        float, typer.Option(min=0, max=20, callback=_number, help="Film that polishing takes, µm.")
    ] = 1.0,
    haze: Annotated[
        float,
        typer.Option(min=0, max=0.2, callback=_number, help="Share of light that haze takes."),
    ] = 0.0,
    trails: Annotated[
        float, typer.Option(min=0, max=500, callback=_number, help="Machine trails, mm per cm².")
    ] = 0.0,
    shots: Annotated[int, typer.Option(min=1, max=20, help="Photos of each state.")] = 1,
    lamp: Annotated[
        tuple[float, float, float],
        typer.Option(metavar="X Y Z", callback=_place, help="Lamp, mm from the panel's middle."),
    ] = (30.0, -20.0, 420.0),
    lamp_radius: Annotated[
        float, typer.Option(min=0.2, max=50, callback=_number, help="Of its disc, mm.")
    ] = 3.0,
    camera: Annotated[
        tuple[float, float, float],
        typer.Option(metavar="X Y Z", callback=_place, help="Camera, mm from the panel's middle."),
    ] = (-35.0, 25.0, 360.0),
    move: Annotated[
        float,
        typer.Option(
            min=0, max=60, callback=_number, help="Lamp and camera move by up to this, mm."
        ),
    ] = 20.0,
    width: Annotated[int, typer.Option(min=160, max=4096, help="Of the photos, pixels.")] = 2000,
    exposure: Annotated[
        float, typer.Option(min=0.05, max=20, callback=_number, help="Factor on the exposure.")
    ] = 1.0,
    exposure_after: Annotated[
        float, typer.Option(min=0.05, max=20, callback=_number, help="Another, on photos after.")
    ] = 1.0,
    blur: Annotated[
        float, typer.Option(min=0.3, max=20, callback=_number, help="Of lens and focus, sd in px.")
    ] = 0.8,
    glare: Annotated[
        float, typer.Option(min=0, max=10, callback=_number, help="Factor on the stray light.")
    ] = 1.0,
    noise: Annotated[
        float, typer.Option(min=0.05, max=20, callback=_number, help="Factor on the noise.")
    ] = 1.0,
    sharpening: Annotated[
        float, typer.Option(min=0, max=3, callback=_number, help="Unsharp masking, as phones do.")
    ] = 0.3,
    jpeg_quality: Annotated[int, typer.Option(min=30, max=95, help="Of the photos.")] = 92,
    seed: Annotated[int, typer.Option(min=0, help="Of all that is drawn at random.")] = 0,
    force: Force = False,
) -> None:
    """Render an invented panel before and after polishing, with everything that is true of it."""
    if demo:
        _refuse_others(context)
        from defectscan.simulation.demo import PANELS, write_demo  # noqa: PLC0415 - heavy

        with progress_bar(2 * len(PANELS)) as step:
            files = write_demo(folder, width_px=width, force=force, progress=step)
        typer.echo(f"{len(files)} files in {folder}")
        return

    from defectscan.output import check_free  # noqa: PLC0415
    from defectscan.simulation.develop import Development  # noqa: PLC0415
    from defectscan.simulation.specimen import (  # noqa: PLC0415
        Pass,
        Specimen,
        Stand,
        render_states,
    )
    from defectscan.simulation.truth import file_names, write_pair  # noqa: PLC0415

    usual = Development()
    check_free([folder / name for name in file_names(shots=shots)], force=force)
    with progress_bar(2 * shots) as step:
        pair = render_states(
            Specimen(
                paint=paint.replace("-", " "),
                density_mm_per_cm2=density,
                deep_scratches=deep_scratches,
                radius_mm=radius,
                radius_across_mm=radius_across,
                orange_peel_slope=orange_peel,
                dust=dust,
                draws_furniture=furniture,
                passes=(Pass(depth_um=pass_depth, haze=haze, trails_mm_per_cm2=trails),),
            ),
            stand=Stand(
                lamp_mm=lamp,
                lamp_radius_mm=lamp_radius,
                camera_mm=camera,
                width_px=width,
                move_mm=move,
            ),
            development=Development(
                exposure=exposure,
                blur_px=blur,
                glare=glare,
                # Fewer electrons at saturation are what a higher sensitivity comes to.
                full_well_e=usual.full_well_e / noise**2,
                read_noise_e=usual.read_noise_e / noise,
                sharpening=sharpening,
                jpeg_quality=jpeg_quality,
            ),
            seed=seed,
            shots=shots,
            exposure_after=exposure_after,
            progress=step,
        )
    files = write_pair(pair, folder, force=force)
    before, after = (state.panel.density_mm_per_cm2() for state in pair)
    typer.echo(f"{len(files)} files in {folder}")
    typer.echo(f"true line density: {before:.1f} mm/cm² before, {after:.1f} after")


def _refuse_others(context: typer.Context) -> None:
    sources = {name: context.get_parameter_source(name) for name in context.params}
    given = [
        name
        for name, source in sources.items()
        if name not in FREE_WITH_DEMO and source is not None and source.name == "COMMANDLINE"
    ]
    if given:
        options = ", ".join("--" + name.replace("_", "-") for name in given)
        raise typer.BadParameter(f"{options} cannot be given with it.", param_hint="--demo")
