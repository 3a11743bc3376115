"""What to mind at the panel, whatever the numbers say."""

ORDERS_NOTHING = (
    "A photo cannot see film thickness and never orders a pass by itself: the thickness gauge, the "
    "data sheets of coating and polish, local rules and the technician at the panel decide."
)
FILM_UNKNOWN = (
    "The film thickness is unknown: these figures cannot say whether the panel can bear another "
    "pass, nor what would be left. Measure it at five spots, three readings each, before any pass."
)
FILM_ON_TEST_SPOTS = (
    "The film was read on test spots alone: how much there is on the rest of the panel is unknown. "
    "Measure it at five spots, three readings each, before any pass."
)
OWN_CUT = (
    "The film taken off is reckoned from the workshop's own figure, not from readings of this "
    "panel; what is left is unknown. Measure it before any pass."
)
ALL_LAYERS = (
    "A gauge on metal reads all layers together and cannot show the clear coat alone; the thinnest "
    "spot read need not be the panel's thinnest place."
)
EDGES = (
    "Edges: the film is thinnest there and cuts fastest. Tape them off or keep the pad away; the "
    "readings of the flat panel do not hold there."
)
BODY_LINES = (
    "Body lines: a pad presses harder on a crease and cuts through first there. Tape them off, go "
    "over them by hand with the finest polish; the readings of the flat panel do not hold there."
)
REPAINTED = (
    "Repainted or filled areas: the layers differ from the rest, and a high reading may be filler "
    "and not clear coat. Read these areas apart."
)
PROTECTION = (
    "Read the data sheets; wear eye protection, gloves and, against dust, a suitable respirator; "
    "ventilate; keep hair, clothing and cables off the machine."
)
PANEL_WIDE = (EDGES, BODY_LINES, REPAINTED)

OF_MATERIAL = {
    "painted plastic": (
        "Painted plastic: a magnetic or eddy-current gauge does not read here, another method is "
        "needed; the film is often thinner, and heat builds up and softens the part. Slow and cool."
    ),
    "bare metal": (
        "Bare metal: there is no paint film to measure; what is taken off is metal, or a thin "
        "protective layer that a photo does not show."
    ),
    "trim": (
        "Trim: texture, plating or a thin coating is easily polished through; read the maker's "
        "sheet and try a hidden place first."
    ),
    "lamp lens": (
        "Lamp lens: polishing takes off the hard coat that keeps the sun out; it has to be coated "
        "again, and the lamp must still meet the local rules for vehicle lights."
    ),
}


def cautions_for(material: str, *, film_read: bool, cut_known: bool) -> tuple[str, ...]:
    """Return the cautions for a panel, the weightiest first.

    Parameters
    ----------
    material
        As the job book writes it: painted metal, painted plastic, bare metal, trim, lamp lens.
    film_read
        Whether the film was read with a gauge.
    cut_known
        Whether the workshop gave its own figure for the film of a pass.
    """
    film = ALL_LAYERS if film_read else OWN_CUT if cut_known else FILM_UNKNOWN
    special = OF_MATERIAL.get(material)
    return (
        ORDERS_NOTHING,
        film,
        *(() if special is None else (special,)),
        *PANEL_WIDE,
        PROTECTION,
    )
