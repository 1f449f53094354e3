"""The answer for one room."""
