"""The board: the whole fleet as plain pages in a folder, for the firm's own browsers."""
