"""From a photo to a number."""
