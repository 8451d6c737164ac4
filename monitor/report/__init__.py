"""What people read: digest data, then figures, then HTML and text, then a message; only `write` touches files."""
