"""Everything after the way in: keep, expect, compare, tell."""
