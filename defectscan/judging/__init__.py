"""Judging: decks of photos to grade, raters' grades, and what they say."""
