"""Synthetic panels with a known truth, from first principles in three dimensions.

Nothing here is shared with the measuring side: a mistake in the optics cannot cancel itself.
Lengths are in mm on the panel, depths and radii of grooves in micrometres, slopes are tangents.
"""
