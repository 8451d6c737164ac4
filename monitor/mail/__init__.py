"""The way out: one conversation with a mail server, and what can go wrong in it."""
