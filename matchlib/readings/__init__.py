"""What was measured, and whether it can be believed."""
