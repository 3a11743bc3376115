"""What a report holds, as plain numbers, texts and arrays.

Nothing here is worked out: whoever measured fills these records in, and the writers of HTML and
PDF only put them into words and pictures. ``None`` (or NaN) means "not known", never 0.
Pixel coordinates: x to the right, y down, the centre of the first pixel at (0, 0).
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

Kind = Literal["swirl", "deep_scratch", "machine_trail"]
Status = Literal["removed", "remaining", "new", "scratch_before", "scratch_after", "line"]
DensityUnit = Literal["mm/cm²", "px/px²"]

KINDS: tuple[Kind, ...] = ("swirl", "deep_scratch", "machine_trail")


@dataclass(frozen=True, slots=True, kw_only=True)
class Estimate:
    """Hold a value with its 95 % interval.

    Parameters
    ----------
    value
        Best estimate; ``None`` where it is undefined or not known.
    low, high
        Limits of the 95 % interval.
    at_least
        The least that can be claimed, where the value itself is out of reach (a correction whose
        "after" is under its detection limit). It is then reported in place of the value.
    note
        Why the value is missing, as a clause ("no scale in the picture").
    """

    value: float | None = None
    low: float | None = None
    high: float | None = None
    at_least: float | None = None
    note: str = ""


UNKNOWN = Estimate()


@dataclass(frozen=True, slots=True, kw_only=True)
class Flag:
    """Say what makes a measurement doubtful, and what to do about it."""

    name: str
    text: str
    advice: str = ""

    @property
    def title(self) -> str:
        """Its name as people write it."""
        return self.name[:1].upper() + self.name[1:].replace("_", " ")


@dataclass(frozen=True, slots=True, kw_only=True)
class Highlight:
    """Place the lamp's mirror image: centre and radius of its bloom, in pixels."""

    x_px: float
    y_px: float
    radius_px: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Line:
    """Hold one line on a picture.

    Parameters
    ----------
    points_px
        Its course, (n, 2), x and y in the pixels of the picture it is drawn on.
    status
        What became of it, or in which photo a deep scratch was found, as those are not followed;
        ``"line"`` where the two photos could not be laid over each other.
    kind
        What kind of defect it was taken for.
    """

    points_px: "NDArray[np.floating]"
    status: Status = "line"
    kind: Kind = "swirl"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Picture:
    """Hold a photo and what was found in it, all in the pixels of that photo.

    Parameters
    ----------
    image
        (height, width, 3), 8 bit sRGB, red first.
    lines
        The lines of this state, drawn where there is no registered overlay.
    zone_px
        Outlines of the measuring zone, closed, each (n, 2).
    highlight
        The lamp's mirror image, if there is one in the picture.
    """

    image: "NDArray[np.uint8]"
    lines: tuple[Line, ...] = ()
    zone_px: "tuple[NDArray[np.floating], ...]" = ()
    highlight: Highlight | None = None

    @property
    def is_there(self) -> bool:
        """Whether there is anything to show."""
        return self.image.size > 0


@dataclass(frozen=True, slots=True, kw_only=True)
class PhotoConditions:
    """Tell how one photo was taken and what it gave; pixels are those of the photo itself."""

    file: str
    sha256: str
    width_px: int
    height_px: int
    mm_per_px: float | None = None
    exposure_time_s: float | None = None
    f_number: float | None = None
    iso: float | None = None
    focal_length_mm: float | None = None
    highlight: Highlight | None = None
    glint_radius_px: float | None = None
    zone_area_cm2: float | None = None
    n_lines: int | None = None
    flags: tuple[Flag, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Coverage:
    """Tell what ground the shots of a state cover.

    Parameters
    ----------
    n_shots
        (rows, columns): how many shots cover each cell of the first photo.
    extent_px
        Left, top, right and bottom edge of the cells, in the pixels of the state's picture.
    highlights_px
        Where the highlights of the shots lie in it, (n, 2).
    area_cm2
        All ground covered; ``None`` where the scale is not known.
    shots_laid, shots_not_laid
        Shots that lie on the first, itself counted, and those whose ground is not known.
    """

    n_shots: "NDArray[np.integer]"
    extent_px: tuple[float, float, float, float]
    highlights_px: "NDArray[np.floating]"
    area_cm2: float | None
    shots_laid: int
    shots_not_laid: int


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class State:
    """Hold what was measured of a panel at one time.

    Parameters
    ----------
    picture
        The photo to show; an empty one where it cannot be read.
    line_density, detection_limit, kinds
        In the panel's density unit; ``kinds`` may leave kinds out (not known).
    grade
        0 to 5, or ``None`` where there is no scale to grade by.
    haze
        In the panel's haze unit.
    directions
        Density of the swirls and machine trails that run in each of n equal sectors, (n,), over 0
        to 180 degrees, the angle counted from the picture's x axis towards its y axis (clockwise
        as seen); NaN where unknown. All sectors add up to the density of both kinds.
    photos
        The shots of this state.
    flags
        Doubts about the state as a whole.
    coverage
        The ground that they cover; ``None`` for a single shot.
    """

    picture: Picture
    line_density: Estimate
    detection_limit: float | None = None
    grade: float | None = None
    kinds: Mapping[Kind, Estimate] = field(default_factory=dict)
    haze: Estimate = UNKNOWN
    directions: "NDArray[np.floating] | None" = None
    photos: tuple[PhotoConditions, ...] = ()
    flags: tuple[Flag, ...] = ()
    coverage: Coverage | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Registration:
    """Lay the photo after over the one before, or say why that could not be done.

    Parameters
    ----------
    after_on_before
        The photo after, warped onto the frame of the one before, (height, width, 3), 8 bit sRGB;
        ``None`` where the two could not be registered.
    lines
        Lines removed, remaining and new, and the deep scratches found in either photo, in the
        pixels of the picture before.
    not_followed
        Why there are none though the photos lie on each other, a sentence; empty where lines were
        followed.
    residual_px, overlap
        How well it fits, in pixels, and the share of the frame that both photos show (0 to 1).
    reason
        Why the photos could not be registered, as a clause.
    """

    after_on_before: "NDArray[np.uint8] | None" = None
    lines: tuple[Line, ...] = ()
    not_followed: str = ""
    residual_px: float | None = None
    overlap: float | None = None
    reason: str = ""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DensityMap:
    """Hold the density of the lines that are left, cell by cell.

    Parameters
    ----------
    values
        (rows, columns), in the panel's density unit; NaN where nothing was measured.
    extent_px
        Left, top, right and bottom edge, in the pixels of the picture before where the photos are
        registered or there is only one state, else of the picture after.
    """

    values: "NDArray[np.floating]"
    extent_px: tuple[float, float, float, float]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Panel:
    """Hold all that is reported of one panel.

    Parameters
    ----------
    title
        The panel's name.
    before
        The first state, and the only one where a single state was measured.
    after
        The second state, if any.
    correction, kind_corrections
        Percent; negative is an increase.
    registration
        How the two photos lie over each other; ``None`` with a single state.
    density_map
        Where lines are left.
    density_unit, haze_unit
        Units of the numbers; lengths are in pixels where no scale is known.
    as_seen
        Whether the numbers are visible lines only, not corrected for the lamp.
    more_shots
        How many more shots would make the correction surer, a sentence; none where it is sure.
    set_aside
        Why photos could not be used, a sentence each.
    flags
        Doubts about the comparison.
    not_drawn
        Why no lines are drawn over the photos, a sentence; empty where they are.
    notices
        What to know before reading the figures.
    """

    title: str
    before: State
    after: State | None = None
    correction: Estimate = UNKNOWN
    kind_corrections: Mapping[Kind, Estimate] = field(default_factory=dict)
    registration: Registration | None = None
    density_map: DensityMap | None = None
    density_unit: DensityUnit = "mm/cm²"
    haze_unit: str = ""
    as_seen: bool = False
    more_shots: tuple[str, ...] = ()
    set_aside: tuple[str, ...] = ()
    flags: tuple[Flag, ...] = ()
    not_drawn: str = ""
    notices: tuple[Flag, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ReportContent:
    """Hold a whole report.

    Parameters
    ----------
    title, subtitle
        What was looked at, and a line under it (the job, or that the scenario is invented).
    date
        The report's date; the clock is never asked, so the same content gives the same bytes.
    version
        Version of the program that measured.
    panels
        One or more.
    grade_limits_mm_per_cm2
        Upper line density of grades 0 to 4, as used; empty where no grade is given.
    flags
        Doubts about the whole.
    """

    title: str
    date: date
    version: str
    panels: tuple[Panel, ...]
    subtitle: str = ""
    grade_limits_mm_per_cm2: tuple[float, ...] = ()
    flags: tuple[Flag, ...] = ()
