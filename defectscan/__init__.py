"""Measure swirls and scratches in clear coat from photos under a point light."""
