"""One file a figure."""
