"""One unit of work per function; clock, store and fleet are passed in."""
