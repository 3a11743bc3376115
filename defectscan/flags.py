"""Quality flags: measured, but doubtful. Each says what it means and what to do."""

from enum import Enum


class Doubt(Enum):
    """Something that makes a figure doubtful.

    Attributes
    ----------
    text
        What it means.
    advice
        What to do about it.
    """

    def __init__(self, text: str, advice: str) -> None:
        self.text = text
        self.advice = advice


class Flag(Doubt):
    """A doubt that travels with a measurement to the report."""

    FEW_LINES = (
        "Only few lines are lit in this photo, so their geometry is taken from the highlight.",
        "Take more photos with the highlight in other places of the panel.",
    )
    NO_SCALE = (
        "The scale is unknown, so density is given per pixel and there is no grade.",
        (
            "Lay the printed scale card round the spot, or state the scale with --mm-per-px: the "
            "millimetres on the panel over the pixels they fill."
        ),
    )
    SET_ASIDE = (
        "A photo of the state could not be used and was set aside; the others count.",
        "Look at the reason beside it, and repeat that photo.",
    )
    CARD_SIZE = (
        (
            "The scale card was printed at the wrong size, as its ruler shows; the scale is "
            "corrected for it."
        ),
        "Print the card again at actual size (100 %), without fitting it to the page.",
    )
    CARD_UNSURE = (
        (
            "Too little of the scale card shows to tell the scale within 1 %; what it leaves open "
            "is in the interval."
        ),
        "Lay the card so that all its marks are in the picture, flat and sharp.",
    )
    MERGED = (
        (
            "The camera put this photo together from several exposures, as night modes do, which "
            "smooths fine lines away."
        ),
        "Switch night mode and high dynamic range off, and repeat the photo.",
    )
    PORTRAIT = (
        "A portrait mode has blurred parts of this photo.",
        "Switch portrait mode off, and repeat the photo.",
    )
    SHARPENED = (
        (
            "The camera sharpened this photo hard, which draws dark rims beside lines and may hide "
            "their neighbours."
        ),
        "Set the camera's sharpness to normal, alike before and after.",
    )
    CLIP = (
        (
            "Frames of a clip are compressed, which wipes out the faintest lines; the interval "
            "reckons with it."
        ),
        "Film in the camera's best quality; for the surest figures take photos.",
    )
    ZOOMED = (
        "Digital zoom has enlarged this photo beyond what the lens saw.",
        "Go nearer instead of zooming, or keep to the lens's own steps.",
    )
    LENS_DIFFERS = (
        (
            "The photos of the two states differ in zoom or in size, and neither a scale card nor "
            "what is fixed to the panel tells how their scales differ."
        ),
        "Use the same lens, zoom and picture size for both, or lay the scale card in both.",
    )
    DIRECTIONS_MISSING = (
        (
            "The panel's edge or a part on it hides the ground where grooves of some directions "
            "would show; they are taken to be like the others."
        ),
        "Take another photo with the highlight further from the edge.",
    )
    SHALLOW_WALLS = (
        (
            "Far from the highlight lines thin out more than the lamp explains, as shallow grooves "
            "do; the outer part of the photo is left out."
        ),
        "Nothing needs doing; a photo with the lamp further away covers more ground.",
    )
    CROWDED = (
        (
            "Lines lie so close that some hide behind others; the density is corrected for it, and "
            "less certain."
        ),
        "Go nearer, so that fewer lines fill the picture.",
    )
    UNEVEN_DIRECTIONS = (
        "Grooves favour one direction, as wiping or a machine leaves them.",
        "Take a second photo with the lamp moved a quarter turn round the highlight.",
    )
    ODD_GEOMETRY = (
        (
            "The lines do not lie round the highlight as one lamp would show them; circles are "
            "assumed."
        ),
        "Use one lamp alone, cover other lights, and repeat the photo.",
    )
    SPARKLE = (
        "Much of what looks like lines points in no lamp's direction: flakes, dust or noise.",
        "Wipe the panel, lower the ISO, hold the camera still, and repeat the photo.",
    )
    AS_SEEN = (
        "Visible lines only, not corrected for what the lamp hides.",
        "Compare such numbers only between photos lit and taken alike.",
    )
    EXPOSURE_DIFFERS = (
        "The two states were exposed differently; both are counted above the same contrast.",
        "Lock the exposure for both photos.",
    )
    HIGHLIGHT_CUT = (
        "The frame cuts the highlight.",
        "Turn the camera until the highlight lies well inside the picture.",
    )
    BROAD_HIGHLIGHT = (
        (
            "The highlight is broad for a small lamp's: where tape, trim or a second light runs "
            "into it, the density is far off."
        ),
        "Use one small lamp further away, with its highlight on bare paint.",
    )
    BELOW_LIMIT = (
        "The density is below what this photo can tell from nothing.",
        "Take more photos of this state.",
    )
    NOT_REGISTERED = (
        "The two photos could not be laid over each other; the correction compares densities only.",
        "Leave a piece of tape, trim or an edge in both pictures.",
    )
    TURNED = (
        "The photo after was taken the other way up.",
        "Nothing needs doing; stand on the same side for pictures that are easier to compare.",
    )
    SAME_PHOTO = (
        "The same photo stands for both states.",
        "Choose the photo taken after polishing.",
    )
    MAYBE_OTHER_PANEL = (
        "Nothing in the two photos shows that they are of the same panel.",
        "Check that both photos show the same panel.",
    )
    HAZE_RAISED = (
        "The glow round the highlight is stronger than before, as haze of fine grooves gives.",
        "Look at the panel against the lamp; a finer pass may be wanted.",
    )
    TRAILS_ADDED = (
        "There are more machine trails than before.",
        "Look for buffer trails against the lamp; a finer pass may be wanted.",
    )
