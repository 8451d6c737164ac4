"""Drafts of a source for a file that nobody has described yet: evidence first, proposals from it, nothing guessed."""
