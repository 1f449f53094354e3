"""One reader a file format, picked by content."""
