"""A photo, and what is in it."""
