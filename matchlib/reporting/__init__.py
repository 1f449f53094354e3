"""The answer told: words, plots, PDF, sheet."""
