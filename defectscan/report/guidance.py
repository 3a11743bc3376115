"""The report's standing texts: how it was measured, what that cannot know, and the cautions."""


def _paragraphs(text: str) -> tuple[str, ...]:
    return tuple(" ".join(paragraph.split()) for paragraph in text.split("\n\n"))


UNDER_A_LAMP = _paragraphs("""
A small lamp is mirrored in the clear coat: that is the highlight. Round it, scratches glint
wherever they lie across the lamp's light, which is why they look like rings. The program finds the
highlight, follows every glinting line round it and measures its length.

At each distance from the highlight a lamp can show only a known share of the scratches. Each line
is counted for the ones of its kind that this lamp could not show. The corrected length, divided by
the area that was looked at (the measuring zone), is the line density: millimetres of scratch in
each square centimetre.
""")

AS_SEEN = _paragraphs("""
There is no highlight in these photos. The figures are the lines that can be seen, not corrected for
the lamp. They compare only with photos that were lit in the same way.
""")

BEFORE_AND_AFTER = _paragraphs("""
Before and after are counted above the same contrast, the poorer of the two photos' limits, so that
a weaker photo cannot pass for a better panel. Correction is the share of the line density that is
gone.
""")

INTERVALS = _paragraphs("""
Each 95 % interval comes from drawing the lines anew many times, whole lines at a time. It is the
range the true figure should lie in, 95 times out of 100.
""")

GRADE = _paragraphs("""
Grade: 0 (next to none) to 5 (dense), the quantity of defects rated in the style of ISO 4628-1's
general scheme, with this program's own limits on line density.
""")

SHARE_THAT_SHOWS = _paragraphs("""
One photo shows only the few scratches that lie across its light. The count is corrected by the
share it can show, and is sure only to within the interval given. More photos of the same panel make
the interval shorter.
""")

SHARE_THAT_SHOWS_AS_SEEN = _paragraphs("""
One photo shows only the scratches that its light happens to catch. How many it leaves out is not
known, and these figures are not corrected for them.
""")

WHAT_IT_CANNOT_KNOW = _paragraphs("""
It sees nothing inside the bloom of the highlight, outside the measuring zone, or on trim, tape,
glass and emblems; and no line fainter than the detection limit.

It cannot see film thickness. How much clear coat is left, how deep a scratch goes and how well the
paint is still protected against the sun do not show in a photo.

Wax, oil, glaze or filler can hide scratches for a while. Clean and wipe the panel before the photo,
or the scratches may come back.

Nothing here is a gloss, haze or distinctness-of-image value by any standard: a phone does not meet
the geometry of those methods.
""")

CAUTIONS = _paragraphs("""
This report never orders another pass by itself. Whether to polish is for a skilled person to
decide, at the panel, with the film thickness known.

Polishing removes clear coat, and it does not grow back. Measure the film thickness first, at
several spots of each panel. A gauge on metal gives all layers together and cannot show the clear
coat alone; plastic and composite parts need another method.

Take great care at edges and body lines, where the film is thin, and on repainted or filled areas.
Try a small hidden spot first.

Read the safety data sheets of polishes, cleaners and coatings, and follow the makers' instructions.

Wear eye protection, gloves, hearing protection and, against sanding dust and vapours, a suitable
respirator that has been fit-tested. Ventilate. Old paint dust may hold lead or chromium. Coatings
with isocyanates need supplied air and trained people.

Rotating tools catch hair, clothing and cables. Tie them back, keep cables away from water, and
limit the time under vibration.

Do not look into bright point lights or into their mirror image in the paint.

Local codes, and work reserved to licensed trades, come before anything said here.
""")
