"""Findings in words, a family of causes a file."""
