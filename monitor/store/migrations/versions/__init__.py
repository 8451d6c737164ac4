"""One file a revision; `REVISIONS` in monitor/store/schema.py lists them."""
