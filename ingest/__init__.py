"""The way in: export files and registers to clean readings. Knows no database and no site geometry."""
