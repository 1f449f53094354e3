"""What a display does with a signal, what its panel can reach, and displays of known truth."""
