"""Evidence per night, merged into findings with a life and a loss."""
