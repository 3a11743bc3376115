"""Commands: parse, one call, print, exit status."""
