"""The report's colours and line styles, the same in HTML and PDF.

Lines on photos differ in colour, width and dash, so that none of them rests on colour alone. The
colours are those of Okabe and Ito's set for colour-blind readers (Color Universal Design, 2002;
values from memory); their lightness differs too, so they also come apart in grey.
"""

from dataclasses import dataclass

BEFORE = "#8c95a1"
AFTER = "#0072b2"
INKS: dict[str, str] = {
    "ink": "#1b232d",
    "muted": "#5a6572",
    "hair": "#d5dae0",
    "faint": "#eef1f4",
    "paper": "#ffffff",
    "before": BEFORE,
    "on_before": "#14191f",
    "after": AFTER,
    "warning": "#a34700",
}
HEAT = ("#414487", "#2a788e", "#22a884", "#7ad151", "#fde725")
"""Few to many: lightness rises all the way (viridis, without its darkest fifth)."""

COVER = ("#414487", "#22a884", "#fde725")
"""Ground covered once, twice and more often, from the same row."""
CELLS = {"heat": HEAT, "cover": COVER}
CELL_OPACITY = {"heat": 0.9, "cover": 0.6}


@dataclass(frozen=True, slots=True, kw_only=True)
class Stroke:
    """Say how a line is drawn: colour, width and dashes, in points."""

    colour: str
    width_pt: float
    dash_pt: tuple[float, float] | None = None


SKY_BLUE, YELLOW, VERMILION = "#56b4e9", "#f0e442", "#d55e00"
STROKES: dict[str, Stroke] = {
    "removed": Stroke(colour=SKY_BLUE, width_pt=1.3, dash_pt=(3.0, 1.2)),
    "remaining": Stroke(colour=YELLOW, width_pt=1.1),
    "new": Stroke(colour=VERMILION, width_pt=2.0, dash_pt=(4.5, 2.0)),
    "scratch_before": Stroke(colour="#ffffff", width_pt=2.6, dash_pt=(7.0, 2.5)),
    "scratch_after": Stroke(colour="#ffffff", width_pt=3.0),
    "swirl": Stroke(colour=YELLOW, width_pt=0.9),
    "machine_trail": Stroke(colour=SKY_BLUE, width_pt=1.1, dash_pt=(1.6, 1.4)),
    "deep_scratch": Stroke(colour=VERMILION, width_pt=2.2, dash_pt=(5.5, 1.6)),
    "highlight": Stroke(colour="#ffffff", width_pt=1.2),
    "frame": Stroke(colour="#ffffff", width_pt=0.5, dash_pt=(3.0, 3.0)),
}
